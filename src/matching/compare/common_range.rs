//! Two sweeps over one line range: slope and dead time mean nothing else.

use crate::fit::SweepFit;

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
fn over(sweep: &SweepFit, range: [f64; 2]) -> Option<SweepFit> {
    let [slope, dead_time] = sweep.delivery.as_ref()?.line_over(range)?;
    let mut moved = sweep.clone();
    moved.line_range_ms = Some(range);
    moved.slope.as_mut()?.value = slope;
    moved.dead_time.as_mut()?.value = dead_time;
    Some(moved)
}
