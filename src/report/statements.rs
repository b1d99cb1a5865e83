//! What a report says, decided once: tables of words, verdict, notes, next step.

use super::notes::{Note, gather};
use super::numbers::{deviation, estimate, range};
use super::verdict::{figures, verdict};
use super::{FlowScale, ReportError, Style, flow_scale};
use crate::characterisation::SweepFit;
use crate::characterisation::{Characterisation, Injector};
use crate::characterisation::{Deviation, SetMatch, Verdict};
use crate::finding::{Kind, Severity};
use crate::plots::{point_label, shortened, visible};
use crate::units::{Basis, Unit};
use crate::words::{Voice, fill};

/// Everything that is said.
pub(super) struct Statements {
    /// Where the figures come from.
    pub origin: Vec<String>,
    pub conditions: Vec<Condition>,
    pub set: Option<Set>,
    pub notes: Vec<Note>,
    /// What to do next, in one line.
    pub next: String,
}

/// One stage, voltage and pressure.
pub(super) struct Condition {
    /// As `14 V, 300 kPa, cleaned`.
    pub heading: String,
    /// What holds for all rows: ranges, limits, density.
    pub common: Vec<String>,
    pub flow_unit: &'static str,
    /// Whether the line range stands in each row, because rows differ.
    pub ranges_differ: bool,
    pub rows: Vec<Row>,
    /// The two largest contributions to the doubt.
    pub doubt: String,
}

/// One injector under one condition; every figure in words.
pub(super) struct Row {
    pub injector: String,
    pub line_range: String,
    pub flow: String,
    pub dead_time: String,
    pub linear_range: String,
    /// Numbers of the notes that concern it.
    pub notes: String,
}

/// The score of the set.
pub(super) struct Set {
    pub heading: String,
    pub points: Vec<String>,
    pub rows: Vec<SetRow>,
    /// Spread, worst injector.
    pub facts: Vec<String>,
    pub verdict: Option<Verdict>,
    pub verdict_words: String,
}

/// One injector of the set.
pub(super) struct SetRow {
    pub injector: String,
    /// Deviation at each operating point.
    pub deviations: Vec<String>,
    /// What it does to the mixture where it matters most.
    pub mixture: String,
}

/// Decides what is said about a document.
///
/// # Errors
/// [`ReportError`] where the unit of flow needs a density that is not stated.
pub(super) fn prepare(
    document: &Characterisation,
    style: &Style,
) -> Result<Statements, ReportError> {
    let v = style.voice();
    let notes = gather(document, v);
    let stated = document.bench.fluid.as_ref().and_then(|f| f.density);
    let conditions = conditions(document, &notes, style, style.density.or(stated))?;
    let set = document.set_match.as_ref().map(|m| set(m, v));
    let next = next_step(document, &notes, v);
    let origin = origin(document, v);
    Ok(Statements {
        origin,
        conditions,
        set,
        notes,
        next,
    })
}

fn origin(document: &Characterisation, v: Voice) -> Vec<String> {
    let words = v.words;
    let count =
        |n: usize, one: &str, many: &str| format!("{n} {}", if n == 1 { one } else { many });
    let sweeps = document.injectors.iter().map(|i| i.sweeps.len()).sum();
    let files: Vec<_> = document
        .sources
        .iter()
        .map(|s| {
            fill(
                words.rows_used_of,
                &[
                    &visible(&s.name),
                    &s.rows_used.to_string(),
                    &s.rows.to_string(),
                ],
            )
        })
        .collect();
    let mut said = vec![format!(
        "{}, {}; {}",
        count(document.injectors.len(), words.injector, words.injectors),
        count(sweeps, words.sweep, words.sweeps),
        files.join(", ")
    )];
    let job = document.bench.job.as_ref();
    let about = [
        job.and_then(|j| j.reference.as_ref()),
        job.and_then(|j| j.date.as_ref()),
        document.bench.fluid.as_ref().and_then(|f| f.name.as_ref()),
    ];
    let about: Vec<_> = about.into_iter().flatten().map(|t| visible(t)).collect();
    if !about.is_empty() {
        said.push(about.join("; "));
    }
    said
}

/// Stage, pressure, voltage and basis: what a table has in common.
type Key<'a> = (Option<&'a str>, Option<f64>, Option<f64>, Basis);

fn key(sweep: &SweepFit) -> Key<'_> {
    (
        sweep.stage.as_deref(),
        sweep.pressure_kpa,
        sweep.voltage_v,
        sweep.basis,
    )
}

