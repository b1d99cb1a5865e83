//! `report`: one HTML file from the characterisation file alone.

use std::fs;
use std::path::Path;

use super::args::{ReportArgs, SheetArgs};
use super::files::{failed, read_bytes, read_document, write_whole};
use super::{Failure, Outcome, print};
use crate::report::{self, Form, JobSheet, LARGEST_LOGO, Logo, Sheet};

pub(super) const HELP: &str = "\
Examples:
  meniscus report run.json -o report.html
  meniscus report run.json -o report.html --short --pressure 3.5bar
  meniscus report run.json -o report.html --locale de --reference 'job 118' --logo shop.png

The page needs nothing beside it and sends nothing anywhere. Print it from the browser for a PDF.";

/// Runs the command.
pub(super) fn run(args: &ReportArgs) -> Result<Outcome, Failure> {
    let bytes = read_bytes(&args.file).map_err(|error| failed(&args.file, error))?;
    let document = read_document(&args.file.display().to_string(), &bytes)?;
    let style = report::Style {
        flow_unit: args.units,
        locale: args.sheet.locale,
        ..super::style()
    };
    let page = report::html(&document, &style, &sheet(args)?)?;
    match &args.output {
        Some(path) => {
            guard(path, args)?;
            write_whole(path, page.as_bytes()).map(|()| Outcome::Done)
        }
        None => print(&page),
    }
}

/// Refuses to write the report over what it is made from.
fn guard(output: &Path, args: &ReportArgs) -> Result<(), Failure> {
    let real = |path: &Path| path.canonicalize().unwrap_or_else(|_| path.to_owned());
    let mut inputs = [Some(&args.file), args.sheet.logo.as_ref()]
        .into_iter()
        .flatten();
    if inputs.any(|input| real(input) == real(output)) {
        return Err(Failure::other(
            format!("{}: this output is one of the inputs", output.display()),
            "choose another name for the report",
        ));
    }
    Ok(())
}

/// Form, pressure and job sheet as asked.
fn sheet(args: &ReportArgs) -> Result<Sheet, Failure> {
    let asked: &SheetArgs = &args.sheet;
    let logo = asked.logo.as_deref().map(logo).transpose()?;
    Ok(Sheet {
        form: if asked.short { Form::Short } else { Form::Full },
        pressure_kpa: args.pressure,
        job: JobSheet {
            reference: asked.reference.clone(),
            parts: asked.parts.clone(),
            technician: asked.technician.clone(),
            date: asked.date.clone(),
            shop: asked.shop.clone(),
            logo,
        },
    })
}

/// Reads and checks a logo; of a file that is too large no more than to know it.
fn logo(path: &Path) -> Result<Logo, Failure> {
    use std::io::Read;
    let mut bytes = Vec::new();
    let limit = u64::try_from(LARGEST_LOGO).expect("the limit is small") + 1;
    fs::File::open(path)
        .and_then(|file| file.take(limit).read_to_end(&mut bytes))
        .map_err(|error| failed(path, error))?;
    Logo::read(&bytes).map_err(|error| {
        let said = error.to_string();
        let (what, hint) = said.split_once("\nhint: ").unwrap_or((&said, ""));
        Failure::other(format!("{}: {what}", path.display()), hint)
    })
}
