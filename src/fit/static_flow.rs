//! Flow of an injector held open, from static-flow readings.

use super::prepared::{Prepared, Standing};
use crate::units::Estimate;

use super::describe::normal95;

/// Mean static flow per ms; `None` without static readings.
///
/// *Method*: mean of amount over open time; its uncertainty from the reading
/// uncertainty of each, or from their scatter where that is larger.
pub(super) fn static_flow(prepared: &Prepared<'_>) -> Option<Estimate> {
    let flows: Vec<(f64, f64)> = prepared
        .sweep
        .readings
        .iter()
        .enumerate()
        .filter(|(i, _)| prepared.standing[*i] == Standing::Static)
        .filter_map(|(i, r)| {
            let ms = 1000.0 * r.open_time_s?;
            Some((r.delivered / ms, prepared.reading_uncertainty(i) / ms))
        })
        .collect();
    let count = flows.len() as f64;
    if flows.is_empty() {
        return None;
    }
    let mean = flows.iter().map(|f| f.0).sum::<f64>() / count;
    let read = flows.iter().map(|f| f.1 * f.1).sum::<f64>() / (count * count);
    let scatter = if flows.len() > 1 {
        flows.iter().map(|f| (f.0 - mean).powi(2)).sum::<f64>() / ((count - 1.0) * count)
    } else {
        0.0
    };
    let unit = prepared.sweep.basis.flow_unit();
    Some(Estimate::symmetric(
        mean,
        unit,
        Some(read.max(scatter).sqrt()),
        None,
        normal95(),
    ))
}
