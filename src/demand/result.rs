//! The answer.

use serde::Serialize;

use crate::units::Estimate;

/// Said with every answer.
pub const CAUTIONS: [&str; 4] = [
    "a cylinder that runs lean under load destroys the engine: these figures are a start, not a calibration",
    "verify the mixture on the running engine with a calibrated wideband sensor, from low load upwards",
    "dead time errors matter most at idle: there the dead time is a large part of the pulse",
    "fuel under pressure burns and injures: relieve the pressure and disconnect the battery before opening a line; follow the maker's data sheets and local codes",
];

/// Where an input comes from.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Origin {
    /// Stated by the user.
    Stated,
    /// From the characterisation file.
    Measured,
    /// From other inputs.
    Derived,
    /// Assumed.
    Assumed,
}

/// One input with its origin.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Input {
    /// Name.
    pub name: &'static str,
    /// Value.
    pub value: f64,
    /// Unit in words.
    pub unit: &'static str,
    /// Standard uncertainty; null where none is known.
    pub standard_uncertainty: Option<f64>,
    /// Origin.
    pub origin: Origin,
    /// Whether it is assumed.
    pub assumed: bool,
    /// What it would take to know it, for assumed inputs.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub to_know: Option<String>,
}

/// A figure that cannot be given, and why.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct NotKnown {
    /// Field.
    pub figure: &'static str,
    /// What is missing.
    pub needs: &'static str,
}

/// The pulse that fuels one full cylinder at the target mixture.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct FullCylinderPulse {
    /// Net open time, ms.
    pub net: Estimate,
    /// With dead time, ms; null where no dead time is known.
    pub gross: Option<Estimate>,
}

/// One flow in the usual units.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct FlowFigures {
    /// g/s.
    pub g_per_s: Estimate,
    /// lb/h.
    pub lb_per_h: Estimate,
    /// cc/min.
    pub cc_per_min: Estimate,
}

/// The shortest pulse at idle against the measured linear range.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Idle {
    /// Net open time at idle, ms.
    pub net: Estimate,
    /// Pulse width at idle, ms.
    pub pulse_ms: Option<Estimate>,
    /// Dead time's share of that pulse, percent.
    pub dead_time_share_percent: Option<f64>,
    /// Shortest pulse of the linear flow range, ms; the largest of the set's.
    pub linear_from_ms: Option<f64>,
    /// `inside`, `below` the linear range (the set is too large to idle well), or `unknown`.
    pub verdict: &'static str,
    /// Whether the pulse lies outside what was measured.
    pub extrapolated: bool,
}

/// From an old set to this one.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Replacement {
    /// Old flow over new: multiply fuel pulses (net) by this.
    pub pulse_scale: Estimate,
    /// New dead time less old, ms.
    pub dead_time_change_ms: Option<Estimate>,
}

/// What the pump has to give.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct PumpFigures {
    /// Gauge pressure at the rail, kPa.
    pub rail_pressure_kpa: f64,
    /// Margin, percent.
    pub margin_percent: f64,
    /// Flow needed with margin, cc/min.
    pub needed_cc_per_min: Estimate,
    /// What the pump gives there, cc/min; null without a curve or outside it.
    pub available_cc_per_min: Option<f64>,
    /// Available over needed less one, percent.
    pub headroom_percent: Option<f64>,
    /// `enough`, `short`, or `unknown`.
    pub verdict: &'static str,
}

/// Raising pressure instead of changing injectors.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct RaisedPressure {
    /// Differential pressure that brings duty at peak to the limit, kPa.
    pub needed_kpa: Estimate,
    /// Flow gained there, percent.
    pub flow_gain_percent: f64,
    /// Words of warning.
    pub warning: Option<String>,
}

/// The whole answer.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Demand {
    /// Pulse that fuels one full cylinder.
    pub full_cylinder_pulse_ms: Option<FullCylinderPulse>,
    /// Duty at peak.
    pub duty_at_peak_percent: Option<Estimate>,
    /// The limit it is held against, percent.
    pub duty_limit_percent: f64,
    /// Limit over duty less one, percent: how much more fuel the set could give.
    pub headroom_percent: Option<Estimate>,
    /// Peak power that the set supports at the duty limit.
    pub supported_power_kw: Option<Estimate>,
    /// Fuel at peak, one injector.
    pub fuel_per_injector: Option<FlowFigures>,
    /// Fuel at peak, all injectors.
    pub fuel_total: Option<FlowFigures>,
    /// Flow that each injector must have to serve the peak at the duty limit.
    pub flow_needed_per_injector: Option<FlowFigures>,
    /// Flow of one injector held open, with this fuel at this pressure.
    pub flow_per_injector: FlowFigures,
    /// Air in one full cylinder, mg.
    pub air_per_cylinder_mg: Option<f64>,
    /// Fuel for one full cylinder, mg.
    pub fuel_per_cylinder_mg: Option<f64>,
    /// Differential pressure, kPa; null where nothing tells it.
    pub differential_pressure_kpa: Option<f64>,
    /// Whether flow or dead time lies outside what was measured: every figure that rests
    /// on them then does.
    pub extrapolated: bool,
    /// Idle.
    pub idle: Option<Idle>,
    /// Change from an old set.
    pub replacement: Option<Replacement>,
    /// Pump.
    pub pump: Option<PumpFigures>,
    /// Pressure instead of injectors; where the duty is above the limit.
    pub raised_pressure: Option<RaisedPressure>,
    /// What went in, with origin.
    pub inputs: Vec<Input>,
    /// What was taken for granted, in words.
    pub assumptions: Vec<String>,
    /// What could not be told.
    pub not_known: Vec<NotKnown>,
    /// Cautions.
    pub cautions: [&'static str; 4],
}

impl Demand {
    /// Whether something that was asked for fails: duty above its limit or pump short.
    pub fn fails(&self) -> bool {
        self.duty_at_peak_percent
            .as_ref()
            .is_some_and(|d| d.value > self.duty_limit_percent)
            || self.pump.as_ref().is_some_and(|p| p.verdict == "short")
    }
}
