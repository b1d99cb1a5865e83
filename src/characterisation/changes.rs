//! What differs between two files of the same injectors: readings and results.
//!
//! It compares; it does not judge whether a difference matters beyond setting
//! apart what stays far below its own doubt.

use super::{Characterisation, Point, SweepFit};
use crate::units::{Basis, Estimate};

/// Differences below this share of the standard uncertainty are only counted.
const SMALL: f64 = 0.1;

/// What differs between an old and a new file.
#[derive(Debug, Clone, PartialEq)]
pub struct Changes {
    /// Injectors of the old file that the new one lacks.
    pub injectors_gone: Vec<String>,
    /// Injectors that only the new file has.
    pub injectors_new: Vec<String>,
    /// Readings that differ, are gone or are new.
    pub readings: Vec<ReadingChange>,
    /// Results that moved by a tenth of their standard uncertainty or more, or came or went.
    pub results: Vec<ResultChange>,
    /// Results that moved by less.
    pub small: usize,
    /// Verdicts on the set, where they differ: before, after.
    pub verdict: Option<[Option<super::Verdict>; 2]>,
}

/// A reading that is not what it was; one of the two is `None` where it came or went.
#[derive(Debug, Clone, PartialEq)]
pub struct ReadingChange {
    /// Injector.
    pub injector: String,
    /// What the readings are of.
    pub basis: Basis,
    /// Before.
    pub before: Option<Point>,
    /// After.
    pub after: Option<Point>,
}

/// What a result is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Figure {
    /// Slope, mm³/ms or mg/ms.
    Flow,
    /// Dead time, ms.
    DeadTime,
    /// Spread of the set, percent.
    Spread,
}

/// A result that moved.
#[derive(Debug, Clone, PartialEq)]
pub struct ResultChange {
    /// Injector; `None` for the set.
    pub injector: Option<String>,
    /// What it was read in.
    pub basis: Basis,
    /// Stage, as stated.
    pub stage: Option<String>,
    /// Supply voltage, V.
    pub voltage_v: Option<f64>,
    /// Differential pressure, kPa.
    pub pressure_kpa: Option<f64>,
    /// Which figure.
    pub figure: Figure,
    /// Before; `None`: not known.
    pub before: Option<Estimate>,
    /// After; `None`: not known.
    pub after: Option<Estimate>,
}

impl Changes {
    /// Whether nothing that a reader would see differs.
    pub fn is_empty(&self) -> bool {
        self.injectors_gone.is_empty()
            && self.injectors_new.is_empty()
            && self.readings.is_empty()
            && self.results.is_empty()
            && self.verdict.is_none()
    }

    /// Whether the two files are of the same injectors.
    pub fn same_injectors(&self) -> bool {
        self.injectors_gone.is_empty() && self.injectors_new.is_empty()
    }
}

/// Compares two files.
///
/// Readings are paired by what they say, wherever they stand in the capture, then
/// what is left by condition, width and count, then by line: so an inserted row is
/// one new reading and not a change of all that follow.
pub fn changes(old: &Characterisation, new: &Characterisation) -> Changes {
    let lacking = |a: &Characterisation, b: &Characterisation| -> Vec<String> {
        a.injectors
            .iter()
            .filter(|i| !b.injectors.iter().any(|other| other.id == i.id))
            .map(|i| i.id.clone())
            .collect()
    };
    let mut found = Changes {
        injectors_gone: lacking(old, new),
        injectors_new: lacking(new, old),
        readings: Vec::new(),
        results: Vec::new(),
        small: 0,
        verdict: None,
    };
    for injector in &new.injectors {
        let Some(before) = old.injectors.iter().find(|i| i.id == injector.id) else {
            continue;
        };
        readings(&injector.id, &before.sweeps, &injector.sweeps, &mut found);
        results(&injector.id, &before.sweeps, &injector.sweeps, &mut found);
    }
    of_set(old, new, &mut found);
    found
}

/// Readings of the sweeps, each with its sweep.
fn points(sweeps: &[SweepFit]) -> Vec<(&SweepFit, &Point)> {
    sweeps
        .iter()
        .flat_map(|s| s.points.iter().map(move |p| (s, p)))
        .collect()
}

