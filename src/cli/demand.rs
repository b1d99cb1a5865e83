//! `demand`: what the engine needs of the set.

use std::path::PathBuf;

use clap::{Args, ValueEnum};

use super::files::{failed, read_bytes, read_document, shown};
use super::{Failure, Outcome, json_text, print_data};
use crate::demand::{NominalFlow, PumpCurve, Regulator, Request, demand, read_pump_curve, text};
use crate::units::{Basis, Quantity, parse, parse_bare};

/// Help below the options.
pub const DEMAND_HELP: &str = "\
Examples:
  meniscus demand --flow 420cc/min --displacement 1.6L --cylinders 4 --air-fuel-ratio 14.7 \\
      --air-density 1.225g/L --fuel-density 0.74g/mL --dead-time 0.8ms
  meniscus demand run.json --displacement 2L --cylinders 4 --fuel E85 --power 300hp \\
      --engine-speed 7000 --rail-pressure 3bar --pump-curve pump.csv
  meniscus demand --flow 42lb/h --power 200hp --fuel-consumption 0.5lb/hp/h --cylinders 8

With a file, flow and dead time are those measured; without, --flow and --dead-time are assumed and
marked so; write what they may be off behind them, as 420cc/min±2% or 0.8ms±0.1ms (or +-): a rectangle of that
half-width. Limits hold if the inputs without a doubt are right.
A pump curve is CSV with a header as pressure_kpa,flow_l/h.";

/// Arguments of `demand`.
#[derive(Debug, Args)]
pub struct DemandArgs {
    /// Characterisation file, as `fit -o` writes it
    #[arg(value_name = "FILE.json", conflicts_with_all = ["flow", "dead_time", "flow_pressure"])]
    pub file: Option<PathBuf>,
    /// Nominal flow of one injector
    #[arg(long, value_parser = flow, value_name = "420cc/min±2%", help_heading = "Injectors")]
    pub flow: Option<Flow>,
    /// Differential pressure that the nominal flow belongs to
    #[arg(long, value_parser = pressure, value_name = "300kPa", help_heading = "Injectors")]
    pub flow_pressure: Option<f64>,
    /// Assumed dead time at the running voltage
    #[arg(long, value_parser = time, value_name = "0.8ms±0.1ms", help_heading = "Injectors")]
    pub dead_time: Option<Toleranced>,
    /// Running voltage
    #[arg(long, value_parser = voltage, value_name = "14V", help_heading = "Injectors")]
    pub voltage: Option<f64>,
    /// Injectors per cylinder
    #[arg(long, value_parser = clap::value_parser!(u32).range(1..=8), value_name = "1", help_heading = "Injectors")]
    pub injectors_per_cylinder: Option<u32>,
    /// Flow of the old injectors, for the scale from old to new
    #[arg(long, value_parser = flow, value_name = "210cc/min", help_heading = "Injectors")]
    pub old_flow: Option<Flow>,
    /// Dead time of the old injectors
    #[arg(long, value_parser = time, value_name = "1ms", help_heading = "Injectors")]
    pub old_dead_time: Option<Toleranced>,
    /// Total displacement
    #[arg(long, value_parser = displacement, value_name = "1.6L", help_heading = "Engine")]
    pub displacement: Option<f64>,
    /// Cylinders
    #[arg(long, value_parser = clap::value_parser!(u32).range(1..=64), value_name = "4", help_heading = "Engine")]
    pub cylinders: Option<u32>,
    /// Strokes of a cycle
    #[arg(long, value_parser = clap::value_parser!(u32).range(2..=4), value_name = "4", help_heading = "Engine")]
    pub strokes: Option<u32>,
    /// Peak power
    #[arg(long, value_parser = power, value_name = "200hp", help_heading = "Engine")]
    pub power: Option<f64>,
    /// Brake-specific fuel consumption
    #[arg(long, value_parser = consumption, value_name = "300g/kWh", help_heading = "Engine")]
    pub fuel_consumption: Option<f64>,
    /// Engine speed at peak
    #[arg(long, value_parser = speed, value_name = "6500rpm", help_heading = "Engine")]
    pub engine_speed: Option<f64>,
    /// Volumetric efficiency
    #[arg(long, value_parser = percent, value_name = "95%", help_heading = "Engine")]
    pub volumetric_efficiency: Option<f64>,
    /// Absolute intake pressure at full load
    #[arg(long, value_parser = pressure, value_name = "101kPa", help_heading = "Engine")]
    pub intake_pressure: Option<f64>,
    /// Intake temperature at full load
    #[arg(long, value_parser = temperature, value_name = "25C", help_heading = "Engine")]
    pub intake_temperature: Option<f64>,
    /// Absolute intake pressure at idle
    #[arg(long, value_parser = pressure, value_name = "35kPa", help_heading = "Engine")]
    pub idle_pressure: Option<f64>,
    /// Density of the intake air, instead of pressure and temperature
    #[arg(long, value_parser = air_density, value_name = "1.225g/L", help_heading = "Engine")]
    pub air_density: Option<f64>,
    /// Target mixture: mass of air for a unit mass of fuel
    #[arg(long, value_parser = ratio, value_name = "14.7", help_heading = "Fuel")]
    pub air_fuel_ratio: Option<f64>,
    /// Fuel by name: petrol, petrol@0.735, E10, E85, ethanol, methanol
    #[arg(long, value_parser = fuel, value_name = "NAME", help_heading = "Fuel")]
    pub fuel: Option<String>,
    /// Density of the fuel
    #[arg(long, value_parser = density, value_name = "0.74g/mL", help_heading = "Fuel")]
    pub fuel_density: Option<f64>,
    /// Temperature of the fuel
    #[arg(long, value_parser = temperature, value_name = "20C", help_heading = "Fuel")]
    pub fuel_temperature: Option<f64>,
    /// Rail pressure by gauge (with --intake-pressure)
    #[arg(long, value_parser = pressure, value_name = "300kPa", conflicts_with = "differential_pressure", help_heading = "Supply")]
    pub rail_pressure: Option<f64>,
    /// Differential pressure across the injector
    #[arg(long, value_parser = pressure, value_name = "300kPa", help_heading = "Supply")]
    pub differential_pressure: Option<f64>,
    /// What the regulator holds constant
    #[arg(long, value_enum, default_value_t, help_heading = "Supply")]
    pub regulator: RegulatorArg,
    /// Pump curve (CSV: pressure_kpa,flow_l/h)
    #[arg(long, value_name = "FILE.csv", help_heading = "Supply")]
    pub pump_curve: Option<PathBuf>,
    /// Margin of the pump over what is needed
    #[arg(long, value_parser = percent, value_name = "20%", help_heading = "Supply")]
    pub pump_margin: Option<f64>,
    /// Largest duty; stating it makes more than that an exit status of 1
    #[arg(long, value_parser = percent, value_name = "85%", help_heading = "Supply")]
    pub duty_limit: Option<f64>,
    /// Print JSON
    #[arg(long)]
    pub json: bool,
}

