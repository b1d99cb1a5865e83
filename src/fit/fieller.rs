//! Where does a line cross a level, and which x are compatible with that?
//!
//! Intercept, slope and their covariance go in; the crossing -a/b with its
//! standard uncertainty, and the confidence set after Fieller, come out. That
//! set need not be an interval: where the slope is hardly known it is two rays
//! or the whole line, and it must never be turned into an interval then.

use super::distribution::{RELATIVE_PRECISION, coverage_factor};
use super::error::FitError;
use super::line::{LineFit, Predicted};
use crate::units::Interval;

/// Relative doubt in t², twice that of the quantile: within it g cannot be told
/// from 1.
const DOUBT_IN_T_SQUARED: f64 = 2.0 * RELATIVE_PRECISION;

/// The x that are compatible with a crossing, at a stated level of confidence.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum FiellerSet {
    /// All x from `low` to `high`.
    Bounded {
        /// Lower end.
        low: f64,
        /// Upper end.
        high: f64,
    },
    /// All x up to `left_max` and all x from `right_min` on: the slope may be
    /// zero, the gap between is excluded.
    TwoRays {
        /// Upper end of the left ray.
        left_max: f64,
        /// Lower end of the right ray.
        right_min: f64,
    },
    /// Every x: nothing is known about the crossing.
    WholeLine,
}

impl FiellerSet {
    /// The set of a dead time in ms as limits, both open where it is no interval, and then in words.
    pub(super) fn of_dead_times(self) -> (Interval, Option<String>) {
        match self {
            Self::Bounded { low, high } => ([Some(low), Some(high)], None),
            Self::TwoRays {
                left_max,
                right_min,
            } => {
                let words = format!("up to {left_max:.4} ms and from {right_min:.4} ms on");
                ([None, None], Some(words))
            }
            Self::WholeLine => ([None, None], Some("any value".to_owned())),
        }
    }
}

/// Gives the x-intercept −a/b of a line with its delta-method uncertainty.
///
/// `covariance` is that of (a, b).
///
/// *Method*: u²(x₀) = [u²(a) + x₀²u²(b) + 2x₀cov(a,b)]/b², arranged about the
/// x at which line and slope are uncorrelated.
/// *Source*: Draper & Smith, Applied Regression Analysis, ch. 1 (from memory);
/// Greenwell & Schubert Kabban, The R Journal 6/1 (2014) 90–100.
/// *Errors*: [`FitError::SlopeIsZero`], [`FitError::NotACovariance`].
pub fn x_intercept(
    intercept: f64,
    slope: f64,
    covariance: [[f64; 2]; 2],
) -> Result<Predicted, FitError> {
    let line = Decorrelated::new(intercept, slope, covariance)?;
    if slope == 0.0 {
        return Err(FitError::SlopeIsZero);
    }
    let d = -line.y / slope;
    Ok(Predicted {
        value: line.x + d,
        standard_uncertainty: (line.var_y + d * d * line.var_slope).sqrt() / slope.abs(),
    })
}

/// Gives Fieller's confidence set of the x-intercept −a/b.
///
/// `covariance` is that of (a, b); `dof` its degrees of freedom, `None` for
/// infinite; `level` between 0 and 1, as 0.95.
///
/// *Method*: all x with (a + bx)² ≤ t²·u²(a + bx). With x = x* + ξ about the
/// x* where line and slope are uncorrelated, y* = a + bx*, and
/// A = b² − t²u²(b), the ends solve A·ξ² + 2by*·ξ + y*² − t²u²(y*) = 0, whose
/// discriminant is t²[A·u²(y*) + u²(b)·y*²]. A > 0 (g = t²u²(b)/b² < 1):
/// bounded. A < 0: two rays, or the whole line where the discriminant is
/// negative.
/// *Source*: Fieller, J. R. Stat. Soc. B 16 (1954) 175–185 (from memory);
/// Greenwell & Schubert Kabban, The R Journal 6/1 (2014) 90–100.
/// *Errors*: [`FitError::OutOfDomain`] for level or dof;
/// [`FitError::NotACovariance`]; [`FitError::SlopeIsZero`] where the slope is
/// zero beyond doubt and the line misses, so that no x is compatible.
/// *Numerics*: where rounding cannot tell which kind of set it is (g within
/// 2e-11 of 1), the larger one is given.
pub fn x_intercept_set(
    intercept: f64,
    slope: f64,
    covariance: [[f64; 2]; 2],
    dof: Option<f64>,
    level: f64,
) -> Result<FiellerSet, FitError> {
    let t = coverage_factor(level, dof)?;
    Decorrelated::new(intercept, slope, covariance)?.set(t)
}

