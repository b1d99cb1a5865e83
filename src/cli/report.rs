//! `report`: one HTML file from the characterisation file alone.

use super::args::ReportArgs;
use super::files::{failed, read_bytes, read_document, write_whole};
use super::{Failure, Outcome, print};
use crate::report;

/// Runs the command.
pub(super) fn run(args: &ReportArgs) -> Result<Outcome, Failure> {
    let bytes = read_bytes(&args.file).map_err(|error| failed(&args.file, error))?;
    let document = read_document(&args.file.display().to_string(), &bytes)?;
    let style = report::Style {
        flow_unit: args.units,
        ..super::style()
    };
    let page = report::html(&document, &style)?;
    match &args.output {
        Some(path) => write_whole(path, page.as_bytes()).map(|()| Outcome::Done),
        None => print(&page),
    }
}
