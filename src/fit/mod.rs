//! Fits of one sweep, on plain numbers.

pub mod curve;