/// Gives the confidence set of the x at which a fitted line reaches `y`.
///
/// `y_uncertainty` is 0 where y is a level (a dead time has y = 0 and no new
/// observation); for the mean of m new readings it is s/√m.
///
/// *Method*, *Errors*: as [`x_intercept_set`].
pub fn crossing_set(
    fit: &LineFit,
    y: f64,
    y_uncertainty: f64,
    level: f64,
) -> Result<FiellerSet, FitError> {
    let t = coverage_factor(level, fit.degrees_of_freedom)?;
    Decorrelated {
        x: fit.x_mean,
        y: fit.y_at_x_mean - y,
        slope: fit.slope,
        var_y: fit.variance_at_x_mean + y_uncertainty * y_uncertainty,
        var_slope: fit.covariance[1][1],
    }
    .set(t)
}

/// Gives Fieller's g = t²u²(b)/b²: below 1 the set is bounded; above about 0.1
/// the delta method misleads. `None` for a slope of zero.
///
/// *Errors*: [`FitError::OutOfDomain`] for level or dof.
pub fn fieller_g(
    slope: f64,
    slope_variance: f64,
    dof: Option<f64>,
    level: f64,
) -> Result<Option<f64>, FitError> {
    let t = coverage_factor(level, dof)?;
    Ok((slope != 0.0).then(|| t * t * slope_variance / (slope * slope)))
}

/// A line written about the x where its height and slope are uncorrelated.
#[derive(Debug, Clone, Copy)]
struct Decorrelated {
    x: f64,
    y: f64,
    slope: f64,
    var_y: f64,
    var_slope: f64,
}

impl Decorrelated {
    fn new(a: f64, b: f64, covariance: [[f64; 2]; 2]) -> Result<Self, FitError> {
        let [[var_a, cov], [cov_again, var_b]] = covariance;
        let finite = [a, b, var_a, cov, var_b].iter().all(|v| v.is_finite());
        if !finite || var_a < 0.0 || var_b < 0.0 || cov != cov_again {
            return Err(FitError::NotACovariance);
        }
        if var_b == 0.0 {
            if cov != 0.0 {
                return Err(FitError::NotACovariance);
            }
            return Ok(Decorrelated {
                x: 0.0,
                y: a,
                slope: b,
                var_y: var_a,
                var_slope: 0.0,
            });
        }
        let x = -cov / var_b;
        let var_y = var_a - cov * cov / var_b;
        // The entries are rounded, so a perfect correlation may miss zero by a
        // few units in the last place of u²(a); more is a faulty matrix.
        if var_y < -16.0 * f64::EPSILON * var_a {
            return Err(FitError::NotACovariance);
        }
        Ok(Decorrelated {
            x,
            y: a + b * x,
            slope: b,
            var_y: var_y.max(0.0),
            var_slope: var_b,
        })
    }

    fn set(self, t: f64) -> Result<FiellerSet, FitError> {
        let (y, b, t2) = (self.y, self.slope, t * t);
        if b == 0.0 && self.var_slope == 0.0 {
            return if y * y <= t2 * self.var_y {
                Ok(FiellerSet::WholeLine)
            } else {
                Err(FitError::SlopeIsZero)
            };
        }
        // Below this the sign of A is unknown. A smaller A always means a larger
        // set, so the doubt goes that way.
        let doubt = DOUBT_IN_T_SQUARED * b * b;
        let mut lead = b * b - t2 * self.var_slope;
        if lead.abs() <= doubt {
            lead = -doubt;
        }
        let (from_y, from_slope) = (lead * self.var_y, self.var_slope * y * y);
        let discriminant = t2 * (from_y + from_slope);
        let unsure = DOUBT_IN_T_SQUARED * (t2 * self.var_slope * self.var_y + from_slope);
        if lead < 0.0 && from_y + from_slope <= unsure {
            return Ok(FiellerSet::WholeLine);
        }
        let (one, other) = roots(lead, b * y, y * y - t2 * self.var_y, discriminant.sqrt());
        let (left, right) = (self.x + one.min(other), self.x + one.max(other));
        Ok(if lead > 0.0 {
            FiellerSet::Bounded {
                low: left,
                high: right,
            }
        } else {
            FiellerSet::TwoRays {
                left_max: left,
                right_min: right,
            }
        })
    }
}

