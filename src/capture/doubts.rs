//! What is legal but doubtful in a capture: one finding per sweep and kind, or per
//! file where all of it is meant.

use std::collections::BTreeMap;

use rayon::prelude::*;
use serde_json::json;

use super::division::Divisions;
use super::fault::{Fault, Places};
use super::header::Layout;
use super::names::Role;
use super::read::SetPoints;
use super::reading::{Capture, Reading, Source, Sweep};
use super::repeats;
use super::sweeps::{Merged, SAME_PRESSURE_KPA, SAME_VOLTAGE_V, same_set_point};
use super::{DUTY_LIMIT, bench_doubts, vessels};
use crate::finding::{Finding, Kind, Place};
use crate::units::Basis;

/// Share of a reading that one division may make up.
const DIVISION_SHARE: f64 = 0.02;
/// Movement of the fluid temperature in a sweep that is remarked on, °C: about 0.5 % of density.
const TEMPERATURE_RANGE_C: f64 = 5.0;
/// A difference below zero is put down to the reading within this many half divisions
/// (or stated standard uncertainties), each counted twice for the two readings.
const NEGATIVE_HALF_DIVISIONS: f64 = 3.0;
/// Relative difference below which two periods are one.
const SAME_PERIOD: f64 = 1e-6;

/// What was noticed about a file while it was read.
#[derive(Debug, Default)]
pub(super) struct FileNotes {
    /// Whether it was read as Windows-1252.
    pub windows_1252: bool,
    /// Comment lines that look like readings.
    pub comment_readings: u64,
    /// Line of the first of them.
    pub first_comment_reading: u64,
    /// Where the columns stand, for faults that show when all readings are known.
    pub places: Places,
    /// Names of the quantity columns: injector (wide), basis, name.
    amount_columns: Vec<(Option<String>, Basis, String)>,
}

impl FileNotes {
    /// Keeps the names of the quantity columns for later complaints.
    pub fn keep_amount_columns(&mut self, layout: &Layout) {
        for train in &layout.trains {
            for (basis, role) in [(Basis::Volume, Role::Volume), (Basis::Mass, Role::Mass)] {
                if let Some(column) = train.get(role) {
                    self.amount_columns
                        .push((train.id.clone(), basis, column.name.clone()));
                }
            }
        }
    }

    /// The column a quantity of an injector was read from, as the file names it.
    pub fn amount_column(&self, injector: &str, basis: Basis) -> &str {
        let of_injector = |id: &Option<String>| id.as_deref().is_none_or(|id| id == injector);
        self.amount_columns
            .iter()
            .find(|(id, column_basis, _)| of_injector(id) && *column_basis == basis)
            .map_or("volume", |(_, _, name)| name)
    }
}

/// Doubts about how files are written.
pub(super) fn of_files(sources: &[Source], notes: &[FileNotes]) -> Vec<Finding> {
    let mut findings = Vec::new();
    for (source, notes) in sources.iter().zip(notes) {
        let place = || Place {
            source: Some(source.name.clone()),
            ..Place::default()
        };
        if notes.windows_1252 {
            findings.push(Finding::new(Kind::Windows1252, place(), &[]));
        }
        if notes.comment_readings > 0 {
            let facts = [("count", json!(notes.comment_readings))];
            let place = Place {
                line: Some(notes.first_comment_reading),
                ..place()
            };
            findings.push(Finding::new(Kind::CommentedReadings, place, &facts));
        }
    }
    findings
}

/// Doubts about set points: not stated, contradicted by the command line, or taken together.
pub(super) fn of_set_points(
    capture: &Capture,
    asked: SetPoints,
    voltages: &[Merged],
    pressures: &[Merged],
) -> Vec<Finding> {
    let mut findings = not_stated(capture);
    if !capture.bench.assumed.is_empty() {
        let list = capture.bench.assumed.join(", ");
        findings.push(Finding::new(
            Kind::BenchAssumed,
            Place::default(),
            &[("list", json!(list))],
        ));
    }
    let volts = |sweep: &Sweep| sweep.voltage_v;
    let kilopascals = |sweep: &Sweep| sweep.pressure_kpa;
    findings.extend(contradicted(
        capture,
        asked.voltage_v,
        volts,
        SAME_VOLTAGE_V,
        "V",
    ));
    findings.extend(contradicted(
        capture,
        asked.pressure_kpa,
        kilopascals,
        SAME_PRESSURE_KPA,
        "kPa",
    ));
    for (merged, unit) in [(voltages, "V"), (pressures, "kPa")] {
        for class in merged {
            let facts = [
                ("low", json!(class.low)),
                ("high", json!(class.high)),
                ("taken_as", json!(class.taken_as)),
                ("unit", json!(unit)),
            ];
            let place = Place {
                source: match capture.sources.as_slice() {
                    [only] => Some(only.name.clone()),
                    _ => None,
                },
                ..Place::default()
            };
            findings.push(Finding::new(Kind::SetPointsMerged, place, &facts));
        }
    }
    findings
}

