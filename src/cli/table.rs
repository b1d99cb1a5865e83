//! `table`: the model on the axes that the user's controller has.

use std::path::PathBuf;

use clap::{Args, ValueEnum};

use super::files::{failed, read_bytes, read_document, shown, write_whole};
use super::{Failure, Outcome, json_text, print_data};
use crate::surface::LineMeant;
use crate::table::{Of, Reference, Request, csv, make, parse_axis, text};
use crate::units::{FlowUnit, Quantity, parse};

/// Help below the options.
pub const TABLE_HELP: &str = "\
Examples:
  meniscus table run.json --of dead-time --voltage 8..16:1 --pressure 3bar
  meniscus table run.json --of flow --units lb/h --reference 300kPa,20C,petrol
  meniscus table run.json --of deviation --voltage 14 --pressure 300 --pulse-width 1.5,2,3,5
  meniscus table run.json --of pulse-width --quantity 5,10,20,40 --mean --csv
  meniscus table run.json --of two-segments --voltage 14 --pressure 300 --uncertainty

What each is for, and how it is read, stands above every table:
  dead-time     dead time against voltage, or voltage and pressure
  flow          linear flow
  deviation     percentage correction against pulse width (or --quantity)
  delivered     quantity per pulse
  pulse-width   the pulse width for each --quantity
  added-time    time to add to net pulse width plus dead time
  two-segments  two straight lines with a break, and what they cost
Lists are written 8,9,10 or 6..16:1. Axes that are not stated are those that were measured.";

/// Arguments of `table`.
#[derive(Debug, Args)]
pub struct TableArgs {
    /// Characterisation file, as `fit -o` writes it
    #[arg(value_name = "FILE.json")]
    pub file: PathBuf,
    /// What the table is of
    #[arg(long, value_enum)]
    pub of: OfArg,
    /// Supply voltages
    #[arg(long, value_parser = voltages, value_name = "6..16:1")]
    pub voltage: Option<List>,
    /// Differential pressures
    #[arg(long, value_parser = pressures, value_name = "250,300,350kPa")]
    pub pressure: Option<List>,
    /// Pulse widths (net pulse widths for added-time)
    #[arg(long, value_parser = widths, value_name = "1.5,2,3ms")]
    pub pulse_width: Option<List>,
    /// Wanted quantities per pulse, mm3 or mg as the table's unit has it
    #[arg(long, value_parser = quantities, value_name = "5,10,20")]
    pub quantity: Option<List>,
    /// Only this injector (repeatable)
    #[arg(long, value_name = "ID")]
    pub injector: Vec<String>,
    /// Only this stage; without it, each injector's last
    #[arg(long)]
    pub stage: Option<String>,
    /// The mean of the injectors instead of each
    #[arg(long)]
    pub mean: bool,
    /// Unit of flow; it decides between volume and mass
    #[arg(long, value_parser = flow_unit, value_name = "cc/min|lb/h|g/s|mm3/ms|mg/ms")]
    pub units: Option<FlowUnit>,
    /// Pressure, temperature and fluid to carry flow to, any of them
    #[arg(long, value_parser = reference, value_name = "300kPa,20C,n-heptane")]
    pub reference: Option<Reference>,
    /// Answer outside what was measured too; such values are marked
    #[arg(long)]
    pub extrapolate: bool,
    /// Flow and dead time over one line range that all conditions share, rather than each
    /// condition's own
    #[arg(long)]
    pub common_line: bool,
    /// Show the standard uncertainty of every value as well
    #[arg(long)]
    pub uncertainty: bool,
    /// Print JSON
    #[arg(long, conflicts_with = "csv")]
    pub json: bool,
    /// Print CSV
    #[arg(long)]
    pub csv: bool,
    /// Write to this file instead of standard output
    #[arg(short, long, value_name = "FILE")]
    pub output: Option<PathBuf>,
}

/// A list of values in inner units.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct List(pub Vec<f64>);

/// What the table is of, as typed.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum OfArg {
    /// Dead time
    DeadTime,
    /// Linear flow
    Flow,
    /// Deviation of the delivered quantity from the line, percent
    Deviation,
    /// Delivered quantity
    Delivered,
    /// Pulse width for each wanted quantity
    PulseWidth,
    /// Time to add against net pulse width
    AddedTime,
    /// Two straight lines with a break
    TwoSegments,
}

impl From<OfArg> for Of {
    fn from(arg: OfArg) -> Self {
        match arg {
            OfArg::DeadTime => Of::DeadTime,
            OfArg::Flow => Of::Flow,
            OfArg::Deviation => Of::Deviation,
            OfArg::Delivered => Of::Delivered,
            OfArg::PulseWidth => Of::PulseWidth,
            OfArg::AddedTime => Of::AddedTime,
            OfArg::TwoSegments => Of::TwoSegments,
        }
    }
}

