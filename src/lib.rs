//! Flow-bench captures of fuel injectors in; flow, dead time, matching and
//! their uncertainties out.
//!
//! Data flows one way: [`units`] and [`finding`] serve all; a capture is read
//! ([`capture`]), each sweep fitted ([`fit`]), the set scored ([`matching`]), and
//! everything ends in one characterisation file ([`characterisation`]) from which
//! plots, tables and reports are made ([`plots`], [`report`]). [`characterise`]
//! does the main job in one call; [`cli`] is the command line.

pub mod capture;
pub mod characterisation;
pub mod cli;
pub mod demand;
pub mod finding;
pub mod fit;
pub mod fluid;
pub mod lines;
pub mod matching;
pub mod plan;
pub mod plots;
pub mod report;
pub mod setup;
pub mod sheet;
pub mod surface;
pub mod table;
pub mod units;

mod characterise;

pub use characterise::{Request, characterise, keep_benches_apart, latest, match_documents};
