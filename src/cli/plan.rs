//! `plan`: which readings to take for the doubt that is wanted.

use std::fs;
use std::path::{Path, PathBuf};

use clap::Args;

use super::args::InputArgs;
use super::files::{
    failed, guard_outputs, read_input, read_text, refuse_existing, shown, write_whole,
};
use super::progress::during;
use super::sheet::{of_name, written};
use super::{Failure, Outcome, print, print_json};
use crate::capture::{Bench, read_bench, read_captures};
use crate::demand::NominalFlow;
use crate::plan::{
    Plan, PlanError, Request, Standing, Timing, Wish, after, after_text, plan, run_of, text,
};
use crate::plots::{TradeSeries, doubt_against_time};
use crate::table::parse_axis;
use crate::units::{Basis, Quantity, parse};

/// Help below the options.
pub const HELP: &str = "\
Examples:
  meniscus plan --bench bench.toml --flow 250cc/min --voltage 8..16:2 --pressure 300kPa \\
      --dead-time-within 15us
  meniscus plan --flow 420cc/min --voltage 14 --pressure 3bar --time 30min -o plan.csv
  meniscus plan --bench bench.toml --flow 250cc/min --voltage 14 --pressure 300 --flow-within 0.5%
  meniscus plan --after plan.csv --dead-time-within 15us      what to read next, and when to stop

What is promised is the half-width of the 95 % interval that `fit` will print, dead time and flow being
those of the line over the line range that is shown.
Fuel under pressure burns and injures: work by the maker's data sheet, local codes and qualified practice.";

/// Arguments of `plan`.
#[derive(Debug, Args)]
pub struct PlanArgs {
    /// Say what to read next, given what was read (repeatable)
    #[arg(long, value_name = "CAPTURE", conflicts_with_all = [
        "flow", "output", "plots", "flow_pressure", "dead_time", "injector", "together", "line_range",
        "repeatability", "seed", "shortest_period", "longest_period",
    ])]
    pub after: Vec<PathBuf>,
    /// How captures in a foreign layout are read; `meniscus map` proposes the file
    #[arg(long, value_name = "FILE.toml", requires = "after")]
    pub map: Option<PathBuf>,
    /// Bench file: the vessel's capacity and division decide
    #[arg(long, value_name = "FILE.toml", help_heading = "Bench")]
    pub bench: Option<PathBuf>,
    /// Which vessel of the bench file, where there are several
    #[arg(long, value_name = "NAME", help_heading = "Bench")]
    pub vessel: Option<String>,
    /// Repeatability of injector and rig from reading to reading, where it is known
    #[arg(long, value_parser = super::args::percent, value_name = "0.3%", help_heading = "Bench")]
    pub repeatability: Option<f64>,
    /// Shortest period of the bench (this and what follows goes before the bench file)
    #[arg(long, value_parser = time, value_name = "5ms", help_heading = "Bench")]
    pub shortest_period: Option<f64>,
    /// Longest period of the bench
    #[arg(long, value_parser = time, value_name = "100ms", help_heading = "Bench")]
    pub longest_period: Option<f64>,
    /// Time to let the level settle and read it
    #[arg(long, value_parser = duration, value_name = "20s", help_heading = "Bench")]
    pub reading_time: Option<f64>,
    /// Time to empty and drain the vessel, or to tare
    #[arg(long, value_parser = duration, value_name = "40s", help_heading = "Bench")]
    pub draining_time: Option<f64>,
    /// Time to set another voltage
    #[arg(long, value_parser = duration, value_name = "30s", help_heading = "Bench")]
    pub voltage_time: Option<f64>,
    /// Time to set another pressure
    #[arg(long, value_parser = duration, value_name = "2min", help_heading = "Bench")]
    pub pressure_time: Option<f64>,
    /// Largest share of the time that the coil may be on, rests counted
    #[arg(long, value_parser = super::args::percent, value_name = "50%", help_heading = "Bench")]
    pub coil_on: Option<f64>,
    /// Nominal flow of one injector
    #[arg(long, value_parser = flow, value_name = "250cc/min", required_unless_present = "after", help_heading = "Injectors")]
    pub flow: Option<NominalFlowArg>,
    /// Differential pressure that the nominal flow belongs to
    #[arg(long, value_parser = pressure, value_name = "300kPa", help_heading = "Injectors")]
    pub flow_pressure: Option<f64>,
    /// Expected dead time at 14 V, or at the only voltage
    #[arg(long, value_parser = time, value_name = "0.9ms", help_heading = "Injectors")]
    pub dead_time: Option<f64>,
    /// Injector to read (repeatable); without it those of the bench file
    #[arg(long, value_name = "ID", help_heading = "Injectors")]
    pub injector: Vec<String>,
    /// All injectors fire at once, each into a vessel of its own
    #[arg(long, help_heading = "Injectors")]
    pub together: bool,
    /// Supply voltages
    #[arg(long, value_parser = voltages, value_name = "8..16:2", required_unless_present = "after")]
    pub voltage: Option<List>,
    /// Differential pressures
    #[arg(long, value_parser = pressures, value_name = "300kPa", required_unless_present = "after")]
    pub pressure: Option<List>,
    /// Pulse widths over which flow and dead time are meant
    #[arg(long, value_parser = super::args::line_range, value_name = "2ms..10ms")]
    pub line_range: Option<[f64; 2]>,
    /// Wanted half-width of the dead time's 95 % interval
    #[arg(long, value_parser = short_time, value_name = "15us", help_heading = "Wanted")]
    pub dead_time_within: Option<f64>,
    /// Wanted half-width of the flow's 95 % interval
    #[arg(long, value_parser = super::args::percent, value_name = "0.5%", help_heading = "Wanted")]
    pub flow_within: Option<f64>,
    /// Time at the bench: the least doubt that it can buy
    #[arg(long, value_parser = duration, value_name = "30min", help_heading = "Wanted")]
    pub time: Option<f64>,
    /// Seed of the random order
    #[arg(long, value_name = "NUMBER", default_value_t = 1)]
    pub seed: u64,
    /// Write the sheet to fill in here; the ending of the name gives the format
    #[arg(short, long, value_name = "FILE.csv|.xlsx|.html")]
    pub output: Option<PathBuf>,
    /// Overwrite the output if it exists
    #[arg(long)]
    pub replace: bool,
    /// Write the picture (SVG) of doubt against bench time into this folder
    #[arg(long, value_name = "DIR")]
    pub plots: Option<PathBuf>,
    /// Print JSON
    #[arg(long)]
    pub json: bool,
}

