//! The one integration binary.

mod capture_properties;
mod corpus;
