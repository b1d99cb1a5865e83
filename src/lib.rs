//! Flow-bench captures of fuel injectors in; flow, dead time, matching and
//! their uncertainties out.
//!
//! Data flows one way: [`units`] and [`finding`] serve all; a capture is read,
//! each sweep fitted, the set scored, and everything ends in one
//! characterisation file from which plots, tables and reports are made.

pub mod capture;
pub mod characterisation;
pub mod demand;
pub mod finding;
pub mod fit;
pub mod fluid;
pub mod matching;
pub mod surface;
pub mod table;
pub mod units;
