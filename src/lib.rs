//! Flow-bench captures of fuel injectors in; flow, dead time, matching and
//! their uncertainties out.

pub mod fit;
