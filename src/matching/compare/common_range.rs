//! Two sweeps over one line range: slope and dead time mean nothing else.

use crate::fit::SweepFit;

/// Points at which the curve is taken, uniform in pulse width as the line range demands.
const POINTS: usize = 400;
/// The common range must hold this share of either range, or it is another question.
const SHARE: f64 = 0.5;

/// Two sweeps with slope and dead time over one range, and what was done for it.
pub(super) struct Aligned {
    pub before: SweepFit,
    pub after: SweepFit,
    pub note: String,
}

/// `Ok(None)` where the ranges are the same already.
///
/// *Method*: the least-squares line of each delivery curve over the common range;
/// uncertainties are kept, as those of nearly the same range.
///
/// # Errors
/// Why not, in words, where a curve is missing or the ranges have too little in common.
pub(super) fn align(before: &SweepFit, after: &SweepFit) -> Result<Option<Aligned>, String> {
    let (Some(b), Some(a)) = (before.line_range_ms, after.line_range_ms) else {
        return Ok(None);
    };
    if a.iter()
        .zip(&b)
        .all(|(a, b)| (a - b).abs() <= 1e-6 * b.abs())
    {
        return Ok(None);
    }
    let told = format!(
        "line range {} to {} ms before, {} to {} ms after",
        b[0], b[1], a[0], a[1]
    );
    let common = [a[0].max(b[0]), a[1].min(b[1])];
    let longer = (a[1] - a[0]).max(b[1] - b[0]);
    let moved = |sweep| {
        (common[1] - common[0] >= SHARE * longer)
            .then(|| over(sweep, common))
            .flatten()
    };
    match (moved(before), moved(after)) {
        (Some(before), Some(after)) => {
            let note = format!(
                "{told}: both figures carried to {} to {} ms",
                common[0], common[1]
            );
            Ok(Some(Aligned {
                before,
                after,
                note,
            }))
        }
        _ => Err(format!("{told}: fit both with one --line-range")),
    }
}

/// The sweep with slope and dead time over another range.
fn over(sweep: &SweepFit, [lo, hi]: [f64; 2]) -> Option<SweepFit> {
    let curve = sweep.delivery.as_ref()?;
    let step = (hi - lo) / (POINTS - 1) as f64;
    let middle = f64::midpoint(lo, hi);
    let (mut sum, mut along, mut square) = (0.0, 0.0, 0.0);
    for i in 0..POINTS {
        // The last step may round beyond the curve.
        let width = (lo + step * i as f64).min(hi);
        let delivered = curve.at(width)?.value;
        sum += delivered;
        along += delivered * (width - middle);
        square += (width - middle).powi(2);
    }
    let slope = along / square;
    let mut moved = sweep.clone();
    moved.line_range_ms = Some([lo, hi]);
    moved.slope.as_mut()?.value = slope;
    moved.dead_time.as_mut()?.value = middle - sum / POINTS as f64 / slope;
    (slope > 0.0).then_some(moved)
}
