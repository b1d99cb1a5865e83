//! Findings as numbered notes: the same doubt at many places is one note.

use std::collections::{BTreeMap, BTreeSet};

use crate::characterisation::Characterisation;
use crate::finding::{Finding, Kind, Place, Severity};
use crate::plots::visible;
use crate::words::{Voice, fill};

/// Doubts at rows of a capture stay apart up to this many of one kind.
const ROWS_APART: usize = 3;
/// Places that are named one by one before the rest is counted.
const PLACES_NAMED: usize = 3;
/// Injectors of a grid that are named.
const INJECTORS_NAMED: usize = 32;

/// One doubt with all its places.
pub(super) struct Note {
    /// Number that tables refer to, from 1.
    pub number: usize,
    pub kind: Kind,
    pub severity: Severity,
    /// How many findings it stands for.
    pub count: usize,
    /// What was noticed; of the first finding, where they differ in figures.
    pub text: String,
    /// Whether the others say the same with other figures.
    pub figures_differ: bool,
    /// What to do.
    pub advice: String,
    /// Where, in words; empty where it concerns everything.
    pub places: String,
    members: Vec<(Place, String)>,
}

impl Note {
    /// Whether the note concerns the sweep at this place.
    pub fn concerns(&self, place: &Place) -> bool {
        self.members.iter().any(|(p, _)| {
            p.injector == place.injector
                && p.injector.is_some()
                && p.stage == place.stage
                && p.voltage_v == place.voltage_v
                && p.pressure_kpa == place.pressure_kpa
                && (p.source == place.source || p.source.is_none())
        })
    }
}

/// A severity in words.
pub(super) fn severity_word(severity: Severity, v: Voice) -> &'static str {
    match severity {
        Severity::Note => v.words.severity_note,
        Severity::Doubt => v.words.severity_doubt,
        Severity::Serious => v.words.severity_serious,
    }
}

/// Gathers all findings of a document: the serious first, then in order of appearance.
///
/// The kind that names the largest contributions is left out: the budget says it.
pub(super) fn gather(document: &Characterisation, v: Voice) -> Vec<Note> {
    let sweeps = document.injectors.iter().flat_map(|i| {
        i.sweeps.iter().flat_map(move |s| {
            let place = s.place(&i.id);
            s.findings
                .iter()
                .map(move |f| (f, at_least(&f.place, &place)))
        })
    });
    let surfaces = document
        .injectors
        .iter()
        .filter_map(|i| i.surface.as_ref())
        .flat_map(|s| &s.findings);
    let set = document.set_match.iter().flat_map(|m| &m.findings);
    let all: Vec<(&Finding, Place)> = document
        .findings
        .iter()
        .chain(set)
        .chain(surfaces)
        .map(|f| (f, f.place.clone()))
        .chain(sweeps)
        .filter(|(f, _)| f.kind != Kind::LargestDoubt)
        .collect();
    let mut rows: BTreeMap<Kind, usize> = BTreeMap::new();
    for (finding, _) in all.iter().filter(|(_, place)| place.line.is_some()) {
        *rows.entry(finding.kind).or_default() += 1;
    }
    let mut notes: Vec<Note> = Vec::new();
    for (finding, place) in &all {
        let apart = place.line.is_some() && rows[&finding.kind] <= ROWS_APART;
        let same = |n: &Note| {
            n.kind == finding.kind
                && n.severity == finding.severity
                && (!apart || n.members[0].1 == finding.text)
        };
        match notes.iter_mut().find(|n| same(n)) {
            Some(note) => note.members.push((place.clone(), finding.text.clone())),
            None => notes.push(Note {
                number: 0,
                kind: finding.kind,
                severity: finding.severity,
                count: 0,
                text: visible(&said(finding, |f| &f.text, 0, v)),
                figures_differ: false,
                advice: visible(&said(finding, |f| &f.advice, 1, v)),
                places: String::new(),
                members: vec![(place.clone(), finding.text.clone())],
            }),
        }
    }
    notes.sort_by_key(|n| std::cmp::Reverse(n.severity));
    for (i, note) in notes.iter_mut().enumerate() {
        note.number = i + 1;
        note.count = note.members.len();
        note.figures_differ = note
            .members
            .iter()
            .any(|(_, text)| *text != note.members[0].1);
        note.places = places(&note.members, document, v);
    }
    notes
}

/// A sentence of a finding, with the decimal mark of the locale where it is still
/// the catalogue's sentence.
fn said(finding: &Finding, of: fn(&Finding) -> &String, which: usize, v: Voice) -> String {
    let own = of(finding);
    let [point, comma] = ['.', ','].map(|mark| finding.worded(mark)[which].clone());
    if v.decimal_comma() && point == *own {
        comma
    } else {
        own.clone()
    }
}

