//! A provisional line, only to set scales and the anchor of the departure.

/// Pulse width from which the provisional line is taken, ms.
const FROM_MS: f64 = 3.0;

/// Median; the slice is not empty.
fn median(values: &mut [f64]) -> f64 {
    values.sort_by(f64::total_cmp);
    let n = values.len();
    0.5 * (values[(n - 1) / 2] + values[n / 2])
}

/// Slope and time-offset of the line through pairs of width medians (Theil
/// 1950; Sen 1968): from 3 ms on where at least three widths lie there, else
/// the three longest, else all. `per_pulse` holds (width, delivered per pulse).
pub(super) fn provisional_line(per_pulse: &[(f64, f64)]) -> Option<(f64, f64)> {
    let mut sorted = per_pulse.to_vec();
    sorted.sort_by(|a, b| a.0.total_cmp(&b.0));
    let mut points: Vec<(f64, f64)> = Vec::new();
    for group in sorted.chunk_by(|a, b| a.0 == b.0) {
        let mut values: Vec<f64> = group.iter().map(|p| p.1).collect();
        points.push((group[0].0, median(&mut values)));
    }
    let long = points.partition_point(|p| p.0 < FROM_MS);
    let from = long.min(points.len().saturating_sub(3));
    let points = &points[from..];
    let mut slopes: Vec<f64> = Vec::with_capacity(points.len() * points.len() / 2);
    for (i, a) in points.iter().enumerate() {
        slopes.extend(points[i + 1..].iter().map(|b| (b.1 - a.1) / (b.0 - a.0)));
    }
    if slopes.is_empty() {
        return None;
    }
    let slope = median(&mut slopes);
    let mut levels: Vec<f64> = points.iter().map(|p| p.1 - slope * p.0).collect();
    let dead_time = -median(&mut levels) / slope;
    (slope > 0.0 && slope.is_finite() && dead_time.is_finite()).then_some((slope, dead_time))
}
