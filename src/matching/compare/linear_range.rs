//! Where the linear flow range starts, before and after.

use super::change::{Better, Judged, judge, judged};
use crate::fit::{LinearityDeviation, SweepFit};
use crate::units::{Estimate, Unit};

/// Start of the reported range with the earliest and the latest start that the doubt of
/// the deviations allows.
struct Start {
    value: f64,
    earliest: f64,
    latest: f64,
}

/// Change of the start of the linear flow range, ms; `None` where one side has no range
/// or no doubt, or the limits differ.
///
/// *Method* (M36): the start is a measured width, so its doubt is in steps of those: it
/// is earlier while the next shorter width may be within the limit (its 95 % interval
/// reaches it), and later until a width surely is. The interval of the change joins the
/// far ends, so it is rather too wide; where the range starts between two measured
/// widths nothing tells.
pub(super) fn linear_range_change(before: &SweepFit, after: &SweepFit) -> Option<Judged> {
    if before.linearity_limit_percent != after.linearity_limit_percent {
        return None;
    }
    let (b, a) = (start(before)?, start(after)?);
    let change = Estimate {
        interval_95: [Some(a.earliest - b.latest), Some(a.latest - b.earliest)],
        ..Estimate::symmetric(a.value - b.value, Unit::Millisecond, None, None, 0.0)
    };
    let verdict = judge(change.interval_95, [0.0; 3], Better::Lower);
    Some(judged(
        "start of the linear flow range",
        change,
        verdict,
        "ms",
        2,
    ))
}

fn start(sweep: &SweepFit) -> Option<Start> {
    let limit = sweep.linearity_limit_percent;
    let value = sweep.linear_flow_range_ms?[0];
    let list = &sweep.linearity_deviation;
    let at = list.iter().position(|d| d.pulse_width_ms == value)?;
    let may = |d: &&LinearityDeviation| match d.interval_95 {
        [Some(lo), Some(hi)] => d.percent.is_some() && lo <= limit && hi >= -limit,
        _ => false,
    };
    let surely = |d: &&LinearityDeviation| match d.interval_95 {
        [Some(lo), Some(hi)] => d.percent.is_some() && lo >= -limit && hi <= limit,
        _ => false,
    };
    let earliest = list[..at].iter().rev().take_while(may).last();
    let latest = list[at..].iter().find(surely)?;
    Some(Start {
        value,
        earliest: earliest.map_or(value, |d| d.pulse_width_ms),
        latest: latest.pulse_width_ms,
    })
}
