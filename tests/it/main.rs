//! The one integration binary.

// A test that cannot read its file has failed; helpers of tests count as tests.
#![allow(clippy::unwrap_used)]

/// The schema, the round trip and what is refused.
mod contract;
/// A small document made by hand.
mod fixture;
/// Arrows between modules, and no printing outside the command line.
mod layers;
/// Pictures are well-formed, named and escaped.
mod pictures;
/// The README's commands and the files that the documents name.
mod readme;
/// The demo runs of bench-runs.
mod runs;
/// Tables on the terminal.
mod terminal;
