//! Leakage before and after: two stated figures without stated doubt.

use super::{Change, ChangeVerdict};

/// `None` unless both are stated. `factor`: a smaller change counts as none.
pub(super) fn leakage_change(leakage: [Option<f64>; 2], factor: f64) -> Option<Change> {
    let [Some(before), Some(after)] = leakage else {
        return None;
    };
    let (verdict, word) = if after > before * factor {
        (ChangeVerdict::Worse, "worse")
    } else if before > after * factor {
        (ChangeVerdict::Improved, "improved")
    } else {
        (ChangeVerdict::Unchanged, "unchanged")
    };
    let reason =
        format!("leakage {word}: {before} to {after} mm3/min, as stated, doubt not stated");
    Some(Change {
        of: "leakage".to_owned(),
        verdict,
        reason,
    })
}
