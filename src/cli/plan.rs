//! `plan`: which readings to take for the doubt that is wanted.

use std::fs;
use std::path::PathBuf;

use clap::Args;

use super::files::{failed, shown, write_whole};
use super::{Failure, Outcome, print, print_json};
use crate::capture::{Bench, read_bench};
use crate::demand::NominalFlow;
use crate::plan::{Plan, PlanError, Request, Timing, Wish, plan, sheet_csv, text};
use crate::table::parse_axis;
use crate::units::{Basis, Quantity, parse};

/// Help below the options.
pub const HELP: &str = "\
Examples:
  meniscus plan --bench bench.toml --flow 250cc/min --voltage 8..16:2 --pressure 300kPa \\
      --dead-time-within 15us
  meniscus plan --flow 420cc/min --voltage 14 --pressure 3bar --time 30min -o plan.csv
  meniscus plan --bench bench.toml --flow 250cc/min --voltage 14 --pressure 300 --flow-within 0.5%

What is promised is the half-width of the 95 % interval that `fit` will print, dead time and flow being
those of the line over the line range that is shown.
Fuel under pressure burns and injures: work by the maker's data sheet, local codes and qualified practice.";

/// Arguments of `plan`.
#[derive(Debug, Args)]
pub struct PlanArgs {
    /// Bench file: the vessel's capacity and division decide
    #[arg(long, value_name = "FILE.toml", help_heading = "Bench")]
    pub bench: Option<PathBuf>,
    /// Which vessel of the bench file, where there are several
    #[arg(long, value_name = "NAME", help_heading = "Bench")]
    pub vessel: Option<String>,
    /// Repeatability of injector and rig from reading to reading, where it is known
    #[arg(long, value_parser = super::args::percent, value_name = "0.3%", help_heading = "Bench")]
    pub repeatability: Option<f64>,
    /// Shortest period of the bench
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
    #[arg(long, value_parser = flow, value_name = "250cc/min", help_heading = "Injectors")]
    pub flow: NominalFlowArg,
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
    #[arg(long, value_parser = voltages, value_name = "8..16:2")]
    pub voltage: List,
    /// Differential pressures
    #[arg(long, value_parser = pressures, value_name = "300kPa")]
    pub pressure: List,
    /// Pulse widths over which flow and dead time are meant
    #[arg(long, value_parser = super::args::line_range, value_name = "2ms..10ms")]
    pub line_range: Option<[f64; 2]>,
    /// Wanted half-width of the dead time's 95 % interval
    #[arg(long, value_parser = time, value_name = "15us", help_heading = "Wanted")]
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
    /// Write the sheet to fill in here (CSV)
    #[arg(short, long, value_name = "FILE.csv")]
    pub output: Option<PathBuf>,
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

/// Runs the command.
pub(super) fn run(args: &PlanArgs) -> Result<Outcome, Failure> {
    let request = request(args)?;
    let made = plan(&request).map_err(|e| refused(&e))?;
    if let Some(path) = &args.output {
        write_whole(path, sheet_csv(&made).as_bytes())?;
    }
    show(args, &made)
}

fn show(args: &PlanArgs, made: &Plan) -> Result<Outcome, Failure> {
    if args.json {
        print_json(made)
    } else {
        print(&text(made))
    }
}

fn refused(error: &PlanError) -> Failure {
    Failure::other(error, &error.hint())
}

fn bench(args: &PlanArgs) -> Result<Bench, Failure> {
    let Some(path) = &args.bench else {
        return Ok(Bench::default());
    };
    let text = fs::read_to_string(path).map_err(|error| failed(path, error))?;
    read_bench(&shown(path), &text).map_err(Failure::Faults)
}

fn request(args: &PlanArgs) -> Result<Request, Failure> {
    let bench = bench(args)?;
    let kind = bench
        .vessel(args.vessel.as_deref())
        .or(bench.vessels.first())
        .map_or(crate::capture::VesselKind::GraduatedCylinder, |v| v.kind);
    let usual = Timing::usual(kind);
    let timing = Timing {
        read_s: args.reading_time.unwrap_or(usual.read_s),
        empty_s: args.draining_time.unwrap_or(usual.empty_s),
        voltage_s: args.voltage_time.unwrap_or(usual.voltage_s),
        pressure_s: args.pressure_time.unwrap_or(usual.pressure_s),
        shortest_period_ms: args.shortest_period.unwrap_or(usual.shortest_period_ms),
        longest_period_ms: args.longest_period.unwrap_or(usual.longest_period_ms),
        coil_share: args.coil_on.map_or(usual.coil_share, |p| p / 100.0),
    };
    let injectors = if !args.injector.is_empty() {
        args.injector.clone()
    } else if bench.injectors.is_empty() {
        vec!["1".to_owned()]
    } else {
        bench.injectors.iter().map(|i| i.id.clone()).collect()
    };
    Ok(Request {
        vessel: args.vessel.clone(),
        flow: args.flow.0,
        flow_pressure_kpa: args.flow_pressure,
        dead_time_ms: args.dead_time,
        voltages_v: args.voltage.0.clone(),
        pressures_kpa: args.pressure.0.clone(),
        line_range_ms: args.line_range,
        injectors,
        together: args.together,
        repeatability_percent: args.repeatability,
        wish: Wish {
            dead_time_us: args.dead_time_within.map(|ms| 1000.0 * ms),
            flow_percent: args.flow_within,
            time_s: args.time,
        },
        timing,
        seed: args.seed,
        bench,
    })
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

/// Seconds; minutes and hours are the bench's units.
fn duration(text: &str) -> Result<f64, String> {
    let wanted = text.trim().to_lowercase();
    let (number, factor) = [("min", 60.0), ("h", 3600.0), ("s", 1.0)]
        .iter()
        .find_map(|(word, factor)| Some((wanted.strip_suffix(word)?, *factor)))
        .ok_or_else(|| format!("`{text}`: write a duration with its unit, as 30min, 2h or 20s"))?;
    match number.trim().parse::<f64>() {
        Ok(value) if value.is_finite() && value >= 0.0 => Ok(value * factor),
        _ => Err(format!("`{text}` is not a duration, as 30min")),
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
        Ok(NominalFlowArg(NominalFlow { basis, value }))
    } else {
        Err(format!("`{text}` must be above zero"))
    }
}
