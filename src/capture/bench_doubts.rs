//! Whether what the bench file states can be true of this capture: capacities, set points,
//! injectors, and the doubt of a vessel against what was read in it.

use std::collections::BTreeMap;

use serde_json::json;

use super::Vessel;
use super::names::near_miss;
use super::reading::{Capture, Reading, Sweep};
use super::sweeps::{SAME_PRESSURE_KPA, SAME_VOLTAGE_V, same_set_point};
use crate::finding::{Finding, Kind, Place};
use crate::units::Basis;

/// Relative slack of a comparison with a capacity: decimal fractions and units.
const ROUNDING: f64 = 1e-9;
/// Ids named in one sentence; `facts` holds them all.
const IDS_SHOWN: usize = 5;

/// Every doubt about the bench file that the readings raise.
pub(super) fn of_bench(capture: &Capture) -> Vec<Finding> {
    let mut findings = nominal_differs(capture);
    findings.extend(unknown_injectors(capture));
    findings.extend(vessels(capture));
    findings
}

/// A nominal set point that no row states, though rows state others.
fn nominal_differs(capture: &Capture) -> Vec<Finding> {
    let bench = &capture.bench;
    let volts = |sweep: &Sweep| sweep.voltage_v;
    let kilopascals = |sweep: &Sweep| sweep.pressure_kpa;
    [
        (
            bench.supply.as_ref().and_then(|s| s.nominal),
            volts as fn(&Sweep) -> Option<f64>,
            SAME_VOLTAGE_V,
            "V",
        ),
        (
            bench.pressure.as_ref().and_then(|p| p.nominal),
            kilopascals,
            SAME_PRESSURE_KPA,
            "kPa",
        ),
    ]
    .into_iter()
    .filter_map(|(nominal, of_sweep, tolerance, unit)| {
        let nominal = nominal?;
        let mut stated: Vec<f64> = capture.sweeps.iter().filter_map(of_sweep).collect();
        if stated.is_empty()
            || stated
                .iter()
                .any(|s| same_set_point(*s, nominal, tolerance))
        {
            return None;
        }
        stated.sort_by(f64::total_cmp);
        stated.dedup();
        let shown: Vec<String> = stated
            .iter()
            .map(|value| ((value * 1000.0).round() / 1000.0).to_string())
            .collect();
        let facts = [
            ("nominal", json!(nominal)),
            ("stated", json!(shown.join(", "))),
            ("unit", json!(unit)),
        ];
        Some(Finding::new(Kind::NominalDiffers, Place::default(), &facts))
    })
    .collect()
}

/// Checks of injectors that no row names: they would be left out without a word.
fn unknown_injectors(capture: &Capture) -> Option<Finding> {
    let known = |id: &str| capture.sweeps.iter().any(|sweep| sweep.injector == id);
    let ids: Vec<&str> = capture
        .bench
        .injectors
        .iter()
        .map(|check| check.id.as_str())
        .filter(|id| !known(id))
        .collect();
    let first = ids.first()?;
    let near = near_miss(first, capture.sweeps.iter().map(|s| s.injector.clone()));
    let mut shown = ids[..ids.len().min(IDS_SHOWN)].join(", ");
    if ids.len() > IDS_SHOWN {
        shown.push_str(&format!(" and {} more", ids.len() - IDS_SHOWN));
    }
    let advice = match near {
        Some(near) => format!("is {near} of the capture meant by {first}?"),
        None => "nothing, if the bench file serves other captures too".to_owned(),
    };
    let facts = [
        ("shown", json!(shown)),
        ("ids", json!(ids)),
        ("advice", json!(advice)),
    ];
    Some(Finding::new(
        Kind::InjectorNotInCapture,
        Place::default(),
        &facts,
    ))
}

/// The readings of one vessel.
struct Read<'a> {
    vessel: &'a Vessel,
    basis: Basis,
    above: u64,
    largest: &'a Reading,
    place: Place,
}

fn vessels(capture: &Capture) -> Vec<Finding> {
    let mut all: BTreeMap<(usize, usize), Read<'_>> = BTreeMap::new();
    for sweep in &capture.sweeps {
        for reading in sweep.readings.iter().filter(|r| r.exclude.is_none()) {
            let Some(vessel) = capture.bench.vessel(reading.vessel.as_deref()) else {
                continue;
            };
            let at = capture
                .bench
                .vessels
                .iter()
                .position(|v| std::ptr::eq(v, vessel));
            let above = vessel
                .capacity
                .is_some_and(|capacity| reading.delivered > capacity * (1.0 + ROUNDING));
            let read = all
                .entry((at.unwrap_or(0), reading.source))
                .or_insert_with(|| Read {
                    vessel,
                    basis: sweep.basis,
                    above: 0,
                    largest: reading,
                    place: sweep.place(&capture.sources[reading.source].name),
                });
            read.above += u64::from(above);
            if reading.delivered > read.largest.delivered {
                read.largest = reading;
                read.place = sweep.place(&capture.sources[reading.source].name);
            }
        }
    }
    all.values()
        .flat_map(|read| [above_capacity(read), too_doubtful(read)])
        .flatten()
        .collect()
}

fn above_capacity(read: &Read<'_>) -> Option<Finding> {
    let capacity = read.vessel.capacity?;
    if read.above == 0 {
        return None;
    }
    let facts = [
        ("value", json!(read.largest.delivered)),
        ("capacity", json!(capacity)),
        ("unit", json!(read.basis.amount_unit().word())),
        ("readings", json!(read.above)),
    ];
    let place = super::doubts::at(&read.place, read.largest);
    Some(Finding::new(Kind::ReadingAboveCapacity, place, &facts))
}

/// A doubt of the vessel that is larger than all that was read in it: a slip of the unit.
fn too_doubtful(read: &Read<'_>) -> Option<Finding> {
    let largest = read.largest.delivered;
    let vessel = read.vessel;
    let (what, stated) = [
        ("division", vessel.division),
        ("tolerance", vessel.tolerance),
        ("reading_uncertainty", vessel.reading_uncertainty),
        (
            "reading_offset_uncertainty",
            vessel.reading_offset_uncertainty,
        ),
    ]
    .into_iter()
    .find_map(|(what, stated)| Some((what, stated.filter(|s| largest > 0.0 && *s > largest)?)))?;
    let facts = [
        ("what", json!(what)),
        ("stated", json!(stated)),
        ("largest", json!(largest)),
        ("unit", json!(read.basis.amount_unit().word())),
    ];
    let place = super::doubts::at(&read.place, read.largest);
    Some(Finding::new(Kind::VesselTooDoubtful, place, &facts))
}