/// A list of values in inner units.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct List(pub Vec<f64>);

/// A flow by volume or by mass.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct NominalFlowArg(NominalFlow);

/// Runs the command: exit status 1 where more readings cannot reach what is wanted.
pub(super) fn run(args: &PlanArgs) -> Result<Outcome, Failure> {
    if !args.after.is_empty() {
        return next(args);
    }
    if let Some(path) = &args.output {
        // Before the planning: a filled-in sheet of this name is work that was done.
        refuse_existing(path, args.replace)?;
    }
    let request = request(args)?;
    let made = during("planning", || plan(&request)).map_err(|e| refused(&e))?;
    if let Some(path) = &args.output {
        let inputs = input(args, args.bench.iter().cloned().collect());
        guard_outputs(&[path.as_path()], &inputs)?;
        write_sheet(path, &made)?;
    }
    if let Some(folder) = &args.plots {
        draw(folder, &made)?;
    }
    if args.json {
        print_json(&made)
    } else {
        print(&text(&made))
    }
}

fn write_sheet(path: &Path, made: &Plan) -> Result<(), Failure> {
    let format = of_name(path).ok_or_else(|| {
        Failure::other(
            "the name of the output does not say in which format to write",
            "end it with .csv, .xlsx or .html",
        )
    })?;
    let (run, layout) = run_of(made);
    write_whole(path, &written(&run, layout, format, false)?)
}

/// `--after`: what to read next.
fn next(args: &PlanArgs) -> Result<Outcome, Failure> {
    let input = read_input(&input(args, args.after.clone()))?;
    let timing = timing(args, &input.bench);
    let capture =
        read_captures(&input.files, input.bench, input.set_points).map_err(Failure::Faults)?;
    let wish = wish(args);
    let next = after(&capture, &wish, &timing).map_err(|e| refused(&e))?;
    if args.json {
        print_json(&next)?;
    } else {
        print(&after_text(&next))?;
    }
    let wanted = wish.dead_time_us.is_some() || wish.flow_percent.is_some();
    let beyond = next
        .sweeps
        .iter()
        .any(|s| s.standing == Standing::NoMoreToGain);
    Ok(if wanted && beyond {
        Outcome::CriterionFailed
    } else {
        Outcome::Done
    })
}

/// One voltage and pressure serve captures that state none.
fn input(args: &PlanArgs, captures: Vec<PathBuf>) -> InputArgs {
    let only = |list: &Option<List>| match list.as_ref().map(|l| l.0.as_slice()) {
        Some([one]) => Some(*one),
        _ => None,
    };
    InputArgs {
        captures,
        bench: args.bench.clone(),
        sheet: None,
        map: args.map.clone(),
        voltage: only(&args.voltage),
        pressure: only(&args.pressure),
    }
}

fn draw(folder: &Path, made: &Plan) -> Result<(), Failure> {
    let series: Vec<TradeSeries> = made
        .trade
        .iter()
        .map(|t| TradeSeries {
            name: t.run.to_owned(),
            points: t.points.clone(),
        })
        .collect();
    let Some(picture) = doubt_against_time(&series, &made.trade_of) else {
        return Ok(());
    };
    fs::create_dir_all(folder).map_err(|error| failed(folder, error))?;
    let path = folder.join(format!("{}.svg", picture.file_stem));
    write_whole(&path, picture.svg.as_bytes())
}

