//! `compare`: as received against cleaned.

use std::path::PathBuf;

use clap::Args;
use serde_json::json;

use super::args::{percent, wanted_point};
use super::files::{failed, read_text};
use super::stock::documents;
use super::{Failure, Outcome, line, print, print_json};
use crate::capture::InjectorCheck;
use crate::characterisation::Characterisation;
use crate::fit::SweepFit;
use crate::matching::{
    CompareLimits, Comparison, HealthCriteria, HealthInput, InjectorHealth, Serviceability, Side,
    WantedPoint, compare, health, operating_points, read_criteria,
};

pub(super) const HELP: &str = "\
Examples:
  meniscus compare before.json after.json
  meniscus compare run.csv                         two stages of one file, the first against the last
  meniscus compare run.json --stages as_received,cleaned --criteria limits.toml

Errors of the bench are taken to be the same before and after, and cancel; --other-bench says that
they are not.";

/// Arguments of `compare`.
#[derive(Debug, Args)]
pub struct CompareArgs {
    /// Characterisation file or capture before; alone: a file with two stages
    #[arg(required = true, num_args = 1..=2, value_names = ["BEFORE", "AFTER"])]
    pub files: Vec<PathBuf>,
    /// How captures in a foreign layout are read; `meniscus map` proposes the file
    #[arg(long, value_name = "FILE.toml")]
    pub map: Option<PathBuf>,
    /// The two stages of one file
    #[arg(long, value_delimiter = ',', num_args = 1.., value_name = "BEFORE,AFTER")]
    pub stages: Vec<String>,
    /// Before and after were measured on different benches
    #[arg(long)]
    pub other_bench: bool,
    /// Change of flow that counts as none
    #[arg(long, value_parser = percent, default_value = "0.5%", value_name = "PERCENT")]
    pub no_change: f64,
    /// Limits of the health checks (TOML); without it common practice
    #[arg(long, value_name = "FILE.toml")]
    pub criteria: Option<PathBuf>,
    /// Operating point at which the spread of the set is compared (repeatable)
    #[arg(long, value_parser = wanted_point, value_name = "2ms,14V,300kPa")]
    pub at: Vec<WantedPoint>,
    /// Print JSON
    #[arg(long)]
    pub json: bool,
}

/// One side as owned lists.
struct Stage<'a> {
    fits: Vec<(&'a str, &'a SweepFit)>,
    checks: Vec<&'a InjectorCheck>,
}

/// Runs the command.
pub(super) fn run(args: &CompareArgs) -> Result<Outcome, Failure> {
    let criteria = match &args.criteria {
        Some(path) => {
            let text = read_text(path).map_err(|error| failed(path, error))?;
            read_criteria(&text).map_err(|e| {
                Failure::other(
                    format!("{}: {e}", path.display()),
                    "the keys are listed in docs/methods.md, Health checks",
                )
            })?
        }
        None => HealthCriteria::default(),
    };
    let documents = documents(&args.files, args.map.as_deref())?;
    let other_bench = args.other_bench || stated_apart(&documents);
    let [before, after] = sides(args, &documents)?;
    let points = operating_points(&after.fits, &args.at);
    let limits = CompareLimits {
        same_bench: !other_bench,
        flow_percent: args.no_change,
        ..CompareLimits::default()
    };
    let comparison = compare(
        Side {
            fits: &before.fits,
            checks: &before.checks,
        },
        Side {
            fits: &after.fits,
            checks: &after.checks,
        },
        &points,
        limits,
    );
    if comparison.injectors.is_empty() {
        return Err(Failure::other(
            "no injector is in both",
            "ids must be spelled the same before and after",
        ));
    }
    let inputs: Vec<HealthInput> = comparison
        .injectors
        .iter()
        .map(|i| health_input(&i.injector, &after))
        .collect();
    let verdicts = health(&inputs, &criteria);
    if args.json {
        print_json(&comparison_json(&comparison, &verdicts))
    } else {
        print(&text(&comparison, &verdicts))
    }
}

/// Whether the files themselves state different vessels, gauges or supplies.
fn stated_apart(documents: &[Characterisation]) -> bool {
    let [before, after] = documents else {
        return false;
    };
    let stated = |d: &Characterisation| {
        !d.bench.vessels.is_empty() || d.bench.pressure.is_some() || d.bench.supply.is_some()
    };
    stated(before)
        && stated(after)
        && (
            &before.bench.vessels,
            &before.bench.pressure,
            &before.bench.supply,
        ) != (
            &after.bench.vessels,
            &after.bench.pressure,
            &after.bench.supply,
        )
}

fn health_input<'a>(id: &'a str, after: &Stage<'a>) -> HealthInput<'a> {
    HealthInput {
        injector: id,
        sweep: after
            .fits
            .iter()
            .rev()
            .find(|(i, _)| *i == id)
            .map(|(_, s)| *s),
        check: after.checks.iter().rev().find(|c| c.id == id).copied(),
    }
}

