//! Before and after: two stages of one file, compared.

use super::cells::{Cell, Units, dressed, name};
use crate::characterisation::{Characterisation, InjectorCheck, SweepFit};
use crate::matching::{
    ChangeVerdict, CompareLimits, HealthCriteria, HealthInput, InjectorChange, Serviceability,
    Side, at_condition, compare, health, operating_points,
};
use crate::plots::visible;
use crate::report::numbers::{deviation, estimate};
use crate::report::{ReportError, Style};
use crate::units::Estimate;
use crate::words::{Voice, fill};

/// What changed from the first stage to the last.
pub(super) struct Changes {
    /// Names of the two stages.
    pub stages: [String; 2],
    pub rows: Vec<ChangeRow>,
    /// The spread of the set, in words.
    pub spread: Option<String>,
    pub remarks: Vec<String>,
}

/// One injector.
pub(super) struct ChangeRow {
    pub number: usize,
    pub name: String,
    pub condition: String,
    pub flow: [Cell; 2],
    pub flow_change: String,
    pub dead_time: [Cell; 2],
    pub dead_time_change: String,
    pub repeatability: String,
    pub verdict: &'static str,
}

type Fits<'a> = Vec<(&'a str, &'a SweepFit)>;

fn fits<'a>(document: &'a Characterisation, stage: Option<&str>) -> Fits<'a> {
    let all = document
        .injectors
        .iter()
        .flat_map(|i| i.sweeps.iter().map(|s| (i.id.as_str(), s)));
    all.filter(|(_, s)| s.stage.as_deref() == stage).collect()
}

/// Compares the first stage with the last; `None` where there is one.
///
/// # Errors
/// [`ReportError`] where the unit of flow needs a density that is not stated.
pub(super) fn changes(
    document: &Characterisation,
    units: &Units,
    (style, density): (&Style, Option<f64>),
) -> Result<Option<Changes>, ReportError> {
    let v = style.voice();
    let mut stages: Vec<Option<&str>> = Vec::new();
    for sweep in document.injectors.iter().flat_map(|i| &i.sweeps) {
        if !stages.contains(&sweep.stage.as_deref()) {
            stages.push(sweep.stage.as_deref());
        }
    }
    let [first, .., last] = stages[..] else {
        return Ok(None);
    };
    let (before, after) = (fits(document, first), fits(document, last));
    // Checks in a bench file carry no stage: they are taken as those after.
    let checks: Vec<&InjectorCheck> = own_checks(document);
    let points = operating_points(&after, &[]);
    let sides = [(&before, &[][..]), (&after, &checks[..])];
    let [before_side, after_side] = sides.map(|(fits, checks)| Side { fits, checks });
    let comparison = compare(before_side, after_side, &points, CompareLimits::default());
    let mut remarks: Vec<String> = comparison.assumed.iter().map(|a| v.sentence(a)).collect();
    let mut rows = Vec::new();
    for change in &comparison.injectors {
        let own = [&before, &after].map(|fits| at(fits, change));
        let flow = |sweep: Option<&SweepFit>| match sweep {
            Some(s) => units.flow(s.slope.as_ref(), s.basis, (style, density)),
            None => Ok(Cell::words(v.words.not_run)),
        };
        let dead_time =
            |sweep: Option<&SweepFit>| units.dead_time(sweep.and_then(|s| s.dead_time.as_ref()));
        for note in change.reasons.iter().skip(change.changes.len()) {
            remarks.push(format!("{}: {}", name(&change.injector), v.sentence(note)));
        }
        rows.push(ChangeRow {
            number: number(document, &change.injector),
            name: name(&change.injector),
            condition: format!(
                "{}, {}",
                v.voltage(change.voltage_v),
                v.pressure(change.pressure_kpa)
            ),
            flow: [flow(own[0])?, flow(own[1])?],
            flow_change: signed(change.flow_change_percent.as_ref(), "%", v),
            dead_time: own.map(dead_time),
            dead_time_change: signed(change.dead_time_change_us.as_ref(), "µs", v),
            repeatability: estimate(change.repeatability_ratio.as_ref(), 1.0, v),
            verdict: verdict(change.verdict, v),
        });
    }
    let only = [
        (v.words.only_before, &comparison.only_before),
        (v.words.only_after, &comparison.only_after),
    ];
    for (words, ids) in only.into_iter().filter(|(_, ids)| !ids.is_empty()) {
        let ids: Vec<_> = ids.iter().map(|id| name(id)).collect();
        remarks.push(fill(words, &[&ids.join(", ")]));
    }
    let spread = comparison.spread.as_ref().map(|s| {
        let figure = |e: &Estimate| v.figure(&format!("{:.2}", e.value));
        let [before, after] = [&s.before_percent, &s.after_percent].map(figure);
        let words = [&before, &after, &signed(Some(&s.change_percent), "", v)];
        fill(
            v.words.spread_changed,
            &[
                words[0],
                words[1],
                words[2].trim_end(),
                verdict(s.verdict, v),
            ],
        )
    });
    let named = |s: Option<&str>| s.map_or_else(|| v.words.no_stage.to_owned(), visible);
    Ok(Some(Changes {
        stages: [named(first), named(last)],
        rows,
        spread,
        remarks,
    }))
}

