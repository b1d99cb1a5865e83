//! Readings of one setting: whether they agree, and whether a row stands twice.

use std::collections::BTreeMap;

use serde_json::{Value, json};

use super::division::Divisions;
use super::doubts::{at, range};
use super::reading::{Capture, Reading, Sweep};
use crate::finding::{Finding, Kind, Place};
use crate::units::Basis;

/// Repeats are remarked on beyond this multiple of what is usual.
const REPEATS_TIMES: f64 = 5.0;

/// Readings of the same pulse width, number of pulses and open time.
pub(super) type Settings<'a> = BTreeMap<[u64; 3], Vec<&'a Reading>>;

pub(super) fn by_setting<'a>(used: &[&'a Reading]) -> Settings<'a> {
    let mut settings = Settings::new();
    for reading in used {
        let setting = [
            reading.pulse_width_ms.to_bits(),
            reading.pulses.to_bits(),
            reading.open_time_s.map_or(0, f64::to_bits),
        ];
        settings.entry(setting).or_default().push(reading);
    }
    settings
}

/// Greatest difference between repeats.
fn disagreement(repeats: &[&Reading]) -> Option<f64> {
    let (low, high) = range(repeats.iter().map(|reading| reading.delivered))?;
    (repeats.len() > 1).then_some(high - low)
}

/// Median disagreement of all repeats of a file, by file and basis.
pub(super) fn usual_disagreement(capture: &Capture) -> BTreeMap<(usize, Basis), f64> {
    let mut all: BTreeMap<(usize, Basis), Vec<f64>> = BTreeMap::new();
    for sweep in &capture.sweeps {
        let used: Vec<&Reading> = sweep
            .readings
            .iter()
            .filter(|r| r.exclude.is_none())
            .collect();
        let Some(first) = used.first() else { continue };
        let settings = by_setting(&used);
        let differences = settings
            .values()
            .filter_map(|repeats| disagreement(repeats));
        all.entry((first.source, sweep.basis))
            .or_default()
            .extend(differences);
    }
    let medians = all.into_iter().filter(|(_, list)| list.len() >= 3);
    medians
        .map(|(key, mut list)| (key, median(&mut list)))
        .collect()
}

/// The median of a list that is not empty (upper of the two middle ones, to be mild).
fn median(list: &mut [f64]) -> f64 {
    list.sort_by(f64::total_cmp);
    list[list.len() / 2]
}

pub(super) fn repeats_disagree(
    sweep: &Sweep,
    settings: &Settings<'_>,
    divisions: &Divisions<'_>,
    run_usual: Option<f64>,
    place: &Place,
) -> Vec<Finding> {
    let repeated: Vec<(f64, &Reading)> = settings
        .values()
        .filter_map(|repeats| Some((disagreement(repeats)?, repeats[0])))
        .collect();
    let mut own: Vec<f64> = repeated.iter().map(|(difference, _)| *difference).collect();
    // Of one or two, the doubtful one would be its own standard.
    let usual = if own.len() >= 3 {
        Some(median(&mut own))
    } else {
        run_usual
    };
    // Scatter that grows with the quantity is usual too.
    let mut shares: Vec<f64> = repeated
        .iter()
        .filter(|(_, first)| first.delivered > 0.0)
        .map(|(difference, first)| difference / first.delivered)
        .collect();
    let usual_share = if shares.len() >= 3 {
        median(&mut shares)
    } else {
        0.0
    };
    let mut findings = Vec::new();
    for (difference, first) in repeated {
        // Both repeats were read, hence the square root.
        let read = divisions
            .reading_uncertainty(first, sweep.basis)
            .map(|once| once * 2f64.sqrt());
        let standard = match (usual, read) {
            (Some(a), Some(b)) => a.max(b),
            (a, b) => match a.or(b) {
                Some(standard) => standard,
                None => continue,
            },
        };
        let standard = standard.max(usual_share * first.delivered);
        if standard <= 0.0 || difference <= REPEATS_TIMES * standard {
            continue;
        }
        let facts = [
            ("width", json!(first.pulse_width_ms)),
            ("pulses", json!(first.pulses)),
            ("difference", json!(difference)),
            ("unit", json!(sweep.basis.amount_unit().word())),
            ("times", json!(difference / standard)),
        ];
        findings.push(Finding::new(
            Kind::RepeatsDisagree,
            at(place, first),
            &facts,
        ));
    }
    findings
}

/// Remarks on rows that stand twice.
///
/// Two repeats may well agree to the last division. So a row counts as standing twice
/// only where its repeat number or time is the same too, or where neither is given and
/// most settings of the sweep were run once.
pub(super) fn duplicates(settings: &Settings<'_>, place: &Place) -> Option<Finding> {
    let repeated = settings
        .values()
        .filter(|repeats| repeats.len() > 1)
        .count();
    let run_once = 2 * repeated < settings.len();
    let mut pairs: Vec<(u64, u64)> = Vec::new();
    for repeats in settings.values().filter(|repeats| repeats.len() > 1) {
        let mut seen: BTreeMap<Content<'_>, &Reading> = BTreeMap::new();
        for reading in repeats {
            let numbered = reading.repeat.is_some() || reading.time.is_some();
            if !numbered && !run_once {
                continue;
            }
            match seen.get(&content(reading)) {
                Some(first) => pairs.push((first.line, reading.line)),
                None => {
                    seen.insert(content(reading), reading);
                }
            }
        }
    }
    let (first, line) = *pairs.iter().min_by_key(|pair| pair.1)?;
    let facts: [(&str, Value); 2] = [("first", json!(first)), ("rows", json!(pairs.len()))];
    let place = Place {
        line: Some(line),
        ..place.clone()
    };
    Some(Finding::new(Kind::DuplicateRow, place, &facts))
}

/// All that a row says about a reading beside its setting, to compare by.
type Content<'a> = ([Option<u64>; 5], bool, Option<u32>, [Option<&'a str>; 3]);

fn content(reading: &Reading) -> Content<'_> {
    let numbers = [
        Some(reading.delivered),
        reading.voltage_actual_v,
        reading.pressure_actual_kpa,
        reading.period_ms,
        reading.fluid_temp_c,
    ];
    let words = [&reading.vessel, &reading.time, &reading.note];
    (
        numbers.map(|number| number.map(f64::to_bits)),
        reading.start_subtracted,
        reading.repeat,
        words.map(Option::as_deref),
    )
}
