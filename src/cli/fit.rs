//! `fit`: read, check, fit, match; tables, file and pictures.

use std::fs;
use std::io::{self, Write};
use std::path::{Path, PathBuf};

use super::args::{FitArgs, ModelArg, ModelArgs, SetArgs, WeightArg};
use super::files::{
    failed, guard_outputs, read_input, replaces, write_by, write_together, write_whole,
};
use super::progress::during;
use super::{Data, Failure, Outcome, print};
use crate::characterisation::{Characterisation, JsonText, NotFinite};
use crate::fit::FitOptions;
use crate::matching::{Criterion, SetMatch, Verdict};
use crate::{Request, characterisation, characterise, plots, report};

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
    if args.lines {
        return super::lines::run(args);
    }
    let input = read_input(&args.input)?;
    let request = Request {
        fit: fit_options(&args.model),
        points: args.set.at.clone(),
        criterion: criterion(&args.set),
    };
    let document = during("fitting", || {
        characterise(&input.files, input.bench, input.set_points, &request)
    })
    .map_err(Failure::Faults)?;
    let table = || match args.json {
        true => Ok(None),
        false => report::terminal(&document, &terminal_style(args)).map(Some),
    };
    let (json, table) = rayon::join(|| JsonText::of(&document), table);
    let (json, table) = (json.map_err(not_finite)?, table?);
    if let Some(path) = &args.output {
        replace(path, &document, &json, &terminal_style(args))?;
    }
    if let Some(path) = &args.report {
        let page = report::html(&document, &terminal_style(args), &report::Sheet::default())?;
        write_whole(path, page.as_bytes())?;
    }
    if let Some(folder) = &args.plots {
        fs::create_dir_all(folder).map_err(|error| failed(folder, error))?;
        let name = |stem: &str| folder.join(format!("{stem}.svg"));
        let pictures = plots::pictures(&document).into_iter();
        write_together(pictures.map(|p| (name(&p.file_stem), p.svg)))?;
    }
    match table {
        Some(table) => {
            print(&table)?;
        }
        None => {
            let mut out = Data::stdout();
            json.write_to(&mut out)?;
            out.flush()?;
        }
    }
    let outcome = outcome(&document, &args.set);
    // The program ends here, and freeing what a day holds takes a twenty-fifth of its time.
    std::mem::forget(document);
    Ok(outcome)
}

/// Writes the characterisation file. What stood there before is compared, told
/// about on stderr and kept beside it: a correction is seen before it is believed.
fn replace(
    path: &Path,
    document: &Characterisation,
    json: &JsonText<'_>,
    style: &report::Style,
) -> Result<(), Failure> {
    let old = match replaces(path) {
        true => fs::read(path).map_err(|error| failed(path, error))?,
        false => return write_by(path, |to| json.write_to(to)),
    };
    let name = path.display();
    if is_text_of(&old, json) {
        writeln!(anstream::stderr(), "{name}: the same as before")?;
        return Ok(());
    }
    let kept = previous(path);
    let told = match characterisation::read(&String::from_utf8_lossy(&old)) {
        Ok(old) => {
            let changes = characterisation::changes(&old, document);
            let what = match changes.same_injectors() {
                true => "corrected",
                false => "replaced; it was of other injectors",
            };
            let list = report::changes_text(&changes, style)?;
            format!(
                "{name} {what}; what stood there is kept as {}\n{list}",
                kept.display()
            )
        }
        Err(_) => format!(
            "{name} was no characterisation file of this version; it is kept as {}\n",
            kept.display()
        ),
    };
    write_whole(&kept, &old)?;
    write_by(path, |to| json.write_to(to))?;
    write!(anstream::stderr(), "{told}")?;
    Ok(())
}

/// Whether bytes are those of a text.
fn is_text_of(bytes: &[u8], json: &JsonText<'_>) -> bool {
    let mut rest = Rest(bytes);
    json.write_to(&mut rest).is_ok() && rest.0.is_empty()
}

/// What is left of bytes when the same is written; anything else is refused.
struct Rest<'a>(&'a [u8]);

impl Write for Rest<'_> {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        let rest = self.0.strip_prefix(bytes);
        self.0 = rest.ok_or(io::ErrorKind::InvalidData)?;
        Ok(bytes.len())
    }

    fn flush(&mut self) -> io::Result<()> {
        Ok(())
    }
}

/// `set.json` becomes `set.json.previous`.
fn previous(path: &Path) -> PathBuf {
    let mut name = path.as_os_str().to_owned();
    name.push(".previous");
    PathBuf::from(name)
}

pub(super) fn not_finite(error: NotFinite) -> Failure {
    Failure::other(error, "please report the capture that led here")
}

pub(super) fn fit_options(args: &ModelArgs) -> FitOptions {
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
