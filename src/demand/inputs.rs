//! What is known of engine, fuel and supply, as typed.

use thiserror::Error;

use super::pump::PumpCurve;
use crate::fluid::FluidError;
use crate::surface::SurfaceError;
use crate::units::Basis;

/// A flow from a data sheet or a listing.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct NominalFlow {
    /// Volume or mass.
    pub basis: Basis,
    /// mm³/ms or mg/ms.
    pub value: f64,
    /// Half-width of the rectangle it lies in, in the same unit; `None` = not stated.
    pub tolerance: Option<f64>,
}

impl NominalFlow {
    /// Standard uncertainty, where a tolerance is stated.
    pub(super) fn u(self) -> Option<f64> {
        self.tolerance.map(of_rectangle)
    }
}

/// Standard deviation of a rectangle of half-width `tolerance` (GUM 4.3.7).
pub(super) fn of_rectangle(tolerance: f64) -> f64 {
    tolerance / 3f64.sqrt()
}

/// What holds the fuel pressure.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub enum Regulator {
    /// Rail pressure follows the intake, so that the differential pressure is constant.
    #[default]
    Manifold,
    /// Rail pressure is constant against the atmosphere.
    Fixed,
}

/// The question. What is absent is assumed where that is possible, and said so.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Request {
    /// Flow of one injector held open, where no set was measured.
    pub flow: Option<NominalFlow>,
    /// Differential pressure that this flow belongs to, kPa.
    pub flow_pressure_kpa: Option<f64>,
    /// Dead time, ms, where no set was measured.
    pub dead_time_ms: Option<f64>,
    /// Half-width of the rectangle that dead time lies in, ms.
    pub dead_time_tolerance_ms: Option<f64>,
    /// Supply voltage at which the engine runs, V.
    pub voltage_v: Option<f64>,
    /// Answer at voltages and pressures outside what was measured too, marked.
    pub extrapolate: bool,
    /// Injectors per cylinder.
    pub injectors_per_cylinder: Option<u32>,
    /// Total displacement, L.
    pub displacement_l: Option<f64>,
    /// Cylinders.
    pub cylinders: Option<u32>,
    /// Strokes of a cycle, 2 or 4.
    pub strokes: Option<u32>,
    /// Target mixture: mass of air for a unit mass of fuel.
    pub air_fuel_ratio: Option<f64>,
    /// Density of the intake air, g/L.
    pub air_density: Option<f64>,
    /// Absolute intake pressure at full load, kPa.
    pub intake_pressure_kpa: Option<f64>,
    /// Intake temperature, °C.
    pub intake_temperature_c: Option<f64>,
    /// Volumetric efficiency, percent.
    pub volumetric_efficiency_percent: Option<f64>,
    /// Fuel by name.
    pub fuel: Option<String>,
    /// Density of the fuel, g/mL.
    pub fuel_density: Option<f64>,
    /// Temperature of the fuel, °C.
    pub fuel_temperature_c: Option<f64>,
    /// Peak power, kW.
    pub power_kw: Option<f64>,
    /// Brake-specific fuel consumption, g/kWh.
    pub fuel_consumption: Option<f64>,
    /// Engine speed at peak, 1/min.
    pub engine_speed: Option<f64>,
    /// Idle speed is not needed: a pulse serves one cycle. Absolute intake pressure at idle, kPa.
    pub idle_pressure_kpa: Option<f64>,
    /// Largest duty, percent.
    pub duty_limit_percent: Option<f64>,
    /// Rail pressure by gauge, kPa.
    pub rail_pressure_kpa: Option<f64>,
    /// Differential pressure, kPa.
    pub differential_pressure_kpa: Option<f64>,
    /// Regulator.
    pub regulator: Regulator,
    /// What the pump gives.
    pub pump: Option<PumpCurve>,
    /// Margin of the pump over what is needed, percent.
    pub pump_margin_percent: Option<f64>,
    /// Flow of an injector of the old set, in the basis of the new.
    pub old_flow: Option<NominalFlow>,
    /// Dead time of the old set, ms.
    pub old_dead_time_ms: Option<f64>,
    /// Half-width of the rectangle the old dead time lies in, ms.
    pub old_dead_time_tolerance_ms: Option<f64>,
}

