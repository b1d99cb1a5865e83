//! The one integration binary.

/// Fluids, orifice, weighing and combustion against published figures.
mod fluid;
