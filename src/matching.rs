//! Is the set alike? Deviations of several injectors at common operating points.
//!
//! In: fitted sweeps of several injectors. Out: a [`SetMatch`]. It must not
//! know how a model was fitted, nor how a verdict is worded.

mod result;

pub use result::{Deviation, OperatingPoint, SetMatch, Verdict};
