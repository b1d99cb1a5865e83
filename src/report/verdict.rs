//! The verdict on a set, and its flow and dead time, in words.

use crate::characterisation::{FigureDeviation, FlowAndDeadTime, SetMatch, Verdict};
use crate::plots::{shortened, visible};
use crate::units::Unit;
use crate::words::{Voice, fill};

/// What was asked, what bound decides, in one sentence.
pub(super) fn verdict(set: &SetMatch, v: Voice) -> String {
    let words = v.words;
    let Some(verdict) = set.verdict else {
        return words.no_verdict.to_owned();
    };
    let word = match verdict {
        Verdict::Matched => words.matched,
        Verdict::NotMatched => words.not_matched,
        Verdict::Undecided => words.undecided,
    };
    let own = [set.flow_tolerance_percent, set.dead_time_tolerance_us];
    if let ([None, None], Some(tolerance)) = (own, set.tolerance_percent) {
        // One tolerance: the verdict is its own.
        let bounds = set.spread_bounds_percent;
        let said = bounded(words.spread, verdict, bounds, tolerance, ("%", v));
        return format!("{word}: {said}");
    }
    let mut asked: Vec<String> = Vec::new();
    let mut ask = |what: &str, bounds: Option<[f64; 2]>, tolerance: Option<f64>, unit: &str| {
        if let Some(tolerance) = tolerance {
            let verdict = match bounds {
                Some([_, hi]) if hi <= tolerance => Verdict::Matched,
                Some([lo, _]) if lo > tolerance => Verdict::NotMatched,
                _ => Verdict::Undecided,
            };
            asked.push(bounded(what, verdict, bounds, tolerance, (unit, v)));
        }
    };
    let bounds = set.spread_bounds_percent;
    ask(words.spread, bounds, set.tolerance_percent, "%");
    for at in &set.flow_and_dead_time {
        let flow = Some(at.flow_spread_bounds_percent);
        ask(words.spread_of_flow, flow, set.flow_tolerance_percent, "%");
        let dead_time = Some(at.dead_time_spread_bounds_us);
        let tolerance = set.dead_time_tolerance_us;
        ask(
            words.spread_of_dead_time,
            dead_time,
            tolerance,
            Unit::Microsecond.sign(),
        );
    }
    format!("{word}: {}", asked.join("; "))
}

fn bounded(
    what: &str,
    verdict: Verdict,
    bounds: Option<[f64; 2]>,
    tolerance: f64,
    (unit, v): (&str, Voice),
) -> String {
    let tolerance = hundredths(tolerance, v);
    match (verdict, bounds) {
        (Verdict::Matched, Some([_, hi])) => fill(
            v.words.at_most,
            &[what, &hundredths(hi, v), unit, &tolerance],
        ),
        (Verdict::NotMatched, Some([lo, _])) => fill(
            v.words.at_least,
            &[what, &hundredths(lo, v), unit, &tolerance],
        ),
        (Verdict::Undecided, _) => fill(v.words.tolerance_between, &[&tolerance, unit, what]),
        (_, None) => fill(v.words.tolerance_is, &[what, &tolerance, unit]),
    }
}

fn hundredths(value: f64, v: Voice) -> String {
    v.figure(&format!("{value:.2}"))
}

/// Spread of flow and dead time at one condition, with who lies farthest out.
pub(super) fn figures(at: &FlowAndDeadTime, v: Voice) -> String {
    let mut condition = Vec::new();
    condition.extend(at.voltage_v.map(|x| v.voltage(Some(x))));
    condition.extend(at.pressure_kpa.map(|p| format!("{p:.0} kPa")));
    let farthest = |value: fn(&FigureDeviation) -> f64, digits: usize, unit: &str| {
        at.deviations
            .iter()
            .max_by(|a, b| value(a).abs().total_cmp(&value(b).abs()))
            .map_or_else(String::new, |d| {
                let off = v.signed(value(d), digits, true);
                let who = shortened(&visible(&d.injector), 40);
                fill(v.words.farthest_short, &[&who, &off, unit])
            })
    };
    let at_condition = if condition.is_empty() {
        String::new()
    } else {
        fill(v.words.at_condition, &[&condition.join(", ")])
    };
    let [flow, dead_time] = [at.flow_spread_bounds_percent, at.dead_time_spread_bounds_us];
    let whole = |x: f64| format!("{x:.0}");
    fill(
        v.words.flow_and_dead_time,
        &[
            &v.plain(at.line_range_ms[0]),
            &v.plain(at.line_range_ms[1]),
            &at_condition,
            &hundredths(at.flow_spread_percent.value, v),
            &hundredths(flow[0], v),
            &hundredths(flow[1], v),
            &farthest(|d| d.flow_percent.value, 2, "%"),
            &whole(at.dead_time_spread_us.value),
            &whole(dead_time[0]),
            &whole(dead_time[1]),
            &farthest(|d| d.dead_time_us.value, 0, Unit::Microsecond.sign()),
        ],
    )
}
