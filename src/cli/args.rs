//! Arguments as typed. What they mean is decided in the commands.

use std::path::PathBuf;

use clap::{Args, Parser, Subcommand, ValueEnum};

use super::demand::{DEMAND_HELP, DemandArgs};
use super::table::{TABLE_HELP, TableArgs};
use crate::fit::{DroppedRow, ModelChoice, WeightChoice};
use crate::matching::WantedPoint;
use crate::units::{FlowUnit, Quantity, parse, parse_bare};
use crate::words::Locale;

/// From a flow bench's readings to flow, dead time and a matched set, each with its doubt.
#[derive(Debug, Parser)]
#[command(
    name = "meniscus",
    version,
    max_term_width = 100,
    after_help = "\
Examples:
  meniscus fit run.csv                          fit, match, and print the tables
  meniscus fit run.csv -o run.json --tolerance 2%
  meniscus match monday.csv --tolerance 2%      a quick check, one width is enough
  meniscus check run.csv                        only read and check

Numbers may carry a unit: 14V, 3bar, 2ms, 2%. Without one, V, kPa, ms and percent are meant.
Exit status: 0 done; 1 done, but a criterion that was asked for failed or is undecided; 2 could not.
Fuel under pressure burns and injures: work by the maker's data sheet, local codes and qualified practice."
)]
pub struct Cli {
    /// What to do
    #[command(subcommand)]
    pub command: Command,
}

/// The commands.
#[derive(Debug, Subcommand)]
pub enum Command {
    /// Read, check, fit and match captures: the main job
    #[command(after_help = FIT_HELP)]
    Fit(FitArgs),
    /// Only read and check captures; every fault at once
    Check(CheckArgs),
    /// Score a set: from captures (one pulse width is enough) or characterisation files
    Match(MatchArgs),
    /// Pick the most alike injectors from a stock, or sort it into sets
    #[command(after_help = super::pick::HELP)]
    Pick(super::pick::PickArgs),
    /// What cleaning changed: as received against cleaned
    #[command(after_help = super::compare::HELP)]
    Compare(super::compare::CompareArgs),
    /// Which injector into which cylinder, and the trims that are left
    #[command(after_help = super::place::HELP)]
    Place(super::place::PlaceArgs),
    /// Write the report (one HTML file) of a characterisation file
    #[command(after_help = super::report::HELP)]
    Report(Box<ReportArgs>),
    /// Dead time, flow, correction or pulse width on the axes that a controller has
    #[command(after_help = TABLE_HELP)]
    Table(TableArgs),
    /// What the engine needs of the set: pulse, duty, power, idle, pump
    #[command(after_help = DEMAND_HELP)]
    Demand(Box<DemandArgs>),
    /// Which readings to take for the doubt that is wanted
    #[command(after_help = super::plan::HELP)]
    Plan(Box<super::plan::PlanArgs>),
    /// Five questions about the bench, answered once: writes bench.toml
    #[command(after_help = super::setup::HELP)]
    Setup(super::setup::SetupArgs),
    /// A blank capture to write readings on: CSV, workbook or page to print
    #[command(after_help = super::sheet::HELP)]
    Sheet(super::sheet::SheetArgs),
    /// Propose a mapping file for somebody else's layout, from its headers and values
    #[command(after_help = super::map::HELP)]
    Map(super::map::MapArgs),
    /// Print the JSON Schema of the characterisation file
    Schema,
    /// Print a completion script for a shell
    Completions {
        /// Which shell
        shell: clap_complete::Shell,
    },
    /// Print the manual page (roff)
    Man,
}

impl Command {
    /// Whether it has work that several threads can share.
    pub(super) fn shares_work(&self) -> bool {
        !matches!(
            self,
            Self::Setup(_) | Self::Sheet(_) | Self::Schema | Self::Completions { .. } | Self::Man
        )
    }

    /// Whether one JSON object is asked for on standard output.
    pub(super) fn wants_json(&self) -> bool {
        match self {
            Self::Fit(args) => args.json,
            Self::Check(args) => args.json,
            Self::Match(args) => args.json,
            Self::Pick(args) => args.json,
            Self::Compare(args) => args.json,
            Self::Place(args) => args.json,
            Self::Table(args) => args.json,
            Self::Demand(args) => args.json,
            // The others print no JSON, or nothing else.
            _ => false,
        }
    }
}

