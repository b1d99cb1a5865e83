//! The report as one HTML page that needs nothing beside it.

mod cells;
mod changes;
mod enter;
mod injectors;

use askama::Template;
use sha2::{Digest, Sha256};

use super::background::{bench, checks, left_out, method};
use super::notes::{Note, severity_word};
use super::sheet::{Form, Logo, Sheet, base64};
use super::statements::{Set, Statements, prepare};
use super::{ReportError, Style};
use crate::characterisation::{Characterisation, SweepFit, Verdict};
use crate::plots::{self, Picture, dark_rules, visible};
use crate::units::significant;
use crate::words::{Voice, Words, fill};
use cells::{Units, dressed, name};
use changes::{Changes, changes, fitness};
use enter::{Enter, enter};
use injectors::{InjectorPart, injectors};

/// The page's own style and script; both are allowed by their hash alone.
const STYLE: &str = include_str!("../../templates/report.css");
const SCRIPT: &str = include_str!("../../templates/report.js");

/// Writes the report as one self-contained HTML page: no outside address, pictures
/// within, readable without its script. For screen (light and dark) and A4 or
/// Letter paper.
///
/// Order: verdict, the set, numbers to enter, each injector, before and after,
/// checks, conditions, method and what was left out, notes, cautions, provenance.
/// Width and colour of `style` do not matter here.
///
/// # Errors
/// [`ReportError`] where the unit of flow needs a density that is not stated.
pub fn html(
    document: &Characterisation,
    style: &Style,
    sheet: &Sheet,
) -> Result<String, ReportError> {
    let v = style.voice();
    let said = prepare(document, style)?;
    let sweeps: Vec<&SweepFit> = document.injectors.iter().flat_map(|i| &i.sweeps).collect();
    let stated = document.bench.fluid.as_ref().and_then(|f| f.density);
    let density = style.density.or(stated);
    let units = Units::of(&sweeps, style, density)?;
    let full = sheet.form == Form::Full;
    let set_picture = plots::deviations(document, v);
    let dead_times = plots::dead_times(document, v);
    let injectors = if full {
        injectors(document, &said.notes, &units, (style, density))?
    } else {
        Vec::new()
    };
    let drawn = set_picture.iter().chain(&dead_times);
    let drawn = drawn.chain(injectors.iter().flat_map(|i| &i.pictures));
    let css = format!(
        "{STYLE}@media screen and (prefers-color-scheme: dark) {{\n{}}}\n",
        dark_rules(drawn.map(|p| p.svg.as_str()))
    );
    let left_out = left_out(document, v);
    let page = Page {
        w: v.words,
        policy: policy(&css),
        css,
        script: SCRIPT,
        title: title(document, sheet, v),
        full,
        head: head(document, sheet, v),
        logo: sheet.job.logo.as_ref(),
        logo_alt: match &sheet.job.shop {
            Some(shop) => fill(v.words.logo_of, &[&visible(shop)]),
            None => v.words.logo.to_owned(),
        },
        mark: mark(document),
        verdict: verdict(&said, v),
        facts: said
            .set
            .as_ref()
            .map(|s| s.facts.clone())
            .unwrap_or_default(),
        // Backticks mark commands on a terminal; a page has no use for them.
        next: said.next.replace('`', ""),
        origin: said.origin.clone(),
        choices: choices(document, v),
        flow_units: units.flow_choices(),
        time_units: Units::time_choices(),
        converted: units
            .density()
            .map(|d| fill(v.words.units_converted, &[&v.plain(d)])),
        set_picture,
        set: document
            .set_match
            .as_ref()
            .and(said.set.as_ref())
            .map(|s| set_grid(s, document)),
        enter: enter(document, sheet.pressure_kpa, &units, (style, density))?,
        dead_time_head: Units::time_unit(v.words.dead_time),
        dead_times,
        injectors,
        changes: changes(document, &units, (style, density))?,
        checks: checks(document, v),
        fitness: fitness(document, v),
        facts_of_bench: bench(&document.bench, v),
        method: method(document, v),
        left_out_count: fill(v.words.left_out_count, &[&left_out.len().to_string()]),
        left_out,
        notes: said.notes.iter().map(|n| note(n, v)).collect(),
        sources: sources(document, v),
        effects: effects(document, v),
        made_by: fill(
            v.words.made_by,
            &[
                &visible(&document.tool.name),
                &visible(&document.tool.version),
                crate::characterisation::SCHEMA_ID,
            ],
        ),
    };
    page.render().map_err(|e| ReportError::Page(e.to_string()))
}