fn conditions(
    document: &Characterisation,
    notes: &[Note],
    style: &Style,
    density: Option<f64>,
) -> Result<Vec<Condition>, ReportError> {
    let sweeps = || {
        document
            .injectors
            .iter()
            .flat_map(|i| i.sweeps.iter().map(move |s| (i, s)))
    };
    let mut keys: Vec<Key<'_>> = Vec::new();
    for (_, sweep) in sweeps() {
        if !keys.contains(&key(sweep)) {
            keys.push(key(sweep));
        }
    }
    let mut stages: Vec<Option<&str>> = Vec::new();
    for (stage, ..) in &keys {
        if !stages.contains(stage) {
            stages.push(*stage);
        }
    }
    let number = |v: Option<f64>| v.unwrap_or(f64::NEG_INFINITY);
    keys.sort_by(|a, b| {
        let place = |k: &Key<'_>| stages.iter().position(|s| *s == k.0);
        place(a)
            .cmp(&place(b))
            .then(number(a.1).total_cmp(&number(b.1)))
            .then(number(a.2).total_cmp(&number(b.2)))
    });
    keys.into_iter()
        .map(|wanted| {
            let here: Vec<_> = sweeps().filter(|(_, s)| key(s) == wanted).collect();
            let scale = flow_scale(wanted.3, style.flow_unit, density)?;
            Ok(condition(wanted, &here, notes, scale, style.voice()))
        })
        .collect()
}

fn condition(
    (stage, pressure, volts, _): Key<'_>,
    here: &[(&Injector, &SweepFit)],
    notes: &[Note],
    scale: FlowScale,
    v: Voice,
) -> Condition {
    let pressure = v.pressure(pressure);
    let volts = v.voltage(volts);
    let rest = match stage {
        Some(stage) => format!("{pressure}, {}", visible(stage)),
        None => pressure.clone(),
    };
    let first = here[0].1;
    let ranges_differ = here
        .iter()
        .any(|(_, s)| s.line_range_ms != first.line_range_ms);
    let limits_same = here
        .iter()
        .all(|(_, s)| s.linearity_limit_percent == first.linearity_limit_percent);
    let mut common = Vec::new();
    if !ranges_differ && first.line_range_ms.is_some() {
        let range = range(first.line_range_ms, v);
        common.push(fill(v.words.line_range_is, &[&range]));
    }
    if limits_same {
        let limit = v.plain(first.linearity_limit_percent);
        common.push(fill(v.words.linear_range_within, &[&limit]));
    }
    if let Some(density) = scale.density {
        common.push(fill(v.words.converted_with, &[&v.plain(density)]));
    }
    let several =
        |injector: &Injector| here.iter().filter(|(i, _)| i.id == injector.id).count() > 1;
    let rows = here
        .iter()
        .map(|(injector, sweep)| {
            let mut row = row(injector, sweep, notes, scale, v);
            if several(injector) {
                row.injector = format!("{} ({})", row.injector, visible(&sweep.source));
            }
            row
        })
        .collect();
    Condition {
        heading: format!("{volts}, {rest}"),
        common,
        flow_unit: scale.unit.unit().sign(),
        ranges_differ,
        rows,
        doubt: doubt(here, v),
    }
}

fn row(injector: &Injector, sweep: &SweepFit, notes: &[Note], scale: FlowScale, v: Voice) -> Row {
    let place = sweep.place(&injector.id);
    let marks: Vec<_> = notes
        .iter()
        .filter(|n| n.concerns(&place))
        .map(|n| n.number.to_string())
        .collect();
    Row {
        injector: visible(&injector.id),
        line_range: range(sweep.line_range_ms, v),
        flow: estimate(sweep.slope.as_ref(), scale.factor, v),
        dead_time: estimate(sweep.dead_time.as_ref(), 1.0, v),
        linear_range: range(sweep.linear_flow_range_ms, v),
        notes: marks.join(" "),
    }
}

/// The two largest contributions to dead time and to flow, each the largest of any injector.
fn doubt(here: &[(&Injector, &SweepFit)], v: Voice) -> String {
    let words = v.words;
    let mut largest: Vec<(&str, f64, f64)> = Vec::new();
    for budget in here.iter().flat_map(|(_, s)| &s.budget) {
        match largest.iter_mut().find(|l| l.0 == budget.component) {
            Some(one) => {
                one.1 = one.1.max(budget.dead_time_us.abs());
                one.2 = one.2.max(budget.slope_percent.abs());
            }
            None => largest.push((
                &budget.component,
                budget.dead_time_us.abs(),
                budget.slope_percent.abs(),
            )),
        }
    }
    let top = |pick: fn(&(&str, f64, f64)) -> f64, unit: &str| {
        let mut sorted = largest.clone();
        sorted.sort_by(|a, b| pick(b).total_cmp(&pick(a)));
        let named: Vec<_> = sorted
            .iter()
            .filter(|one| pick(one) > 0.0)
            .take(2)
            .map(|one| {
                let figure = v.figure(&crate::units::significant(pick(one), 2));
                format!("{} {figure} {unit}", visible(one.0))
            })
            .collect();
        named.join(", ")
    };
    let (dead_time, flow) = (top(|l| l.1, Unit::Microsecond.sign()), top(|l| l.2, "%"));
    let told = match (dead_time.is_empty(), flow.is_empty()) {
        (true, true) => return String::new(),
        (false, true) => fill(words.doubt_dead_time, &[&dead_time]),
        (true, false) => fill(words.doubt_flow, &[&flow]),
        (false, false) => format!(
            "{}; {}",
            fill(words.doubt_dead_time, &[&dead_time]),
            fill(words.doubt_flow, &[&flow])
        ),
    };
    match remedy(here) {
        Some(advice) => fill(words.to_reduce_it, &[&told, &visible(advice)]),
        None => told,
    }
}

