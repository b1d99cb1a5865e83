//! The answer as text.

use super::result::{Demand, FlowFigures, Origin};
use crate::units::{Estimate, rounded_pair, sign_of, significant};

/// Digits of half an interval.
const DOUBT_DIGITS: i32 = 2;

fn figure(e: &Estimate) -> String {
    match e.half_width() {
        Some(half) => {
            let (value, doubt) = rounded_pair(e.value, Some(half), DOUBT_DIGITS);
            format!("{value} ± {} {}", doubt.unwrap_or_default(), e.unit.sign())
        }
        None => format!("{} {}", significant(e.value, 4), e.unit.sign()),
    }
}

fn flow(f: &FlowFigures) -> String {
    format!(
        "{}, {}, {}",
        figure(&f.cc_per_min),
        figure(&f.lb_per_h),
        figure(&f.g_per_s)
    )
}

/// The answer as lines for the terminal; each section ends with what it rests on.
/// Limits are those of 95 %, and hold if the inputs without a doubt are right.
pub fn text(demand: &Demand) -> String {
    let mut out = String::new();
    let mut line = |label: &str, value: String| out.push_str(&format!("  {label:<34}{value}\n"));
    line("one injector, held open", flow(&demand.flow_per_injector));
    if demand.extrapolated {
        line(
            "",
            "* extrapolated: voltage or pressure lies outside what was measured, and every figure here that rests on flow or dead time with it".to_owned(),
        );
    }
    if let Some(p) = demand.differential_pressure_kpa {
        line(
            "at differential pressure",
            format!("{} kPa", significant(p, 4)),
        );
    }
    if let Some(pulse) = &demand.full_cylinder_pulse_ms {
        line("pulse for one full cylinder, net", figure(&pulse.net));
        if let Some(gross) = &pulse.gross {
            line("  with dead time", figure(gross));
        }
    }
    if let Some(f) = &demand.fuel_per_injector {
        line("fuel at peak, one injector", flow(f));
    }
    if let Some(f) = &demand.fuel_total {
        line("fuel at peak, in all", flow(f));
    }
    if let Some(duty) = &demand.duty_at_peak_percent {
        line(
            "duty at peak",
            format!(
                "{} (limit {} percent)",
                figure(duty),
                demand.duty_limit_percent
            ),
        );
    }
    if let Some(headroom) = &demand.headroom_percent {
        line("more fuel at the limit", figure(headroom));
    }
    if let Some(f) = &demand.flow_needed_per_injector {
        line("flow needed at the limit", flow(f));
    }
    if let Some(power) = &demand.supported_power_kw {
        let hp = significant(power.value / 0.745_699_87, 4);
        line(
            "power the set supports",
            format!("{} ({hp} hp)", figure(power)),
        );
    }
    if let Some(idle) = &demand.idle {
        line("net pulse at idle", figure(&idle.net));
        if let Some(pulse) = &idle.pulse_ms {
            let mark = if idle.extrapolated {
                " * (outside what was measured)"
            } else {
                ""
            };
            line("pulse at idle", format!("{}{mark}", figure(pulse)));
        }
        let words = match (idle.verdict, idle.linear_from_ms) {
            ("below", Some(from)) => format!(
                "below the linear range, which starts at {} ms: this set is too large to idle well without short-pulse correction",
                significant(from, 3)
            ),
            ("inside", Some(from)) => format!(
                "inside the linear range, which starts at {} ms",
                significant(from, 3)
            ),
            _ => "not measured: run the set to know whether it idles".to_owned(),
        };
        line("  against the linear range", words);
    }
    if let Some(change) = &demand.replacement {
        line(
            "net pulses, old set to this",
            format!("x {}", figure(&change.pulse_scale)),
        );
        if let Some(x) = &change.dead_time_change_ms {
            line("dead time, old set to this", figure(x));
        }
    }
    if let Some(pump) = &demand.pump {
        line(
            "pump must give",
            format!(
                "{} at {} kPa gauge ({} percent margin)",
                figure(&pump.needed_cc_per_min),
                significant(pump.rail_pressure_kpa, 4),
                pump.margin_percent
            ),
        );
        if let Some(a) = pump.available_cc_per_min {
            line(
                "  pump gives",
                format!("{} cc/min: {}", significant(a, 4), pump.verdict),
            );
        }
    }
    if let Some(raised) = &demand.raised_pressure {
        line(
            "or raise differential pressure to",
            format!(
                "{} ({:+.0} percent flow)",
                figure(&raised.needed_kpa),
                raised.flow_gain_percent
            ),
        );
        if let Some(warning) = &raised.warning {
            line("", warning.clone());
        }
    }
    out.push_str("\nassumed\n");
    for input in demand.inputs.iter().filter(|i| i.origin == Origin::Assumed) {
        out.push_str(&format!(
            "  {} = {} {}; to know it: {}\n",
            input.name.replace('_', " "),
            significant(input.value, 4),
            sign_of(input.unit),
            input.to_know.as_deref().unwrap_or("state it")
        ));
    }
    for words in &demand.assumptions {
        out.push_str(&format!("  {words}\n"));
    }
    if !demand.not_known.is_empty() {
        out.push_str("\nnot known\n");
        for missing in &demand.not_known {
            out.push_str(&format!("  {} needs {}\n", missing.figure, missing.needs));
        }
    }
    out.push_str("\ncautions\n");
    for caution in demand.cautions {
        out.push_str(&format!("  {caution}\n"));
    }
    out
}
