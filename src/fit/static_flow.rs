//! Flow of an injector held open, from static-flow readings.

use super::prepared::{Prepared, Standing};
use crate::units::{Estimate, NORMAL_95};

use super::core::{LEVEL, effective_dof};
use super::distribution::coverage_factor;

/// Mean static flow per ms; `None` without static readings.
///
/// *Method*: mean of amount over open time; its uncertainty from the reading
/// uncertainty of each, or from their scatter (then with its degrees of freedom)
/// where that is larger; the reading offset of the vessel is added.
pub(super) fn static_flow(prepared: &Prepared<'_>) -> Option<Estimate> {
    // Flow, its uncertainty, and what one offset does to it: 1/(open time).
    let flows: Vec<[f64; 3]> = prepared
        .sweep
        .readings
        .iter()
        .enumerate()
        .filter(|(i, _)| prepared.standing[*i] == Standing::Static)
        .filter_map(|(i, r)| {
            let ms = 1000.0 * r.open_time_s?;
            let read = prepared.reading_uncertainty(i);
            Some([r.delivered, read, 1.0].map(|v| v / ms))
        })
        .collect();
    let count = flows.len() as f64;
    if flows.is_empty() {
        return None;
    }
    let mean = flows.iter().map(|f| f[0]).sum::<f64>() / count;
    let read = flows.iter().map(|f| f[1] * f[1]).sum::<f64>() / (count * count);
    let scatter = if flows.len() > 1 {
        flows.iter().map(|f| (f[0] - mean).powi(2)).sum::<f64>() / ((count - 1.0) * count)
    } else {
        0.0
    };
    let unit = prepared.sweep.basis.flow_unit();
    let dof = (scatter > read).then_some(count - 1.0);
    let inverse_time = flows.iter().map(|f| f[2]).sum::<f64>() / count;
    let offset = prepared.instrument.offset_uncertainty * inverse_time;
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
