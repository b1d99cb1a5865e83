//! Sums of numbers that are known by their logarithms.

/// ln Σ exp of values as they come, safe for values of any size.
#[derive(Clone, Copy)]
pub(super) struct LogSum {
    top: f64,
    /// Σ exp(value − top).
    sum: f64,
}

impl LogSum {
    /// Of no value.
    pub const NOTHING: Self = Self {
        top: f64::NEG_INFINITY,
        sum: 0.0,
    };

    /// The same with one value more.
    pub fn and(self, value: f64) -> Self {
        let Self { top, sum } = self;
        if value > top {
            Self {
                top: value,
                sum: sum * (top - value).exp() + 1.0,
            }
        } else if value == f64::NEG_INFINITY {
            self
        } else {
            Self {
                top,
                sum: sum + (value - top).exp(),
            }
        }
    }

    /// The logarithm; −∞ for none.
    pub fn value(self) -> f64 {
        self.top + self.sum.ln()
    }
}

/// ln Σ exp of values.
pub(super) fn log_sum(values: impl Iterator<Item = f64>) -> f64 {
    values.fold(LogSum::NOTHING, LogSum::and).value()
}
