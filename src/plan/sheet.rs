//! The plan as a capture still to be filled in.

use super::result::Plan;

/// The plan as a capture file (CSV): what is read goes into the empty column.
///
/// Cautions and promise stand above it as comments; columns of the plan that a
/// capture does not know begin with `x_`.
pub fn sheet_csv(plan: &Plan) -> String {
    let mut out = String::new();
    for line in &plan.cautions {
        out.push_str(&format!("# {line}\n"));
    }
    let p = &plan.predicted;
    out.push_str(&format!(
        "# promised (95 %): dead time within {:.1} us, flow within {:.2} %, in {:.0} min\n",
        p.dead_time_half_width_us,
        p.flow_half_width_percent,
        p.bench_time_s / 60.0
    ));
    let mass = plan.readings.iter().any(|r| r.unit == "mg");
    let vessel = plan.readings.iter().any(|r| r.vessel.is_some());
    let (amount, expected) = if mass {
        ("mass_g", "x_expected_g")
    } else {
        ("volume_ml", "x_expected_ml")
    };
    out.push_str("x_order,injector,voltage_v,pressure_kpa,pulse_width_ms,pulses,period_ms,repeat,");
    if vessel {
        out.push_str("vessel,");
    }
    out.push_str(&format!("{amount},{expected},x_wait_s,x_control,note\n"));
    for r in &plan.readings {
        out.push_str(&format!(
            "{},{},{},{},{},{},{},{},",
            r.order,
            quoted(&r.injector),
            r.voltage_v,
            r.pressure_kpa,
            r.pulse_width_ms,
            r.pulses,
            r.period_ms,
            r.repeat
        ));
        if vessel {
            out.push_str(&format!("{},", quoted(r.vessel.as_deref().unwrap_or(""))));
        }
        out.push_str(&format!(
            ",{:.1},{:.0},{},\n",
            r.expected / 1000.0,
            r.rest_s,
            if r.control { "control" } else { "" }
        ));
    }
    out
}

/// A CSV cell, quoted where it must be.
fn quoted(text: &str) -> String {
    if text.contains([',', '"', '\n', '\r']) || text.trim() != text || text.starts_with('#') {
        format!("\"{}\"", text.replace('"', "\"\""))
    } else {
        text.to_owned()
    }
}