fn refused(error: &PlanError) -> Failure {
    Failure::other(error, &error.hint())
}

fn bench(args: &PlanArgs) -> Result<Bench, Failure> {
    let Some(path) = &args.bench else {
        return Ok(Bench::default());
    };
    let text = read_text(path).map_err(|error| failed(path, error))?;
    read_bench(&shown(path), &text).map_err(Failure::Faults)
}

fn timing(args: &PlanArgs, bench: &Bench) -> Timing {
    let usual = Timing::of(bench, args.vessel.as_deref());
    Timing {
        read_s: args.reading_time.unwrap_or(usual.read_s),
        empty_s: args.draining_time.unwrap_or(usual.empty_s),
        voltage_s: args.voltage_time.unwrap_or(usual.voltage_s),
        pressure_s: args.pressure_time.unwrap_or(usual.pressure_s),
        shortest_period_ms: args.shortest_period.unwrap_or(usual.shortest_period_ms),
        longest_period_ms: args.longest_period.unwrap_or(usual.longest_period_ms),
        coil_share: args.coil_on.map_or(usual.coil_share, |p| p / 100.0),
    }
}

fn wish(args: &PlanArgs) -> Wish {
    Wish {
        dead_time_us: args.dead_time_within.map(|ms| 1000.0 * ms),
        flow_percent: args.flow_within,
        time_s: args.time,
    }
}

fn request(args: &PlanArgs) -> Result<Request, Failure> {
    let bench = bench(args)?;
    let injectors = if !args.injector.is_empty() {
        args.injector.clone()
    } else if bench.injectors.is_empty() {
        vec!["1".to_owned()]
    } else {
        bench.injectors.iter().map(|i| i.id.clone()).collect()
    };
    Ok(Request {
        vessel: args.vessel.clone(),
        flow: args.flow.expect("clap requires it without --after").0,
        flow_pressure_kpa: args.flow_pressure,
        dead_time_ms: args.dead_time,
        voltages_v: list_of(&args.voltage),
        pressures_kpa: list_of(&args.pressure),
        line_range_ms: args.line_range,
        injectors,
        together: args.together,
        repeatability_percent: args.repeatability,
        wish: wish(args),
        timing: timing(args, &bench),
        seed: args.seed,
        bench,
    })
}

fn list_of(list: &Option<List>) -> Vec<f64> {
    list.clone().unwrap_or_default().0
}

fn list(kind: Quantity, text: &str) -> Result<List, String> {
    let list = parse_axis(kind, text).map_err(|e| e.to_string())?;
    match list.iter().find(|x| **x <= 0.0) {
        Some(_) => Err(format!("`{text}`: every value must be above zero")),
        None => Ok(List(list)),
    }
}

fn voltages(text: &str) -> Result<List, String> {
    list(Quantity::Voltage, text)
}

fn pressures(text: &str) -> Result<List, String> {
    list(Quantity::Pressure, text)
}

fn pressure(text: &str) -> Result<f64, String> {
    super::args::positive(Quantity::Pressure, text)
}

fn time(text: &str) -> Result<f64, String> {
    super::args::positive(Quantity::Time, text)
}

/// A wanted doubt needs its unit: 15 alone could be meant as microseconds.
fn short_time(text: &str) -> Result<f64, String> {
    let value = parse(Quantity::Time, text).map_err(|e| e.to_string())?;
    if value > 0.0 {
        Ok(value)
    } else {
        Err(format!("`{text}` must be above zero"))
    }
}

/// Seconds; minutes and hours are the bench's units.
fn duration(text: &str) -> Result<f64, String> {
    match parse(Quantity::Duration, text) {
        Ok(seconds) if seconds >= 0.0 => Ok(seconds),
        Ok(_) => Err(format!("`{text}` must not be below zero")),
        Err(error) => Err(format!("{error}; as 30min, 2h or 20s")),
    }
}

/// By volume where the unit says so, else by mass; a bare number says neither.
fn flow(text: &str) -> Result<NominalFlowArg, String> {
    let volume = parse(Quantity::VolumeFlow, text);
    let (basis, value) = match (volume, parse(Quantity::MassFlow, text)) {
        (Ok(value), _) => (Basis::Volume, value),
        (Err(_), Ok(value)) => (Basis::Mass, value),
        (Err(_), Err(_)) => {
            return Err(format!(
                "`{text}`: write a flow with its unit, as 420cc/min, 42lb/h or 5.3g/s"
            ));
        }
    };
    if value > 0.0 {
        Ok(NominalFlowArg(NominalFlow {
            basis,
            value,
            tolerance: None,
        }))
    } else {
        Err(format!("`{text}` must be above zero"))
    }
}
