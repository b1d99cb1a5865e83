//! `fit`: read, check, fit, match; tables, file and pictures.

use std::fs;
use std::path::{Path, PathBuf};

use super::args::{FitArgs, ModelArg, ModelArgs, SetArgs, WeightArg};
use super::files::{failed, guard_outputs, read_input, write_whole};
use super::{Failure, Outcome, print};
use crate::characterisation::{Characterisation, NotFinite, to_json, to_json_lines};
use crate::fit::FitOptions;
use crate::matching::{Criterion, SetMatch, Verdict};
use crate::{Request, characterise, plots, report};

/// Runs the command.
pub(super) fn run(args: &FitArgs) -> Result<Outcome, Failure> {
    let outputs: Vec<&Path> = [&args.output, &args.report]
        .into_iter()
        .flatten()
        .map(PathBuf::as_path)
        .collect();
    guard_outputs(&outputs, &args.input)?;
    if args.model.model == ModelArg::Curve && args.model.weights == WeightArg::Equal {
        return Err(Failure::other(
            "--weights equal is for the straight line",
            "use --model line with it, or leave one of the two out",
        ));
    }
    let input = read_input(&args.input)?;
    let request = Request {
        fit: fit_options(&args.model),
        points: args.set.at.clone(),
        criterion: criterion(&args.set),
    };
    let document = characterise(&input.files, input.bench, input.set_points, &request)
        .map_err(Failure::Faults)?;
    let json = to_json(&document).map_err(not_finite)?;
    let shown = if args.json {
        json.clone()
    } else if args.lines {
        to_json_lines(&document).map_err(not_finite)?
    } else {
        report::terminal(&document, &terminal_style(args))?
    };
    if let Some(path) = &args.output {
        write_whole(path, json.as_bytes())?;
    }
    if let Some(path) = &args.report {
        let page = report::html(&document, &terminal_style(args))?;
        write_whole(path, page.as_bytes())?;
    }
    if let Some(folder) = &args.plots {
        fs::create_dir_all(folder).map_err(|error| failed(folder, error))?;
        for picture in plots::pictures(&document) {
            write_whole(
                &folder.join(format!("{}.svg", picture.file_stem)),
                picture.svg.as_bytes(),
            )?;
        }
    }
    print(&shown)?;
    Ok(outcome(&document, &args.set))
}

fn not_finite(error: NotFinite) -> Failure {
    Failure::other(error, "please report the capture that led here")
}

fn fit_options(args: &ModelArgs) -> FitOptions {
    FitOptions {
        model: args.model.into(),
        weights: args.weights.into(),
        line_range_ms: args.line_range,
        linearity_limit_percent: args.linearity,
        keep_all: args.keep_all,
        dropped: args.drop.clone(),
    }
}

/// What was asked of the set.
pub(super) fn criterion(args: &SetArgs) -> Criterion {
    Criterion {
        tolerance_percent: args.tolerance,
        flow_tolerance_percent: args.flow_tolerance,
        dead_time_tolerance_us: args.dead_time_tolerance.map(|ms| 1000.0 * ms),
        risk_percent: args.risk,
    }
}

fn terminal_style(args: &FitArgs) -> report::Style {
    report::Style {
        flow_unit: args.units,
        ..super::style()
    }
}

/// A tolerance that was asked for and not shown to be kept is a failed criterion,
/// also where nothing could be compared.
fn outcome(document: &Characterisation, args: &SetArgs) -> Outcome {
    if document.set_match.is_none() && criterion(args).asks() {
        return Outcome::CriterionFailed;
    }
    match_outcome(document.set_match.as_ref())
}

/// The same for a score alone.
pub(super) fn match_outcome(set: Option<&SetMatch>) -> Outcome {
    match set.and_then(|m| m.verdict) {
        Some(Verdict::NotMatched | Verdict::Undecided) => Outcome::CriterionFailed,
        Some(Verdict::Matched) | None => Outcome::Done,
    }
}
