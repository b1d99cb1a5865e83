//! `map`: a mapping file for somebody else's layout.

use std::io::Write;
use std::path::{Path, PathBuf};

use clap::Args;

use super::files::{read_capture, refuse_existing, write_whole};
use super::{Failure, Outcome, print};
use crate::capture::{Proposal, propose};
use crate::finding::visible;

pub(super) const HELP: &str = "\
Examples:
  meniscus map --from odd.csv -o odd.map.toml       look at it, fill in what is asked
  meniscus check odd.csv --map odd.map.toml         read the file with it
  meniscus match odd.xlsx --map odd.map.toml --tolerance 2%

The mapping file goes to standard output or to -o; the first rows as understood are shown on
standard error. A unit that the sheet does not say is asked for in commented lines, never guessed.
Exit status 1: the file is written, and questions in it are open.";

/// Widest column of the rows that are shown.
const WIDEST: usize = 24;

/// Arguments of `map`.
#[derive(Debug, Args)]
pub struct MapArgs {
    /// The file in a foreign layout (CSV, .xlsx, .ods, .xls); `-` reads standard input
    #[arg(long, value_name = "FILE")]
    pub from: PathBuf,
    /// Sheet of a workbook; without this, the one with the most numbers
    #[arg(long, value_name = "NAME")]
    pub sheet: Option<String>,
    /// Write here; without this, to standard output
    #[arg(short, long, value_name = "FILE.toml")]
    pub output: Option<PathBuf>,
    /// Overwrite the output if it exists
    #[arg(long)]
    pub replace: bool,
}

/// Runs the command: exit status 1 where something is left to fill in.
pub(super) fn run(args: &MapArgs) -> Result<Outcome, Failure> {
    if let Some(path) = &args.output {
        refuse_existing(path, args.replace)?;
    }
    let mut file = read_capture(&args.from)?;
    if args.sheet.is_some() && !file.is_workbook() {
        return Err(Failure::other(
            "--sheet: the file is no workbook",
            "leave out --sheet; a text has no sheets",
        ));
    }
    file.sheet.clone_from(&args.sheet);
    let proposal = propose(&file).map_err(|fault| Failure::Faults(vec![*fault]))?;
    write!(anstream::stderr(), "{}", told(&proposal, &file.name))?;
    match &args.output {
        Some(path) => {
            write_whole(path, proposal.text.as_bytes())?;
            print(&next(&proposal, &args.from, path))?;
        }
        None => {
            print(&proposal.text)?;
        }
    }
    Ok(match proposal.questions.is_empty() {
        true => Outcome::Done,
        false => Outcome::CriterionFailed,
    })
}

/// The first rows as understood, what is not read and what is asked.
fn told(proposal: &Proposal, name: &str) -> String {
    let mut text = String::new();
    if !proposal.rows.is_empty() {
        text.push_str(&format!(
            "{}, the first rows as understood:\n",
            visible(name)
        ));
        text.push_str(&aligned(&proposal.names, &proposal.rows));
    }
    let list = |items: &[String]| {
        let shown: Vec<String> = items.iter().map(|item| visible(item)).collect();
        shown.join(", ")
    };
    if !proposal.other_sheets.is_empty() {
        let list = list(&proposal.other_sheets);
        text.push_str(&format!(
            "Other sheets with numbers, chosen with --sheet: {list}\n"
        ));
    }
    if !proposal.not_read.is_empty() {
        text.push_str(&format!("Not read: {}\n", list(&proposal.not_read)));
    }
    for question in &proposal.questions {
        text.push_str(&format!("To fill in: {}\n", visible(question)));
    }
    text
}

fn aligned(names: &[String], rows: &[Vec<String>]) -> String {
    let short = |cell: &String| {
        let cell = visible(cell);
        match cell.char_indices().nth(WIDEST) {
            Some((end, _)) => format!("{}…", &cell[..end]),
            None => cell,
        }
    };
    let lines = std::iter::once(names).chain(rows.iter().map(Vec::as_slice));
    let lines: Vec<Vec<String>> = lines.map(|line| line.iter().map(short).collect()).collect();
    let width = |column: usize| {
        let cells = lines.iter().filter_map(|line| line.get(column));
        cells.map(|cell| cell.chars().count()).max().unwrap_or(0)
    };
    let widths: Vec<usize> = (0..names.len()).map(width).collect();
    let mut text = String::new();
    for line in &lines {
        let cells: Vec<String> = line
            .iter()
            .zip(&widths)
            .map(|(cell, width)| format!("{cell:<width$}"))
            .collect();
        text.push_str(&format!("  {}\n", cells.join("  ").trim_end()));
    }
    text
}

/// What to do with the file.
fn next(proposal: &Proposal, from: &Path, path: &Path) -> String {
    let (from, path) = (from.display(), path.display());
    let check = format!("`meniscus check {from} --map {path}`");
    match proposal.questions.len() {
        0 => format!("{path} written\nNext: {check}\n"),
        1 => format!(
            "{path} written; 1 question in it is open\nNext: answer it there, then {check}\n"
        ),
        n => format!(
            "{path} written; {n} questions in it are open\nNext: answer them there, then {check}\n"
        ),
    }
}
