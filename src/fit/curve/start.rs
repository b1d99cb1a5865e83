//! A provisional line, only to set scales and the anchor of the departure.

use crate::fit::robust::{median, theil_sen};

/// Pulse width from which the provisional line is taken, ms.
const FROM_MS: f64 = 3.0;

/// Slope and time-offset of the line through pairs of width medians (Theil
/// 1950; Sen 1968): from 3 ms on where at least three widths lie there, else
/// the three longest, else all. `per_pulse` holds (width, delivered per pulse).
pub(super) fn provisional_line(per_pulse: &[(f64, f64)]) -> Option<(f64, f64)> {
    let mut sorted = per_pulse.to_vec();
    sorted.sort_by(|a, b| a.0.total_cmp(&b.0));
    let mut points: Vec<(f64, f64)> = Vec::new();
    for group in sorted.chunk_by(|a, b| a.0 == b.0) {
        let values: Vec<f64> = group.iter().map(|p| p.1).collect();
        points.push((group[0].0, median(&values).ok()?));
    }
    let long = points.partition_point(|p| p.0 < FROM_MS);
    let from = long.min(points.len().saturating_sub(3));
    let (x, y): (Vec<f64>, Vec<f64>) = points[from..].iter().copied().unzip();
    let line = theil_sen(&x, &y).ok()?;
    let (slope, dead_time) = (line.slope, -line.intercept / line.slope);
    (slope > 0.0 && slope.is_finite() && dead_time.is_finite()).then_some((slope, dead_time))
}