/// The sweep that was compared.
fn at<'a>(fits: &Fits<'a>, change: &InjectorChange) -> Option<&'a SweepFit> {
    let here = fits.iter().rev().find(|(id, s)| {
        *id == change.injector && at_condition(s, change.voltage_v, change.pressure_kpa)
    });
    here.map(|(_, s)| *s)
}

fn number(document: &Characterisation, id: &str) -> usize {
    let place = document.injectors.iter().position(|i| i.id == id);
    place.unwrap_or_default()
}

fn own_checks(document: &Characterisation) -> Vec<&InjectorCheck> {
    let all = document.injectors.iter();
    all.filter_map(|i| i.checks.as_ref()).collect()
}

/// A change with its sign, its doubt and its unit.
fn signed(change: Option<&Estimate>, unit: &str, v: Voice) -> String {
    match change {
        Some(change) => {
            let shown = dressed(&deviation(change.value, change.interval_95, v));
            format!("{shown} {unit}")
        }
        None => v.words.not_known.to_owned(),
    }
}

fn verdict(verdict: ChangeVerdict, v: Voice) -> &'static str {
    match verdict {
        ChangeVerdict::Improved => v.words.improved,
        ChangeVerdict::Unchanged => v.words.unchanged,
        ChangeVerdict::Worse => v.words.worse,
        ChangeVerdict::Undecided => v.words.change_undecided,
    }
}

/// Whether each injector is fit for service by the usual limits: verdict, reasons
/// and what was not checked. Empty where nothing was checked.
pub(super) fn fitness(
    document: &Characterisation,
    v: Voice,
) -> Vec<(usize, String, &'static str, String)> {
    if own_checks(document).is_empty() {
        return Vec::new();
    }
    let set = document.set_match.as_ref();
    let stage = set.and_then(|m| m.stage.as_deref());
    let point = set.and_then(|m| m.operating_points.first());
    let inputs: Vec<HealthInput<'_>> = document
        .injectors
        .iter()
        .map(|injector| {
            let here = |s: &&SweepFit| match point {
                Some(p) => {
                    s.stage.as_deref() == stage && at_condition(s, p.voltage_v, p.pressure_kpa)
                }
                None => true,
            };
            HealthInput {
                injector: &injector.id,
                sweep: injector.sweeps.iter().rev().find(here),
                check: injector.checks.as_ref(),
            }
        })
        .collect();
    let verdicts = health(&inputs, &HealthCriteria::default());
    let words = |(i, one): (usize, &crate::matching::InjectorHealth)| {
        let verdict = match one.verdict {
            Serviceability::Serviceable => v.words.serviceable,
            Serviceability::ServiceableWithRemark => v.words.serviceable_with_remark,
            Serviceability::Replace => v.words.replace,
        };
        let mut why: Vec<String> = one
            .reasons
            .iter()
            .map(|r| v.sentence(&visible(r)))
            .collect();
        if !one.missing.is_empty() {
            why.push(fill(v.words.not_checked, &[&one.missing.join(", ")]));
        }
        (i, name(&one.injector), verdict, why.join("; "))
    };
    verdicts.iter().enumerate().map(words).collect()
}
