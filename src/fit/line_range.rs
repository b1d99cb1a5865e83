//! Over which pulse widths "the line" is meant.

use crate::capture::{DUTY_LIMIT, Reading, Sweep};

/// Share of the longest pulse's quantity from which a width counts as delivering.
const DELIVERING_SHARE: f64 = 0.1;

/// The default line range of one condition, in ms, common to its injectors.
///
/// *Method*: docs/methods.md, "The line range": from the shortest measured width
/// at which each injector delivers at least a tenth of what it delivers at its
/// longest usable width, to the longest width with a duty cycle below 85 %.
/// Readings without a period count as usable. `None` where no width remains.
pub fn default_line_range<'a>(sweeps: impl Iterator<Item = &'a Sweep>) -> Option<[f64; 2]> {
    let mut range: Option<[f64; 2]> = None;
    for sweep in sweeps {
        if let Some([lo, hi]) = delivering_range(sweep) {
            let [a, b] = range.unwrap_or([lo, hi]);
            range = Some([a.max(lo), b.min(hi)]);
        }
    }
    range.filter(|[lo, hi]| lo <= hi)
}

/// Whether a reading may be fitted: a train of pulses, not left out, with a usable duty cycle.
pub fn usable(reading: &Reading) -> bool {
    !reading.is_static()
        && reading.exclude.is_none()
        && reading.duty().is_none_or(|duty| duty < DUTY_LIMIT)
}

fn delivering_range(sweep: &Sweep) -> Option<[f64; 2]> {
    let mut means: Vec<(f64, f64, f64)> = Vec::new();
    for reading in sweep.readings.iter().filter(|r| usable(r)) {
        let quantity = reading.delivered / reading.pulses;
        match means
            .iter_mut()
            .find(|(w, _, _)| *w == reading.pulse_width_ms)
        {
            Some((_, sum, count)) => {
                *sum += quantity;
                *count += 1.0;
            }
            None => means.push((reading.pulse_width_ms, quantity, 1.0)),
        }
    }
    means.sort_by(|a, b| a.0.total_cmp(&b.0));
    let &(hi, sum, count) = means.last()?;
    let enough = DELIVERING_SHARE * sum / count;
    // From the long end down: a short width that seems to deliver below one that
    // does not is a misreading, not the start of the line.
    let delivering = means
        .iter()
        .rev()
        .take_while(|(_, sum, count)| sum / count >= enough);
    Some([delivering.last().map_or(hi, |(w, _, _)| *w), hi])
}
