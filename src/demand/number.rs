//! A number with or without a standard uncertainty.

use crate::units::{Estimate, NORMAL_95, Unit};

/// A value; its uncertainty covers only inputs that have one, so that a result is
/// to be read "if the inputs without a doubt are right".
///
/// The fuel's density enters flow, mass and volume with different powers, so its
/// part is carried with its sign; all other parts count as unrelated.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Number {
    pub value: f64,
    /// Standard uncertainty but for the fuel's density; `None` = none is known.
    own: Option<f64>,
    /// Signed contribution of the fuel's density.
    by_density: f64,
}

impl Number {
    pub fn exact(value: f64) -> Self {
        Self {
            value,
            own: None,
            by_density: 0.0,
        }
    }

    /// With a standard uncertainty, where one is known.
    pub fn with(value: f64, own: Option<f64>) -> Self {
        Self {
            own,
            ..Self::exact(value)
        }
    }

    /// A number that goes with the fuel's density to `power`, whose relative standard
    /// uncertainty is `relative`.
    pub fn through_density(self, power: f64, relative: f64) -> Self {
        Self {
            by_density: self.by_density + self.value * power * relative,
            ..self
        }
    }

    /// Standard uncertainty; `None` where no input has one.
    pub fn u(self) -> Option<f64> {
        if self.own.is_none() && self.by_density == 0.0 {
            None
        } else {
            Some(self.own.unwrap_or(0.0).hypot(self.by_density))
        }
    }

    pub fn scaled(self, factor: f64) -> Self {
        Self {
            value: self.value * factor,
            own: self.own.map(|u| u * factor.abs()),
            by_density: self.by_density * factor,
        }
    }

    pub fn times(self, other: Number) -> Self {
        let own = joined(
            self.own.map(|u| u * other.value),
            other.own.map(|u| u * self.value),
        );
        Self {
            value: self.value * other.value,
            own,
            by_density: self.by_density * other.value + other.by_density * self.value,
        }
    }

    pub fn over(self, other: Number) -> Self {
        let value = self.value / other.value;
        let own = joined(
            self.own.map(|u| u / other.value),
            other.own.map(|u| u * value / other.value),
        );
        Self {
            value,
            own,
            by_density: (self.by_density - other.by_density * value) / other.value,
        }
    }

    pub fn plus(self, other: Number) -> Self {
        Self {
            value: self.value + other.value,
            own: joined(self.own, other.own),
            by_density: self.by_density + other.by_density,
        }
    }

    pub fn minus(self, other: Number) -> Self {
        self.plus(other.scaled(-1.0))
    }

    pub fn estimate(self, unit: Unit) -> Estimate {
        Estimate::symmetric(self.value, unit, self.u(), None, NORMAL_95)
    }
}

fn joined(a: Option<f64>, b: Option<f64>) -> Option<f64> {
    match (a, b) {
        (None, None) => None,
        _ => Some(a.unwrap_or(0.0).hypot(b.unwrap_or(0.0))),
    }
}
