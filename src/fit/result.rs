//! What is known about one sweep after the fit; written to the file as it stands.

use std::collections::BTreeMap;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::delivery;
use crate::finding::{Finding, Place};
use crate::units::{Basis, Estimate, Interval};

/// Which delivery model a figure comes from.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Model {
    /// A weighted straight line through the readings of the line range.
    Line,
    /// The whole delivery curve: line plus a departure that dies away.
    Curve,
}

/// How readings were weighted.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Weighting {
    /// By each reading's uncertainty.
    Uncertainty,
    /// All alike.
    Equal,
}

/// Where the size of the scatter was taken from.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Scale {
    /// From the scatter of the readings about the fit.
    Scatter,
    /// From stated uncertainties.
    Stated,
    /// From both, averaged over what the readings allow.
    Both,
}

/// A covariance matrix with the names of its rows.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Covariance {
    /// Row names in order: `slope`, `flow_offset`.
    pub parameters: [String; 2],
    /// The matrix, row by row, in the parameters' units.
    pub matrix: [[f64; 2]; 2],
}

impl Covariance {
    /// That of the slope and the flow-offset of a line.
    pub fn of_line(matrix: [[f64; 2]; 2]) -> Self {
        Self {
            parameters: ["slope", "flow_offset"].map(str::to_owned),
            matrix,
        }
    }
}

/// Slope and dead time of the line that long pulses tend to.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Asymptote {
    /// Slope.
    pub slope: Estimate,
    /// Dead time, ms.
    pub dead_time: Estimate,
}

/// How far the delivery curve leaves the line at one pulse width.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct LinearityDeviation {
    /// Pulse width, ms.
    pub pulse_width_ms: f64,
    /// Deviation in percent of the line; null at or below the dead time.
    pub percent: Option<f64>,
    /// 95 % interval, percent.
    pub interval_95: Interval,
}

/// The delivery curve on a grid of widths, for prediction from the file alone.
///
/// All lists have the length of `pulse_width_ms`, which rises strictly.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct DeliveryCurve {
    /// Pulse widths, ms.
    pub pulse_width_ms: Vec<f64>,
    /// Delivered quantity per pulse, mm³ or mg.
    pub delivered: Vec<f64>,
    /// Standard uncertainty of it, shared effects included.
    pub standard_uncertainty: Vec<f64>,
    /// Effective degrees of freedom; null means infinite.
    pub degrees_of_freedom: Option<f64>,
    /// Signed contribution of each shared effect, by effect id.
    pub shared: BTreeMap<String, Vec<f64>>,
}

/// Another fit of the same readings, for comparison.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct OtherFit {
    /// Which model.
    pub model: Model,
    /// Why it is not the figure to use.
    pub why_not: String,
    /// Slope.
    pub slope: Estimate,
    /// Dead time, ms.
    pub dead_time: Estimate,
    /// Flow-offset.
    pub flow_offset: Estimate,
}

/// Type A (from scatter) or type B (from elsewhere), as the GUM distinguishes.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub enum Evaluation {
    /// Statistical analysis of the readings.
    A,
    /// Other means.
    B,
}

/// One row of the uncertainty budget: standard uncertainties.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct BudgetRow {
    /// What contributes.
    pub component: String,
    /// Type A or B.
    pub kind: Evaluation,
    /// Contribution to the dead time, µs.
    pub dead_time_us: f64,
    /// Contribution to the slope, percent.
    pub slope_percent: f64,
}

/// F test of lack of fit from repeats.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct LackOfFit {
    /// F ratio.
    pub f: f64,
    /// Degrees of freedom of lack of fit.
    pub numerator_dof: f64,
    /// Degrees of freedom of pure error.
    pub denominator_dof: f64,
    /// Chance of a larger F without any bend.
    pub p: f64,
}

/// How readings scatter: standard uncertainties with what is known of them.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Scatter {
    /// Uncertainty of one reading, mm³ or mg.
    pub reading: Option<Estimate>,
    /// Repeatability from reading to reading, percent of the delivered quantity.
    pub repeatability_percent: Option<Estimate>,
    /// Scatter of a single pulse, mm³ or mg; null where it is neither stated nor large
    /// enough to be told.
    #[serde(default)]
    pub pulse: Option<Estimate>,
    /// Residual standard deviation of the line, per pulse, mm³ or mg.
    pub residual_sd: Option<f64>,
}

