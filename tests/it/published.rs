//! Runs every file of `tests/published` by its kind and holds each expected
//! value against what the crate computes.
//!
//! An expectation is the figure as printed, kept to half a unit of its last
//! digit. Fewer digits, or more units, need a reason in `why`. A key that the
//! kind does not know, an unknown field and an unknown kind are failures.

mod lines;
mod reference;
mod statistics;

use serde::Deserialize;
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

/// What a kind computed for one key.
pub enum Got {
    Number(f64),
    Text(&'static str),
}

/// What the source says.
#[derive(Deserialize)]
#[serde(untagged)]
pub enum Expectation {
    /// As printed: half a unit of the last digit.
    Printed(String),
    Digits(Digits),
    Within(Within),
    Word(Word),
}

/// As printed, but only so many significant digits are promised.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Digits {
    value: String,
    digits: i32,
    why: String,
}

/// As printed, but more than half a unit of the last digit is allowed.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Within {
    value: String,
    within: f64,
    why: String,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Word {
    text: String,
}

/// One file: where its figures come from, and its cases.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Sheet<C> {
    #[allow(dead_code)]
    kind: String,
    citation: String,
    obtained: String,
    case: Vec<C>,
}

/// One data set with its expectations.
pub trait Case {
    fn name(&self) -> &str;
    fn expect(&self) -> &BTreeMap<String, Expectation>;
    /// Computes one quantity; `None` for a key the kind does not know.
    fn compute(&self, key: &str, arguments: &[&str]) -> Option<Got>;
}

#[test]
fn every_published_figure_is_reached() {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/published");
    let mut files: Vec<PathBuf> = std::fs::read_dir(&folder)
        .unwrap()
        .map(|entry| entry.unwrap().path())
        // Folders hold what has a driver of its own: the whole curve, picking.
        .filter(|path| path.is_file())
        .collect();
    files.sort();
    assert!(!files.is_empty());
    let (mut complaints, mut checked) = (Vec::new(), 0);
    for file in &files {
        let text = std::fs::read_to_string(file).unwrap();
        let name = file.file_name().unwrap().to_string_lossy().into_owned();
        let found = if name.ends_with(".json") {
            reference::run(&text)
        } else {
            run_sheet(&text)
        };
        checked += found.0;
        complaints.extend(found.1.into_iter().map(|c| format!("{name}: {c}")));
    }
    println!("{checked} figures from {} files", files.len());
    assert!(
        complaints.is_empty(),
        "{} of {checked} figures missed\n{}",
        complaints.len(),
        complaints.join("\n")
    );
}

/// How many figures were checked, and what was wrong.
pub type Outcome = (usize, Vec<String>);

fn run_sheet(text: &str) -> Outcome {
    let table: toml::Table = match toml::from_str(text) {
        Ok(table) => table,
        Err(e) => return (0, vec![e.to_string()]),
    };
    match table.get("kind").and_then(|k| k.as_str()) {
        Some("line") => run_cases::<lines::LineCase>(text),
        Some("origin") => run_cases::<lines::OriginCase>(text),
        Some("york") => run_cases::<lines::YorkCase>(text),
        Some("grubbs") => run_cases::<statistics::GrubbsCase>(text),
        Some("robust") => run_cases::<statistics::RobustCase>(text),
        Some("repeatability") => run_cases::<statistics::RepeatabilityCase>(text),
        Some("equality") => run_cases::<statistics::EqualityCase>(text),
        Some("distribution") => run_cases::<statistics::DistributionCase>(text),
        other => (0, vec![format!("unknown kind {other:?}")]),
    }
}

