//! Readings of one setting: whether they agree, and whether a row stands twice.

use std::collections::BTreeMap;

use rayon::prelude::*;
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
        settings.entry(setting(reading)).or_default().push(reading);
    }
    settings
}

/// Pulse width, number of pulses and open time.
fn setting(reading: &Reading) -> [u64; 3] {
    [
        reading.pulse_width_ms.to_bits(),
        reading.pulses.to_bits(),
        reading.open_time_s.map_or(0, f64::to_bits),
    ]
}

/// Greatest difference between repeats.
fn disagreement(repeats: &[&Reading]) -> Option<f64> {
    let (low, high) = range(repeats.iter().map(|reading| reading.delivered))?;
    (repeats.len() > 1).then_some(high - low)
}

/// Median disagreement of all repeats of a file, by file and basis.
pub(super) fn usual_disagreement(capture: &Capture) -> BTreeMap<(usize, Basis), f64> {
    let of_sweep = |sweep: &Sweep| {
        let used: Vec<&Reading> = sweep
            .readings
            .iter()
            .filter(|r| r.exclude.is_none())
            .collect();
        let key = (used.first()?.source, sweep.basis);
        let settings = by_setting(&used);
        let differences = settings
            .values()
            .filter_map(|repeats| disagreement(repeats));
        Some((key, differences.collect::<Vec<f64>>()))
    };
    let by_sweep: Vec<_> = capture.sweeps.par_iter().filter_map(of_sweep).collect();
    let mut all: BTreeMap<(usize, Basis), Vec<f64>> = BTreeMap::new();
    for (key, differences) in by_sweep {
        all.entry(key).or_default().extend(differences);
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

/// Settings of which all readings stand several times before it is remarked on, or this many
/// different readings in fewer settings. With four repeats rounded to one of two divisions,
/// chance makes pairs of all of them in 1 setting of 2: 1 sweep in 32 of five settings, at worst.
const PASTED_SETTINGS: usize = 5;
const PASTED_READINGS: usize = 8;
/// Chance below which a run of agreeing repeats is no accident.
const RUN_CHANCE: f64 = 1e-3;
/// Farthest distance of two runs that is looked at, in readings.
const BLOCK_LAGS: usize = 200;

/// Remarks on readings that stand several times, as rows that were pasted twice do.
///
/// Two repeats may agree to the last division. But where all readings of all repeated
/// settings stand k times, k = 2 or more, chance is no explanation; nor where a run of
/// rows says again what a run above it said, though repeats differ elsewhere.
pub(super) fn pasted(used: &[&Reading], settings: &Settings<'_>, place: &Place) -> Option<Finding> {
    let (mut copies, mut common, mut repeated, mut distinct) = (0u64, 0, 0, 0);
    for repeats in settings.values().filter(|repeats| repeats.len() > 1) {
        let mut counts: BTreeMap<Content<'_>, usize> = BTreeMap::new();
        for reading in repeats {
            *counts.entry(unnumbered(reading)).or_default() += 1;
        }
        common = counts
            .values()
            .fold(common, |divisor, n| greatest_common(divisor, *n));
        copies += (repeats.len() - counts.len()) as u64;
        repeated += 1;
        distinct += counts.len();
    }
    let enough = repeated >= PASTED_SETTINGS || distinct >= PASTED_READINGS;
    let (line, rows, how) = if common > 1 && enough {
        let how = format!("each stands {common} times or a multiple");
        (used.last()?.line, copies, how)
    } else {
        let (first, line, rows) = run_said_again(used, settings)?;
        let how = format!("from here on they say again what stands from line {first} on");
        (line, rows, how)
    };
    let facts: [(&str, Value); 2] = [("rows", json!(rows)), ("how", json!(how))];
    let place = Place {
        line: Some(line),
        ..place.clone()
    };
    Some(Finding::new(Kind::RowsPasted, place, &facts))
}

/// Finds the longest run of readings that says again what an earlier run said, where
/// chance would not: its length against the share of repeats that agree elsewhere.
/// Returns the lines where the two begin and the length.
fn run_said_again(used: &[&Reading], settings: &Settings<'_>) -> Option<(u64, u64, u64)> {
    let n = used.len();
    let mut longest = (0, 0, 0);
    for lag in 1..n.min(BLOCK_LAGS) {
        let mut run = 0;
        for at in lag..n {
            let (a, b) = (used[at], used[at - lag]);
            let same = setting(a) == setting(b) && unnumbered(a) == unnumbered(b);
            run = if same { run + 1 } else { 0 };
            if run <= lag && run > longest.0 {
                longest = (run, at + 1 - run, lag);
            }
        }
    }
    let (run, start, lag) = longest;
    if run < PASTED_SETTINGS {
        return None;
    }
    // Neighbouring repeats of a setting, the run's own left out; one agreeing and one
    // differing pair are added, so that a few pairs prove nothing.
    let (mut pairs, mut agree) = (2.0, 1.0);
    for pair in settings.values().flat_map(|repeats| repeats.windows(2)) {
        pairs += 1.0;
        agree += f64::from(u8::from(unnumbered(pair[0]) == unnumbered(pair[1])));
    }
    let own = (run as f64).min(agree - 1.0);
    let share: f64 = (agree - own) / (pairs - own);
    let chance = share.powi(run as i32) * n as f64;
    (chance < RUN_CHANCE).then(|| (used[start - lag].line, used[start].line, run as u64))
}

fn greatest_common(a: usize, b: usize) -> usize {
    if b == 0 { a } else { greatest_common(b, a % b) }
}

/// What a row says beside its setting and the number of the repeat, which a paste may count on.
fn unnumbered(reading: &Reading) -> Content<'_> {
    let mut content = content(reading);
    content.2 = None;
    content
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
