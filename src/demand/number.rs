//! A number with or without a standard uncertainty.

use crate::units::{Estimate, Unit};

/// Normal limit of 95 %.
const K95: f64 = 1.959_963_984_540_054;

/// A value; its uncertainty covers only inputs that have one, so that a result is
/// to be read "if the inputs without a doubt are right".
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Number {
    pub value: f64,
    pub u: Option<f64>,
}

impl Number {
    pub fn exact(value: f64) -> Self {
        Self { value, u: None }
    }

    pub fn with(value: f64, u: f64) -> Self {
        Self { value, u: Some(u) }
    }

    fn relative(self) -> Option<f64> {
        self.u.map(|u| u / self.value.abs())
    }

    pub fn scaled(self, factor: f64) -> Self {
        Self {
            value: self.value * factor,
            u: self.u.map(|u| u * factor.abs()),
        }
    }

    /// Product of unrelated numbers.
    pub fn times(self, other: Number) -> Self {
        let value = self.value * other.value;
        Self {
            value,
            u: joined(self.relative(), other.relative()).map(|r| r * value.abs()),
        }
    }

    /// Quotient of unrelated numbers.
    pub fn over(self, other: Number) -> Self {
        let value = self.value / other.value;
        Self {
            value,
            u: joined(self.relative(), other.relative()).map(|r| r * value.abs()),
        }
    }

    /// Sum of unrelated numbers.
    pub fn plus(self, other: Number) -> Self {
        Self {
            value: self.value + other.value,
            u: joined(self.u, other.u),
        }
    }

    pub fn minus(self, other: Number) -> Self {
        self.plus(other.scaled(-1.0))
    }

    pub fn estimate(self, unit: Unit) -> Estimate {
        Estimate::symmetric(self.value, unit, self.u, None, K95)
    }
}

fn joined(a: Option<f64>, b: Option<f64>) -> Option<f64> {
    match (a, b) {
        (None, None) => None,
        _ => Some(a.unwrap_or(0.0).hypot(b.unwrap_or(0.0))),
    }
}
