//! The set: measured or nominal, as flow of fuel and dead time at the engine.

use super::inputs::{DemandError, Request, of_rectangle};
use super::number::Number;
use super::result::{Input, Origin};
use crate::characterisation::Characterisation;
use crate::fluid::{Density, Exponent, FlowCondition, carry, of_bench};
use crate::surface::{Figure, InjectorSurface, Query, build};
use crate::units::Basis;

/// Voltage of a running engine, V. Common practice, no source.
const RUNNING_VOLTAGE: f64 = 14.0;
/// Differential pressure of most port injection, kPa. Common practice, no source.
const USUAL_PRESSURE: f64 = 300.0;

/// The set as the engine sees it.
pub(super) struct Set {
    /// Fuel by mass through one injector held open, mg/ms (= g/s).
    pub mass_flow: Number,
    /// Dead time at the running voltage, ms.
    pub dead_time: Option<Number>,
    /// Differential pressure of both, kPa; `None` where nothing tells.
    pub pressure_kpa: Option<f64>,
    /// Exponent of flow against pressure.
    pub exponent: Exponent,
    /// Longest of the injectors' shortest linear pulses, ms.
    pub linear_from_ms: Option<f64>,
    /// Basis in which flow was given.
    pub basis: Basis,
    /// The measured surfaces, empty for a nominal set.
    pub surfaces: Vec<InjectorSurface>,
    /// Factor from the bench's quantity to mg of fuel.
    pub to_fuel_mass: Number,
    /// Whether flow or dead time lies outside what was measured.
    pub extrapolated: bool,
}

impl Set {
    /// Pulse width for `mg` of fuel by the measured curves; `None` where they do not
    /// reach, or nothing was measured.
    /// With it, whether it lies outside what was measured.
    pub fn measured_pulse(&self, mg: f64, query: &Query) -> Option<(Number, bool)> {
        let widths: Vec<Figure> = self
            .surfaces
            .iter()
            .map(|s| s.pulse_width(query, mg / self.to_fuel_mass.value))
            .collect::<Result<_, _>>()
            .ok()?;
        let mean = Figure::mean(&widths)?;
        // The factor to fuel moves the open time, not the dead time.
        let net = Number::exact(mg).over(self.mass_flow).value;
        let factor = self.to_fuel_mass.scaled(1.0 / self.to_fuel_mass.value);
        let shift = Number::exact(net).over(factor).minus(Number::exact(net));
        let pulse = Number::with(mean.value, mean.standard_uncertainty()).plus(shift);
        Some((pulse, mean.extrapolated))
    }

    /// Where the running engine lies on the surfaces, at another pressure if need be.
    pub fn query(&self, request: &Request, pressure_kpa: Option<f64>) -> Query {
        Query {
            voltage_v: self
                .surfaces
                .first()
                .and_then(|s| running_voltage(s, request)),
            pressure_kpa: self
                .surfaces
                .first()
                .filter(|s| !s.pressures_kpa().is_empty())
                .and(pressure_kpa),
            extrapolate: true,
        }
    }
}

fn running_voltage(surface: &InjectorSurface, request: &Request) -> Option<f64> {
    let axis = surface.voltages_v();
    let (lo, hi) = (axis.first()?, axis.last()?);
    Some(request.voltage_v.unwrap_or(RUNNING_VOLTAGE.clamp(*lo, *hi)))
}

