//! The one integration binary.

// Helpers of a test may unwrap as the test itself does.
#![allow(clippy::unwrap_used)]

mod capture_properties;
mod corpus;
