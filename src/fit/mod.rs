//! From the readings of one sweep to flow, dead time and the delivery curve.

mod delivery;
mod instrument;
mod line_range;
mod options;
mod result;

pub use delivery::Delivered;
pub use instrument::Instrument;
pub use line_range::{DUTY_LIMIT, default_line_range, usable};
pub use options::{DroppedRow, FitOptions, LINEARITY_LIMIT_PERCENT, ModelChoice, WeightChoice};

pub use result::{
    Asymptote, BudgetRow, Covariance, DeliveryCurve, Evaluation, LackOfFit, LinearityDeviation,
    Model, OtherFit, Point, Scale, Scatter, SweepFit, Weighting,
};