/// What reduces the largest doubt of the dead time, as the sweep with the largest says.
fn remedy<'a>(here: &[(&Injector, &'a SweepFit)]) -> Option<&'a str> {
    let largest = |s: &SweepFit| {
        let rows = s.budget.iter().map(|row| row.dead_time_us.abs());
        rows.fold(0.0, f64::max)
    };
    let (_, sweep) = here
        .iter()
        .max_by(|(_, a), (_, b)| largest(a).total_cmp(&largest(b)))?;
    let finding = sweep
        .findings
        .iter()
        .find(|f| f.kind == Kind::LargestDoubt)?;
    Some(&finding.advice)
}

pub(super) fn set(set: &SetMatch, v: Voice) -> Set {
    let words = v.words;
    let mut injectors: Vec<&str> = Vec::new();
    for deviation in &set.deviations {
        if !injectors.contains(&deviation.injector.as_str()) {
            injectors.push(&deviation.injector);
        }
    }
    let rows = injectors.iter().map(|id| set_row(set, id, v)).collect();
    let stage = set.stage.as_deref().map(|s| format!(", {}", visible(s)));
    let mut facts = Vec::new();
    if let Some(spread) = &set.spread_percent {
        let bounds = match set.spread_bounds_percent {
            Some([lo, hi]) => fill(
                words.spread_bounds,
                &[&percent(lo, v), &percent(hi, v), &v.plain(set.risk_percent)],
            ),
            None => String::new(),
        };
        facts.push(fill(words.spread_is, &[&percent(spread.value, v), &bounds]));
    }
    if let Some(worst) = &set.worst_injector {
        facts.push(fill(words.farthest, &[&shortened(&visible(worst), 40)]));
    }
    facts.extend(set.flow_and_dead_time.iter().map(|at| figures(at, v)));
    Set {
        heading: fill(
            words.set_of,
            &[&injectors.len().to_string(), &stage.unwrap_or_default()],
        ),
        points: set
            .operating_points
            .iter()
            .map(|p| point_label(p, v))
            .collect(),
        rows,
        facts,
        verdict: set.verdict,
        verdict_words: verdict(set, v),
    }
}

fn percent(value: f64, v: Voice) -> String {
    v.figure(&format!("{value:.2}"))
}

fn set_row(set: &SetMatch, id: &str, v: Voice) -> SetRow {
    let own: Vec<&Deviation> = set.deviations.iter().filter(|d| d.injector == id).collect();
    let deviations = set
        .operating_points
        .iter()
        .map(|p| {
            own.iter()
                .find(|d| d.operating_point == p.label)
                .map_or_else(
                    || v.words.not_known.to_owned(),
                    |d| deviation(d.percent, d.interval_95, v),
                )
        })
        .collect();
    let strongest = own
        .iter()
        .max_by(|a, b| a.mixture_percent.abs().total_cmp(&b.mixture_percent.abs()));
    SetRow {
        injector: visible(id),
        deviations,
        mixture: strongest.map_or_else(|| v.words.not_known.to_owned(), |d| mixture(d, v)),
    }
}

/// What a deviation does to that cylinder, as far as it can be told from none.
fn mixture(deviation: &Deviation, v: Voice) -> String {
    let told = match deviation.interval_95 {
        [Some(lo), Some(hi)] => lo > 0.0 || hi < 0.0,
        _ => false,
    };
    let amount = percent(deviation.mixture_percent.abs(), v);
    let word = if deviation.mixture_percent < 0.0 {
        v.words.richer
    } else {
        v.words.leaner
    };
    if told {
        format!("{word} {amount} %")
    } else {
        format!("{word} {amount} %?")
    }
}

/// The one thing to do next; short enough for one line of a narrow terminal.
pub(super) fn next_step(document: &Characterisation, notes: &[Note], v: Voice) -> String {
    let words = v.words;
    let number = |note: &Note| note.number.to_string();
    let of = |kind: Kind| notes.iter().find(|n| n.kind == kind);
    let verdict = document.set_match.as_ref().and_then(|m| m.verdict);
    if let Some(serious) = notes.iter().find(|n| n.severity == Severity::Serious) {
        return fill(words.settle_note, &[&number(serious)]);
    }
    if verdict == Some(Verdict::NotMatched) {
        let set = document.set_match.as_ref();
        let worst = set.and_then(|m| m.worst_injector.as_deref());
        return match worst {
            Some(id) => fill(words.clean_or_replace, &[&shortened(&visible(id), 16)]),
            None => words.pick_closer.to_owned(),
        };
    }
    if verdict == Some(Verdict::Undecided) {
        return match of(Kind::Undecided).or(of(Kind::UndecidedForGood)) {
            Some(note) => fill(words.note_decides, &[&number(note)]),
            None => words.more_readings.to_owned(),
        };
    }
    match notes.iter().find(|n| n.severity == Severity::Doubt) {
        Some(doubt) => fill(words.begin_with_note, &[&number(doubt)]),
        None => words.use_table.to_owned(),
    }
}