/// Why the question cannot be answered at all.
#[derive(Debug, Clone, PartialEq, Error)]
pub enum DemandError {
    /// Neither a set nor a flow.
    #[error("no injector: neither a characterisation file nor a flow is given")]
    NoInjector,
    /// A number that must be above zero is not.
    #[error("{what} must be above zero")]
    NotPositive {
        /// What.
        what: &'static str,
    },
    /// Strokes other than 2 or 4.
    #[error("an engine has 2 or 4 strokes, not {strokes}")]
    Strokes {
        /// As given.
        strokes: u32,
    },
    /// The rail pressure does not overcome the intake pressure.
    #[error(
        "rail pressure {rail} kPa (gauge) with intake pressure {intake} kPa (absolute) leaves no differential pressure"
    )]
    NoPressure {
        /// Rail, gauge, kPa.
        rail: f64,
        /// Intake, absolute, kPa.
        intake: f64,
    },
    /// The fuel is not known.
    #[error("fuel: {0}")]
    Fuel(FluidError),
    /// The set does not answer at this voltage and pressure.
    #[error(transparent)]
    Surface(#[from] SurfaceError),
    /// Injectors read in different bases.
    #[error("some injectors were read by volume, others by mass")]
    MixedBasis,
    /// Old and new flow are by volume and by mass.
    #[error("the old flow is by {old}, the new by {new}: state both alike, or a fuel density")]
    OldBasis {
        /// Old.
        old: &'static str,
        /// New.
        new: &'static str,
    },
}

impl DemandError {
    /// What the user can do, one line.
    pub fn hint(&self) -> &'static str {
        match self {
            Self::NoInjector => {
                "give a characterisation file, or --flow 420cc/min and --dead-time 0.8ms"
            }
            Self::NotPositive { .. } | Self::Strokes { .. } => "look at the number again",
            Self::NoPressure { .. } => {
                "state --rail-pressure by gauge and --intake-pressure absolute (101 kPa at sea level)"
            }
            Self::Fuel(_) => {
                "fuels: petrol, petrol@0.735, E10, E85, ethanol, methanol; or state --fuel-density and --air-fuel-ratio"
            }
            Self::Surface(_) => {
                "state --voltage and --differential-pressure inside what was measured; --extrapolate answers all the same, marked"
            }
            Self::MixedBasis => "fit volumes and masses into separate files",
            Self::OldBasis { .. } => "add --fuel or --fuel-density",
        }
    }
}

impl Request {
    /// Refuses numbers that cannot be.
    pub(super) fn check(&self) -> Result<(), DemandError> {
        let named = [
            ("flow", self.flow.map(|f| f.value)),
            ("flow pressure", self.flow_pressure_kpa),
            ("voltage", self.voltage_v),
            ("displacement", self.displacement_l),
            ("cylinders", self.cylinders.map(f64::from)),
            (
                "injectors per cylinder",
                self.injectors_per_cylinder.map(f64::from),
            ),
            ("air-fuel ratio", self.air_fuel_ratio),
            ("air density", self.air_density),
            ("intake pressure", self.intake_pressure_kpa),
            ("volumetric efficiency", self.volumetric_efficiency_percent),
            ("fuel density", self.fuel_density),
            ("power", self.power_kw),
            ("fuel consumption", self.fuel_consumption),
            ("engine speed", self.engine_speed),
            ("idle pressure", self.idle_pressure_kpa),
            ("duty limit", self.duty_limit_percent),
            ("rail pressure", self.rail_pressure_kpa),
            ("differential pressure", self.differential_pressure_kpa),
            ("old flow", self.old_flow.map(|f| f.value)),
        ];
        for (what, value) in named {
            if value.is_some_and(|x| x.is_nan() || x <= 0.0) {
                return Err(DemandError::NotPositive { what });
            }
        }
        match self.strokes {
            Some(strokes) if strokes != 2 && strokes != 4 => Err(DemandError::Strokes { strokes }),
            _ => Ok(()),
        }
    }
}
