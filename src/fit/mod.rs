//! From the readings of one sweep to flow, dead time and the delivery curve.
//!
//! In: a [`Capture`](crate::capture::Capture). Out: one [`SweepFit`] per sweep.
//! The kernels (`line`, `curve` and what they need) take plain numbers; the
//! rest is the doorway that knows quantities. It must not know how results
//! will be shown.

mod across;
mod by_curve;
mod by_line;
mod capture_fit;
mod core;
mod delivery;
mod describe;
mod doubts;
mod effects;
mod instrument;
mod line_range;
mod noise;
mod one_width;
mod options;
mod prepared;
mod result;
mod static_flow;
mod sweep_line;
mod type_b;
mod vessel_offset;

pub mod curve;
pub mod distribution;
pub mod equality;
pub mod error;
pub mod fieller;
pub mod hermite;
pub mod lack_of_fit;
pub mod line;
pub mod origin;
pub mod outlier;
pub mod robust;
pub mod york;

pub use by_curve::curve_setup;
pub use capture_fit::{FittedCapture, FittedInjector, fit_capture};
pub use delivery::Delivered;
pub use effects::Effect;
pub use error::FitError;
pub use instrument::Instrument;
pub use line_range::{default_line_range, usable};
pub use options::{DroppedRow, FitOptions, LINEARITY_LIMIT_PERCENT, ModelChoice, WeightChoice};
pub use result::{
    Asymptote, BudgetRow, Covariance, DeliveryCurve, Evaluation, LackOfFit, LinearityDeviation,
    Model, OtherFit, Point, Scale, Scatter, SweepFit, Weighting,
};
pub use sweep_line::{LineFigures, SweepLine, lines_of_injector};
