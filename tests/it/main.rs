//! The one integration binary.

/// Arrows between modules, and no printing outside the command line.
mod layers;
/// The README's commands and the files that the documents name.
mod readme;
