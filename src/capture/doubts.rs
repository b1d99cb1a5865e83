//! What is legal but doubtful in a capture: one finding per sweep and kind, or per
//! file where all of it is meant.

use std::collections::BTreeMap;

use serde_json::{Value, json};

use super::division::Divisions;
use super::fault::Fault;
use super::header::{self, Layout, Role};
use super::read::SetPoints;
use super::reading::{Capture, Reading, Source, Sweep};
use super::sweeps::{Merged, SAME_PRESSURE_KPA, SAME_VOLTAGE_V, same_set_point};
use super::{Vessel, VesselKind};
use crate::finding::{Finding, Kind, Place};
use crate::units::Basis;

/// Duty cycle above which an injector may not close between pulses; commonly stated, from memory.
const DUTY_LIMIT: f64 = 0.85;
/// Share of a reading that one division may make up.
const DIVISION_SHARE: f64 = 0.02;
/// Movement of the fluid temperature in a sweep that is remarked on, °C: about 0.5 % of density.
const TEMPERATURE_RANGE_C: f64 = 5.0;
/// Repeats are remarked on beyond this multiple of what is usual.
const REPEATS_TIMES: f64 = 5.0;
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

    fn amount_column(&self, injector: &str, basis: Basis) -> &str {
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
    let usual = usual_disagreement(capture);
    let mut findings = period_not_stated(capture);
    findings.extend(vessels_unknown(capture));
    let mut faults = foreign_vessels(capture, &divisions, notes);
    for sweep in &capture.sweeps {
        let Some(first) = sweep.readings.first() else {
            continue;
        };
        let place = sweep.place(&capture.sources[first.source].name);
        let used: Vec<&Reading> = sweep
            .readings
            .iter()
            .filter(|r| r.exclude.is_none())
            .collect();
        let run_usual = usual.get(&(first.source, sweep.basis)).copied();
        findings.extend(negatives(
            sweep,
            &used,
            &divisions,
            &place,
            notes,
            &mut faults,
        ));
        findings.extend(excluded(sweep, &place));
        findings.extend(few_widths(&used, &place));
        findings.extend(duty_high(&used, &place));
        findings.extend(period_changes(&used, &place));
        findings.extend(temperature_moved(&used, &place));
        findings.extend(division_coarse(sweep, &used, &divisions, &place));
        let settings = by_setting(&used);
        findings.extend(repeats_disagree(
            sweep, &settings, &divisions, run_usual, &place,
        ));
        findings.extend(duplicates(&settings, &place));
    }
    (findings, faults)
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

/// Says once per name that the bench file does not know a vessel of the capture.
fn vessels_unknown(capture: &Capture) -> Vec<Finding> {
    let vessels = &capture.bench.vessels;
    let mut unknown: BTreeMap<(&str, usize), u64> = BTreeMap::new();
    if vessels.is_empty() {
        return Vec::new();
    }
    for reading in capture.sweeps.iter().flat_map(|sweep| &sweep.readings) {
        if capture.bench.vessel(reading.vessel.as_deref()).is_none() {
            let name = reading.vessel.as_deref().unwrap_or("");
            *unknown.entry((name, reading.source)).or_default() += 1;
        }
    }
    let known = || vessels.iter().filter_map(|vessel| vessel.name.clone());
    unknown
        .into_iter()
        .map(|((name, source), readings)| {
            let near = header::near_miss(name, known());
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
fn foreign_vessels(
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
fn at(place: &Place, reading: &Reading) -> Place {
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
    match widths.len() {
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
fn range(values: impl Iterator<Item = f64>) -> Option<(f64, f64)> {
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

/// Readings of the same pulse width, number of pulses and open time.
type Settings<'a> = BTreeMap<[u64; 3], Vec<&'a Reading>>;

fn by_setting<'a>(used: &[&'a Reading]) -> Settings<'a> {
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
fn usual_disagreement(capture: &Capture) -> BTreeMap<(usize, Basis), f64> {
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

fn repeats_disagree(
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
fn duplicates(settings: &Settings<'_>, place: &Place) -> Option<Finding> {
    let repeated = settings
        .values()
        .filter(|repeats| repeats.len() > 1)
        .count();
    let run_once = 2 * repeated < settings.len();
    let mut pairs: Vec<(u64, u64)> = Vec::new();
    for repeats in settings.values().filter(|repeats| repeats.len() > 1) {
        let mut seen: BTreeMap<String, &Reading> = BTreeMap::new();
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

/// All that a row says about a reading beside its setting, as text to compare by.
fn content(reading: &Reading) -> String {
    let Reading {
        delivered,
        start_subtracted,
        voltage_actual_v,
        pressure_actual_kpa,
        period_ms,
        fluid_temp_c,
        vessel,
        repeat,
        time,
        note,
        ..
    } = reading;
    format!(
        "{delivered} {start_subtracted} {voltage_actual_v:?} {pressure_actual_kpa:?} {period_ms:?} {fluid_temp_c:?} {vessel:?} {repeat:?} {time:?} {note:?}"
    )
}