fn run_cases<C: Case + for<'d> Deserialize<'d>>(text: &str) -> Outcome {
    let sheet: Sheet<C> = match toml::from_str(text) {
        Ok(sheet) => sheet,
        Err(e) => return (0, vec![e.to_string()]),
    };
    let mut complaints = Vec::new();
    if sheet.citation.is_empty() || sheet.obtained.is_empty() {
        complaints.push("no citation, or not said how obtained".to_owned());
    }
    let mut checked = 0;
    for case in &sheet.case {
        if case.expect().is_empty() {
            complaints.push(format!("{}: expects nothing", case.name()));
        }
        for (key, expectation) in case.expect() {
            checked += 1;
            let (stem, rest) = key.split_once('@').unwrap_or((key, ""));
            let arguments: Vec<&str> = rest.split(',').filter(|a| !a.is_empty()).collect();
            let complaint = match case.compute(stem, &arguments) {
                None => Some("no such quantity of this kind".to_owned()),
                Some(got) => judge(&got, expectation),
            };
            complaints.extend(complaint.map(|c| format!("{}: {key}: {c}", case.name())));
        }
    }
    (checked, complaints)
}

/// Says what is wrong, if anything.
fn judge(got: &Got, expectation: &Expectation) -> Option<String> {
    let (value, room, why) = match (got, expectation) {
        (Got::Text(got), Expectation::Word(want)) => {
            return (*got != want.text).then(|| format!("{got}, expected {}", want.text));
        }
        (Got::Number(_), Expectation::Printed(value)) => (value, 0.5 * last_unit(value), "printed"),
        (Got::Number(_), Expectation::Digits(d)) => {
            let exponent = number(&d.value).abs().log10().floor() as i32;
            let room = 0.5 * 10f64.powi(exponent + 1 - d.digits);
            (&d.value, room, d.why.as_str())
        }
        (Got::Number(_), Expectation::Within(w)) => {
            (&w.value, w.within * last_unit(&w.value), w.why.as_str())
        }
        (Got::Number(got), Expectation::Word(want)) => {
            return Some(format!("{got}, expected {}", want.text));
        }
        (Got::Text(got), _) => return Some(format!("{got}, expected a number")),
    };
    let Got::Number(got) = got else { return None };
    if why.is_empty() {
        return Some("a promise without a reason".to_owned());
    }
    let want = number(value);
    // The printed decimal and the difference are themselves rounded to f64.
    let room = room + 2.0 * f64::EPSILON * want.abs();
    let off = (got - want).abs();
    let reached = off <= room;
    (!reached).then(|| format!("{got:e}, expected {value}: off by {off:e}, allowed {room:e}"))
}

fn number(printed: &str) -> f64 {
    printed.parse().unwrap()
}

/// One unit in the last printed place: 1.483 → 0.001, 0.43E-03 → 0.01E-03.
fn last_unit(printed: &str) -> f64 {
    let lower = printed.to_lowercase();
    let (mantissa, exponent) = lower.split_once('e').unwrap_or((&lower, "0"));
    let decimals = mantissa.split_once('.').map_or(0, |(_, d)| d.len()) as i32;
    10f64.powi(exponent.parse::<i32>().unwrap() - decimals)
}

/// An argument of a key, as 0.95.
pub fn argument(arguments: &[&str], index: usize) -> Option<f64> {
    arguments.get(index).map(|a| a.parse().unwrap())
}

#[test]
fn a_wrong_figure_an_unknown_key_and_an_unknown_kind_are_noticed() {
    let sheet = |kind: &str, expect: &str| {
        format!(
            "kind = \"{kind}\"\ncitation = \"c\"\nobtained = \"o\"\n[[case]]\nname = \"n\"\n\
             x = [1.0, 2.0, 3.0]\ny = [2.0, 4.0, 6.0]\nscale = \"scatter\"\n[case.expect]\n{expect}\n"
        )
    };
    let complaints = |kind: &str, expect: &str| run_sheet(&sheet(kind, expect)).1.len();
    assert_eq!(complaints("line", "slope = \"2.000\""), 0);
    assert_eq!(complaints("line", "slope = \"2.001\""), 1);
    assert_eq!(complaints("line", "slop = \"2.000\""), 1);
    assert_eq!(complaints("lines", "slope = \"2.000\""), 1);
    assert_eq!(complaints("line", ""), 1);
    let no_reason = "slope = { value = \"2.0\", digits = 1, why = \"\" }";
    assert_eq!(complaints("line", no_reason), 1);
}
