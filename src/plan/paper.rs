//! The plan as a sheet to write on.

use super::render::duration;
use super::result::Plan;
use crate::sheet::{Beside, Layout, PlannedReading, ReadingUnit, Run};
use crate::units::significant;

/// The planned readings as a run still to be made, and its layout: a column per
/// injector where all fire together.
///
/// Promise, line range and rests stand among the remarks.
pub fn run_of(plan: &Plan) -> (Run, Layout) {
    let mass = plan.readings.iter().any(|r| r.unit == "mg");
    let rows = plan
        .readings
        .iter()
        .map(|r| PlannedReading {
            injector: r.injector.clone(),
            stage: None,
            voltage_v: Some(r.voltage_v),
            pressure_kpa: Some(r.pressure_kpa),
            pulse_width_ms: r.pulse_width_ms,
            // Planned counts are whole and small.
            pulses: r.pulses as u64,
            period_ms: Some(r.period_ms),
            vessel: r.vessel.clone(),
            repeat: u64::from(r.repeat),
        })
        .collect();
    let run = Run {
        title: "Planned run".to_owned(),
        rows,
        unit: if mass {
            ReadingUnit::Gram
        } else {
            ReadingUnit::Millilitre
        },
        beside: Beside::default(),
        remarks: remarks(plan),
    };
    let layout = if plan.together && plan.vessels_alike() {
        Layout::Wide
    } else {
        Layout::Long
    };
    (run, layout)
}

fn remarks(plan: &Plan) -> Vec<String> {
    let p = &plan.predicted;
    let mut remarks = vec![format!(
        "About {} at the bench. Promised: dead time within {} µs, flow within {} % (95 %).",
        duration(p.bench_time_s),
        significant(p.dead_time_half_width_us, 2),
        significant(p.flow_half_width_percent, 2)
    )];
    for c in &plan.conditions {
        remarks.push(format!(
            "At {} V and {} kPa the promise is for pulse widths of {} to {} ms.",
            c.voltage_v, c.pressure_kpa, c.line_range_ms[0], c.line_range_ms[1]
        ));
    }
    remarks.push(
        "The order is random on purpose: keep it, so that drift does not pass for flow.".to_owned(),
    );
    remarks.push(
        "Where a reading comes near the vessel's capacity, halve the pulses and correct the number."
            .to_owned(),
    );
    let mut rests: Vec<(f64, f64, f64)> = plan
        .readings
        .iter()
        .filter(|r| r.rest_s >= 1.0)
        .map(|r| (r.pulse_width_ms, r.pulses, r.rest_s))
        .collect();
    rests.sort_by(|a, b| a.partial_cmp(b).unwrap_or(std::cmp::Ordering::Equal));
    rests.dedup();
    for (width, pulses, rest) in rests {
        remarks.push(format!(
            "After {pulses} pulses of {width} ms wait {rest:.0} s more, for the coil."
        ));
    }
    remarks
}
