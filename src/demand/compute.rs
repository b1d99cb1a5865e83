//! The arithmetic, formula by formula (docs/methods.md, E20 to E31).

use super::inputs::{DemandError, Regulator, Request};
use super::number::Number;
use super::result::{CAUTIONS, Demand, FlowFigures, FullCylinderPulse, Input, NotKnown, Origin};
use super::set::{Set, density_number, measured, nominal};
use crate::characterisation::Characterisation;
use crate::fluid::{AMBIENT_KPA, Density, air_density, test_fluid};
use crate::units::{FlowUnit, Unit};

/// Largest duty that a set is usually run at, percent (80 to 85). Common practice, no source.
const DUTY_LIMIT: f64 = 100.0 * crate::capture::DUTY_LIMIT;
/// Brake-specific fuel consumption of a naturally aspirated petrol engine at full
/// load, g/kWh (0.50 lb/hp/h). Common practice, no source.
const USUAL_CONSUMPTION: f64 = 304.138_69;
/// Intake temperature where none is stated, °C: standard atmosphere.
const USUAL_AIR_TEMPERATURE: f64 = 15.0;
/// Fuel temperature where none is stated, °C.
const USUAL_FUEL_TEMPERATURE: f64 = 20.0;

/// Answers what the engine asks of the set.
///
/// `document`: the measured set, if there is one; else the request's nominal flow.
///
/// # Errors
/// [`DemandError`] where there is no injector, a number cannot be, or the set does
/// not answer at this voltage and pressure. Figures that lack an input are absent
/// and named in `not_known`.
pub fn demand(
    document: Option<&Characterisation>,
    request: &Request,
) -> Result<Demand, DemandError> {
    request.check()?;
    let mut book = Book::default();
    let (fuel, stoichiometric) = fuel(request, &mut book)?;
    let pressure = differential_pressure(request, &mut book)?;
    let set = match document {
        Some(document) => measured(
            document,
            request,
            &fuel,
            pressure,
            &mut book.inputs,
            &mut book.assumptions,
        )?,
        None => nominal(
            request,
            &fuel,
            pressure,
            &mut book.inputs,
            &mut book.assumptions,
        )?,
    };
    let work = Work::new(request, &set, fuel, stoichiometric, &mut book);
    let duty_limit = request.duty_limit_percent.unwrap_or_else(|| {
        book.assumed(
            "duty_limit",
            DUTY_LIMIT,
            "percent",
            "common practice is 80 to 85 %; the maker's data sheet may say otherwise",
        )
    });
    let cylinder = work.full_cylinder(&mut book);
    let fuel_per_injector = work.fuel_at_peak(cylinder.as_ref().map(|c| c.fuel_mg), &mut book);
    let duty = fuel_per_injector.map(|fuel| work.duty(fuel));
    let needed = fuel_per_injector.map(|fuel| fuel.scaled(100.0 / duty_limit));
    let supported = work.supported_power(duty_limit, &mut book);
    let total = fuel_per_injector.map(|fuel| fuel.scaled(work.injectors()));
    Ok(Demand {
        full_cylinder_pulse_ms: cylinder.as_ref().map(|c| FullCylinderPulse {
            net: c.net.estimate(Unit::Millisecond),
            gross: set
                .dead_time
                .map(|x| c.net.plus(x).estimate(Unit::Millisecond)),
        }),
        duty_at_peak_percent: duty.map(|d| d.estimate(Unit::Percent)),
        duty_limit_percent: duty_limit,
        headroom_percent: duty.map(|d| {
            let ratio = Number::exact(100.0 * duty_limit).over(d);
            ratio.minus(Number::exact(100.0)).estimate(Unit::Percent)
        }),
        supported_power_kw: supported.map(|p| p.estimate(Unit::Kilowatt)),
        fuel_per_injector: fuel_per_injector.map(|f| work.figures(f)),
        fuel_total: total.map(|f| work.figures(f)),
        flow_needed_per_injector: needed.map(|f| work.figures(f)),
        flow_per_injector: work.figures(set.mass_flow),
        air_per_cylinder_mg: cylinder.as_ref().map(|c| c.air_mg),
        fuel_per_cylinder_mg: cylinder.as_ref().map(|c| c.fuel_mg),
        differential_pressure_kpa: set.pressure_kpa,
        extrapolated: set.extrapolated,
        idle: work.idle(cylinder.as_ref(), &mut book),
        replacement: work.replacement()?,
        pump: work.pump(total, &mut book),
        raised_pressure: work.raised_pressure(duty, duty_limit),
        inputs: book.inputs,
        assumptions: book.assumptions,
        not_known: book.not_known,
        cautions: CAUTIONS,
    })
}

