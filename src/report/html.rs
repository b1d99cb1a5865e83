//! The report as one HTML page that needs nothing beside it.

use askama::Template;

use super::background::{bench, checks, condition_words, left_out, method};
use super::notes::{Note, severity_word};
use super::statements::{Condition, Set, Statements, prepare};
use super::{ReportError, Style};
use crate::characterisation::Characterisation;
use crate::characterisation::SweepFit;
use crate::finding::visible;
use crate::plots::{self, Picture};
use crate::units::significant;

/// Writes the report as one self-contained HTML page: no script, no outside
/// address, pictures within. For screen (light and dark) and A4 or Letter paper.
///
/// Order: verdict, the set, numbers to enter, each injector, two stages beside
/// each other, checks, conditions, method, notes, cautions, provenance.
/// Width and colour of `style` do not matter here.
///
/// # Errors
/// [`ReportError`] where the unit of flow needs a density that is not stated.
pub fn html(document: &Characterisation, style: &Style) -> Result<String, ReportError> {
    let said = prepare(document, style)?;
    let page = Page {
        title: title(document),
        verdict: verdict(&said),
        facts: said
            .set
            .as_ref()
            .map(|s| s.facts.clone())
            .unwrap_or_default(),
        next: said.next.clone(),
        origin: said.origin.clone(),
        set_picture: plots::deviations(document),
        set: said.set.as_ref().map(set_grid),
        enter: enter(&said.conditions),
        dead_times: plots::dead_times(document),
        injectors: injectors(document, &said),
        stages: stages(&said.conditions),
        checks: checks(document),
        facts_of_bench: bench(&document.bench),
        method: method(document),
        left_out: left_out(document),
        notes: said.notes.iter().map(note).collect(),
        sources: sources(document),
        effects: effects(document),
        tool: format!(
            "{} {}",
            visible(&document.tool.name),
            visible(&document.tool.version)
        ),
        schema: crate::characterisation::SCHEMA_ID,
    };
    page.render().map_err(|e| ReportError::Page(e.to_string()))
}

