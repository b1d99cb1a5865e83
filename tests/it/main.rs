//! The one integration binary.
mod curve_posterior;