/// Runs the command.
pub(super) fn run(args: &TableArgs) -> Result<Outcome, Failure> {
    let bytes = read_bytes(&args.file).map_err(|error| failed(&args.file, error))?;
    let document = read_document(&shown(&args.file), &bytes)?;
    let table = make(&document, &request(args)).map_err(|e| Failure::other(&e, e.hint()))?;
    let out = if args.json {
        json_text(&table)?
    } else if args.csv {
        csv(&table, args.uncertainty)
    } else {
        text(&table, args.uncertainty)
    };
    match &args.output {
        Some(path) => {
            write_whole(path, out.as_bytes())?;
            Ok(Outcome::Done)
        }
        None => print_data(&out),
    }
}

fn request(args: &TableArgs) -> Request {
    let list = |list: &Option<List>| list.clone().unwrap_or_default().0;
    Request {
        of: args.of.into(),
        voltages_v: list(&args.voltage),
        pressures_kpa: list(&args.pressure),
        pulse_widths_ms: list(&args.pulse_width),
        quantities: list(&args.quantity),
        injectors: args.injector.clone(),
        stage: args.stage.clone(),
        mean: args.mean,
        flow_unit: args.units,
        reference: args.reference.clone(),
        extrapolate: args.extrapolate,
        line_meant: if args.common_line {
            LineMeant::Common
        } else {
            LineMeant::OfCondition
        },
    }
}

fn above_zero(kind: Quantity, text: &str) -> Result<List, String> {
    let list = parse_axis(kind, text).map_err(|e| e.to_string())?;
    match list.iter().find(|x| **x <= 0.0) {
        Some(_) => Err(format!("`{text}`: every value must be above zero")),
        None => Ok(List(list)),
    }
}

fn voltages(text: &str) -> Result<List, String> {
    above_zero(Quantity::Voltage, text)
}

fn pressures(text: &str) -> Result<List, String> {
    above_zero(Quantity::Pressure, text)
}

fn widths(text: &str) -> Result<List, String> {
    above_zero(Quantity::Time, text)
}

/// Plain numbers: whether they are mm³ or mg is the table's to say.
fn quantities(text: &str) -> Result<List, String> {
    // Milliseconds stand in for the unit that these numbers do not have.
    let plain = text
        .chars()
        .all(|c| c.is_ascii_digit() || ".,:+e ".contains(c));
    if plain {
        above_zero(Quantity::Time, text)
    } else {
        Err(format!(
            "`{text}`: write plain numbers, as 5,10,20 or 5..50:5"
        ))
    }
}

fn flow_unit(text: &str) -> Result<FlowUnit, String> {
    let wanted = text.to_lowercase();
    let words: Vec<&str> = FlowUnit::ALL.iter().map(|(word, _)| *word).collect();
    FlowUnit::ALL
        .iter()
        .find(|(word, _)| *word == wanted)
        .map(|(_, unit)| *unit)
        .ok_or_else(|| {
            format!(
                "`{text}` is not a unit of flow; write one of {}",
                words.join(", ")
            )
        })
}

/// Pressure and temperature are known by their unit; what is left is the fluid.
fn reference(text: &str) -> Result<Reference, String> {
    let mut reference = Reference::default();
    for part in text.split(',').map(str::trim) {
        let twice = || Err(format!("`{text}` states one thing twice"));
        if let Ok(kpa) = parse(Quantity::Pressure, part) {
            if kpa <= 0.0 {
                return Err(format!("`{part}` must be above zero"));
            }
            if reference.pressure_kpa.replace(kpa).is_some() {
                return twice();
            }
        } else if let Ok(t) = parse(Quantity::Temperature, part) {
            if reference.temperature_c.replace(t).is_some() {
                return twice();
            }
        } else {
            crate::fluid::test_fluid(part).map_err(|e| e.to_string())?;
            if reference.fluid.replace(part.to_owned()).is_some() {
                return twice();
            }
        }
    }
    Ok(reference)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_reference_is_told_apart_by_its_units() {
        let found = reference("3bar, 68F, petrol@0.735").unwrap();
        assert_eq!(found.pressure_kpa, Some(300.0));
        assert!((found.temperature_c.unwrap() - 20.0).abs() < 1e-12);
        assert_eq!(found.fluid.as_deref(), Some("petrol@0.735"));
        assert!(reference("300kPa,3bar").is_err());
        assert!(reference("lemonade").is_err());
    }

    #[test]
    fn quantities_are_plain_numbers() {
        assert_eq!(quantities("5,10").unwrap().0, [5.0, 10.0]);
        assert_eq!(quantities("5..20:5").unwrap().0.len(), 4);
        assert!(quantities("5mg").is_err() && quantities("0,5").is_err());
    }
}