/// What went in, what was assumed, what could not be told.
#[derive(Default)]
pub(super) struct Book {
    inputs: Vec<Input>,
    assumptions: Vec<String>,
    not_known: Vec<NotKnown>,
}

impl Book {
    fn note(
        &mut self,
        name: &'static str,
        value: f64,
        unit: &'static str,
        origin: Origin,
        to_know: Option<&str>,
    ) -> f64 {
        self.inputs.push(Input {
            name,
            value,
            unit,
            standard_uncertainty: None,
            origin,
            assumed: origin == Origin::Assumed,
            to_know: to_know.map(str::to_owned),
        });
        value
    }

    fn assumed(
        &mut self,
        name: &'static str,
        value: f64,
        unit: &'static str,
        to_know: &str,
    ) -> f64 {
        self.note(name, value, unit, Origin::Assumed, Some(to_know))
    }

    /// A stated value, or the assumed one.
    pub fn or_assumed(
        &mut self,
        stated: Option<f64>,
        name: &'static str,
        value: f64,
        unit: &'static str,
        to_know: &str,
    ) -> f64 {
        match stated {
            Some(stated) => self.note(name, stated, unit, Origin::Stated, None),
            None => self.assumed(name, value, unit, to_know),
        }
    }

    pub fn missing(&mut self, figure: &'static str, needs: &'static str) {
        self.not_known.push(NotKnown { figure, needs });
    }
}

/// Density and stoichiometric ratio of the fuel.
fn fuel(request: &Request, book: &mut Book) -> Result<(Density, Option<f64>), DemandError> {
    let known = request
        .fuel
        .as_deref()
        .map(test_fluid)
        .transpose()
        .map_err(DemandError::Fuel)?;
    let ratio = known.as_ref().and_then(|k| k.stoichiometric_ratio);
    if let Some(value) = request.fuel_density {
        book.note("fuel_density", value, "g/ml", Origin::Stated, None);
        return Ok((
            Density {
                value,
                standard_uncertainty: 0.0,
                assumptions: Vec::new(),
            },
            ratio,
        ));
    }
    let name_given = known.is_some();
    let known = match known {
        Some(known) => known,
        None => test_fluid("petrol").map_err(DemandError::Fuel)?,
    };
    let t = request.fuel_temperature_c.unwrap_or(USUAL_FUEL_TEMPERATURE);
    let density = known.density(t).map_err(DemandError::Fuel)?;
    book.inputs.push(Input {
        name: "fuel_density",
        value: density.value,
        unit: "g/ml",
        standard_uncertainty: Some(density.standard_uncertainty),
        origin: Origin::Assumed,
        assumed: true,
        to_know: Some("read a hydrometer at the fuel's temperature, or the supplier's analysis; then --fuel-density".to_owned()),
    });
    if !name_given {
        book.assumptions
            .push("fuel not stated; petrol assumed".to_owned());
    }
    book.assumptions.extend(density.assumptions.iter().cloned());
    Ok((
        density,
        if name_given {
            ratio
        } else {
            known.stoichiometric_ratio
        },
    ))
}

