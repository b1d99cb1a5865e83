//! Why a command could not do its work: told on stderr in words, and with `--json`
//! on stdout as one object.

use std::io::{self, Write};
use std::path::Path;
use std::process::ExitCode;

use clap::error::{ContextKind, ContextValue, ErrorKind};
use serde_json::json;

use crate::capture::{Fault, fault_lines};
use crate::finding::visible_lines;

/// Why a command could not do its work; shown on stderr.
#[derive(Debug, thiserror::Error)]
pub(super) enum Failure {
    /// Faults in the input, each shown on its own lines.
    #[error("{}", list_faults(.0))]
    Faults(Vec<Fault>),
    /// Faults in the input that are on stdout as JSON already.
    #[error("{}", list_faults(.0))]
    Printed(Vec<Fault>),
    /// Faults in a stream whose first lines may have been written.
    #[error("{}", list_stream_faults(faults, *written))]
    FaultyStream {
        /// The faults.
        faults: Vec<Fault>,
        /// Lines written before.
        written: u64,
    },
    /// A file could not be read or written.
    #[error("{path}: {}{}", system_words(.error), hint_line(.error))]
    File {
        /// Path as given.
        path: String,
        /// What the system says.
        error: io::Error,
    },
    /// Standard output is gone, or full.
    #[error("standard output: {}{}", system_words(.0), hint_line(.0))]
    Output(#[from] io::Error),
    /// The report cannot be written as asked.
    #[error(transparent)]
    Report(#[from] crate::report::ReportError),
    /// Anything else, with what to do about it.
    #[error("{what}\nhint: {hint}")]
    Other {
        /// What is wrong.
        what: String,
        /// What to do.
        hint: String,
    },
}

impl Failure {
    pub(super) fn other(what: impl ToString, hint: &str) -> Self {
        Self::Other {
            what: what.to_string(),
            hint: hint.to_owned(),
        }
    }

    fn faults(&self) -> &[Fault] {
        match self {
            Self::Faults(faults) | Self::Printed(faults) | Self::FaultyStream { faults, .. } => {
                faults
            }
            _ => &[],
        }
    }
}

/// Faults are told up to this many; the count says the rest.
const FAULTS_SHOWN: usize = 50;

fn list_faults(faults: &[Fault]) -> String {
    format!(
        "{}{}; nothing was fitted and nothing written",
        fault_lines(faults, FAULTS_SHOWN),
        count(faults)
    )
}

fn list_stream_faults(faults: &[Fault], written: u64) -> String {
    let list = fault_lines(faults, FAULTS_SHOWN);
    let lines = if written == 1 { "line" } else { "lines" };
    format!("{list}reading ended there; {written} {lines} written before")
}

fn count(faults: &[Fault]) -> String {
    let word = if faults.len() == 1 { "fault" } else { "faults" };
    format!("{} {word}", faults.len())
}

/// Tells a failure and gives the exit status: words on stderr; with `--json` also
/// one object on stdout, so that a program never reads an empty stream.
pub(super) fn tell(failure: &Failure, as_json: bool) -> ExitCode {
    // Nothing can be done about a stderr or stdout that is gone.
    let words = visible_lines(&failure.to_string());
    let _ = writeln!(anstream::stderr(), "error: {words}");
    if as_json && !matches!(failure, Failure::Printed(_) | Failure::Output(_)) {
        let (error, hint) = match failure {
            Failure::Faults(faults) => (count(faults), None),
            other => split_hint(&other.to_string()),
        };
        print_error(&error, hint.as_deref(), failure.faults());
    }
    ExitCode::from(2)
}

fn print_error(error: &str, hint: Option<&str>, faults: &[Fault]) {
    let object = json!({ "error": error, "hint": hint, "faults": faults });
    let _ = super::print_data(&format!("{object:#}\n"));
}

fn split_hint(words: &str) -> (String, Option<String>) {
    match words.split_once("\nhint: ") {
        Some((what, hint)) => (what.to_owned(), Some(hint.to_owned())),
        None => (words.to_owned(), None),
    }
}

/// Tells what was typed wrongly; help and version are shown as asked.
pub(super) fn usage(error: &clap::Error) -> ExitCode {
    if !error.use_stderr() {
        let _ = error.print();
        return ExitCode::SUCCESS;
    }
    let words = match negative_value(error) {
        Some(words) => {
            let _ = writeln!(anstream::stderr(), "error: {words}");
            words
        }
        None => {
            let _ = error.print();
            error.to_string()
        }
    };
    // What was typed is not understood as a whole, so this is looked for by hand.
    if std::env::args_os().any(|argument| argument == "--json") {
        let what = words.trim_start_matches("error: ");
        let (what, hint) = split_hint(what.trim_end());
        print_error(&what, hint.as_deref(), &[]);
    }
    ExitCode::from(2)
}

/// `--option -3` is taken for an option named -3; the advice to write `-- -3` would mislead.
fn negative_value(error: &clap::Error) -> Option<String> {
    if error.kind() != ErrorKind::UnknownArgument {
        return None;
    }
    let Some(ContextValue::String(argument)) = error.get(ContextKind::InvalidArg) else {
        return None;
    };
    let typed: Vec<String> = std::env::args_os()
        .map(|a| a.to_string_lossy().into_owned())
        .collect();
    let at = typed
        .iter()
        .position(|t| t.starts_with(argument.as_str()))?;
    let value = &typed[at];
    let number = value.strip_prefix('-')?;
    if !number.starts_with(|c: char| c.is_ascii_digit() || c == '.') {
        return None;
    }
    let option = at
        .checked_sub(1)
        .map(|before| typed[before].as_str())
        .filter(|before| before.starts_with("--"))
        .unwrap_or("--option");
    Some(format!(
        "`{value}` is taken for an option\nhint: a value below zero follows an equals sign: {option}={value}"
    ))
}

/// What the system says, in plain words where it is common.
pub(super) fn system_words(error: &io::Error) -> String {
    match error.kind() {
        io::ErrorKind::NotFound => "no such file or folder".to_owned(),
        io::ErrorKind::PermissionDenied => "permission denied".to_owned(),
        io::ErrorKind::IsADirectory => "this is a folder".to_owned(),
        io::ErrorKind::NotADirectory => "a part of the path is no folder".to_owned(),
        io::ErrorKind::StorageFull => "no room left on the disk".to_owned(),
        io::ErrorKind::InvalidData => "not text in UTF-8".to_owned(),
        io::ErrorKind::AlreadyExists => "a file of this name is in the way".to_owned(),
        _ => {
            let words = error.to_string();
            let number = words.find(" (os error").unwrap_or(words.len());
            words[..number].to_owned()
        }
    }
}

/// What can be done about it.
pub(super) fn system_hint(error: &io::Error) -> Option<&'static str> {
    Some(match error.kind() {
        io::ErrorKind::NotFound => "look at the spelling; a folder to write to must exist",
        io::ErrorKind::PermissionDenied | io::ErrorKind::ReadOnlyFilesystem => {
            "look at the permissions of the file and its folder, or choose another folder"
        }
        io::ErrorKind::IsADirectory | io::ErrorKind::NotADirectory => {
            "give the file itself, as folder/run.csv"
        }
        io::ErrorKind::StorageFull | io::ErrorKind::QuotaExceeded | io::ErrorKind::FileTooLarge => {
            "make room and run again; a file that was there before is still whole"
        }
        io::ErrorKind::AlreadyExists => "choose another name, or move the file away",
        io::ErrorKind::InvalidData => "save the file as UTF-8",
        _ => return None,
    })
}

fn hint_line(error: &io::Error) -> String {
    system_hint(error).map_or_else(String::new, |hint| format!("\nhint: {hint}"))
}

/// A file that cannot be read as a fault, beside those of other files.
pub(super) fn unreadable(path: &Path, error: &io::Error, expected: &str) -> Fault {
    Fault::unreadable(
        &path.display().to_string(),
        system_words(error),
        expected,
        system_hint(error),
    )
}
