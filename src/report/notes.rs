//! Findings as numbered notes: the same doubt at many places is one note.

use crate::characterisation::Characterisation;
use crate::finding::{Finding, Kind, Place, Severity};
use crate::plots::{plain, visible, voltage};

/// Doubts at rows of a capture stay apart up to this many of one kind.
const ROWS_APART: usize = 3;
/// Places that are named one by one before the rest is counted.
const PLACES_NAMED: usize = 3;

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
pub(super) fn severity_word(severity: Severity) -> &'static str {
    match severity {
        Severity::Note => "note",
        Severity::Doubt => "doubt",
        Severity::Serious => "serious",
    }
}

/// Gathers all findings of a document: the serious first, then in order of appearance.
///
/// The kind that names the largest contributions is left out: the budget says it.
pub(super) fn gather(document: &Characterisation) -> Vec<Note> {
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
    let mut notes: Vec<Note> = Vec::new();
    for (finding, place) in &all {
        let rows = all
            .iter()
            .filter(|(f, p)| f.kind == finding.kind && p.line.is_some())
            .count();
        let apart = place.line.is_some() && rows <= ROWS_APART;
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
                text: visible(&finding.text),
                figures_differ: false,
                advice: visible(&finding.advice),
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
        note.places = places(&note.members, document);
    }
    notes
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
fn places(members: &[(Place, String)], document: &Characterisation) -> String {
    let one_file = document.sources.len() == 1;
    if members.len() > 1
        && let Some(grid) = grid(members, document)
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
            visible(&place.to_line())
        })
        .filter(|line| !line.is_empty())
        .collect();
    let rest = members.len().saturating_sub(PLACES_NAMED);
    match (named.is_empty(), rest) {
        (true, _) => String::new(),
        (false, 0) => named.join("; "),
        (false, rest) => format!("{}; and {rest} more", named.join("; ")),
    }
}

fn grid(members: &[(Place, String)], document: &Characterisation) -> Option<String> {
    fn distinct<T: PartialEq>(values: impl Iterator<Item = T>) -> Vec<T> {
        values.fold(Vec::new(), |mut seen, v| {
            if !seen.contains(&v) {
                seen.push(v);
            }
            seen
        })
    }
    let places = || members.iter().map(|(p, _)| p);
    if places().any(|p| p.line.is_some() || p.pulse_width_ms.is_some() || p.column.is_some()) {
        return None;
    }
    let injectors = distinct(places().map(|p| p.injector.as_deref()));
    let volts = distinct(places().map(|p| p.voltage_v));
    let pressures = distinct(places().map(|p| p.pressure_kpa));
    let stages = distinct(places().map(|p| p.stage.as_deref()));
    let cells = distinct(places().map(|p| {
        (
            p.injector.as_deref(),
            p.voltage_v,
            p.pressure_kpa,
            p.stage.as_deref(),
        )
    }));
    let full = injectors.len() * volts.len() * pressures.len() * stages.len();
    if full != cells.len() || injectors.contains(&None) {
        return None;
    }
    let mut said = if injectors.len() == document.injectors.len() && injectors.len() > 1 {
        "all injectors".to_owned()
    } else {
        let word = if injectors.len() == 1 {
            "injector"
        } else {
            "injectors"
        };
        let ids: Vec<_> = injectors.into_iter().flatten().map(visible).collect();
        format!("{word} {}", ids.join(", "))
    };
    said.push_str(&format!(", {}", list(volts, "V", |v| voltage(Some(v)))));
    said.push_str(&format!(
        ", {}",
        list(pressures, "kPa", |p| format!("{} kPa", plain(p)))
    ));
    let stages: Vec<_> = stages.into_iter().flatten().map(visible).collect();
    if !stages.is_empty() {
        said.push_str(&format!(", {}", stages.join(", ")));
    }
    Some(said)
}

/// Numbers with their unit once, as `10, 12, 14 V`.
fn list(mut values: Vec<Option<f64>>, unit: &str, single: impl Fn(f64) -> String) -> String {
    values.sort_by(|a, b| a.unwrap_or(0.0).total_cmp(&b.unwrap_or(0.0)));
    match values[..] {
        [Some(one)] => single(one),
        _ => {
            let numbers: Vec<_> = values
                .iter()
                .map(|v| v.map_or_else(|| "not stated".to_owned(), plain))
                .collect();
            format!("{} {unit}", numbers.join(", "))
        }
    }
}
