//! The command line: arguments, streams, files, exit status. It knows no
//! formula and nothing that a user of the library would also need.

mod args;
mod check;
mod compare;
mod demand;
mod failure;
mod files;
mod fit;
mod interrupt;
mod lines;
mod map;
mod pick;
mod place;
mod plan;
mod progress;
mod report;
mod set;
mod setup;
mod sheet;
mod stock;
mod table;

use std::io::{self, IsTerminal, Write};
use std::process::ExitCode;

use clap::{CommandFactory, Parser};

use crate::finding::{visible, visible_lines};
use args::{Cli, Command};
use failure::Failure;

/// How a command ended.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Outcome {
    /// Done.
    Done,
    /// Done, but a criterion that was asked for failed or is undecided.
    CriterionFailed,
}

/// Runs the command line and returns the exit status.
pub fn run() -> ExitCode {
    quiet_workbook_readers();
    let cli = match Cli::try_parse() {
        Ok(cli) => cli,
        Err(error) => return failure::usage(&error),
    };
    match dispatch(&cli.command) {
        Ok(Outcome::Done) => ExitCode::SUCCESS,
        Ok(Outcome::CriterionFailed) => ExitCode::from(1),
        // Whoever closed the pipe has seen enough: a normal end.
        Err(Failure::Output(error)) if error.kind() == io::ErrorKind::BrokenPipe => {
            ExitCode::SUCCESS
        }
        Err(failure) => failure::tell(&failure, cli.command.wants_json()),
    }
}

/// A panic over a damaged workbook becomes a fault; its own message would only confuse.
fn quiet_workbook_readers() {
    let usual = std::panic::take_hook();
    std::panic::set_hook(Box::new(move |panic| {
        let inside = panic.location().map_or("", |at| at.file());
        if !inside.contains("calamine") {
            usual(panic);
        }
    }));
}

/// The thread that runs a command is one of those that share its work, instead of waiting for
/// them: one thread less to start, and one less to wake.
fn join_the_workers() {
    let workers = rayon::ThreadPoolBuilder::new().use_current_thread();
    // Where no thread can be started, this one works alone.
    let _ = workers.build_global();
}

fn dispatch(command: &Command) -> Result<Outcome, Failure> {
    if command.shares_work() {
        join_the_workers();
    }
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
        Command::Map(args) => map::run(args),
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
    print_data(&json_text(value)?)
}

/// JSON or CSV to stdout.
fn print_data(text: &str) -> Result<Outcome, Failure> {
    let mut out = Data::stdout();
    out.write_all(text.as_bytes())?;
    out.flush()?;
    Ok(Outcome::Done)
}

/// Stdout for data: as it is for a program, with controls shown where a person reads it. What is
/// written at once is to be whole in its characters.
struct Data<W> {
    out: W,
    terminal: bool,
}

impl Data<io::StdoutLock<'static>> {
    fn stdout() -> Self {
        Self {
            terminal: io::stdout().is_terminal(),
            out: io::stdout().lock(),
        }
    }
}

impl<W: Write> Write for Data<W> {
    fn write(&mut self, lines: &[u8]) -> io::Result<usize> {
        if !self.terminal {
            return self.out.write(lines);
        }
        let text = String::from_utf8_lossy(lines);
        self.out.write_all(visible_lines(&text).as_bytes())?;
        Ok(lines.len())
    }

    fn flush(&mut self) -> io::Result<()> {
        self.out.flush()
    }
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

/// Adds a line to a text: whatever stands in it stays one line and commands no terminal.
fn line(text: &mut String, words: impl std::fmt::Display) {
    text.push_str(&visible(&words.to_string()));
    text.push('\n');
}

/// Width and colour of the terminal: `COLUMNS` where it is set, else what the terminal says,
/// else 100 columns.
fn style() -> crate::report::Style {
    let width = std::env::var("COLUMNS")
        .ok()
        .and_then(|columns| columns.trim().parse().ok())
        .filter(|columns| (1..=u16::MAX.into()).contains(columns))
        .or_else(|| terminal_size::terminal_size().map(|(w, _)| usize::from(w.0)))
        .unwrap_or(100);
    let colour = anstream::AutoStream::choice(&io::stdout()) != anstream::ColorChoice::Never;
    crate::report::Style {
        width,
        colour,
        flow_unit: None,
        density: None,
        locale: crate::words::Locale::default(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn data_is_whole_for_a_program_and_harmless_on_a_terminal() {
        let written = |terminal| {
            let mut data = Data {
                out: Vec::new(),
                terminal,
            };
            data.write_all("{\"a\":\"\u{9b}31m\"}\n{\"a\":\"\u{202e}\"}\n".as_bytes())
                .unwrap();
            String::from_utf8(data.out).unwrap()
        };
        assert_eq!(
            written(false),
            "{\"a\":\"\u{9b}31m\"}\n{\"a\":\"\u{202e}\"}\n"
        );
        assert_eq!(
            written(true),
            "{\"a\":\"\\u{9b}31m\"}\n{\"a\":\"\\u{202e}\"}\n"
        );
    }
}
