//! From the readings of one sweep to flow, dead time and the delivery curve.

mod result;

pub use result::{
    Asymptote, BudgetRow, Covariance, DeliveryCurve, Evaluation, LackOfFit, LinearityDeviation,
    Model, OtherFit, Point, Scale, Scatter, SweepFit, Weighting,
};
