//! The one integration binary.

mod fixture;
mod pictures;
mod terminal;
