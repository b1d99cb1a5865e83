//! `sheet`: a blank capture to write on.

use std::io::{IsTerminal, stdout};
use std::path::{Path, PathBuf};

use clap::{Args, ValueEnum};

use super::args::positive;
use super::files::{refuse_existing, write_whole};
use super::{Failure, Outcome, line, print, print_bytes};
use crate::sheet::{Beside, Dialect, EveryOne, Layout, ReadingUnit, Run, csv, page, workbook};
use crate::table::parse_axis;
use crate::units::Quantity;

pub(super) const HELP: &str = "\
Examples:
  meniscus sheet --injectors 4 --widths 4ms --pulses 5000 --repeats 3 -o today.csv
  meniscus sheet --injectors A1,A2,A3,A4 --widths 1.5,2,3,5,8ms --pulses 8000,6000,4000,2400,1500 \\
           --voltage 12,14 --pressure 3bar --period 20ms --repeats 2 -o run.xlsx
  meniscus sheet --injectors 8 --widths 2,4ms --pulses 5000 --wide -o run.html    to print

Filled in, the CSV file or the workbook is a capture. The page is for a pen; its rows are those of
the CSV file that the same options make.";

/// Arguments of `sheet`.
#[derive(Debug, Args)]
pub struct SheetArgs {
    /// Injector ids, as A1,A2,A3; or how many, to call them 1, 2, 3
    #[arg(long, required = true, value_name = "A1,A2|6")]
    pub injectors: String,
    /// Pulse widths, in this order; every second repeat runs them backwards
    #[arg(long, required = true, value_parser = widths, value_name = "2,4,8ms")]
    pub widths: List,
    /// Pulses of each train: one number, or one for each width
    #[arg(long, required = true, value_delimiter = ',', value_name = "5000")]
    pub pulses: Vec<u64>,
    /// Supply voltages
    #[arg(long, value_parser = voltages, value_name = "12,14")]
    pub voltage: Option<List>,
    /// Differential pressures
    #[arg(long, value_parser = pressures, value_name = "300kPa")]
    pub pressure: Option<List>,
    /// Period of the trains
    #[arg(long, value_parser = period, value_name = "20ms")]
    pub period: Option<f64>,
    /// How often each reading is made
    #[arg(long, default_value_t = 1, value_parser = clap::value_parser!(u64).range(1..=1000))]
    pub repeats: u64,
    /// Vessels, one for each injector, named as in the bench file
    #[arg(long, value_delimiter = ',', value_name = "C1,C2")]
    pub vessels: Vec<String>,
    /// Stage
    #[arg(long, value_name = "as_received")]
    pub stage: Option<String>,
    /// Unit in which readings are written
    #[arg(long, value_parser = reading_unit, default_value = "ml", value_name = "ml|cc|ul|mm3|g|mg")]
    pub reading: ReadingUnit,
    /// A box for what stands in the vessel before each train, too
    #[arg(long)]
    pub start: bool,
    /// Boxes for voltage and pressure as measured
    #[arg(long)]
    pub measured: bool,
    /// A row for each train and a column for each injector, for a bench that fires several at once
    #[arg(long)]
    pub wide: bool,
    /// Heading of the sheet
    #[arg(long, default_value = "Readings of a flow bench", value_name = "TEXT")]
    pub title: String,
    /// Semicolons and decimal commas in CSV, as spreadsheets of many countries write it
    #[arg(long)]
    pub decimal_comma: bool,
    /// Write here; without this, to standard output
    #[arg(short, long, value_name = "FILE.csv|.xlsx|.html")]
    pub output: Option<PathBuf>,
    /// Format; without this, by the ending of the output's name
    #[arg(long, value_enum)]
    pub format: Option<Format>,
    /// Overwrite the output if it exists
    #[arg(long)]
    pub replace: bool,
}

/// What the sheet is written as.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum Format {
    /// CSV
    Csv,
    /// Workbook
    Xlsx,
    /// Page to print
    Html,
}

/// Values of an option that takes a list.
#[derive(Debug, Clone, PartialEq)]
pub struct List(pub Vec<f64>);

fn list(kind: Quantity, text: &str) -> Result<List, String> {
    let values = parse_axis(kind, text).map_err(|e| e.to_string())?;
    if values.iter().all(|x| *x > 0.0) {
        Ok(List(values))
    } else {
        Err(format!("`{text}` must be above zero"))
    }
}

fn widths(text: &str) -> Result<List, String> {
    list(Quantity::Time, text)
}

fn voltages(text: &str) -> Result<List, String> {
    list(Quantity::Voltage, text)
}

fn pressures(text: &str) -> Result<List, String> {
    list(Quantity::Pressure, text)
}

fn period(text: &str) -> Result<f64, String> {
    positive(Quantity::Time, text)
}

fn reading_unit(text: &str) -> Result<ReadingUnit, String> {
    let wanted = text.to_lowercase();
    let found = ReadingUnit::ALL.iter().find(|(word, _)| *word == wanted);
    found.map(|(_, unit)| *unit).ok_or_else(|| {
        let words: Vec<_> = ReadingUnit::ALL.iter().map(|(word, _)| *word).collect();
        format!("`{text}`: write one of {}", words.join(", "))
    })
}

