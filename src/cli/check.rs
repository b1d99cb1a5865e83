//! `check`: only read and check.

use super::args::CheckArgs;
use super::files::{Input, read_what_can_be};
use super::{Failure, Outcome, print, print_json};
use crate::capture::{Capture, check_captures};
use crate::report;

/// Runs the command: exit status 2 where there is a fault. A file that cannot be read
/// is a fault beside those of the others.
pub(super) fn run(args: &CheckArgs) -> Result<Outcome, Failure> {
    let (input, mut faults) = read_what_can_be(&args.input)?;
    let Input {
        files,
        bench,
        set_points,
    } = input;
    let mut checked = check_captures(&files, bench, set_points);
    faults.append(&mut checked.faults);
    checked.faults = faults;
    if args.json {
        print_json(&checked.report())?;
    } else {
        let Capture {
            sources, findings, ..
        } = &checked.capture;
        print(&report::check_text(sources, findings, &super::style()))?;
    }
    match (checked.faults.is_empty(), args.json) {
        (true, _) => Ok(Outcome::Done),
        (false, true) => Err(Failure::Printed(checked.faults)),
        (false, false) => Err(Failure::Faults(checked.faults)),
    }
}