/// A value with the half-width of the rectangle it lies in, where that is stated.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Toleranced {
    /// Value in its inner unit.
    value: f64,
    /// Half-width in the same unit.
    tolerance: Option<f64>,
}

/// A flow by volume or by mass.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Flow(NominalFlow);

/// The regulator as typed.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, ValueEnum)]
pub enum RegulatorArg {
    /// Differential pressure (the rail follows the intake)
    #[default]
    Manifold,
    /// Rail pressure against the atmosphere
    Fixed,
}

/// Runs the command: exit status 1 where a stated duty limit or pump curve is not kept.
pub(super) fn run(args: &DemandArgs) -> Result<Outcome, Failure> {
    let document = match &args.file {
        Some(path) => {
            let bytes = read_bytes(path).map_err(|error| failed(path, error))?;
            Some(read_document(&shown(path), &bytes)?)
        }
        None => None,
    };
    let request = request(args, read_pump(args)?);
    let answer = demand(document.as_ref(), &request).map_err(|e| Failure::other(&e, e.hint()))?;
    let out = if args.json {
        json_text(&answer)?
    } else {
        text(&answer)
    };
    print_data(&out)?;
    let asked = args.duty_limit.is_some() || args.pump_curve.is_some();
    Ok(if asked && answer.fails() {
        Outcome::CriterionFailed
    } else {
        Outcome::Done
    })
}

fn read_pump(args: &DemandArgs) -> Result<Option<PumpCurve>, Failure> {
    let Some(path) = &args.pump_curve else {
        return Ok(None);
    };
    let bytes = read_bytes(path).map_err(|error| failed(path, error))?;
    read_pump_curve(&String::from_utf8_lossy(&bytes))
        .map(Some)
        .map_err(|e| {
            Failure::other(
                format!("{}: {e}", shown(path)),
                "write one row a point below a header as pressure_kpa,flow_l/h",
            )
        })
}

