//! The score of a set.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::finding::Finding;
use crate::units::{Estimate, Interval};

/// What can be said against a tolerance at a stated risk.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Verdict {
    /// The upper bound of the spread lies within the tolerance.
    Matched,
    /// The lower bound of the spread lies above the tolerance.
    NotMatched,
    /// Neither.
    Undecided,
}

/// Where the set is compared.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct OperatingPoint {
    /// Name, as `2 ms, 14 V, 300 kPa`.
    pub label: String,
    /// Pulse width, ms.
    pub pulse_width_ms: f64,
    /// Supply voltage, V; null = not stated in the capture.
    pub voltage_v: Option<f64>,
    /// Differential pressure, kPa; null = not stated in the capture.
    pub pressure_kpa: Option<f64>,
}

/// One injector at one operating point against the set mean.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Deviation {
    /// Injector id.
    pub injector: String,
    /// Label of the operating point.
    pub operating_point: String,
    /// Delivered quantity per pulse.
    pub delivered: Estimate,
    /// Deviation from the set mean, percent; above zero gives more fuel.
    pub percent: f64,
    /// 95 % interval of it, effects common to the set cancelled.
    pub interval_95: Interval,
    /// Standard uncertainty of it, percent.
    pub standard_uncertainty: Option<f64>,
    /// What it does to that cylinder's air-fuel ratio when the set mean is on
    /// target, percent; below zero is richer.
    pub mixture_percent: f64,
}

/// One injector's flow and dead time against the set mean.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct FigureDeviation {
    /// Injector id.
    pub injector: String,
    /// Deviation of its flow from the set mean, percent, effects common to the set cancelled.
    pub flow_percent: Estimate,
    /// Deviation of its dead time from the set mean, µs, likewise.
    pub dead_time_us: Estimate,
    /// Correlation of the two: a steeper line usually has a longer dead time. Null where
    /// one of them has no doubt.
    pub correlation: Option<f64>,
}

/// Flow and dead time of the set at one condition.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct FlowAndDeadTime {
    /// Supply voltage, V; null = not stated.
    pub voltage_v: Option<f64>,
    /// Differential pressure, kPa; null = not stated.
    pub pressure_kpa: Option<f64>,
    /// Line range common to the injectors, ms.
    pub line_range_ms: [f64; 2],
    /// Spread of flow, (max − min)/mean, percent.
    pub flow_spread_percent: Estimate,
    /// Its one-sided bounds, each at the risk, percent.
    pub flow_spread_bounds_percent: [f64; 2],
    /// Verdict on flow; null without a tolerance of its own.
    pub flow_verdict: Option<Verdict>,
    /// Spread of dead time, max − min, µs.
    pub dead_time_spread_us: Estimate,
    /// Its one-sided bounds, each at the risk, µs.
    pub dead_time_spread_bounds_us: [f64; 2],
    /// Verdict on dead time; null without a tolerance of its own.
    pub dead_time_verdict: Option<Verdict>,
    /// By injector.
    pub deviations: Vec<FigureDeviation>,
}

/// The score of a set.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct SetMatch {
    /// Stage that was compared.
    pub stage: Option<String>,
    /// Verdict on everything a tolerance was stated for; null without one.
    pub verdict: Option<Verdict>,
    /// Tolerance of the spread, percent.
    pub tolerance_percent: Option<f64>,
    /// Tolerance of the spread of flow, percent, where one was stated.
    #[serde(default)]
    pub flow_tolerance_percent: Option<f64>,
    /// Tolerance of the spread of dead time, µs, where one was stated.
    #[serde(default)]
    pub dead_time_tolerance_us: Option<f64>,
    /// Risk of a wrong verdict, percent.
    pub risk_percent: f64,
    /// Spread of the set: (max − min)/mean at its worst point, percent.
    pub spread_percent: Option<Estimate>,
    /// One-sided bounds of the spread, each at the risk, percent.
    pub spread_bounds_percent: Option<[f64; 2]>,
    /// Injector farthest from the set mean at any point.
    pub worst_injector: Option<String>,
    /// Where the set is compared.
    pub operating_points: Vec<OperatingPoint>,
    /// Deviations, by operating point, then injector.
    pub deviations: Vec<Deviation>,
    /// Flow and dead time at the conditions of the operating points.
    #[serde(default)]
    pub flow_and_dead_time: Vec<FlowAndDeadTime>,
    /// Doubts.
    pub findings: Vec<Finding>,
}