/// Says once per file that a set point is not stated, at the first row that lacks it.
fn not_stated(capture: &Capture) -> Vec<Finding> {
    let mut findings = Vec::new();
    for (index, source) in capture.sources.iter().enumerate() {
        let sweeps: Vec<&Sweep> = capture
            .sweeps
            .iter()
            .filter(|sweep| sweep.readings.first().is_some_and(|r| r.source == index))
            .collect();
        let voltage: fn(&Sweep) -> bool = |sweep| sweep.voltage_v.is_none();
        let pressure: fn(&Sweep) -> bool = |sweep| sweep.pressure_kpa.is_none();
        for (kind, unstated) in [
            (Kind::VoltageNotStated, voltage),
            (Kind::PressureNotStated, pressure),
        ] {
            let lacking: Vec<_> = sweeps.iter().filter(|sweep| unstated(sweep)).collect();
            let readings = lacking.iter().flat_map(|sweep| &sweep.readings);
            let Some(line) = readings.map(|reading| reading.line).min() else {
                continue;
            };
            let place = Place {
                source: Some(source.name.clone()),
                // Where only some rows lack it the first of them is worth pointing at.
                line: (lacking.len() < sweeps.len()).then_some(line),
                ..Place::default()
            };
            let facts = [("sweeps", json!(lacking.len()))];
            findings.push(Finding::new(kind, place, &facts));
        }
    }
    findings
}

/// Says that a set point of the command line is not used where the files state another.
fn contradicted(
    capture: &Capture,
    asked: Option<f64>,
    of_sweep: fn(&Sweep) -> Option<f64>,
    tolerance: f64,
    unit: &str,
) -> Option<Finding> {
    let asked = asked?;
    let mut others: Vec<f64> = capture
        .sweeps
        .iter()
        .filter_map(of_sweep)
        .filter(|stated| !same_set_point(*stated, asked, tolerance))
        .collect();
    others.sort_by(f64::total_cmp);
    others.dedup();
    if others.is_empty() {
        return None;
    }
    let shown: Vec<String> = others
        .iter()
        .map(|value| ((value * 1000.0).round() / 1000.0).to_string())
        .collect();
    let facts = [
        ("asked", json!(asked)),
        ("stated", json!(shown.join(", "))),
        ("unit", json!(unit)),
    ];
    Some(Finding::new(
        Kind::SetPointOverruled,
        Place::default(),
        &facts,
    ))
}

/// Doubts about the readings of each sweep, and the faults that only show when all
/// readings are known, with the index of their file.
pub(super) fn of_sweeps(
    capture: &Capture,
    notes: &[FileNotes],
) -> (Vec<Finding>, Vec<(usize, Fault)>) {
    let divisions = Divisions::of(capture);
    let usual = repeats::usual_disagreement(capture);
    let mut findings = period_not_stated(capture);
    findings.extend(bench_doubts::of_bench(capture));
    findings.extend(vessels::unknown(capture));
    let mut faults = vessels::foreign(capture, &divisions, notes);
    let told = capture.sweeps.par_iter().with_max_len(1).map(|sweep| {
        let mut faults = Vec::new();
        let findings = of_sweep(sweep, capture, &divisions, &usual, notes, &mut faults);
        (findings, faults)
    });
    for (of_sweep, its_faults) in told.collect::<Vec<_>>() {
        findings.extend(of_sweep);
        faults.extend(its_faults);
    }
    (findings, faults)
}