const FIT_HELP: &str = "\
Examples:
  meniscus fit run.csv                                    tables on the terminal
  meniscus fit run.csv -o run.json --plots pictures/      file and pictures
  meniscus fit mon.csv tue.csv --at 2ms,14V,300kPa --tolerance 2%
  meniscus fit run.csv --line-range 2ms..10ms --model line
  cat run.csv | meniscus fit - --json
  meniscus fit archive.csv --lines --model line --line-range 2ms..10ms

Slope and dead time are those of the least-squares line of the delivery curve over the line
range, which is printed with them: two figures are comparable only over the same range.";

/// Arguments of `fit`.
#[derive(Debug, Args)]
pub struct FitArgs {
    /// Where the readings come from
    #[command(flatten)]
    pub input: InputArgs,
    /// How to fit
    #[command(flatten)]
    pub model: ModelArgs,
    /// How to compare
    #[command(flatten)]
    pub set: SetArgs,
    /// Write the characterisation file here
    #[arg(short, long, value_name = "FILE.json")]
    pub output: Option<PathBuf>,
    /// Write the report (one HTML file) here
    #[arg(long, value_name = "FILE.html")]
    pub report: Option<PathBuf>,
    /// Write pictures (SVG) into this folder
    #[arg(long, value_name = "DIR")]
    pub plots: Option<PathBuf>,
    /// Print the characterisation file instead of tables
    #[arg(long, conflicts_with = "lines")]
    pub json: bool,
    /// Print one line of JSON per sweep, each injector fitted on its own as its rows end
    #[arg(long, conflicts_with_all = ["output", "report", "plots"])]
    pub lines: bool,
    /// With --lines: rows of an injector may stand anywhere; all readings are held in memory
    #[arg(long, requires = "lines")]
    pub gather: bool,
    /// Unit of flow in the tables
    #[arg(long, value_parser = flow_unit, value_name = "cc/min|lb/h|g/s|mm3/ms|mg/ms")]
    pub units: Option<FlowUnit>,
}

/// Arguments of `check`.
#[derive(Debug, Args)]
pub struct CheckArgs {
    /// Where the readings come from
    #[command(flatten)]
    pub input: InputArgs,
    /// Print JSON
    #[arg(long)]
    pub json: bool,
}

/// Arguments of `match`.
#[derive(Debug, Args)]
pub struct MatchArgs {
    /// Where the readings come from
    #[command(flatten)]
    pub input: InputArgs,
    /// How to compare
    #[command(flatten)]
    pub set: SetArgs,
    /// Print JSON
    #[arg(long)]
    pub json: bool,
}

/// Arguments of `report`.
#[derive(Debug, Args)]
pub struct ReportArgs {
    /// Characterisation file, as `fit -o` writes it
    #[arg(value_name = "FILE.json")]
    pub file: PathBuf,
    /// Write here; without this, to standard output
    #[arg(short, long, value_name = "FILE.html")]
    pub output: Option<PathBuf>,
    /// Unit of flow
    #[arg(long, value_parser = flow_unit, value_name = "cc/min|lb/h|g/s|mm3/ms|mg/ms")]
    pub units: Option<FlowUnit>,
    /// Differential pressure of the numbers to enter; without this, the one that was run
    /// nearest to 300 kPa
    #[arg(long, value_parser = pressure, value_name = "300kPa")]
    pub pressure: Option<f64>,
    /// What the report looks like and is headed with
    #[command(flatten)]
    pub sheet: SheetArgs,
}

/// Form, way of writing and job sheet of a report.
#[derive(Debug, Args)]
#[command(next_help_heading = "Report")]
pub struct SheetArgs {
    /// Only the verdict, the set, numbers to enter, change, checks and cautions
    #[arg(long)]
    pub short: bool,
    /// How numbers and dates are written (the words are English)
    #[arg(long, value_parser = locale, default_value = "en", value_name = "en|en-US|de|fr|sv")]
    pub locale: Locale,
    /// Customer reference; goes before the one in the bench file
    #[arg(long, value_name = "TEXT")]
    pub reference: Option<String>,
    /// Part numbers, free text
    #[arg(long, value_name = "TEXT")]
    pub parts: Option<String>,
    /// Technician; goes before the operator in the bench file
    #[arg(long, value_name = "TEXT")]
    pub technician: Option<String>,
    /// Date; 2026-03-02 is written as the locale does, other text as it stands
    #[arg(long, value_name = "DATE")]
    pub date: Option<String>,
    /// Name of the shop
    #[arg(long, value_name = "TEXT")]
    pub shop: Option<String>,
    /// Logo of the shop: PNG or JPEG, at most 200 KiB and 2000 pixels a side
    #[arg(long, value_name = "FILE")]
    pub logo: Option<PathBuf>,
}