/// Two files, or two stages of one.
fn sides<'a>(
    args: &CompareArgs,
    documents: &'a [Characterisation],
) -> Result<[Stage<'a>; 2], Failure> {
    if let [before, after] = documents {
        // As received against as they are now.
        return Ok([
            stage(before, &first_stage(before), true),
            stage(after, &last_stage(after), true),
        ]);
    }
    let [document] = documents else {
        return Err(Failure::other(
            "nothing to compare",
            "give one file with two stages, or two files",
        ));
    };
    let mut stages: Vec<Option<String>> = Vec::new();
    for sweep in document.injectors.iter().flat_map(|i| &i.sweeps) {
        if !stages.contains(&sweep.stage) {
            stages.push(sweep.stage.clone());
        }
    }
    let names: Vec<String> = stages
        .iter()
        .map(|s| s.clone().unwrap_or_else(|| "(none)".to_owned()))
        .collect();
    let [first, last] = match args.stages.as_slice() {
        [] if stages.len() >= 2 => [stages[0].clone(), stages[stages.len() - 1].clone()],
        [first, last]
            if [first, last]
                .iter()
                .all(|s| stages.contains(&Some((*s).clone()))) =>
        {
            [Some(first.clone()), Some(last.clone())]
        }
        _ => {
            return Err(Failure::other(
                format!("two stages are needed; the file has {}", names.join(", ")),
                "give a second file, or two of those stages as --stages BEFORE,AFTER",
            ));
        }
    };
    // Checks in a bench file carry no stage: they are taken as those after.
    Ok([stage(document, &first, false), stage(document, &last, true)])
}

fn first_stage(document: &Characterisation) -> Option<String> {
    document
        .injectors
        .first()
        .and_then(|i| i.sweeps.first())
        .and_then(|s| s.stage.clone())
}

fn last_stage(document: &Characterisation) -> Option<String> {
    document
        .injectors
        .last()
        .and_then(|i| i.sweeps.last())
        .and_then(|s| s.stage.clone())
}

fn stage<'a>(
    document: &'a Characterisation,
    name: &Option<String>,
    with_checks: bool,
) -> Stage<'a> {
    let fits = document
        .injectors
        .iter()
        .flat_map(|i| i.sweeps.iter().map(|s| (i.id.as_str(), s)))
        .filter(|(_, s)| s.stage == *name)
        .collect();
    let checks = if with_checks {
        document
            .injectors
            .iter()
            .filter_map(|i| i.checks.as_ref())
            .collect()
    } else {
        Vec::new()
    };
    Stage { fits, checks }
}

fn comparison_json(comparison: &Comparison, verdicts: &[InjectorHealth]) -> serde_json::Value {
    let replace: Vec<&InjectorHealth> = verdicts
        .iter()
        .filter(|v| v.verdict == Serviceability::Replace)
        .collect();
    json!({
        "injectors": comparison.injectors,
        "spread": comparison.spread,
        "only_before": comparison.only_before,
        "only_after": comparison.only_after,
        "assumed": comparison.assumed,
        "health": verdicts,
        "replace": replace.iter().map(|v| json!({"injector": v.injector, "reasons": v.reasons})).collect::<Vec<_>>(),
    })
}

fn text(comparison: &Comparison, verdicts: &[InjectorHealth]) -> String {
    let mut text = String::new();
    for injector in &comparison.injectors {
        let verdict = word(&injector.verdict);
        line(&mut text, format_args!("{}: {verdict}", injector.injector));
        for reason in &injector.reasons {
            line(&mut text, format_args!("  {reason}"));
        }
    }
    if let Some(spread) = &comparison.spread {
        let words = format_args!(
            "Spread of the set: {:.2} % before, {:.2} % after: {}",
            spread.before_percent.value,
            spread.after_percent.value,
            word(&spread.verdict)
        );
        line(&mut text, words);
    }
    line(&mut text, "After cleaning:");
    for health in verdicts {
        let verdict = word(&health.verdict);
        line(&mut text, format_args!("  {}: {verdict}", health.injector));
        for reason in &health.reasons {
            line(&mut text, format_args!("    {reason}"));
        }
        if !health.missing.is_empty() {
            let missing = health.missing.join(", ");
            line(&mut text, format_args!("    not checked: {missing}"));
        }
    }
    for (what, ids) in [
        ("Only before", &comparison.only_before),
        ("Only after", &comparison.only_after),
    ] {
        if !ids.is_empty() {
            line(&mut text, format_args!("{what}: {}", ids.join(", ")));
        }
    }
    for assumed in &comparison.assumed {
        line(&mut text, format_args!("Assumed: {assumed}"));
    }
    line(&mut text, "Next: meniscus match, for the set as it is now");
    text
}

/// The word of a verdict, as in the JSON, with blanks.
fn word<T: serde::Serialize>(verdict: &T) -> String {
    let value = serde_json::to_value(verdict).unwrap_or_default();
    value.as_str().unwrap_or_default().replace('_', " ")
}