/// What is doubtful about one sweep.
fn of_sweep(
    sweep: &Sweep,
    capture: &Capture,
    divisions: &Divisions<'_>,
    usual: &BTreeMap<(usize, Basis), f64>,
    notes: &[FileNotes],
    faults: &mut Vec<(usize, Fault)>,
) -> Vec<Finding> {
    let Some(first) = sweep.readings.first() else {
        return Vec::new();
    };
    let place = sweep.place(&capture.sources[first.source].name);
    let used: Vec<&Reading> = sweep
        .readings
        .iter()
        .filter(|r| r.exclude.is_none())
        .collect();
    let run_usual = usual.get(&(first.source, sweep.basis)).copied();
    let mut findings = Vec::new();
    findings.extend(negatives(sweep, &used, divisions, &place, notes, faults));
    findings.extend(excluded(sweep, &place));
    findings.extend(few_widths(&used, &place));
    findings.extend(duty_high(&used, &place));
    findings.extend(period_changes(&used, &place));
    findings.extend(temperature_moved(&used, &place));
    findings.extend(division_coarse(sweep, &used, divisions, &place));
    let settings = repeats::by_setting(&used);
    findings.extend(repeats::repeats_disagree(
        sweep, &settings, divisions, run_usual, &place,
    ));
    let duplicates = repeats::duplicates(&settings, &place);
    if duplicates.is_none() {
        findings.extend(repeats::pasted(&used, &settings, &place));
    }
    findings.extend(duplicates);
    findings
}

/// Says once per file that the period is not stated.
fn period_not_stated(capture: &Capture) -> Vec<Finding> {
    let mut counts = vec![0u64; capture.sources.len()];
    for reading in capture.sweeps.iter().flat_map(|sweep| &sweep.readings) {
        if !reading.is_static() && reading.period_ms.is_none() {
            counts[reading.source] += 1;
        }
    }
    let sources = capture.sources.iter().zip(counts);
    sources
        .filter(|(_, readings)| *readings > 0)
        .map(|(source, readings)| {
            let place = Place {
                source: Some(source.name.clone()),
                ..Place::default()
            };
            Finding::new(
                Kind::PeriodNotStated,
                place,
                &[("readings", json!(readings))],
            )
        })
        .collect()
}

/// Judges differences below zero: a finding within the doubt of the two readings, else a fault.
fn negatives(
    sweep: &Sweep,
    used: &[&Reading],
    divisions: &Divisions<'_>,
    place: &Place,
    notes: &[FileNotes],
    faults: &mut Vec<(usize, Fault)>,
) -> Option<Finding> {
    let mut lowest: Option<&Reading> = None;
    let mut count = 0u64;
    for reading in used.iter().filter(|reading| reading.delivered < 0.0) {
        let stated = divisions
            .vessel(reading)
            .and_then(|v| v.reading_uncertainty)
            .unwrap_or(0.0);
        let half = divisions.division(reading, sweep.basis).unwrap_or(0.0) / 2.0;
        let limit = NEGATIVE_HALF_DIVISIONS * 2f64.sqrt() * stated.max(half);
        if reading.delivered < -limit {
            let unit = sweep.basis.amount_unit().word();
            let amount = crate::units::significant(reading.delivered, 4);
            let column = notes[reading.source].amount_column(&sweep.injector, sweep.basis);
            let fault = Fault::row(
                reading.line,
                format!("a difference of {amount} {unit}"),
                "a reading not below the start reading",
            );
            faults.push((reading.source, fault.in_column(column)));
            continue;
        }
        count += 1;
        if lowest.is_none_or(|l| reading.delivered < l.delivered) {
            lowest = Some(reading);
        }
    }
    let lowest = lowest?;
    let facts = [
        ("value", json!(lowest.delivered)),
        ("unit", json!(sweep.basis.amount_unit().word())),
        ("readings", json!(count)),
    ];
    Some(Finding::new(
        Kind::NegativeWithinUncertainty,
        at(place, lowest),
        &facts,
    ))
}

/// The place of a reading within its sweep.
pub(super) fn at(place: &Place, reading: &Reading) -> Place {
    Place {
        line: Some(reading.line),
        pulse_width_ms: (!reading.is_static()).then_some(reading.pulse_width_ms),
        ..place.clone()
    }
}

