//! The command line: arguments, streams, files, exit status. It knows no
//! formula and nothing that a user of the library would also need.

mod args;
mod check;
mod compare;
mod demand;
mod files;
mod fit;
mod lines;
mod pick;
mod place;
mod plan;
mod report;
mod set;
mod setup;
mod sheet;
mod stock;
mod table;

use std::io::{self, Write};
use std::process::ExitCode;

use clap::{CommandFactory, Parser};

use args::{Cli, Command};

use crate::capture::fault_lines;

/// How a command ended.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Outcome {
    /// Done.
    Done,
    /// Done, but a criterion that was asked for failed or is undecided.
    CriterionFailed,
}

/// Why a command could not do its work; shown on stderr.
#[derive(Debug, thiserror::Error)]
enum Failure {
    /// Faults in the input, each shown on its own lines.
    #[error("{}", list_faults(.0))]
    Faults(Vec<crate::capture::Fault>),
    /// Faults in a stream whose first lines may have been written.
    #[error("{}", list_stream_faults(faults, *written))]
    FaultyStream {
        /// The faults.
        faults: Vec<crate::capture::Fault>,
        /// Lines written before.
        written: u64,
    },
    /// A file could not be read or written.
    #[error("{path}: {error}")]
    File {
        /// Path as given.
        path: String,
        /// What the system says.
        error: io::Error,
    },
    /// Standard output is gone, or full.
    #[error("standard output: {0}")]
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
    fn other(what: impl ToString, hint: &str) -> Self {
        Self::Other {
            what: what.to_string(),
            hint: hint.to_owned(),
        }
    }
}

/// Faults are told up to this many; the count says the rest.
const FAULTS_SHOWN: usize = 50;

fn list_faults(faults: &[crate::capture::Fault]) -> String {
    let count = faults.len();
    let word = if count == 1 { "fault" } else { "faults" };
    let list = fault_lines(faults, FAULTS_SHOWN);
    format!("{list}{count} {word}; nothing was fitted and nothing written")
}

fn list_stream_faults(faults: &[crate::capture::Fault], written: u64) -> String {
    let list = fault_lines(faults, FAULTS_SHOWN);
    let lines = if written == 1 { "line" } else { "lines" };
    format!("{list}reading ended there; {written} {lines} written before")
}

/// Runs the command line and returns the exit status.
pub fn run() -> ExitCode {
    let cli = Cli::parse();
    match dispatch(&cli.command) {
        Ok(Outcome::Done) => ExitCode::SUCCESS,
        Ok(Outcome::CriterionFailed) => ExitCode::from(1),
        // Whoever closed the pipe has seen enough: a normal end.
        Err(Failure::Output(error)) if error.kind() == io::ErrorKind::BrokenPipe => {
            ExitCode::SUCCESS
        }
        Err(failure) => {
            // Nothing can be done about a stderr that is gone.
            let _ = writeln!(anstream::stderr(), "error: {failure}");
            ExitCode::from(2)
        }
    }
}

fn dispatch(command: &Command) -> Result<Outcome, Failure> {
    match command {
        Command::Fit(args) => fit::run(args),
        Command::Check(args) => check::run(args),
        Command::Match(args) => set::run(args),
        Command::Pick(args) => pick::run(args),
        Command::Compare(args) => compare::run(args),
        Command::Place(args) => place::run(args),
        Command::Report(args) => report::run(args),
        Command::Table(args) => table::run(args),
        Command::Demand(args) => demand::run(args),
        Command::Plan(args) => plan::run(args),
        Command::Setup(args) => setup::run(args),
        Command::Sheet(args) => sheet::run(args),
        Command::Schema => {
            let schema = crate::characterisation::json_schema();
            print(&format!("{schema:#}\n"))
        }
        Command::Completions { shell } => {
            let mut script = Vec::new();
            clap_complete::generate(*shell, &mut Cli::command(), "meniscus", &mut script);
            print_bytes(&script)
        }
        Command::Man => {
            let mut page = Vec::new();
            clap_mangen::Man::new(Cli::command()).render(&mut page)?;
            print_bytes(&page)
        }
    }
}

/// One JSON object to stdout and nothing else.
fn print_json(value: &impl serde::Serialize) -> Result<Outcome, Failure> {
    print(&json_text(value)?)
}

/// Indented JSON with a final newline.
fn json_text(value: &impl serde::Serialize) -> Result<String, Failure> {
    let json = serde_json::to_string_pretty(value)
        .map_err(|e| Failure::other(e, "please report the file that led here"))?;
    Ok(format!("{json}\n"))
}

/// Data to stdout.
fn print(text: &str) -> Result<Outcome, Failure> {
    print_bytes(text.as_bytes())
}

fn print_bytes(bytes: &[u8]) -> Result<Outcome, Failure> {
    let mut out = io::stdout().lock();
    out.write_all(bytes)?;
    out.flush()?;
    Ok(Outcome::Done)
}

/// Width and colour of the terminal; plain 100 columns where there is none.
fn style() -> crate::report::Style {
    let width = terminal_size::terminal_size().map_or(100, |(w, _)| usize::from(w.0));
    let colour = anstream::AutoStream::choice(&io::stdout()) != anstream::ColorChoice::Never;
    crate::report::Style {
        width,
        colour,
        flow_unit: None,
        density: None,
    }
}
