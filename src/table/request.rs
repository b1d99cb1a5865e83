//! What is asked of a table and what it holds.

use serde::Serialize;

use crate::finding::Finding;
use crate::surface::{LineMeant, Surface};
use crate::units::{Estimate, FlowUnit, Interval, Unit};

/// What a table is of.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Of {
    /// Dead time against voltage and pressure.
    DeadTime,
    /// Linear flow (slope) against voltage and pressure.
    Flow,
    /// Deviation of the delivered quantity from the line, percent, against pulse width.
    Deviation,
    /// Delivered quantity against pulse width.
    Delivered,
    /// Pulse width for each wanted quantity.
    PulseWidth,
    /// Time to add to net pulse width plus dead time.
    AddedTime,
    /// Two straight lines with a break, and what they cost.
    TwoSegments,
}

impl Of {
    /// The equation by which the table is to be read, in plain text.
    pub fn reading(self) -> &'static str {
        match self {
            Of::DeadTime => {
                "pulse width = dead time + wanted quantity / flow (straight line; short pulses need a further correction)"
            }
            Of::Flow => "quantity per pulse = flow x (pulse width - dead time)",
            Of::Deviation => {
                "quantity per pulse = flow x (pulse width - dead time) x (1 + value / 100)"
            }
            Of::Delivered => "quantity per pulse = value",
            Of::PulseWidth => "pulse width = value, for the quantity beside it",
            Of::AddedTime => {
                "net pulse width = wanted quantity / flow; pulse width = net pulse width + dead time + value"
            }
            Of::TwoSegments => {
                "from break_pulse_width up: quantity = slope_above x (pulse width - dead_time); below: quantity = break_quantity - slope_below x (break_pulse_width - pulse width); cost = what these lines give against the curve"
            }
        }
    }

    /// The word of the option.
    pub fn word(self) -> &'static str {
        match self {
            Of::DeadTime => "dead-time",
            Of::Flow => "flow",
            Of::Deviation => "deviation",
            Of::Delivered => "delivered",
            Of::PulseWidth => "pulse-width",
            Of::AddedTime => "added-time",
            Of::TwoSegments => "two-segments",
        }
    }
}

/// Conditions to which flow and quantity are carried.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Reference {
    /// Differential pressure, kPa.
    pub pressure_kpa: Option<f64>,
    /// Fuel temperature, °C.
    pub temperature_c: Option<f64>,
    /// Fluid by name, as in the fluid table.
    pub fluid: Option<String>,
}

/// A table as asked for. Empty axes take what was measured.
#[derive(Debug, Clone, PartialEq)]
pub struct Request {
    /// What.
    pub of: Of,
    /// Supply voltages, V.
    pub voltages_v: Vec<f64>,
    /// Differential pressures, kPa.
    pub pressures_kpa: Vec<f64>,
    /// Pulse widths, ms; net pulse widths for [`Of::AddedTime`].
    pub pulse_widths_ms: Vec<f64>,
    /// Wanted quantities, mm³ or mg per pulse in the table's basis.
    pub quantities: Vec<f64>,
    /// Injectors; empty = all.
    pub injectors: Vec<String>,
    /// Stage; `None` = each injector's last.
    pub stage: Option<String>,
    /// The mean of the injectors instead of each.
    pub mean: bool,
    /// Unit of flow, which decides between volume and mass.
    pub flow_unit: Option<FlowUnit>,
    /// Conditions to carry to.
    pub reference: Option<Reference>,
    /// Answer outside what was measured.
    pub extrapolate: bool,
    /// Which line flow and dead time are those of.
    pub line_meant: LineMeant,
}

impl Request {
    /// A table on the measured axes, per injector.
    pub fn new(of: Of) -> Self {
        Self {
            of,
            voltages_v: Vec::new(),
            pressures_kpa: Vec::new(),
            pulse_widths_ms: Vec::new(),
            quantities: Vec::new(),
            injectors: Vec::new(),
            stage: None,
            mean: false,
            flow_unit: None,
            reference: None,
            extrapolate: false,
            line_meant: LineMeant::default(),
        }
    }
}

/// One value.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Row {
    /// Injector id, or `mean`.
    pub injector: String,
    /// Supply voltage, V; null where the capture states none.
    pub voltage_v: Option<f64>,
    /// Differential pressure, kPa; null where the capture states none.
    pub pressure_kpa: Option<f64>,
    /// Pulse width, ms (net for added time); null where the value has none.
    pub pulse_width_ms: Option<f64>,
    /// Wanted quantity per pulse, mm³ or mg, where the value belongs to one.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub quantity: Option<f64>,
    /// Unit of that quantity.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub quantity_unit: Option<Unit>,
    /// Which number of a shape that has several.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub part: Option<&'static str>,
    /// Value; null where it has no meaning (a deviation at or below the dead time).
    pub value: Option<f64>,
    /// Unit.
    pub unit: Unit,
    /// Standard uncertainty; null where unknown or where the value is a choice.
    pub standard_uncertainty: Option<f64>,
    /// 95 % interval.
    pub interval_95: Interval,
    /// Whether it lies outside what was measured.
    pub extrapolated: bool,
}

/// Flow at the usual reference pressure in the usual units.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct QuotedFlow {
    /// Injector.
    pub injector: String,
    /// Differential pressure, kPa.
    pub pressure_kpa: f64,
    /// The same, psi.
    pub pressure_psi: f64,
    /// By volume; null without a density where the bench weighed.
    pub cc_per_min: Option<Estimate>,
    /// By mass; null without a density where the bench read volumes.
    pub g_per_s: Option<Estimate>,
    /// By mass.
    pub lb_per_h: Option<Estimate>,
    /// Density used, g/mL.
    pub density: Option<Estimate>,
    /// Static over dynamic flow less one, percent, where both were run.
    pub static_difference_percent: Option<f64>,
    /// Whether the pressure lies outside what was run.
    pub extrapolated: bool,
}

/// How an injector's surface came about, for the reader.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct SurfaceNote {
    /// Injector.
    pub injector: String,
    /// As the characterisation file has it.
    #[serde(flatten)]
    pub surface: Surface,
}

/// A finished table.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Table {
    /// What.
    pub of: Of,
    /// Values.
    pub rows: Vec<Row>,
    /// The equation by which the values are to be read.
    pub reading: &'static str,
    /// Always `differential`: pressure across the injector, not gauge.
    pub pressure: &'static str,
    /// Fluid, density, carries and what they take for granted.
    pub conditions: Vec<String>,
    /// Flow in the usual units; for tables of flow.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub quoted: Vec<QuotedFlow>,
    /// How the surfaces came about.
    pub surfaces: Vec<SurfaceNote>,
    /// Doubts.
    pub findings: Vec<Finding>,
}
