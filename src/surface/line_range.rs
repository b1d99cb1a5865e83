//! One line range for all conditions of an injector: dead times over different ranges
//! are different quantities, and only one quantity can be interpolated.

use super::build::Cell;
use crate::fit::SweepFit;
use crate::units::Estimate;

/// A line needs this many measured widths.
const LEAST_WIDTHS: usize = 3;
/// The common range must hold this share of the longest, or it is another question.
const SHARE: f64 = 0.5;

/// Carries slope and dead time of every cell to the range that their conditions have
/// in common, and returns that range; `None`, and nothing moved, where it holds less
/// than half of the longest range or fewer than three widths of a condition.
///
/// `sweeps`: those of the cells, in their order.
/// *Method* (E32): the least-squares line of the stored delivery curve over the common
/// range. The standard uncertainty is that of the fit's own line, with the change
/// itself added as a standard uncertainty: how the readings' errors move the
/// difference of the two lines is not in the file.
pub(super) fn over_common_range(sweeps: &[&SweepFit], cells: &mut [Cell]) -> Option<[f64; 2]> {
    let ranges: Vec<[f64; 2]> = sweeps
        .iter()
        .map(|s| s.line_range_ms)
        .collect::<Option<_>>()?;
    let lo = ranges.iter().map(|r| r[0]).fold(f64::MIN, f64::max);
    let hi = ranges.iter().map(|r| r[1]).fold(f64::MAX, f64::min);
    let longest = ranges.iter().map(|r| r[1] - r[0]).fold(0.0, f64::max);
    if ranges.iter().all(|r| same(*r, [lo, hi])) {
        return Some([lo, hi]);
    }
    let enough = |s: &&SweepFit| widths_inside(s, [lo, hi]) >= LEAST_WIDTHS;
    if hi - lo < SHARE * longest || !sweeps.iter().all(enough) {
        return None;
    }
    let lines: Vec<[f64; 2]> = cells
        .iter()
        .map(|cell| cell.curve.line_over([lo, hi]))
        .collect::<Option<_>>()?;
    for ((cell, range), [slope, dead_time]) in cells.iter_mut().zip(ranges).zip(lines) {
        if !same(range, [lo, hi]) {
            carry(&mut cell.slope, slope);
            carry(&mut cell.dead_time, dead_time);
        }
    }
    Some([lo, hi])
}

fn same(a: [f64; 2], b: [f64; 2]) -> bool {
    a.iter()
        .zip(b)
        .all(|(a, b)| (a - b).abs() <= 1e-9 * b.abs())
}

fn widths_inside(sweep: &SweepFit, [lo, hi]: [f64; 2]) -> usize {
    let mut widths: Vec<f64> = sweep
        .points
        .iter()
        .filter(|p| p.used && p.open_time_s.is_none())
        .map(|p| p.pulse_width_ms)
        .filter(|w| (lo - 1e-9..=hi + 1e-9).contains(w))
        .collect();
    widths.sort_by(f64::total_cmp);
    widths.dedup();
    widths.len()
}

/// Moves an estimate; limits widen on both sides as the standard uncertainty does.
fn carry(estimate: &mut Estimate, value: f64) {
    let change = value - estimate.value;
    let old = estimate.standard_uncertainty;
    let new = old.map(|u| u.hypot(change));
    let factor = match (old, new) {
        (Some(old), Some(new)) if old > 0.0 => new / old,
        _ => 1.0,
    };
    estimate.interval_95 = estimate
        .interval_95
        .map(|side| side.map(|x| value + factor * (x - estimate.value)));
    estimate.standard_uncertainty = new;
    estimate.value = value;
}