fn request(args: &DemandArgs, pump: Option<PumpCurve>) -> Request {
    Request {
        flow: args.flow.map(|f| f.0),
        flow_pressure_kpa: args.flow_pressure,
        dead_time_ms: args.dead_time.map(|t| t.value),
        dead_time_tolerance_ms: args.dead_time.and_then(|t| t.tolerance),
        voltage_v: args.voltage,
        injectors_per_cylinder: args.injectors_per_cylinder,
        displacement_l: args.displacement,
        cylinders: args.cylinders,
        strokes: args.strokes,
        air_fuel_ratio: args.air_fuel_ratio,
        air_density: args.air_density,
        intake_pressure_kpa: args.intake_pressure,
        intake_temperature_c: args.intake_temperature,
        volumetric_efficiency_percent: args.volumetric_efficiency,
        fuel: args.fuel.clone(),
        fuel_density: args.fuel_density,
        fuel_temperature_c: args.fuel_temperature,
        power_kw: args.power,
        fuel_consumption: args.fuel_consumption,
        engine_speed: args.engine_speed,
        idle_pressure_kpa: args.idle_pressure,
        duty_limit_percent: args.duty_limit,
        rail_pressure_kpa: args.rail_pressure,
        differential_pressure_kpa: args.differential_pressure,
        regulator: match args.regulator {
            RegulatorArg::Manifold => Regulator::Manifold,
            RegulatorArg::Fixed => Regulator::Fixed,
        },
        pump,
        pump_margin_percent: args.pump_margin,
        old_flow: args.old_flow.map(|f| f.0),
        old_dead_time_ms: args.old_dead_time.map(|t| t.value),
        old_dead_time_tolerance_ms: args.old_dead_time.and_then(|t| t.tolerance),
    }
}

fn positive(kind: Quantity, text: &str) -> Result<f64, String> {
    let value = parse_bare(kind, text).map_err(|e| e.to_string())?;
    if value > 0.0 {
        Ok(value)
    } else {
        Err(format!("`{text}` must be above zero"))
    }
}

/// By volume where the unit says so, else by mass; a bare number says neither.
fn flow(text: &str) -> Result<Flow, String> {
    let (number, tolerance) = parted(text);
    let (basis, value) = by_unit(number).ok_or_else(|| {
        format!(
            "`{number}`: write a flow with its unit, as 420cc/min, 42lb/h or 5.3g/s, and what it may be off as ±2%"
        )
    })?;
    let tolerance = tolerance
        .map(|part| {
            of_value(value, part, |part| {
                by_unit(part)
                    .filter(|(b, _)| *b == basis)
                    .map(|(_, x)| x)
                    .ok_or_else(|| format!("`{part}` is not of the same kind as {number}"))
            })
        })
        .transpose()?;
    if value > 0.0 {
        Ok(Flow(NominalFlow {
            basis,
            value,
            tolerance,
        }))
    } else {
        Err(format!("`{text}` must be above zero"))
    }
}

fn by_unit(text: &str) -> Option<(Basis, f64)> {
    match (
        parse(Quantity::VolumeFlow, text),
        parse(Quantity::MassFlow, text),
    ) {
        (Ok(value), _) => Some((Basis::Volume, value)),
        (Err(_), Ok(value)) => Some((Basis::Mass, value)),
        (Err(_), Err(_)) => None,
    }
}

/// A number and what stands behind ± (or +-).
fn parted(text: &str) -> (&str, Option<&str>) {
    ["±", "+/-", "+-"]
        .iter()
        .find_map(|sign| text.split_once(sign))
        .map_or((text.trim(), None), |(a, b)| (a.trim(), Some(b.trim())))
}

/// The half-width behind ±: a percentage of the value, or of the value's own kind.
fn of_value(
    value: f64,
    part: &str,
    own_kind: impl Fn(&str) -> Result<f64, String>,
) -> Result<f64, String> {
    let half = match parse(Quantity::Percent, part) {
        Ok(percent) => value.abs() * percent / 100.0,
        Err(_) => own_kind(part)?,
    };
    if half < 0.0 {
        Err(format!("`±{part}` must not be below zero"))
    } else if half >= value.abs() && value != 0.0 {
        Err(format!("`±{part}` leaves nothing of the value"))
    } else {
        Ok(half)
    }
}

