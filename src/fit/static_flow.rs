//! Flow of an injector held open, from static-flow readings.

use super::prepared::{Prepared, Standing};
use crate::units::{Estimate, NORMAL_95};

use super::core::{LEVEL, effective_dof};
use super::distribution::coverage_factor;

/// Mean of 1/(open time) of the static readings, 1/ms: what one offset does to the mean.
fn inverse_time(prepared: &Prepared<'_>) -> f64 {
    let times: Vec<f64> = prepared
        .sweep
        .readings
        .iter()
        .filter_map(|r| r.open_time_s)
        .map(|seconds| 1.0 / (1000.0 * seconds))
        .collect();
    times.iter().sum::<f64>() / times.len().max(1) as f64
}

/// Mean static flow per ms; `None` without static readings.
///
/// *Method*: mean of amount over open time; its uncertainty from the reading
/// uncertainty of each, or from their scatter (then with its degrees of freedom)
/// where that is larger; the reading offset of the vessel is added.
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
    let dof = (scatter > read).then_some(count - 1.0);
    let offset = prepared.instrument.offset_uncertainty * inverse_time(prepared);
    let own = read.max(scatter);
    let total = own + offset * offset;
    let dof = effective_dof(own, total, dof);
    let factor = coverage_factor(LEVEL, dof).unwrap_or(NORMAL_95);
    Some(Estimate::symmetric(
        mean,
        unit,
        Some(total.sqrt()),
        dof,
        factor,
    ))
}