/// One remark per reason that readings were excluded for.
fn excluded(sweep: &Sweep, place: &Place) -> Vec<Finding> {
    let mut reasons: BTreeMap<&str, Vec<u64>> = BTreeMap::new();
    for reading in &sweep.readings {
        if let Some(reason) = &reading.exclude {
            reasons.entry(reason).or_default().push(reading.line);
        }
    }
    reasons
        .into_iter()
        .map(|(reason, lines)| {
            let place = Place {
                line: lines.first().copied(),
                ..place.clone()
            };
            let facts = [("reason", json!(reason)), ("lines", json!(lines))];
            Finding::new(Kind::RowExcluded, place, &facts)
        })
        .collect()
}

fn few_widths(used: &[&Reading], place: &Place) -> Option<Finding> {
    let mut widths: Vec<f64> = used
        .iter()
        .filter(|reading| !reading.is_static())
        .map(|reading| reading.pulse_width_ms)
        .collect();
    widths.sort_by(f64::total_cmp);
    widths.dedup();
    let count = ("count", json!(widths.len()));
    let held_open = used.iter().any(|reading| reading.is_static());
    match widths.len() {
        // A static flow gives the slope that one width lacks.
        1 if held_open => None,
        1 => Some(Finding::new(Kind::OnePulseWidth, place.clone(), &[count])),
        2 => Some(Finding::new(Kind::FewPulseWidths, place.clone(), &[count])),
        _ => None,
    }
}

fn duty_high(used: &[&Reading], place: &Place) -> Option<Finding> {
    let above: Vec<(f64, &Reading)> = used
        .iter()
        .filter_map(|reading| Some((reading.duty()?, *reading)))
        .filter(|(duty, reading)| *duty > DUTY_LIMIT && !reading.is_static())
        .collect();
    let (duty, worst) = above.iter().max_by(|a, b| a.0.total_cmp(&b.0))?;
    let facts = [
        ("duty", json!(100.0 * duty)),
        ("readings", json!(above.len())),
    ];
    Some(Finding::new(Kind::DutyHigh, at(place, worst), &facts))
}

fn period_changes(used: &[&Reading], place: &Place) -> Option<Finding> {
    let periods = used
        .iter()
        .filter(|r| !r.is_static())
        .filter_map(|r| r.period_ms);
    let (low, high) = range(periods)?;
    if high - low <= SAME_PERIOD * high {
        return None;
    }
    let facts = [("low", json!(low)), ("high", json!(high))];
    Some(Finding::new(Kind::PeriodChanges, place.clone(), &facts))
}

fn temperature_moved(used: &[&Reading], place: &Place) -> Option<Finding> {
    let (low, high) = range(used.iter().filter_map(|reading| reading.fluid_temp_c))?;
    if high - low <= TEMPERATURE_RANGE_C {
        return None;
    }
    let facts = [
        ("range", json!(high - low)),
        ("low", json!(low)),
        ("high", json!(high)),
    ];
    Some(Finding::new(Kind::TemperatureMoved, place.clone(), &facts))
}

/// The least and the greatest of some numbers.
pub(super) fn range(values: impl Iterator<Item = f64>) -> Option<(f64, f64)> {
    values.fold(None, |range, value| match range {
        None => Some((value, value)),
        Some((low, high)) => Some((value.min(low), value.max(high))),
    })
}

fn division_coarse(
    sweep: &Sweep,
    used: &[&Reading],
    divisions: &Divisions<'_>,
    place: &Place,
) -> Option<Finding> {
    // Nothing delivered is not a matter of more pulses.
    let coarse: Vec<(f64, &Reading)> = used
        .iter()
        .filter(|reading| reading.delivered > 0.0)
        .filter_map(|reading| {
            let division = divisions.division(reading, sweep.basis)?;
            Some((division / reading.delivered, *reading))
        })
        .filter(|(share, _)| *share > DIVISION_SHARE)
        .collect();
    let (share, worst) = coarse.iter().max_by(|a, b| a.0.total_cmp(&b.0))?;
    let facts = [
        ("percent", json!(100.0 * share)),
        ("readings", json!(coarse.len())),
    ];
    Some(Finding::new(Kind::DivisionCoarse, at(place, worst), &facts))
}