fn pressure(text: &str) -> Result<f64, String> {
    positive(Quantity::Pressure, text)
}

fn time(text: &str) -> Result<Toleranced, String> {
    let read = |text: &str| parse_bare(Quantity::Time, text).map_err(|e| e.to_string());
    let (number, part) = parted(text);
    let value = read(number)?;
    let tolerance = part.map(|part| of_value(value, part, read)).transpose()?;
    Ok(Toleranced { value, tolerance })
}

fn voltage(text: &str) -> Result<f64, String> {
    positive(Quantity::Voltage, text)
}

fn power(text: &str) -> Result<f64, String> {
    positive(Quantity::Power, text)
}

fn consumption(text: &str) -> Result<f64, String> {
    positive(Quantity::SpecificConsumption, text)
}

fn speed(text: &str) -> Result<f64, String> {
    positive(Quantity::Speed, text)
}

fn percent(text: &str) -> Result<f64, String> {
    positive(Quantity::Percent, text)
}

fn temperature(text: &str) -> Result<f64, String> {
    parse_bare(Quantity::Temperature, text).map_err(|e| e.to_string())
}

/// Litres; a bare number is litres too, since nobody states an engine in millilitres.
fn displacement(text: &str) -> Result<f64, String> {
    let cubic_millimetres = match parse(Quantity::Volume, text) {
        Err(crate::units::QuantityError::NoUnit { .. }) => {
            positive(Quantity::Volume, &format!("{}L", text.trim()))?
        }
        _ => positive(Quantity::Volume, text)?,
    };
    Ok(cubic_millimetres / 1e6)
}

/// g/L: a thousand times the inner g/mL.
fn air_density(text: &str) -> Result<f64, String> {
    let value = parse(Quantity::Density, text).map_err(|e| e.to_string())?;
    if value > 0.0 {
        Ok(1000.0 * value)
    } else {
        Err(format!("`{text}` must be above zero"))
    }
}

fn density(text: &str) -> Result<f64, String> {
    positive(Quantity::Density, text)
}

fn ratio(text: &str) -> Result<f64, String> {
    match text
        .trim()
        .trim_end_matches(":1")
        .replace(',', ".")
        .parse::<f64>()
    {
        Ok(value) if value > 0.0 && value.is_finite() => Ok(value),
        _ => Err(format!(
            "`{text}`: write the mass of air for a unit mass of fuel, as 14.7"
        )),
    }
}

fn fuel(text: &str) -> Result<String, String> {
    crate::fluid::test_fluid(text)
        .map(|_| text.to_owned())
        .map_err(|e| match &e {
            crate::fluid::FluidError::Unknown {
                near: Some(near), ..
            } => format!("{e}; did you mean {near}?"),
            _ => e.to_string(),
        })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn quantities_are_read_in_their_units() {
        assert_eq!(
            flow("420cc/min").unwrap().0,
            NominalFlow {
                basis: Basis::Volume,
                value: 7.0,
                tolerance: None
            }
        );
        let half = |text: &str| flow(text).unwrap().0.tolerance.unwrap();
        assert!((half("420cc/min±2%") - 0.14).abs() < 1e-12);
        assert!((half("420cc/min +- 6cc/min") - 0.1).abs() < 1e-12);
        assert!(flow("420cc/min±1g/s").is_err() && flow("420cc/min±-2%").is_err());
        assert!(flow("420cc/min±100%").is_err());
        assert_eq!(time("0.8ms±0.1ms").unwrap().tolerance, Some(0.1));
        assert!((time("800us ± 5%").unwrap().tolerance.unwrap() - 0.04).abs() < 1e-12);
        assert_eq!(flow("5.3g/s").unwrap().0.basis, Basis::Mass);
        assert!(flow("420").is_err());
        assert!((displacement("1.6L").unwrap() - 1.6).abs() < 1e-12);
        assert!((displacement("1600cc").unwrap() - displacement("1.6").unwrap()).abs() < 1e-12);
        assert!((air_density("1.225g/L").unwrap() - 1.225).abs() < 1e-12);
        assert_eq!(ratio("14.7:1"), Ok(14.7));
        assert!(ratio("0").is_err() && fuel("E8O").is_err());
    }
}