/// The page; the template is checked against it when compiled and escapes all text.
#[derive(Template)]
#[template(path = "report.html")]
struct Page {
    title: String,
    verdict: String,
    facts: Vec<String>,
    next: String,
    origin: Vec<String>,
    set_picture: Option<Picture>,
    set: Option<Grid>,
    enter: Vec<Grid>,
    dead_times: Vec<Picture>,
    injectors: Vec<InjectorPart>,
    stages: Vec<StageRow>,
    checks: Vec<[String; 7]>,
    facts_of_bench: Vec<(&'static str, String)>,
    method: Vec<String>,
    left_out: Vec<[String; 3]>,
    notes: Vec<NoteWords>,
    sources: Vec<(String, String, String)>,
    effects: Vec<String>,
    tool: String,
    schema: &'static str,
}

/// A table of injectors against something: name, cells, a last word.
struct Grid {
    title: String,
    columns: Vec<String>,
    rows: Vec<(String, Vec<String>, String)>,
}

struct InjectorPart {
    /// Fragment that links lead to.
    anchor: String,
    name: String,
    /// Condition, line range, flow with its unit, dead time, linear flow range, notes.
    rows: Vec<[String; 6]>,
    pictures: Vec<Picture>,
    budgets: Vec<Budget>,
}

struct Budget {
    condition: String,
    rows: Vec<BudgetWords>,
}

struct BudgetWords {
    component: String,
    kind: &'static str,
    dead_time: String,
    flow: String,
    /// Length of the bar, percent of the longest.
    bar: u32,
}

struct StageRow {
    injector: String,
    condition: String,
    stage: String,
    flow: String,
    dead_time: String,
}

struct NoteWords {
    number: usize,
    severity: &'static str,
    text: String,
    places: String,
    advice: String,
}

fn set_grid(set: &Set) -> Grid {
    let row = |r: &super::statements::SetRow| {
        (r.injector.clone(), r.deviations.clone(), r.mixture.clone())
    };
    Grid {
        title: "deviation from the set mean, %".to_owned(),
        columns: set.points.clone(),
        rows: set.rows.iter().map(row).collect(),
    }
}

fn note(note: &Note) -> NoteWords {
    NoteWords {
        number: note.number,
        severity: severity_word(note.severity),
        text: if note.figures_differ {
            format!("for example, {}", note.text)
        } else {
            note.text.clone()
        },
        places: match note.count {
            1 => note.places.clone(),
            count => format!("{count} times: {}", note.places),
        },
        advice: note.advice.clone(),
    }
}

/// Name, SHA-256 and rows of each capture.
fn sources(document: &Characterisation) -> Vec<(String, String, String)> {
    let words = |s: &crate::characterisation::Source| {
        let rows = format!("{} of {}", s.rows_used, s.rows);
        (visible(&s.name), visible(&s.sha256), rows)
    };
    document.sources.iter().map(words).collect()
}

/// Effects that several results share.
fn effects(document: &Characterisation) -> Vec<String> {
    let words = |e: &crate::characterisation::Effect| {
        let u = significant(e.standard_uncertainty, 2);
        format!("{}: {u} {}", visible(&e.what), e.unit.word())
    };
    document.effects.iter().map(words).collect()
}

fn title(document: &Characterisation) -> String {
    let reference = document
        .bench
        .job
        .as_ref()
        .and_then(|j| j.reference.as_deref());
    match reference {
        Some(reference) => format!("Injector flow report: {}", visible(reference)),
        None => "Injector flow report".to_owned(),
    }
}

fn verdict(said: &Statements) -> String {
    match &said.set {
        Some(set) => set.verdict_words.clone(),
        None => "no set was scored".to_owned(),
    }
}

/// Flow and dead time against voltage, a pair of tables for each pressure and stage.
fn enter(conditions: &[Condition]) -> Vec<Grid> {
    let mut rests: Vec<(&str, &str)> = Vec::new();
    for c in conditions {
        if !rests.contains(&(&c.rest, c.flow_unit)) {
            rests.push((&c.rest, c.flow_unit));
        }
    }
    let mut grids = Vec::new();
    for (rest, unit) in rests {
        let here: Vec<&Condition> = conditions
            .iter()
            .filter(|c| c.rest == rest && c.flow_unit == unit)
            .collect();
        let mut names: Vec<&str> = Vec::new();
        for row in here.iter().flat_map(|c| &c.rows) {
            if !names.contains(&row.injector.as_str()) {
                names.push(&row.injector);
            }
        }
        for dead_time in [true, false] {
            let cell = |c: &Condition, name: &str| {
                c.rows.iter().find(|r| r.injector == name).map_or_else(
                    || "not run".to_owned(),
                    |r| {
                        if dead_time {
                            r.dead_time.clone()
                        } else {
                            r.flow.clone()
                        }
                    },
                )
            };
            let what = if dead_time {
                "dead time, ms".to_owned()
            } else {
                format!("flow, {unit}")
            };
            grids.push(Grid {
                title: format!("{what}, at {rest}"),
                columns: here.iter().map(|c| c.voltage.clone()).collect(),
                rows: names
                    .iter()
                    .map(|name| {
                        let cells = here.iter().map(|c| cell(c, name)).collect();
                        ((*name).to_owned(), cells, String::new())
                    })
                    .collect(),
            });
        }
    }
    grids
}

fn injectors(document: &Characterisation, said: &Statements) -> Vec<InjectorPart> {
    let words = |sweep: &SweepFit, id: &str| {
        said.conditions.iter().find_map(|c| {
            let wanted = condition_words(sweep);
            let several = format!("{id} ({})", visible(&sweep.source));
            let row = c
                .rows
                .iter()
                .find(|r| r.injector == id || r.injector == several)?;
            (c.heading == wanted && c.basis == sweep.basis).then(|| {
                [
                    c.heading.clone(),
                    row.line_range.clone(),
                    format!("{} {}", row.flow, c.flow_unit),
                    row.dead_time.clone(),
                    row.linear_range.clone(),
                    row.notes.clone(),
                ]
            })
        })
    };
    document
        .injectors
        .iter()
        .enumerate()
        .map(|(i, injector)| {
            let name = visible(&injector.id);
            let mut pictures = plots::deliveries(injector);
            pictures.extend(plots::linearities(injector));
            InjectorPart {
                anchor: format!("injector-{}", i + 1),
                rows: injector
                    .sweeps
                    .iter()
                    .filter_map(|s| words(s, &name))
                    .collect(),
                pictures,
                budgets: injector.sweeps.iter().filter_map(budget).collect(),
                name,
            }
        })
        .collect()
}

fn budget(sweep: &SweepFit) -> Option<Budget> {
    let longest = sweep
        .budget
        .iter()
        .map(|b| b.dead_time_us.abs())
        .fold(0.0, f64::max);
    (!sweep.budget.is_empty()).then(|| Budget {
        condition: condition_words(sweep),
        rows: sweep
            .budget
            .iter()
            .map(|b| BudgetWords {
                component: visible(&b.component),
                kind: match b.kind {
                    crate::characterisation::Evaluation::A => "A",
                    crate::characterisation::Evaluation::B => "B",
                },
                dead_time: significant(b.dead_time_us, 2),
                flow: significant(b.slope_percent, 2),
                bar: if longest > 0.0 {
                    (100.0 * b.dead_time_us.abs() / longest).round() as u32
                } else {
                    0
                },
            })
            .collect(),
    })
}

/// Both stages beside each other, where there are several.
fn stages(conditions: &[Condition]) -> Vec<StageRow> {
    let first = conditions.first().map(|c| &c.stage);
    if conditions.iter().all(|c| Some(&c.stage) == first) {
        return Vec::new();
    }
    let mut rows: Vec<StageRow> = conditions
        .iter()
        .flat_map(|c| {
            c.rows.iter().map(|row| StageRow {
                injector: row.injector.clone(),
                condition: format!("{}, {}", c.voltage, c.pressure),
                stage: c.stage.clone().unwrap_or_else(|| "no stage".to_owned()),
                flow: format!("{} {}", row.flow, c.flow_unit),
                dead_time: row.dead_time.clone(),
            })
        })
        .collect();
    // Stages of one injector under one condition follow each other; the sort is stable.
    let order: Vec<_> = rows
        .iter()
        .map(|r| (r.injector.clone(), r.condition.clone()))
        .collect();
    let place = |r: &StageRow| {
        let same = |o: &(String, String)| o.0 == r.injector && o.1 == r.condition;
        (
            order.iter().position(|o| o.0 == r.injector),
            order.iter().position(same),
        )
    };
    rows.sort_by_key(place);
    rows
}