/// Differential pressure, kPa: stated, or rail (gauge) + atmosphere − intake (absolute).
fn differential_pressure(request: &Request, book: &mut Book) -> Result<Option<f64>, DemandError> {
    if let Some(kpa) = request.differential_pressure_kpa {
        return Ok(Some(book.note(
            "differential_pressure",
            kpa,
            "kPa",
            Origin::Stated,
            None,
        )));
    }
    let Some(rail) = request.rail_pressure_kpa else {
        return Ok(None);
    };
    book.note("rail_pressure", rail, "kPa", Origin::Stated, None);
    let intake = book.or_assumed(
        request.intake_pressure_kpa,
        "intake_pressure",
        AMBIENT_KPA,
        "kPa",
        "log the manifold pressure at full load",
    );
    book.assumptions
        .push("the gauge at the rail reads against 101.325 kPa".to_owned());
    // A manifold-referenced regulator is set with the intake at the atmosphere's
    // pressure: then rail by gauge is the differential pressure at every load.
    let differential = match request.regulator {
        Regulator::Manifold if request.intake_pressure_kpa.is_none() => rail,
        _ => rail + AMBIENT_KPA - intake,
    };
    if differential <= 0.0 {
        return Err(DemandError::NoPressure { rail, intake });
    }
    Ok(Some(book.note(
        "differential_pressure",
        differential,
        "kPa",
        Origin::Derived,
        None,
    )))
}

/// Air and fuel of one full cylinder.
pub(super) struct Cylinder {
    pub air_mg: f64,
    pub fuel_mg: f64,
    pub net: Number,
}

/// Everything the formulas share.
pub(super) struct Work<'a> {
    pub request: &'a Request,
    pub set: &'a Set,
    pub fuel: Density,
    pub ratio: Option<f64>,
    pub injectors_per_cylinder: f64,
    pub intake_kpa: f64,
    pub strokes: f64,
}

impl<'a> Work<'a> {
    fn new(
        request: &'a Request,
        set: &'a Set,
        fuel: Density,
        stoichiometric: Option<f64>,
        book: &mut Book,
    ) -> Self {
        let ratio = match (request.air_fuel_ratio, stoichiometric) {
            (Some(ratio), _) => Some(book.note("air_fuel_ratio", ratio, "ratio", Origin::Stated, None)),
            (None, Some(ratio)) => Some(book.assumed("air_fuel_ratio", ratio, "ratio", "the stoichiometric ratio of the fuel is taken; full load usually wants it richer: state --air-fuel-ratio")),
            (None, None) => None,
        };
        let per_cylinder = request.injectors_per_cylinder.map(f64::from);
        let injectors_per_cylinder = book.or_assumed(
            per_cylinder,
            "injectors_per_cylinder",
            1.0,
            "count",
            "count them",
        );
        let strokes = book.or_assumed(
            request.strokes.map(f64::from),
            "strokes",
            4.0,
            "count",
            "state --strokes 2 for a two-stroke engine",
        );
        Self {
            request,
            set,
            fuel,
            ratio,
            injectors_per_cylinder,
            intake_kpa: request.intake_pressure_kpa.unwrap_or(AMBIENT_KPA),
            strokes,
        }
    }

    fn injectors(&self) -> f64 {
        f64::from(self.request.cylinders.unwrap_or(1)) * self.injectors_per_cylinder
    }

    /// Period of one cycle, ms (E24): 60 000·(strokes/2)/speed.
    pub fn period_ms(&self) -> Option<f64> {
        self.request
            .engine_speed
            .map(|speed| 6e4 * self.strokes / 2.0 / speed)
    }

    /// E20, E21: air = V/z·ρ·VE; fuel = air/AFR; net pulse = fuel/(i·flow).
    fn full_cylinder(&self, book: &mut Book) -> Option<Cylinder> {
        let (Some(displacement), Some(cylinders), Some(ratio)) = (
            self.request.displacement_l,
            self.request.cylinders,
            self.ratio,
        ) else {
            book.missing(
                "full_cylinder_pulse_ms",
                "displacement, cylinders and the target mixture (or the fuel's name)",
            );
            return None;
        };
        book.note("displacement", displacement, "L", Origin::Stated, None);
        book.note(
            "cylinders",
            f64::from(cylinders),
            "count",
            Origin::Stated,
            None,
        );
        let density = match self.request.air_density {
            Some(density) => book.note("air_density", density, "g/L", Origin::Stated, None),
            None => {
                if !book.inputs.iter().any(|i| i.name == "intake_pressure") {
                    book.or_assumed(
                        self.request.intake_pressure_kpa,
                        "intake_pressure",
                        AMBIENT_KPA,
                        "kPa",
                        "log the manifold pressure at full load (absolute)",
                    );
                }
                let t = book.or_assumed(
                    self.request.intake_temperature_c,
                    "intake_temperature",
                    USUAL_AIR_TEMPERATURE,
                    "C",
                    "log the intake temperature at full load",
                );
                book.note(
                    "air_density",
                    air_density(self.intake_kpa, t),
                    "g/L",
                    Origin::Derived,
                    None,
                )
            }
        };
        let efficiency = book.or_assumed(
            self.request.volumetric_efficiency_percent,
            "volumetric_efficiency",
            100.0,
            "percent",
            "measure the airflow, or take it from the engine's own table",
        );
        let air_mg = 1000.0 * displacement / f64::from(cylinders) * density * efficiency / 100.0;
        let fuel_mg = air_mg / ratio;
        Some(Cylinder {
            air_mg,
            fuel_mg,
            net: Number::exact(fuel_mg / self.injectors_per_cylinder).over(self.set.mass_flow),
        })
    }