/// Roots of lead·ξ² + 2·half·ξ + constant, without cancellation.
fn roots(lead: f64, half: f64, constant: f64, root_discriminant: f64) -> (f64, f64) {
    let q = if half >= 0.0 {
        -half - root_discriminant
    } else {
        -half + root_discriminant
    };
    if q == 0.0 {
        // half and discriminant zero: a double root at 0.
        (0.0, 0.0)
    } else {
        (q / lead, constant / q)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const ONE_SD: f64 = 0.682_689_492_137_085_9; // normal, t = 1

    fn set(a: f64, b: f64, cov: [[f64; 2]; 2]) -> Result<FiellerSet, FitError> {
        x_intercept_set(a, b, cov, None, ONE_SD)
    }

    #[test]
    fn slope_of_exactly_zero_gives_symmetric_rays() {
        // (2)² ≤ 1·(1 + ξ²) → |ξ| ≥ √3, by hand.
        let got = set(2.0, 0.0, [[1.0, 0.0], [0.0, 1.0]]).unwrap();
        let FiellerSet::TwoRays {
            left_max,
            right_min,
        } = got
        else {
            panic!("{got:?}")
        };
        assert!((right_min - 3.0_f64.sqrt()).abs() < 1e-14);
        assert!((left_max + 3.0_f64.sqrt()).abs() < 1e-14);
    }

    #[test]
    fn line_indistinguishable_from_zero_gives_the_whole_line() {
        let got = set(0.5, 0.5, [[1.0, 0.0], [0.0, 1.0]]).unwrap();
        assert_eq!(got, FiellerSet::WholeLine);
    }

    #[test]
    fn g_of_one_is_never_bounded() {
        for nudge in -9..=9 {
            let b = 1.0 + f64::from(nudge) * 1e-12;
            for a in [5.0, -5.0] {
                let got = set(a, b, [[1.0, 0.0], [0.0, 1.0]]).unwrap();
                assert!(matches!(got, FiellerSet::TwoRays { .. }), "{b} {got:?}");
            }
        }
    }

    #[test]
    fn known_slope_gives_the_plain_interval() {
        let got = set(-4.0, 2.0, [[1.0, 0.0], [0.0, 0.0]]).unwrap();
        let FiellerSet::Bounded { low, high } = got else {
            panic!("{got:?}")
        };
        assert!((low - 1.5).abs() < 1e-14 && (high - 2.5).abs() < 1e-14);
    }

    #[test]
    fn exact_flat_line_that_misses_has_no_crossing() {
        let none = [[0.0, 0.0], [0.0, 0.0]];
        assert_eq!(set(1.0, 0.0, none), Err(FitError::SlopeIsZero));
        assert_eq!(set(0.0, 0.0, none), Ok(FiellerSet::WholeLine));
    }

    #[test]
    fn impossible_covariances_are_refused() {
        for cov in [
            [[-1.0, 0.0], [0.0, 1.0]],
            [[1.0, 1.1], [1.1, 1.0]],
            [[1.0, 0.5], [0.4, 1.0]],
            [[1.0, 0.1], [0.1, 0.0]],
            [[f64::NAN, 0.0], [0.0, 1.0]],
        ] {
            assert_eq!(set(1.0, 2.0, cov), Err(FitError::NotACovariance));
        }
        let perfect = [[4.0, 2.0], [2.0, 1.0]];
        assert!(set(1.0, 9.0, perfect).is_ok());
    }
}
