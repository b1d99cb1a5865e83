//! What line or curve do these readings lie on, and how well is it known?
//!
//! Slices of x, y and uncertainty go in; lines, covariances, intervals and
//! test statistics come out. Nothing here knows what an injector is.

pub mod distribution;
pub mod equality;
pub mod error;
pub mod fieller;
pub mod lack_of_fit;
pub mod line;
pub mod origin;
pub mod outlier;
pub mod robust;
pub mod york;

pub use error::FitError;