/// Captures, bench file and set points.
#[derive(Debug, Args)]
pub struct InputArgs {
    /// Capture files (CSV, .xlsx, .ods, .xls); `-` reads standard input
    #[arg(required = true, value_name = "CAPTURE")]
    pub captures: Vec<PathBuf>,
    /// Bench file; without this, bench.toml beside the capture is used if there is one
    #[arg(long, value_name = "FILE.toml")]
    pub bench: Option<PathBuf>,
    /// Sheet of a workbook, where several hold readings
    #[arg(long, value_name = "NAME")]
    pub sheet: Option<String>,
    /// How a foreign layout is read; `meniscus map` proposes the file
    #[arg(long, value_name = "FILE.toml")]
    pub map: Option<PathBuf>,
    /// Supply voltage of captures that state none
    #[arg(long, value_parser = voltage, value_name = "14V")]
    pub voltage: Option<f64>,
    /// Differential pressure of captures that state none
    #[arg(long, value_parser = pressure, value_name = "300kPa")]
    pub pressure: Option<f64>,
}

/// How to fit.
#[derive(Debug, Args)]
pub struct ModelArgs {
    /// Delivery model: `line` is a straight line over the line range, nothing else
    #[arg(long, value_enum, default_value_t)]
    pub model: ModelArg,
    /// Pulse widths over which slope and dead time are meant, for every sweep
    #[arg(long, value_parser = line_range, value_name = "2ms..10ms")]
    pub line_range: Option<[f64; 2]>,
    /// Weights of the straight line: by uncertainty, or all alike
    #[arg(long, value_enum, default_value_t)]
    pub weights: WeightArg,
    /// Limit of the reported linear flow range
    #[arg(long, value_parser = percent, default_value = "5%", value_name = "PERCENT")]
    pub linearity: f64,
    /// Leave this row out: line of the file, row of the sheet (repeatable)
    #[arg(long, value_parser = dropped_row, value_name = "FILE:LINE")]
    pub drop: Vec<DroppedRow>,
    /// Keep readings that look misread
    #[arg(long)]
    pub keep_all: bool,
}

/// How to compare.
#[derive(Debug, Args)]
pub struct SetArgs {
    /// Largest spread that counts as matched: (max - min)/mean of the delivered quantity
    #[arg(long, value_parser = percent, value_name = "2%")]
    pub tolerance: Option<f64>,
    /// Largest spread of the flow that counts as matched too
    #[arg(long, value_parser = percent, value_name = "2%")]
    pub flow_tolerance: Option<f64>,
    /// Largest spread of the dead time that counts as matched too
    #[arg(long, value_parser = time_above_zero, value_name = "30us")]
    pub dead_time_tolerance: Option<f64>,
    /// Risk of a wrong verdict
    #[arg(long, value_parser = risk, default_value = "5%", value_name = "PERCENT")]
    pub risk: f64,
    /// Operating point to compare at (repeatable); parts not stated are those of the capture
    #[arg(long, value_parser = wanted_point, value_name = "2ms,14V,300kPa")]
    pub at: Vec<WantedPoint>,
}

/// Delivery model as typed.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, ValueEnum)]
pub enum ModelArg {
    /// The curve where the readings carry it, else the line
    #[default]
    Auto,
    /// A weighted straight line through the readings of the line range
    Line,
    /// The whole delivery curve
    Curve,
}

impl From<ModelArg> for ModelChoice {
    fn from(arg: ModelArg) -> Self {
        match arg {
            ModelArg::Auto => Self::Auto,
            ModelArg::Line => Self::Line,
            ModelArg::Curve => Self::Curve,
        }
    }
}

/// Weights as typed.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, ValueEnum)]
pub enum WeightArg {
    /// By the uncertainty of each reading
    #[default]
    Auto,
    /// All alike: ordinary least squares
    Equal,
}

