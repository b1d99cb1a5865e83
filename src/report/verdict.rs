//! The verdict on a set, and its flow and dead time, in words.

use crate::characterisation::{FigureDeviation, FlowAndDeadTime, SetMatch, Verdict};
use crate::plots::visible;

/// What was asked, what bound decides, in one sentence.
pub(super) fn verdict(set: &SetMatch) -> String {
    let Some(verdict) = set.verdict else {
        return "no verdict: no tolerance was stated (--tolerance 2%)".to_owned();
    };
    let word = match verdict {
        Verdict::Matched => "matched",
        Verdict::NotMatched => "not matched",
        Verdict::Undecided => "undecided",
    };
    let own = [set.flow_tolerance_percent, set.dead_time_tolerance_us];
    if let ([None, None], Some(tolerance)) = (own, set.tolerance_percent) {
        // One tolerance: the verdict is its own.
        let words = bounded("spread", verdict, set.spread_bounds_percent, tolerance, "%");
        return format!("{word}: {words}");
    }
    let mut asked: Vec<String> = Vec::new();
    let mut ask = |what: &str, bounds: Option<[f64; 2]>, tolerance: Option<f64>, unit: &str| {
        if let Some(tolerance) = tolerance {
            let verdict = match bounds {
                Some([_, hi]) if hi <= tolerance => Verdict::Matched,
                Some([lo, _]) if lo > tolerance => Verdict::NotMatched,
                _ => Verdict::Undecided,
            };
            asked.push(bounded(what, verdict, bounds, tolerance, unit));
        }
    };
    ask(
        "spread",
        set.spread_bounds_percent,
        set.tolerance_percent,
        "%",
    );
    for at in &set.flow_and_dead_time {
        let flow = Some(at.flow_spread_bounds_percent);
        ask("spread of flow", flow, set.flow_tolerance_percent, "%");
        let dead_time = Some(at.dead_time_spread_bounds_us);
        ask(
            "spread of dead time",
            dead_time,
            set.dead_time_tolerance_us,
            "us",
        );
    }
    format!("{word}: {}", asked.join("; "))
}

fn bounded(
    what: &str,
    verdict: Verdict,
    bounds: Option<[f64; 2]>,
    tolerance: f64,
    unit: &str,
) -> String {
    match (verdict, bounds) {
        (Verdict::Matched, Some([_, hi])) => {
            format!("the {what} is at most {hi:.2} {unit}, the tolerance is {tolerance:.2} {unit}")
        }
        (Verdict::NotMatched, Some([lo, _])) => {
            format!("the {what} is at least {lo:.2} {unit}, the tolerance is {tolerance:.2} {unit}")
        }
        (Verdict::Undecided, _) => {
            format!("the tolerance of {tolerance:.2} {unit} lies between the bounds of the {what}")
        }
        (_, None) => format!("the tolerance of the {what} is {tolerance:.2} {unit}"),
    }
}

/// Spread of flow and dead time at one condition, with who lies farthest out.
pub(super) fn figures(at: &FlowAndDeadTime) -> String {
    let mut condition = Vec::new();
    condition.extend(at.voltage_v.map(|v| format!("{v} V")));
    condition.extend(at.pressure_kpa.map(|p| format!("{p:.0} kPa")));
    let farthest = |value: fn(&FigureDeviation) -> f64| {
        at.deviations
            .iter()
            .max_by(|a, b| value(a).abs().total_cmp(&value(b).abs()))
            .map_or_else(String::new, |d| {
                format!(", farthest {} {:+.2}", visible(&d.injector), value(d))
            })
    };
    let at_condition = if condition.is_empty() {
        String::new()
    } else {
        format!(" at {}", condition.join(", "))
    };
    let [flow, dead_time] = [at.flow_spread_bounds_percent, at.dead_time_spread_bounds_us];
    format!(
        "line over {} to {} ms{at_condition}: flow spreads {:.2} % ({:.2} to {:.2}{}), dead time {:.0} us ({:.0} to {:.0}{})",
        at.line_range_ms[0],
        at.line_range_ms[1],
        at.flow_spread_percent.value,
        flow[0],
        flow[1],
        farthest(|d| d.flow_percent.value),
        at.dead_time_spread_us.value,
        dead_time[0],
        dead_time[1],
        farthest(|d| d.dead_time_us.value),
    )
}
