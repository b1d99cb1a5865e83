//! `match`: is the set alike? From captures or characterisation files.

use super::args::MatchArgs;
use super::files::{Input, read_document, read_input};
use super::fit::{criterion, match_outcome};
use super::{Failure, Outcome, print, print_json};
use crate::capture::CaptureFile;
use crate::characterisation::Characterisation;
use crate::fit::FitOptions;
use crate::matching::Criterion;
use crate::{Request, characterise, match_documents, report};

/// Runs the command.
pub(super) fn run(args: &MatchArgs) -> Result<Outcome, Failure> {
    let documents = documents(read_input(&args.input)?)?;
    let set = match_documents(&documents, &args.set.at, criterion(&args.set)).ok_or_else(|| {
        Failure::other(
            "nothing to compare: fewer than two injectors were measured at a common operating point",
            "give a capture or files of at least two injectors, or state --at within what was measured",
        )
    })?;
    if args.json {
        print_json(&set)?;
    } else {
        print(&report::set_text(&set, &super::style()))?;
    }
    Ok(match_outcome(Some(&set)))
}

/// Characterisation files as they are; captures fitted first.
pub(super) fn documents(input: Input) -> Result<Vec<Characterisation>, Failure> {
    let (files, captures): (Vec<_>, Vec<_>) =
        input.files.into_iter().partition(CaptureFile::is_document);
    for (at, file) in files.iter().enumerate() {
        if let Some(first) = files[..at].iter().find(|f| f.bytes == file.bytes) {
            return Err(Failure::other(
                format!("{}: the same bytes as {}", file.name, first.name),
                "give each file once",
            ));
        }
    }
    let mut documents = Vec::new();
    for file in files {
        let document = read_document(&file.name, &file.bytes)?;
        documents.push(document);
    }
    if !captures.is_empty() {
        let request = Request {
            fit: FitOptions::default(),
            points: Vec::new(),
            criterion: Criterion::NONE,
        };
        let document = characterise(&captures, input.bench, input.set_points, &request)
            .map_err(Failure::Faults)?;
        documents.push(document);
    }
    Ok(documents)
}