/// Whether two readings say the same, wherever they stand.
fn same_reading(a: &(&SweepFit, &Point), b: &(&SweepFit, &Point)) -> bool {
    same_condition(a.0, b.0)
        && a.0.basis == b.0.basis
        && a.1.pulse_width_ms == b.1.pulse_width_ms
        && a.1.pulses == b.1.pulses
        && a.1.open_time_s == b.1.open_time_s
        && a.1.delivered == b.1.delivered
        && a.1.used == b.1.used
}

fn same_condition(a: &SweepFit, b: &SweepFit) -> bool {
    a.stage == b.stage && a.voltage_v == b.voltage_v && a.pressure_kpa == b.pressure_kpa
}

fn readings(id: &str, old: &[SweepFit], new: &[SweepFit], found: &mut Changes) {
    let mut before = points(old);
    let mut after = points(new);
    // First those that stand where they stood, so that equal readings pair by line.
    for by_line in [true, false] {
        after.retain(|b| {
            let place = before
                .iter()
                .position(|a| same_reading(a, b) && (!by_line || a.1.line == b.1.line));
            place.map(|at| before.remove(at)).is_none()
        });
    }
    for (sweep, point) in after {
        let same_train = |(s, a): &(&SweepFit, &Point)| {
            same_condition(s, sweep)
                && a.pulse_width_ms == point.pulse_width_ms
                && a.pulses == point.pulses
        };
        let same_line =
            |(_, a): &(&SweepFit, &Point)| a.line == point.line && a.source == point.source;
        let first = |wanted: &dyn Fn(&(&SweepFit, &Point)) -> bool| before.iter().position(wanted);
        let at = first(&|p| same_train(p) && same_line(p))
            .or_else(|| first(&same_train))
            .or_else(|| first(&same_line));
        found.readings.push(ReadingChange {
            injector: id.to_owned(),
            basis: sweep.basis,
            before: at.map(|at| before.remove(at).1.clone()),
            after: Some(point.clone()),
        });
    }
    for (sweep, point) in before {
        found.readings.push(ReadingChange {
            injector: id.to_owned(),
            basis: sweep.basis,
            before: Some(point.clone()),
            after: None,
        });
    }
}

fn results(id: &str, old: &[SweepFit], new: &[SweepFit], found: &mut Changes) {
    for sweep in new {
        let here = |s: &&SweepFit| same_condition(s, sweep) && s.basis == sweep.basis;
        let with_source = old.iter().filter(here).find(|s| s.source == sweep.source);
        let Some(before) = with_source.or_else(|| old.iter().find(here)) else {
            continue;
        };
        for (figure, a, b) in [
            (Figure::Flow, &before.slope, &sweep.slope),
            (Figure::DeadTime, &before.dead_time, &sweep.dead_time),
        ] {
            let change = ResultChange {
                injector: Some(id.to_owned()),
                basis: sweep.basis,
                stage: sweep.stage.clone(),
                voltage_v: sweep.voltage_v,
                pressure_kpa: sweep.pressure_kpa,
                figure,
                before: a.clone(),
                after: b.clone(),
            };
            found.sort_in(change);
        }
    }
}

fn of_set(old: &Characterisation, new: &Characterisation, found: &mut Changes) {
    let (Some(before), Some(after)) = (&old.set_match, &new.set_match) else {
        return;
    };
    found.sort_in(ResultChange {
        injector: None,
        basis: Basis::Volume,
        stage: after.stage.clone(),
        voltage_v: None,
        pressure_kpa: None,
        figure: Figure::Spread,
        before: before.spread_percent.clone(),
        after: after.spread_percent.clone(),
    });
    if before.verdict != after.verdict {
        found.verdict = Some([before.verdict, after.verdict]);
    }
}

impl Changes {
    fn sort_in(&mut self, change: ResultChange) {
        match (&change.before, &change.after) {
            (None, None) => {}
            (Some(a), Some(b)) if a.value == b.value => {}
            (Some(a), Some(b)) => {
                let doubt = a
                    .standard_uncertainty
                    .into_iter()
                    .chain(b.standard_uncertainty);
                let doubt = doubt.fold(0.0, f64::max);
                if (a.value - b.value).abs() < SMALL * doubt {
                    self.small += 1;
                } else {
                    self.results.push(change);
                }
            }
            _ => self.results.push(change),
        }
    }
}
