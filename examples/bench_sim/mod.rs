//! Simulated injectors and benches with known truth. The laws are physics of
//! solenoid injectors in closed form, or integrated, and share no formula with
//! the fitted model.

pub mod bench;
pub mod laws;
pub mod needle;
