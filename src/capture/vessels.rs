//! Whether the vessels of the capture and those of the bench file fit together.

use std::collections::BTreeMap;

use serde_json::json;

use super::division::Divisions;
use super::doubts::FileNotes;
use super::fault::Fault;
use super::names;
use super::reading::Capture;
use super::{Vessel, VesselKind};
use crate::finding::{Finding, Kind, Place};
use crate::units::Basis;

/// Says once per name that the bench file does not know a vessel of the capture.
pub(super) fn unknown(capture: &Capture) -> Vec<Finding> {
    let vessels = &capture.bench.vessels;
    let mut lacking: BTreeMap<(&str, usize), u64> = BTreeMap::new();
    if vessels.is_empty() {
        return Vec::new();
    }
    for reading in capture.sweeps.iter().flat_map(|sweep| &sweep.readings) {
        if capture.bench.vessel(reading.vessel.as_deref()).is_none() {
            let name = reading.vessel.as_deref().unwrap_or("");
            *lacking.entry((name, reading.source)).or_default() += 1;
        }
    }
    let known = || vessels.iter().filter_map(|vessel| vessel.name.clone());
    lacking
        .into_iter()
        .map(|((name, source), readings)| {
            let near = names::near_miss(name, known());
            let known: Vec<_> = known().collect();
            let facts = [
                (
                    "vessel",
                    json!(if name.is_empty() {
                        "without a name"
                    } else {
                        name
                    }),
                ),
                ("readings", json!(readings)),
                ("known", json!(near.unwrap_or_else(|| known.join(", ")))),
            ];
            let place = Place {
                source: Some(capture.sources[source].name.clone()),
                ..Place::default()
            };
            Finding::new(Kind::VesselUnknown, place, &facts)
        })
        .collect()
}

/// Refuses volumes from a balance and masses from a cylinder: division and
/// uncertainties of the vessel would be taken in the wrong unit.
pub(super) fn foreign(
    capture: &Capture,
    divisions: &Divisions<'_>,
    notes: &[FileNotes],
) -> Vec<(usize, Fault)> {
    let mut faults: Vec<(usize, Fault)> = Vec::new();
    let mut complained = vec![false; capture.sources.len()];
    for sweep in &capture.sweeps {
        for reading in &sweep.readings {
            let Some(vessel) = divisions.vessel(reading) else {
                continue;
            };
            if vessel_basis(vessel) == sweep.basis || complained[reading.source] {
                continue;
            }
            complained[reading.source] = true;
            let (found, expected) = match sweep.basis {
                Basis::Volume => ("a volume", "a mass, since the bench file states a balance"),
                Basis::Mass => ("a mass", "a volume, since the bench file states no balance"),
            };
            let column = notes[reading.source].amount_column(&sweep.injector, sweep.basis);
            let fault = Fault::row(reading.line, found, expected).in_column(column);
            faults.push((
                reading.source,
                fault.hint("state the vessel this reading was made with in the bench file"),
            ));
        }
    }
    faults
}

fn vessel_basis(vessel: &Vessel) -> Basis {
    match vessel.kind {
        VesselKind::GraduatedCylinder | VesselKind::Burette => Basis::Volume,
        VesselKind::Balance => Basis::Mass,
    }
}