/// A place on one line, as findings write it.
fn place_line(place: &Place, v: Voice) -> String {
    let condition = Place {
        voltage_v: None,
        pressure_kpa: None,
        pulse_width_ms: None,
        ..place.clone()
    };
    let mut line = condition.to_line();
    let mut add = |part: String| {
        if !line.is_empty() {
            line.push_str(", ");
        }
        line.push_str(&part);
    };
    if place.voltage_v.is_some() {
        add(v.voltage(place.voltage_v));
    }
    if place.pressure_kpa.is_some() {
        add(v.pressure(place.pressure_kpa));
    }
    if let Some(ms) = place.pulse_width_ms {
        add(format!("{} ms", v.plain(ms)));
    }
    line
}

/// A finding's own place, with what its sweep knows where it says nothing.
fn at_least(place: &Place, sweep: &Place) -> Place {
    Place {
        source: place.source.clone().or_else(|| sweep.source.clone()),
        injector: place.injector.clone().or_else(|| sweep.injector.clone()),
        stage: place.stage.clone().or_else(|| sweep.stage.clone()),
        voltage_v: place.voltage_v.or(sweep.voltage_v),
        pressure_kpa: place.pressure_kpa.or(sweep.pressure_kpa),
        ..place.clone()
    }
}

/// Places in words: a full grid of injectors and conditions by its sides, others one by one.
fn places(members: &[(Place, String)], document: &Characterisation, v: Voice) -> String {
    let one_file = document.sources.len() == 1;
    if members.len() > 1
        && let Some(grid) = grid(members, document, v)
    {
        return grid;
    }
    let named: Vec<String> = members
        .iter()
        .take(PLACES_NAMED)
        .map(|(place, _)| {
            let mut place = place.clone();
            if one_file && place.line.is_none() {
                place.source = None;
            }
            visible(&place_line(&place, v))
        })
        .filter(|line| !line.is_empty())
        .collect();
    let rest = members.len().saturating_sub(PLACES_NAMED);
    match (named.is_empty(), rest) {
        (true, _) => String::new(),
        (false, 0) => named.join("; "),
        (false, rest) => fill(v.words.and_more, &[&named.join("; "), &rest.to_string()]),
    }
}

fn grid(members: &[(Place, String)], document: &Characterisation, v: Voice) -> Option<String> {
    fn distinct<T: Ord + Copy>(values: impl Iterator<Item = T>) -> Vec<T> {
        let mut seen = BTreeSet::new();
        values.filter(|value| seen.insert(*value)).collect()
    }
    let bits = |number: Option<f64>| number.map(f64::to_bits);
    let places = || members.iter().map(|(p, _)| p);
    if places().any(|p| p.line.is_some() || p.pulse_width_ms.is_some() || p.column.is_some()) {
        return None;
    }
    let injectors = distinct(places().map(|p| p.injector.as_deref()));
    let volts = distinct(places().map(|p| bits(p.voltage_v)));
    let pressures = distinct(places().map(|p| bits(p.pressure_kpa)));
    let stages = distinct(places().map(|p| p.stage.as_deref()));
    let cells = distinct(places().map(|p| {
        (
            p.injector.as_deref(),
            bits(p.voltage_v),
            bits(p.pressure_kpa),
            p.stage.as_deref(),
        )
    }));
    let full = injectors.len() * volts.len() * pressures.len() * stages.len();
    if full != cells.len() || injectors.contains(&None) {
        return None;
    }
    let mut said = if injectors.len() == document.injectors.len() && injectors.len() > 1 {
        v.words.all_injectors.to_owned()
    } else if injectors.len() > INJECTORS_NAMED {
        return None;
    } else {
        let word = if injectors.len() == 1 {
            v.words.injector
        } else {
            v.words.injectors
        };
        let ids: Vec<_> = injectors.into_iter().flatten().map(visible).collect();
        format!("{word} {}", ids.join(", "))
    };
    said.push_str(&format!(", {}", list(volts, "V", v)));
    said.push_str(&format!(", {}", list(pressures, "kPa", v)));
    let stages: Vec<_> = stages.into_iter().flatten().map(visible).collect();
    if !stages.is_empty() {
        said.push_str(&format!(", {}", stages.join(", ")));
    }
    Some(said)
}

/// Numbers, given as bits, with their unit once, as `10, 12, 14 V`.
fn list(values: Vec<Option<u64>>, unit: &str, v: Voice) -> String {
    let mut values: Vec<Option<f64>> = values.into_iter().map(|x| x.map(f64::from_bits)).collect();
    values.sort_by(|a, b| a.unwrap_or(0.0).total_cmp(&b.unwrap_or(0.0)));
    let numbers: Vec<_> = values
        .iter()
        .map(|x| x.map_or_else(|| v.words.not_stated.to_owned(), |x| v.plain(x)))
        .collect();
    format!(
        "{} {unit}",
        numbers.join(if v.decimal_comma() { "; " } else { ", " })
    )
}
