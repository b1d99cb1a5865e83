//! `fit --lines`: one line of JSON per sweep, injector by injector.

use std::fs::{self, File};
use std::io;
use std::path::Path;

use super::args::{FitArgs, InputArgs};
use super::files::{failed, read_bench_file, refuse_changed, shown};
use super::fit::{fit_options, not_finite};
use super::{Data, Failure, Outcome};
use crate::lines::{LinesError, LinesRequest, RowOrder, fit_lines};

/// Runs the command.
pub(super) fn run(args: &FitArgs) -> Result<Outcome, Failure> {
    if args.set.tolerance.is_some() || !args.set.at.is_empty() {
        return Err(Failure::other(
            "--lines fits each injector on its own and compares none",
            "leave out --tolerance and --at, or leave out --lines",
        ));
    }
    if args.input.sheet.is_some() {
        return Err(Failure::other(
            "--lines reads texts, which have no sheets",
            "leave out --lines, or save the sheet as CSV",
        ));
    }
    if args.input.map.is_some() {
        return Err(Failure::other(
            "--lines reads captures in the capture format only",
            "leave out --lines, or leave out --map",
        ));
    }
    let names = names(&args.input)?;
    let bench = read_bench_file(&args.input)?;
    for (path, name) in args.input.captures.iter().zip(names) {
        let request = LinesRequest {
            name,
            bench: bench.clone(),
            set_points: args.input.set_points(),
            fit: fit_options(&args.model),
            order: order(path, args.gather),
        };
        let state = || fs::metadata(path).ok().filter(fs::Metadata::is_file);
        let before = state();
        let input: Box<dyn io::Read + Send> = if path == Path::new("-") {
            Box::new(io::stdin())
        } else {
            Box::new(File::open(path).map_err(|error| failed(path, error))?)
        };
        let mut out = Data::stdout();
        let done = fit_lines(input, &mut out, &request);
        done.map_err(|error| match error {
            LinesError::Read(error) => failed(path, error),
            LinesError::Write(error) => Failure::Output(error),
            LinesError::Faults { faults, written } => Failure::FaultyStream { faults, written },
            LinesError::NotFinite(error) => not_finite(error),
        })?;
        if let (Some(before), Some(after)) = (before, state()) {
            refuse_changed(&before, &after, None).map_err(|error| failed(path, error))?;
        }
    }
    Ok(Outcome::Done)
}

/// Only what can be looked at twice may show how its rows stand; a pipe is taken at its word.
fn order(path: &Path, gather: bool) -> RowOrder {
    if gather {
        RowOrder::Anywhere
    } else if fs::metadata(path).is_ok_and(|m| m.is_file()) {
        RowOrder::AsFound
    } else {
        RowOrder::Grouped
    }
}

/// Names of the captures without folders, with them where two would have one name.
fn names(input: &InputArgs) -> Result<Vec<String>, Failure> {
    let real = |path: &Path| path.canonicalize().unwrap_or_else(|_| path.to_owned());
    let mut names: Vec<String> = Vec::new();
    for (at, path) in input.captures.iter().enumerate() {
        let earlier = &input.captures[..at];
        if earlier.iter().any(|other| real(other) == real(path)) {
            return Err(Failure::other(
                format!("{}: this capture is given twice", path.display()),
                "give each capture once",
            ));
        }
        names.push(shown(path));
    }
    let all = names.clone();
    for (name, path) in names.iter_mut().zip(&input.captures) {
        if all.iter().filter(|other| **other == *name).count() > 1 {
            *name = path.display().to_string();
        }
    }
    Ok(names)
}
