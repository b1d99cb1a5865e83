//! The one integration binary.

/// Rescaling, shifting and reordering the data; seeded.
mod properties;
/// Every file of tests/published: what standards, books and papers print.
mod published;
/// The fits held against a second implementation.
mod second_opinion;
