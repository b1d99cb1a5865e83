//! Which quantities exist, in which unit each is kept, and what "a value with
//! its doubt" is.
//!
//! In: text such as `3bar` or `0.684 g/mL`. Out: numbers in the inner units
//! (ms, V, kPa, °C, mm³, mg, mm³/ms, mg/ms, g/mL) and [`Estimate`]. This module
//! must not know columns, fluids or fits.

mod estimate;
mod quantity;

pub use estimate::{Estimate, Interval, NORMAL_95, rounded_pair, significant};
pub use quantity::{
    Basis, FlowUnit, Quantity, QuantityError, Unit, magnitude_words, parse, parse_bare, sign_of,
    within_magnitudes,
};