/// Runs the command.
pub(super) fn run(args: &SheetArgs) -> Result<Outcome, Failure> {
    let format = format(args)?;
    if let Some(path) = &args.output {
        refuse_existing(path, args.replace)?;
    }
    let run = planned(args)?;
    let layout = if args.wide {
        Layout::Wide
    } else {
        Layout::Long
    };
    let bytes = written(&run, layout, format, args.decimal_comma)?;
    match &args.output {
        Some(path) => {
            write_whole(path, &bytes)?;
            print(&next(&run, path, format))
        }
        None if format == Format::Xlsx && stdout().is_terminal() => Err(Failure::other(
            "a workbook is nothing for a terminal",
            "write it to a file with -o FILE.xlsx",
        )),
        None => print_bytes(&bytes),
    }
}

/// The sheet as bytes of a file.
pub(super) fn written(
    run: &Run,
    layout: Layout,
    format: Format,
    decimal_comma: bool,
) -> Result<Vec<u8>, Failure> {
    let dialect = if decimal_comma {
        Dialect::Semicolon
    } else {
        Dialect::Comma
    };
    let bytes = match format {
        Format::Csv => csv(run, layout, dialect).map(String::into_bytes),
        Format::Xlsx => workbook(run, layout),
        Format::Html => page(run, layout).map(String::into_bytes),
    };
    bytes.map_err(|e| {
        Failure::other(
            e,
            "widths must fit into the period, and each injector is named once",
        )
    })
}

fn format(args: &SheetArgs) -> Result<Format, Failure> {
    let by_name = match &args.output {
        None => Some(Format::Csv),
        Some(path) => of_name(path),
    };
    args.format.or(by_name).ok_or_else(|| {
        Failure::other(
            "the name of the output does not say in which format to write",
            "end it with .csv, .xlsx or .html, or state --format",
        )
    })
}

/// The format that the ending of a name stands for.
pub(super) fn of_name(path: &Path) -> Option<Format> {
    let ending = path.extension()?.to_string_lossy().to_lowercase();
    match ending.as_str() {
        "csv" | "txt" => Some(Format::Csv),
        "xlsx" => Some(Format::Xlsx),
        "html" | "htm" => Some(Format::Html),
        _ => None,
    }
}

/// The run that the options describe.
fn planned(args: &SheetArgs) -> Result<Run, Failure> {
    let injectors = injectors(&args.injectors)?;
    let widths = &args.widths.0;
    let pulses: Vec<u64> = match args.pulses[..] {
        [one] => vec![one; widths.len()],
        ref several if several.len() == widths.len() => several.to_vec(),
        ref several => {
            return Err(Failure::other(
                format!(
                    "{} counts of pulses for {} pulse widths",
                    several.len(),
                    widths.len()
                ),
                "state one count for all widths, or one for each",
            ));
        }
    };
    if !(args.vessels.is_empty() || args.vessels.len() == injectors.len()) {
        return Err(Failure::other(
            format!(
                "{} vessels for {} injectors",
                args.vessels.len(),
                injectors.len()
            ),
            "state one vessel for each injector, or none",
        ));
    }
    let all = |list: &Option<List>| list.as_ref().map_or(Vec::new(), |l| l.0.clone());
    let rows = EveryOne {
        injectors,
        vessels: args.vessels.iter().map(|v| v.trim().to_owned()).collect(),
        stage: args.stage.clone(),
        voltages_v: all(&args.voltage),
        pressures_kpa: all(&args.pressure),
        widths: widths.iter().copied().zip(pulses).collect(),
        period_ms: args.period,
        repeats: args.repeats,
    }
    .readings();
    Ok(Run {
        title: args.title.clone(),
        rows,
        unit: args.reading,
        beside: Beside {
            start: args.start,
            temperature: true,
            voltage: args.measured,
            pressure: args.measured,
        },
        remarks: Vec::new(),
    })
}

/// Most injectors that a bare number stands for; more is a serial number.
const MOST_UNNAMED: usize = 64;

fn injectors(text: &str) -> Result<Vec<String>, Failure> {
    let ids: Vec<String> = text.split(',').map(|id| id.trim().to_owned()).collect();
    if let [one] = &ids[..]
        && let Ok(count) = one.parse::<usize>()
    {
        return match count {
            1..=MOST_UNNAMED => Ok((1..=count).map(|n| n.to_string()).collect()),
            _ => Err(Failure::other(
                format!("`{one}` is not a number of injectors from 1 to {MOST_UNNAMED}"),
                "a serial number by itself is written with a comma after it, as 0417,",
            )),
        };
    }
    let named: Vec<String> = ids.into_iter().filter(|id| !id.is_empty()).collect();
    match named.is_empty() {
        true => Err(Failure::other(
            "no injector is named",
            "write --injectors A1,A2,A3, or how many there are",
        )),
        false => Ok(named),
    }
}

/// What was written, and what to do with it.
fn next(run: &Run, path: &Path, format: Format) -> String {
    let shown = path.display();
    let count = run.rows.len();
    let readings = if count == 1 { "reading" } else { "readings" };
    let then = match format {
        Format::Html => {
            "print it; what is written by hand is typed into the CSV file of the same options"
                .to_owned()
        }
        _ => format!("fill it in, then `meniscus check {shown}`"),
    };
    let mut text = String::new();
    line(
        &mut text,
        format_args!("{shown}: {count} {readings} to make"),
    );
    line(&mut text, format_args!("Next: {then}"));
    text
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_bare_number_counts_injectors_and_a_comma_makes_it_a_serial_number() {
        assert_eq!(injectors("3").unwrap(), ["1", "2", "3"]);
        assert_eq!(injectors("0417,").unwrap(), ["0417"]);
        assert_eq!(injectors("0417, 0412").unwrap(), ["0417", "0412"]);
        assert!(injectors("0417").is_err());
        assert!(injectors("0").is_err());
        assert!(injectors(",").is_err());
    }
}