impl From<WeightArg> for WeightChoice {
    fn from(arg: WeightArg) -> Self {
        match arg {
            WeightArg::Auto => Self::Auto,
            WeightArg::Equal => Self::Equal,
        }
    }
}

pub(super) fn quantity(quantity: Quantity, text: &str) -> Result<f64, String> {
    parse_bare(quantity, text).map_err(|e| e.to_string())
}

pub(super) fn positive(kind: Quantity, text: &str) -> Result<f64, String> {
    let value = quantity(kind, text)?;
    if value > 0.0 {
        Ok(value)
    } else {
        Err(format!("`{text}` must be above zero"))
    }
}

fn voltage(text: &str) -> Result<f64, String> {
    positive(Quantity::Voltage, text)
}

fn pressure(text: &str) -> Result<f64, String> {
    positive(Quantity::Pressure, text)
}

pub(super) fn percent(text: &str) -> Result<f64, String> {
    positive(Quantity::Percent, text)
}

fn time_above_zero(text: &str) -> Result<f64, String> {
    positive(Quantity::Time, text)
}

pub(super) fn risk(text: &str) -> Result<f64, String> {
    let value = percent(text)?;
    if (0.001..50.0).contains(&value) {
        Ok(value)
    } else {
        Err(format!("`{text}`: a risk lies between 0.001 and 50 %"))
    }
}

pub(super) fn line_range(text: &str) -> Result<[f64; 2], String> {
    let (lo, hi) = text
        .split_once("..")
        .ok_or("write two pulse widths as 2ms..10ms")?;
    let range = [quantity(Quantity::Time, lo)?, quantity(Quantity::Time, hi)?];
    if range[0] >= 0.0 && range[0] < range[1] {
        Ok(range)
    } else {
        Err(format!(
            "`{text}`: the first pulse width must be the smaller"
        ))
    }
}

fn flow_unit(text: &str) -> Result<FlowUnit, String> {
    let wanted = text.to_lowercase();
    FlowUnit::ALL
        .iter()
        .find(|(word, _)| *word == wanted)
        .map(|(_, unit)| *unit)
        .ok_or_else(|| {
            let words: Vec<_> = FlowUnit::ALL.iter().map(|(word, _)| *word).collect();
            format!(
                "`{text}` is not a unit of flow; write one of {}",
                words.join(", ")
            )
        })
}

fn locale(text: &str) -> Result<Locale, String> {
    let known = Locale::ALL
        .iter()
        .find(|(tag, _)| tag.eq_ignore_ascii_case(text));
    known.map(|(_, locale)| *locale).ok_or_else(|| {
        let tags: Vec<_> = Locale::ALL.iter().map(|(tag, _)| *tag).collect();
        format!("`{text}` is not known; write one of {}", tags.join(", "))
    })
}

fn dropped_row(text: &str) -> Result<DroppedRow, String> {
    let parsed = text
        .rsplit_once(':')
        .and_then(|(source, line)| Some((source, line.parse().ok()?)));
    let (source, line) = parsed.ok_or("write file and line as run.csv:14")?;
    Ok(DroppedRow {
        source: source.to_owned(),
        line,
    })
}

pub(super) fn wanted_point(text: &str) -> Result<WantedPoint, String> {
    let (mut width, mut volts, mut kpa) = (None, None, None);
    for part in text.split(',') {
        let slot = [
            (Quantity::Time, &mut width),
            (Quantity::Voltage, &mut volts),
            (Quantity::Pressure, &mut kpa),
        ]
        .into_iter()
        .find_map(|(kind, slot)| parse(kind, part).ok().map(|value| (slot, value)));
        match slot {
            Some((slot @ None, value)) if value > 0.0 => *slot = Some(value),
            Some((None, _)) => return Err(format!("`{part}` must be above zero")),
            Some(_) => return Err(format!("`{text}` states one thing twice")),
            None => {
                return Err(format!(
                    "`{part}`: write pulse width, voltage and pressure with their units, as 2ms,14V,300kPa"
                ));
            }
        }
    }
    let pulse_width_ms =
        width.ok_or("an operating point needs a pulse width, as 2ms,14V,300kPa")?;
    Ok(WantedPoint {
        pulse_width_ms,
        voltage_v: volts,
        pressure_kpa: kpa,
    })
}
