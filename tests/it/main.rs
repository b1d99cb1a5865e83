//! The one integration binary.
// Clippy takes only test functions for tests, not what they share.
#![allow(clippy::unwrap_used)]

mod fixture;
mod html;
mod pictures;
mod terminal;
