//! The one integration binary.
mod coverage;
mod curve_edges;
mod curve_posterior;
