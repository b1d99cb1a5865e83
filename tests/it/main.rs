//! The one integration binary.

/// What the engine asks of the set.
mod demand;
/// Fluids, orifice, weighing and combustion against published figures.
mod fluid;
/// A made-up injector with a known law.
mod simulated;
/// The surface over voltage and pressure against laws that are known.
mod surface;
/// Each shape of table, read back by its equation.
mod table;
