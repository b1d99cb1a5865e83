//! `check`: only read and check.

use serde_json::json;

use super::args::CheckArgs;
use super::files::{Input, read_input};
use super::{Failure, Outcome, print};
use crate::capture::check_captures;
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
        let files: Vec<_> = checked
            .sources
            .iter()
            .map(|s| json!({"name": s.name, "rows": s.rows, "rows_used": s.rows_used}))
            .collect();
        let object =
            json!({"files": files, "errors": checked.faults, "findings": checked.findings});
        print(&format!("{object:#}\n"))?;
    } else {
        print(&report::check_text(
            &checked.sources,
            &checked.findings,
            &super::style(),
        ))?;
    }
    if checked.faults.is_empty() {
        Ok(Outcome::Done)
    } else {
        Err(Failure::Faults(checked.faults))
    }
}