/// One reading as the fit saw it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Point {
    /// File name.
    pub source: String,
    /// Line of that file.
    pub line: u64,
    /// Pulse width, ms.
    pub pulse_width_ms: f64,
    /// Number of pulses.
    pub pulses: f64,
    /// Time held open, s, of a static-flow reading.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub open_time_s: Option<f64>,
    /// Delivered quantity per pulse, mm³ or mg; per ms held open for a static-flow reading.
    pub delivered: f64,
    /// What the fit says, per pulse.
    pub fitted: Option<f64>,
    /// Standard uncertainty of the reading, per pulse.
    pub standard_uncertainty: Option<f64>,
    /// Deviation from the line, percent; null at or below the dead time.
    pub deviation_percent: Option<f64>,
    /// Whether the figures rest on this reading.
    pub used: bool,
    /// Why not, where they do not.
    pub reason: Option<String>,
}

/// Everything known about one sweep.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct SweepFit {
    /// Capture file.
    pub source: String,
    /// Supply voltage set point, V.
    pub voltage_v: Option<f64>,
    /// Differential pressure set point, kPa.
    pub pressure_kpa: Option<f64>,
    /// Stage.
    pub stage: Option<String>,
    /// Volume or mass.
    pub basis: Basis,
    /// Which model the figures come from.
    pub model: Model,
    /// How readings were weighted.
    pub weighting: Weighting,
    /// Where the size of the scatter was taken from.
    pub scale: Scale,
    /// Linear flow over the line range; null where no line can be drawn.
    pub slope: Option<Estimate>,
    /// Dead time (time-offset), ms.
    pub dead_time: Option<Estimate>,
    /// Flow-offset −S·X per pulse.
    pub flow_offset: Option<Estimate>,
    /// What one reading gains or loses however many pulses it had.
    pub reading_offset: Option<Estimate>,
    /// Covariance of slope and flow-offset.
    pub covariance: Option<Covariance>,
    /// The stated line range, ms.
    pub line_range_ms: Option<[f64; 2]>,
    /// Widths whose linearity deviation stays within the limit, ms.
    pub linear_flow_range_ms: Option<[f64; 2]>,
    /// That limit, percent.
    pub linearity_limit_percent: f64,
    /// The line that long pulses tend to.
    pub asymptote: Option<Asymptote>,
    /// Departure of the curve from the line.
    pub linearity_deviation: Vec<LinearityDeviation>,
    /// The delivery curve for prediction.
    #[serde(default, deserialize_with = "delivery::read")]
    pub delivery: Option<DeliveryCurve>,
    /// Mean delivered quantity at each measured width, no line and no curve behind it;
    /// only where the sweep has too few widths to test one.
    #[serde(
        default,
        skip_serializing_if = "Option::is_none",
        deserialize_with = "delivery::read"
    )]
    pub as_read: Option<DeliveryCurve>,
    /// Flow held open.
    pub static_flow: Option<Estimate>,
    /// How readings scatter.
    pub scatter: Scatter,
    /// Share of variance explained, where it means something.
    pub r_squared: Option<f64>,
    /// Lack of fit of the straight line.
    pub lack_of_fit: Option<LackOfFit>,
    /// Other fits of the same readings.
    pub other_fits: Vec<OtherFit>,
    /// Uncertainty budget.
    pub budget: Vec<BudgetRow>,
    /// The readings.
    pub points: Vec<Point>,
    /// Doubts about this sweep.
    pub findings: Vec<Finding>,
}

impl SweepFit {
    /// Where findings about this sweep of `injector` point to.
    pub fn place(&self, injector: &str) -> Place {
        Place {
            source: Some(self.source.clone()),
            injector: Some(injector.to_owned()),
            stage: self.stage.clone(),
            voltage_v: self.voltage_v,
            pressure_kpa: self.pressure_kpa,
            ..Place::default()
        }
    }
}
