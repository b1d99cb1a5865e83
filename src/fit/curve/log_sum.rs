//! Sums of numbers that are known by their logarithms, and logarithms of products.

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

/// ln Π of positive numbers as they come: a logarithm now and then instead of one for
/// each, before the product can overflow.
#[derive(Clone, Copy)]
pub(super) struct LogProduct {
    product: f64,
    log: f64,
}

impl LogProduct {
    /// Of no number.
    pub const ONE: Self = Self {
        product: 1.0,
        log: 0.0,
    };

    /// The same with one factor more.
    pub fn times(self, factor: f64) -> Self {
        let product = self.product * factor;
        if (1e-100..1e100).contains(&product) {
            return Self { product, ..self };
        }
        Self {
            product: 1.0,
            // The factor alone may be at the end of the range.
            log: self.log + self.product.ln() + factor.ln(),
        }
    }

    /// The logarithm.
    pub fn value(self) -> f64 {
        self.log + self.product.ln()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn sums_are_those_of_the_numbers_whatever_their_size() {
        let sum = |by: f64| log_sum([2f64.ln() + by, f64::NEG_INFINITY, by].into_iter());
        // ln(1 + 2), and the same times exp(±1000).
        for by in [0.0, 1000.0, -1000.0] {
            assert!(
                (sum(by) - by - 1.098_612_288_668_109_8).abs() < 1e-12,
                "{by}"
            );
        }
        assert_eq!(log_sum(std::iter::empty()), f64::NEG_INFINITY);
    }

    /// ln 10 = 2.302 585 092 994 046.
    #[test]
    fn products_pass_the_end_of_the_range() {
        for (factor, powers) in [(1e10, 10.0), (1e-10, -10.0), (1e250, 250.0)] {
            let product = (0..1000).fold(LogProduct::ONE, |p, _| p.times(factor));
            let expected = 1000.0 * powers * std::f64::consts::LN_10;
            assert!((product.value() / expected - 1.0).abs() < 1e-12, "{factor}");
        }
        let three = [2.0, 3.0, 7.0]
            .into_iter()
            .fold(LogProduct::ONE, LogProduct::times);
        assert!((three.value() - 42f64.ln()).abs() < 1e-15);
    }
}