/// The page; the template is checked against it when compiled and escapes all text.
#[derive(Template)]
#[template(path = "report.html")]
struct Page<'a> {
    w: &'static Words,
    policy: String,
    css: String,
    script: &'static str,
    title: String,
    full: bool,
    head: Vec<(&'static str, String)>,
    logo: Option<&'a Logo>,
    logo_alt: String,
    mark: &'static str,
    verdict: String,
    facts: Vec<String>,
    next: String,
    origin: Vec<String>,
    choices: Vec<String>,
    flow_units: Vec<(String, &'static str)>,
    time_units: Vec<(String, &'static str)>,
    converted: Option<String>,
    set_picture: Option<Picture>,
    set: Option<Grid>,
    enter: Option<Enter>,
    dead_time_head: cells::Cell,
    dead_times: Vec<Picture>,
    injectors: Vec<InjectorPart>,
    changes: Option<Changes>,
    checks: Vec<[String; 7]>,
    fitness: Vec<(usize, String, &'static str, String)>,
    facts_of_bench: Vec<(&'static str, String)>,
    method: Vec<String>,
    left_out_count: String,
    left_out: Vec<[String; 3]>,
    notes: Vec<NoteWords>,
    sources: Vec<SourceWords>,
    effects: Vec<String>,
    made_by: String,
}

/// Deviations of the set: injectors against operating points.
struct Grid {
    columns: Vec<String>,
    rows: Vec<GridRow>,
}

struct GridRow {
    number: usize,
    name: String,
    cells: Vec<String>,
    mixture: String,
}

struct NoteWords {
    number: usize,
    severity: &'static str,
    text: String,
    places: String,
    advice: String,
}

struct SourceWords {
    name: String,
    sha256: String,
    rows: String,
    /// Name and SHA-256.
    mapping: Option<(String, String)>,
}

/// What the browser may do with the page: show this style, run this script, nothing else.
fn policy(css: &str) -> String {
    let hash = |text: &str| base64(&Sha256::digest(text.as_bytes()));
    format!(
        "default-src 'none'; style-src 'sha256-{}'; script-src 'sha256-{}'; img-src data:; \
         base-uri 'none'; form-action 'none'",
        hash(css),
        hash(SCRIPT)
    )
}

/// A sign beside the verdict, so that it is not told by words or colour alone.
fn mark(document: &Characterisation) -> &'static str {
    match document.set_match.as_ref().and_then(|m| m.verdict) {
        Some(Verdict::Matched) => "matched",
        Some(Verdict::NotMatched) => "apart",
        Some(Verdict::Undecided) => "open",
        None => "none",
    }
}

/// Every injector's name, to switch it on and off; none for one alone.
fn choices(document: &Characterisation, _: Voice) -> Vec<String> {
    let all = document.injectors.iter().map(|i| name(&i.id));
    all.filter(|_| document.injectors.len() > 1).collect()
}

fn set_grid(set: &Set, document: &Characterisation) -> Grid {
    let number = |shown: &str| {
        let place = document
            .injectors
            .iter()
            .position(|i| visible(&i.id) == shown);
        place.unwrap_or_default()
    };
    let row = |r: &super::statements::SetRow| GridRow {
        number: number(&r.injector),
        name: name(&r.injector),
        cells: r.deviations.iter().map(|d| dressed(d)).collect(),
        mixture: r.mixture.clone(),
    };
    Grid {
        columns: set.points.clone(),
        rows: set.rows.iter().map(row).collect(),
    }
}

fn note(note: &Note, v: Voice) -> NoteWords {
    NoteWords {
        number: note.number,
        severity: severity_word(note.severity, v),
        text: if note.figures_differ {
            fill(v.words.for_example, &[&note.text])
        } else {
            note.text.clone()
        },
        places: match note.count {
            1 => note.places.clone(),
            count => fill(v.words.times, &[&count.to_string(), &note.places]),
        },
        advice: note.advice.clone(),
    }
}

/// Name, SHA-256, rows and mapping file of each capture.
fn sources(document: &Characterisation, v: Voice) -> Vec<SourceWords> {
    let words = |s: &crate::characterisation::Source| {
        let rows = [s.rows_used.to_string(), s.rows.to_string()];
        let mapping = s.mapping.as_ref();
        SourceWords {
            name: visible(&s.name),
            sha256: visible(&s.sha256),
            rows: fill(v.words.of_rows_used, &[&rows[0], &rows[1]]),
            mapping: mapping.map(|mapping| (visible(&mapping.name), visible(&mapping.sha256))),
        }
    };
    document.sources.iter().map(words).collect()
}

/// Effects that several results share.
fn effects(document: &Characterisation, v: Voice) -> Vec<String> {
    let words = |e: &crate::characterisation::Effect| {
        let u = v.figure(&significant(e.standard_uncertainty, 2));
        format!("{}: {u} {}", visible(&e.what), e.unit.sign())
    };
    document.effects.iter().map(words).collect()
}

/// What stands in the job sheet or else in the bench file.
fn stated<'a>(asked: &'a Option<String>, bench: Option<&'a String>) -> Option<String> {
    let text = asked.as_ref().or(bench)?;
    (!text.trim().is_empty()).then(|| visible(text))
}

fn title(document: &Characterisation, sheet: &Sheet, v: Voice) -> String {
    let job = document.bench.job.as_ref();
    let reference = stated(&sheet.job.reference, job.and_then(|j| j.reference.as_ref()));
    match reference {
        Some(reference) => fill(
            v.words.title_of,
            &[&crate::plots::shortened(&reference, 80)],
        ),
        None => v.words.title.to_owned(),
    }
}

/// The job sheet: names and what is stated, in order.
fn head(document: &Characterisation, sheet: &Sheet, v: Voice) -> Vec<(&'static str, String)> {
    let w = v.words;
    let (asked, job) = (&sheet.job, document.bench.job.as_ref());
    let date = stated(&asked.date, job.and_then(|j| j.date.as_ref())).map(|d| v.date(&d));
    let rows = [
        (w.shop, stated(&asked.shop, None)),
        (
            w.reference,
            stated(&asked.reference, job.and_then(|j| j.reference.as_ref())),
        ),
        (w.parts, stated(&asked.parts, None)),
        (
            w.technician,
            stated(&asked.technician, job.and_then(|j| j.operator.as_ref())),
        ),
        (w.date, date),
    ];
    rows.into_iter()
        .filter_map(|(name, text)| Some((name, text?)))
        .collect()
}

fn verdict(said: &Statements, v: Voice) -> String {
    match &said.set {
        Some(set) => set.verdict_words.clone(),
        None => v.words.no_set.to_owned(),
    }
}
