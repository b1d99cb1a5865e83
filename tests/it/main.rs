//! The one integration binary.

// The allowance for tests in clippy.toml does not reach functions they call.
#![allow(clippy::unwrap_used, clippy::print_stdout)]

/// Rescaling, shifting and reordering the data; seeded.
mod properties;
/// Every file of tests/published: what standards, books and papers print.
mod published;
/// The fits held against a second implementation.
mod second_opinion;
