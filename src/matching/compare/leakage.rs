//! Leakage before and after: figures as the bench files state them.

use super::change::{Better, Judged, judge, judged};
use super::{Change, ChangeVerdict};
use crate::capture::InjectorCheck;
use crate::units::{Estimate, NORMAL_95, Unit};

/// cc/min in a mm³/min.
const CC_PER_MM3: f64 = 1e-3;

/// Change of leakage; the estimate is there where both sides state a doubt.
pub(super) enum LeakageChange {
    /// Both doubts are stated.
    Judged(Judged),
    /// A doubt is missing: nothing but the figures as they stand.
    AsStated(Change),
}

/// `None` unless both are stated. `factor`: a smaller change counts as none.
pub(super) fn leakage_change(
    checks: [Option<&InjectorCheck>; 2],
    factor: f64,
) -> Option<LeakageChange> {
    let [before, after] = checks.map(|c| c.and_then(|c| c.leakage));
    let (before, after) = (before?, after?);
    if let [Some(u_before), Some(u_after)] = checks.map(|c| c.and_then(|c| c.leakage_uncertainty)) {
        let change = Estimate::symmetric(
            CC_PER_MM3 * (after - before),
            Unit::CubicCentimetrePerMinute,
            Some(CC_PER_MM3 * u_before.hypot(u_after)),
            None,
            NORMAL_95,
        );
        let small = CC_PER_MM3 * (factor - 1.0) * before;
        let verdict = judge(change.interval_95, [-small, 0.0, small], Better::Lower);
        return Some(LeakageChange::Judged(judged(
            "leakage", change, verdict, "cc/min", 4,
        )));
    }
    let (verdict, word) = if after > before * factor {
        (ChangeVerdict::Worse, "worse")
    } else if before > after * factor {
        (ChangeVerdict::Improved, "improved")
    } else {
        (ChangeVerdict::Unchanged, "unchanged")
    };
    let reason = format!(
        "leakage {word}: {before} to {after} mm³/min, as stated; no interval can be given, since leakage_uncertainty is not stated on both sides"
    );
    Some(LeakageChange::AsStated(Change {
        of: "leakage".to_owned(),
        verdict,
        reason,
    }))
}