    /// E22, E23: fuel through one injector at peak, mg/ms: from power and consumption,
    /// else from a full cylinder every cycle.
    fn fuel_at_peak(&self, cylinder_mg: Option<f64>, book: &mut Book) -> Option<Number> {
        if let (Some(power), Some(_)) = (self.request.power_kw, self.request.cylinders) {
            book.note("power", power, "kW", Origin::Stated, None);
            let consumption = self.consumption(book);
            return Some(Number::exact(
                power * consumption / 3600.0 / self.injectors(),
            ));
        }
        match (cylinder_mg, self.period_ms()) {
            (Some(mg), Some(period)) => {
                book.note(
                    "engine_speed",
                    self.request.engine_speed.unwrap_or_default(),
                    "1/min",
                    Origin::Stated,
                    None,
                );
                Some(Number::exact(mg / self.injectors_per_cylinder / period))
            }
            _ => {
                book.missing("duty_at_peak_percent", "peak power and the number of cylinders, or engine speed with displacement and mixture");
                None
            }
        }
    }

    fn consumption(&self, book: &mut Book) -> f64 {
        if let Some(known) = book.inputs.iter().find(|i| i.name == "fuel_consumption") {
            return known.value;
        }
        book.or_assumed(
            self.request.fuel_consumption,
            "fuel_consumption",
            USUAL_CONSUMPTION,
            "g/kWh",
            "a dynamometer run with fuel flow; 0.50 lb/hp/h is common practice for naturally aspirated petrol, boosted engines and alcohols need more",
        )
    }

    /// E25: duty = fuel/flow + dead time/period (the last where the speed is known).
    fn duty(&self, fuel: Number) -> Number {
        let open = fuel.over(self.set.mass_flow).scaled(100.0);
        match (self.set.dead_time, self.period_ms()) {
            (Some(dead), Some(period)) => open.plus(dead.scaled(100.0 / period)),
            _ => open,
        }
    }

    /// E26: power = injectors·flow·(limit − dead time/period)/consumption.
    fn supported_power(&self, limit: f64, book: &mut Book) -> Option<Number> {
        if self.request.cylinders.is_none() {
            book.missing("supported_power_kw", "the number of cylinders");
            return None;
        }
        let consumption = self.consumption(book);
        let share = match (self.set.dead_time, self.period_ms()) {
            (Some(dead), Some(period)) => {
                Number::exact(limit / 100.0).minus(dead.scaled(1.0 / period))
            }
            _ => {
                book.assumptions.push("duty and supported power leave the dead time out, since engine speed or dead time is not stated; with them the set supports a few percent less".to_owned());
                Number::exact(limit / 100.0)
            }
        };
        Some(
            self.set
                .mass_flow
                .times(share)
                .scaled(self.injectors() * 3600.0 / consumption),
        )
    }

    /// A fuel flow by mass (mg/ms) in the usual units.
    fn figures(&self, mass: Number) -> FlowFigures {
        let volume = mass.over(density_number(&self.fuel));
        let of = |n: Number, unit: FlowUnit| n.scaled(unit.per_inner()).estimate(unit.unit());
        FlowFigures {
            g_per_s: of(mass, FlowUnit::GramPerSecond),
            lb_per_h: of(mass, FlowUnit::LbPerHour),
            cc_per_min: of(volume, FlowUnit::CcPerMin),
        }
    }
}