/// A set from a data sheet: flow taken as that of the engine's own fuel.
pub(super) fn nominal(
    request: &Request,
    fuel: &Density,
    pressure_kpa: Option<f64>,
    inputs: &mut Vec<Input>,
    assumptions: &mut Vec<String>,
) -> Result<Set, DemandError> {
    let flow = request.flow.ok_or(DemandError::NoInjector)?;
    let (value, unit) = match flow.basis {
        Basis::Volume => (60.0 * flow.value, "cc/min"),
        Basis::Mass => (flow.value, "g/s"),
    };
    inputs.push(Input {
        name: "flow",
        value,
        unit,
        standard_uncertainty: flow.u().map(|u| u * value / flow.value),
        origin: Origin::Assumed,
        assumed: true,
        to_know: Some("run the set on a flow bench and give the characterisation file; data sheets are for another fluid and a stated pressure".to_owned()),
    });
    assumptions
        .push("the nominal flow is taken as that of this fuel, the whole set alike".to_owned());
    let exponent = Exponent::ASSUMED;
    let here = pressure_kpa.or(request.flow_pressure_kpa);
    let mut factor = Number::exact(1.0);
    match (request.flow_pressure_kpa, pressure_kpa) {
        (Some(from), Some(to)) if from != to => {
            let at = |p| FlowCondition { pressure_kpa: Some(p), density: None };
            let carried = carry(flow.basis, &at(from), &at(to), exponent);
            factor = Number::with(carried.factor, Some(carried.factor * carried.relative_uncertainty));
            assumptions.extend(carried.steps.into_iter().map(|s| format!("flow carried {}: {}", s.what, s.assumption)));
        }
        (None, Some(_)) => assumptions.push("the nominal flow is taken at the engine's own differential pressure; state --flow-pressure where it was given at another".to_owned()),
        _ => {}
    }
    let to_mass = match flow.basis {
        Basis::Volume => density_number(fuel),
        Basis::Mass => Number::exact(1.0),
    };
    if let Some(ms) = request.dead_time_ms {
        inputs.push(Input {
            name: "dead_time",
            value: ms,
            unit: "ms",
            standard_uncertainty: request.dead_time_tolerance_ms.map(of_rectangle),
            origin: Origin::Assumed,
            assumed: true,
            to_know: Some(
                "run the set at three pulse widths or more, at the running voltage and pressure"
                    .to_owned(),
            ),
        });
    }
    Ok(Set {
        mass_flow: Number::with(flow.value, flow.u())
            .times(factor)
            .times(to_mass),
        dead_time: request
            .dead_time_ms
            .map(|x| Number::with(x, request.dead_time_tolerance_ms.map(of_rectangle))),
        pressure_kpa: here,
        exponent,
        linear_from_ms: None,
        basis: flow.basis,
        surfaces: Vec::new(),
        to_fuel_mass: Number::exact(1.0),
        extrapolated: false,
    })
}

/// The fuel's density; one that was typed counts as exact.
pub(super) fn density_number(fuel: &Density) -> Number {
    Number::exact(fuel.value).through_density(1.0, fuel.relative())
}

/// The measured set: mean of its injectors, carried to the fuel by the orifice law.
pub(super) fn measured(
    document: &Characterisation,
    request: &Request,
    fuel: &Density,
    pressure_kpa: Option<f64>,
    inputs: &mut Vec<Input>,
    assumptions: &mut Vec<String>,
) -> Result<Set, DemandError> {
    let surfaces: Vec<InjectorSurface> = document
        .injectors
        .iter()
        .map(|i| build(&i.id, &i.sweeps, None))
        .collect::<Result<_, _>>()?;
    let first = surfaces.first().ok_or(DemandError::NoInjector)?;
    let basis = first.basis;
    if surfaces.iter().any(|s| s.basis != basis) {
        return Err(DemandError::MixedBasis);
    }
    let pressures = first.pressures_kpa();
    let near = pressures.iter().copied().min_by(|a, b| {
        (a - USUAL_PRESSURE)
            .abs()
            .total_cmp(&(b - USUAL_PRESSURE).abs())
    });
    if pressure_kpa.is_none() && near.is_some() {
        assumptions.push(format!(
            "differential pressure not stated; that of the bench, {} kPa, is taken",
            near.unwrap_or_default()
        ));
    }
    let pressure = if near.is_none() {
        None
    } else {
        pressure_kpa.or(near)
    };
    let query = Query {
        voltage_v: running_voltage(first, request),
        pressure_kpa: pressure,
        extrapolate: request.extrapolate,
    };
    let mean = |list: Vec<Figure>| Figure::mean(&list).expect("a set holds at least one injector");
    let slope = mean(
        surfaces
            .iter()
            .map(|s| s.slope(&query))
            .collect::<Result<_, _>>()?,
    );
    let dead = mean(
        surfaces
            .iter()
            .map(|s| s.dead_time(&query))
            .collect::<Result<_, _>>()?,
    );
    if slope.extrapolated || dead.extrapolated {
        assumptions.push("voltage or pressure lies outside what was measured: flow and dead time are extrapolated".to_owned());
    }
    let to_fuel_mass = fuel_factor(document, basis, fuel, assumptions);
    let number = |f: &Figure| Number::with(f.value, f.standard_uncertainty());
    push_measured(inputs, "flow", number(&slope), basis.flow_unit().word());
    push_measured(inputs, "dead_time", number(&dead), "ms");
    if let Some(volts) = query.voltage_v {
        inputs.push(Input {
            name: "voltage",
            value: volts,
            unit: "V",
            standard_uncertainty: None,
            origin: if request.voltage_v.is_some() { Origin::Stated } else { Origin::Assumed },
            assumed: request.voltage_v.is_none(),
            to_know: request.voltage_v.is_none().then(|| "measure the voltage at the injector with the engine running, and state --voltage".to_owned()),
        });
    }
    let linear_from_ms = document
        .injectors
        .iter()
        .zip(&surfaces)
        .filter_map(|(injector, surface)| {
            injector
                .sweeps
                .iter()
                .filter(|s| s.stage == surface.stage && s.linear_flow_range_ms.is_some())
                .min_by(|a, b| distance(a, &query).total_cmp(&distance(b, &query)))
                .and_then(|s| s.linear_flow_range_ms)
                .map(|range| range[0])
        })
        .reduce(f64::max);
    let exponent = first.power_law.exponent;
    Ok(Set {
        mass_flow: number(&slope).times(to_fuel_mass),
        dead_time: Some(number(&dead)),
        pressure_kpa: pressure,
        exponent,
        linear_from_ms,
        basis,
        surfaces,
        to_fuel_mass,
        extrapolated: slope.extrapolated || dead.extrapolated,
    })
}

