//! The one integration binary.

// A test that cannot read its file has failed; helpers of tests count as tests.
#![allow(clippy::unwrap_used)]

/// Arrows between modules, and no printing outside the command line.
mod layers;
/// The README's commands and the files that the documents name.
mod readme;
