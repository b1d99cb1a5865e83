//! The shared effects of a capture, told once for the whole file.

use std::collections::BTreeMap;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::prepared::Prepared;
use crate::capture::Bench;
use crate::units::Unit;

/// Something that several results share, so that it cancels when they are compared.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Effect {
    /// Id, as used in `shared`.
    pub id: String,
    /// What it is, in words.
    pub what: String,
    /// Its standard uncertainty.
    pub standard_uncertainty: f64,
    /// Unit of that.
    pub unit: Unit,
}

/// Lists the shared effects of the sweeps of a bench by id.
pub(super) fn shared_effects(bench: &Bench, prepared: &[Prepared<'_>]) -> Vec<Effect> {
    let mut effects = BTreeMap::new();
    let mut add = |id: String, what: String, standard_uncertainty: f64, unit: Unit| {
        let effect = Effect {
            id: id.clone(),
            what,
            standard_uncertainty,
            unit,
        };
        effects.entry(id).or_insert(effect);
    };
    for Prepared {
        sweep, instrument, ..
    } in prepared
    {
        let vessel = sweep.readings.first().and_then(|r| r.vessel.clone());
        let name = vessel.map_or_else(String::new, |v| format!(" {v}"));
        add(
            instrument.offset_effect_id(),
            format!("reading offset of vessel{name}"),
            instrument.offset_uncertainty,
            sweep.basis.amount_unit(),
        );
        if let Some(relative) = instrument.scale_uncertainty {
            let what = format!("scale of vessel{name}");
            add(
                instrument.effect_id.clone(),
                what,
                100.0 * relative,
                Unit::Percent,
            );
        }
    }
    // One effect for the run: the largest correction stands for all.
    let doubts = prepared
        .iter()
        .filter_map(|p| p.temperature_doubt.map(f64::abs));
    if let Some(largest) = doubts.reduce(f64::max) {
        add(
            "temperature".to_owned(),
            "carrying readings to one temperature".to_owned(),
            100.0 * largest,
            Unit::Percent,
        );
    }
    if let Some(u) = bench.pressure.as_ref().and_then(|p| p.uncertainty) {
        add(
            "pressure".to_owned(),
            "pressure gauge".to_owned(),
            u,
            Unit::Kilopascal,
        );
    }
    if let Some(u) = bench.supply.as_ref().and_then(|s| s.uncertainty) {
        add(
            "supply".to_owned(),
            "supply voltage".to_owned(),
            u,
            Unit::Volt,
        );
    }
    effects.into_values().collect()
}