/// How far a sweep's condition lies from a query, in relative steps.
fn distance(sweep: &crate::fit::SweepFit, query: &Query) -> f64 {
    let step = |a: Option<f64>, b: Option<f64>| match (a, b) {
        (Some(a), Some(b)) => (a / b).ln().abs(),
        _ => 0.0,
    };
    step(sweep.voltage_v, query.voltage_v) + step(sweep.pressure_kpa, query.pressure_kpa)
}

fn push_measured(inputs: &mut Vec<Input>, name: &'static str, x: Number, unit: &'static str) {
    inputs.push(Input {
        name,
        value: x.value,
        unit,
        standard_uncertainty: x.u(),
        origin: Origin::Measured,
        assumed: false,
        to_know: None,
    });
}

/// From a quantity of test fluid as the bench read it to mg of fuel: by the orifice
/// law and the fuel's density together, mass of fuel goes with the root of it (E11, E12).
fn fuel_factor(
    document: &Characterisation,
    basis: Basis,
    fuel: &Density,
    assumptions: &mut Vec<String>,
) -> Number {
    let at = |density: Density| FlowCondition {
        pressure_kpa: None,
        density: Some(density),
    };
    let to_mass = match basis {
        Basis::Volume => fuel.value,
        Basis::Mass => 1.0,
    };
    match of_bench(document.bench.fluid.as_ref(), None) {
        Ok(test) => {
            assumptions.extend(test.assumptions.iter().cloned());
            // Its doubt enters once, below, with the power that is left.
            let exact = Density {
                standard_uncertainty: 0.0,
                ..fuel.clone()
            };
            let carried = carry(basis, &at(test), &at(exact), Exponent::ASSUMED);
            let factor = carried.factor * to_mass;
            assumptions.extend(
                carried
                    .steps
                    .into_iter()
                    .map(|s| format!("flow carried {}: {}", s.what, s.assumption)),
            );
            Number::with(factor, Some(factor * carried.relative_uncertainty))
                .through_density(0.5, fuel.relative())
        }
        Err(_) => {
            assumptions.push("the density of the test fluid is not stated: flow taken as that of the fuel (petrol flows about 4 % less by volume than n-heptane)".to_owned());
            let power = if basis == Basis::Volume { 1.0 } else { 0.0 };
            Number::exact(to_mass).through_density(power, fuel.relative())
        }
    }
}
