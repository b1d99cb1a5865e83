//! Why a fit or a test statistic cannot be given.
//!
//! Each variant carries the facts (what there was, what is needed, where);
//! indices count from 0 into the slice that was handed over.

use thiserror::Error;

/// Why a fit or a statistic of this stage cannot be given.
#[derive(Debug, Clone, PartialEq, Error)]
pub enum FitError {
    /// Two slices that belong together differ in length.
    #[error("{what} has {have} values where {need} are needed")]
    LengthsDiffer {
        /// Which slice.
        what: &'static str,
        /// Its length.
        have: usize,
        /// The length of the slice it belongs to.
        need: usize,
    },
    /// There are too few values.
    #[error("{have} values where at least {need} are needed")]
    TooFewPoints {
        /// How many there are.
        have: usize,
        /// How many are needed.
        need: usize,
    },
    /// There are too few different x, to within rounding.
    #[error("{have} different x where at least {need} are needed")]
    TooFewDistinctX {
        /// How many there are.
        have: usize,
        /// How many are needed.
        need: usize,
    },
    /// A value is NaN or infinite.
    #[error("{what} number {index} is not finite")]
    NotFinite {
        /// Which slice.
        what: &'static str,
        /// Where in it.
        index: usize,
    },
    /// A standard uncertainty is zero, negative or so small that its weight
    /// overflows.
    #[error("uncertainty number {index} is {value}, which gives no weight")]
    UncertaintyNotPositive {
        /// Where.
        index: usize,
        /// What it is.
        value: f64,
    },
    /// A weight is so small beside the largest that it is zero to rounding,
    /// while its point would still count as a degree of freedom.
    #[error("the weight of point {index} is zero beside the largest ({ratio:e} of it)")]
    WeightVanishes {
        /// Where.
        index: usize,
        /// Weight over largest weight.
        ratio: f64,
    },
    /// The scale was to come from stated uncertainties, but none are stated.
    #[error("no uncertainties are stated to scale by")]
    NoStatedUncertainty,
    /// The slope is zero, so the line nowhere crosses the level asked for.
    #[error("the slope is zero: the line does not cross")]
    SlopeIsZero,
    /// Delivery does not rise with pulse width.
    #[error("delivery does not rise with pulse width: slope {slope}")]
    SlopeNotPositive {
        /// The slope, per ms.
        slope: f64,
    },
    /// A covariance matrix is not one: negative variance or correlation
    /// beyond one, or not finite.
    #[error("not a covariance matrix")]
    NotACovariance,
    /// An argument lies outside the domain of the function.
    #[error("{what} = {value} is outside its domain")]
    OutOfDomain {
        /// Which argument.
        what: &'static str,
        /// What it is.
        value: f64,
    },
    /// The scatter that a test statistic divides by is zero.
    #[error("there is no scatter to judge by")]
    NoScatter,
    /// An iteration did not settle.
    #[error("no convergence in {iterations} iterations")]
    NoConvergence {
        /// How many were tried.
        iterations: usize,
    },
}

/// Checks that every value of a slice is finite.
pub(crate) fn require_finite(what: &'static str, values: &[f64]) -> Result<(), FitError> {
    // One after the other only where one is amiss.
    if values.iter().fold(true, |fine, v| fine & v.is_finite()) {
        return Ok(());
    }
    match values.iter().position(|v| !v.is_finite()) {
        Some(index) => Err(FitError::NotFinite { what, index }),
        None => Ok(()),
    }
}

/// Checks that a slice has the length of the slice it belongs to.
pub(crate) fn require_length(what: &'static str, have: usize, need: usize) -> Result<(), FitError> {
    if have == need {
        Ok(())
    } else {
        Err(FitError::LengthsDiffer { what, have, need })
    }
}
