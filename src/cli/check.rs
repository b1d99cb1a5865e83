//! `check`: only read and check.

use super::args::CheckArgs;
use super::files::{Input, read_input};
use super::{Failure, Outcome, print, print_json};
use crate::capture::{Capture, check_captures};
use crate::report;

/// Runs the command: exit status 2 where there is a fault.
pub(super) fn run(args: &CheckArgs) -> Result<Outcome, Failure> {
    let Input {
        files,
        bench,
        set_points,
    } = read_input(&args.input)?;
    let checked = check_captures(&files, bench, set_points);
    if args.json {
        print_json(&checked.report())?;
    } else {
        let Capture {
            sources, findings, ..
        } = &checked.capture;
        print(&report::check_text(sources, findings, &super::style()))?;
    }
    if checked.faults.is_empty() {
        Ok(Outcome::Done)
    } else {
        Err(Failure::Faults(checked.faults))
    }
}
