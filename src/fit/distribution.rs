//! Which quantile or tail probability belongs to this statistic?
//!
//! The one home of Student's t, normal, F and chi-squared. The tail
//! probabilities come from the incomplete beta and gamma functions of statrs
//! (good to about 1e-14; its error function, at 5e-11, is not used); quantiles
//! are solved from them here. Degrees of freedom need not be
//! whole; `None` means infinite, that is the normal distribution.

use super::error::FitError;
use statrs::function::{beta::beta_reg, gamma::gamma_ur, gamma::ln_gamma};
use std::f64::consts::PI;
use std::sync::OnceLock;

/// Above this many degrees of freedom the t quantile comes from its expansion
/// about the normal one, whose first neglected term is below 1e-11 there (tails
/// down to 1e-7),
/// while the incomplete beta function loses digits in its gamma functions.
const EXPANSION_FROM_DOF: f64 = 1000.0;

/// What the quantiles of t and of the normal distribution promise, relative,
/// for tails from 1e-7 to 0.45 and at least half a degree of freedom.
pub const RELATIVE_PRECISION: f64 = 1e-11;

/// Beyond this t² overflows; only a tiny tail at a fraction of a degree of
/// freedom comes here.
const LARGEST_QUANTILE: f64 = 1e150;

/// Gives the quantile of Student's t.
///
/// `p` in (0, 1); `dof` > 0, `None` for the normal distribution.
///
/// *Method*: Newton's iteration on the logarithm of the tail probability,
/// inside a bracket; from 1000 degrees of freedom on, the expansion in 1/dof.
/// *Source*: Abramowitz & Stegun 26.7.5 (expansion, from memory).
/// *Errors*: [`FitError::OutOfDomain`] where p or dof leaves its domain or the
/// quantile overflows.
/// *Numerics*: [`RELATIVE_PRECISION`], held against 50-digit values.
///
/// ```
/// use meniscus::fit::distribution::t_quantile;
/// let t = t_quantile(0.975, Some(4.0)).unwrap();
/// assert!((t - 2.776445105197794).abs() < 1e-12);
/// ```
pub fn t_quantile(p: f64, dof: Option<f64>) -> Result<f64, FitError> {
    require_probability("p", p)?;
    if p < 0.5 {
        Ok(-t_upper(p, dof)?)
    } else {
        t_upper(1.0 - p, dof)
    }
}

/// Gives the factor k by which a standard uncertainty is multiplied so that
/// ±k·u covers the fraction `level` (0 < level < 1) of Student's t.
///
/// *Errors*: as [`t_quantile`].
pub fn coverage_factor(level: f64, dof: Option<f64>) -> Result<f64, FitError> {
    require_probability("level", level)?;
    let tail = 0.5 * (1.0 - level);
    // The quantile takes longer than the fit of a line, and sweeps of as many readings have
    // the same degrees of freedom.
    static FACTORS: [OnceLock<f64>; KEPT] = [const { OnceLock::new() }; KEPT];
    let place = match dof {
        None => Some(INFINITE),
        Some(v) if v.fract() == 0.0 && (1.0..KEPT as f64).contains(&v) => Some(v as usize),
        Some(_) => None,
    };
    let Some(place) = place.filter(|_| level == KEPT_LEVEL) else {
        return t_upper(tail, dof);
    };
    if let Some(factor) = FACTORS[place].get() {
        return Ok(*factor);
    }
    let factor = t_upper(tail, dof)?;
    Ok(*FACTORS[place].get_or_init(|| factor))
}

/// Level whose factors are kept.
const KEPT_LEVEL: f64 = 0.95;

/// Factors kept: whole degrees of freedom below this.
const KEPT: usize = 256;

/// Place of the factor of the normal distribution: no fit has zero degrees of freedom.
const INFINITE: usize = 0;

/// Gives the value that Student's t exceeds with probability `tail`.
///
/// `tail` in (0, 0.5]; small tails keep their relative precision.
///
/// *Errors*: as [`t_quantile`].
pub fn t_upper(tail: f64, dof: Option<f64>) -> Result<f64, FitError> {
    if !(tail > 0.0 && tail <= 0.5) {
        return Err(FitError::OutOfDomain {
            what: "tail",
            value: tail,
        });
    }
    let Some(v) = dof else {
        return Ok(normal_upper(tail));
    };
    require_dof(v)?;
    if v.is_infinite() {
        return Ok(normal_upper(tail));
    }
    if tail == 0.5 {
        return Ok(0.0);
    }
    let z = normal_upper(tail);
    let t = if v >= EXPANSION_FROM_DOF {
        expand_about_normal(z, v)
    } else {
        solve_tail(|t| t_tail(t, v), |t| t_density(t, v), tail, z.max(1.0))
    };
    if t < LARGEST_QUANTILE {
        Ok(t)
    } else {
        Err(FitError::OutOfDomain {
            what: "tail",
            value: tail,
        })
    }
}

/// Gives the probability that |T| exceeds |t|.
///
/// *Errors*: [`FitError::OutOfDomain`] for a `t` that is NaN or dof ≤ 0.
pub fn t_two_sided_p_value(t: f64, dof: Option<f64>) -> Result<f64, FitError> {
    if t.is_nan() {
        return Err(FitError::OutOfDomain {
            what: "t",
            value: t,
        });
    }
    match dof {
        Some(v) if v.is_finite() => {
            require_dof(v)?;
            Ok(2.0 * t_tail(t.abs(), v))
        }
        _ => Ok(2.0 * normal_tail(t.abs())),
    }
}

/// Gives the quantile of the standard normal distribution, p in (0, 1).
///
/// *Errors*: [`FitError::OutOfDomain`].
pub fn normal_quantile(p: f64) -> Result<f64, FitError> {
    t_quantile(p, None)
}

/// Gives the probability that F with `dof1` and `dof2` degrees of freedom
/// exceeds `f`; `dof2` `None` is infinite, that is chi-squared over `dof1`.
///
/// *Errors*: [`FitError::OutOfDomain`] for f < 0 or NaN, or dof ≤ 0.
pub fn f_p_value(f: f64, dof1: f64, dof2: Option<f64>) -> Result<f64, FitError> {
    require_not_negative("F", f)?;
    require_dof(dof1)?;
    match dof2 {
        Some(d2) if d2.is_finite() => {
            require_dof(d2)?;
            if f.is_infinite() {
                return Ok(0.0);
            }
            Ok(beta_reg(0.5 * d2, 0.5 * dof1, d2 / (d2 + dof1 * f)))
        }
        _ => chi_squared_p_value(f * dof1, dof1),
    }
}

/// Gives the probability that chi-squared with `dof` degrees of freedom
/// exceeds `chi_squared`.
///
/// *Errors*: [`FitError::OutOfDomain`] for chi_squared < 0 or NaN, or dof ≤ 0.
pub fn chi_squared_p_value(chi_squared: f64, dof: f64) -> Result<f64, FitError> {
    require_not_negative("chi-squared", chi_squared)?;
    require_dof(dof)?;
    if chi_squared == 0.0 {
        return Ok(1.0);
    }
    if chi_squared.is_infinite() {
        return Ok(0.0);
    }
    Ok(gamma_ur(0.5 * dof, 0.5 * chi_squared))
}

/// Gives the quantile of chi-squared, p in (0, 1).
///
/// *Errors*: [`FitError::OutOfDomain`].
pub fn chi_squared_quantile(p: f64, dof: f64) -> Result<f64, FitError> {
    require_probability("p", p)?;
    require_dof(dof)?;
    let half = 0.5 * dof;
    let log_norm = half * 2.0_f64.ln() + ln_gamma(half);
    Ok(solve_tail(
        |x| {
            if x == 0.0 {
                1.0
            } else {
                gamma_ur(half, 0.5 * x)
            }
        },
        |x| ((half - 1.0) * x.ln() - 0.5 * x - log_norm).exp(),
        1.0 - p,
        dof,
    ))
}

/// Upper tail of Student's t at t ≥ 0, finite dof.
fn t_tail(t: f64, dof: f64) -> f64 {
    0.5 * beta_reg(0.5 * dof, 0.5, dof / (dof + t * t))
}

fn t_density(t: f64, dof: f64) -> f64 {
    let log_norm = ln_gamma(0.5 * (dof + 1.0)) - ln_gamma(0.5 * dof) - 0.5 * (dof * PI).ln();
    (log_norm - 0.5 * (dof + 1.0) * (t * t / dof).ln_1p()).exp()
}

/// Upper tail of the normal distribution at z ≥ 0.
fn normal_tail(z: f64) -> f64 {
    if z == 0.0 {
        0.5
    } else {
        0.5 * gamma_ur(0.5, 0.5 * z * z)
    }
}

/// Upper normal quantile for a tail in (0, 0.5].
fn normal_upper(tail: f64) -> f64 {
    if tail == 0.5 {
        return 0.0;
    }
    solve_tail(
        normal_tail,
        |z| (-0.5 * z * z).exp() / (2.0 * PI).sqrt(),
        tail,
        1.0,
    )
}

/// Expansion of the t quantile in 1/dof about the normal quantile z.
fn expand_about_normal(z: f64, dof: f64) -> f64 {
    let z2 = z * z;
    let g1 = z * (z2 + 1.0) / 4.0;
    let g2 = z * ((5.0 * z2 + 16.0) * z2 + 3.0) / 96.0;
    let g3 = z * (((3.0 * z2 + 19.0) * z2 + 17.0) * z2 - 15.0) / 384.0;
    let g4 = z * ((((79.0 * z2 + 776.0) * z2 + 1482.0) * z2 - 1920.0) * z2 - 945.0) / 92160.0;
    z + (g1 + (g2 + (g3 + g4 / dof) / dof) / dof) / dof
}

/// Solves tail_at(x) = tail for x > 0, tail_at falling.
///
/// Newton's step is taken in ln x on ln tail_at, where both the bell and the
/// power-law tail are nearly straight; whatever leaves the bracket is halved.
fn solve_tail(
    tail_at: impl Fn(f64) -> f64,
    density: impl Fn(f64) -> f64,
    tail: f64,
    start: f64,
) -> f64 {
    let (mut low, mut high) = (0.0, start);
    while high.is_finite() && tail_at(high) > tail {
        low = high;
        high *= 2.0;
    }
    if !high.is_finite() {
        return high;
    }
    let mut x = 0.5 * (low + high);
    // 200 halvings exhaust any bracket of doubles; Newton needs about six.
    for _ in 0..200 {
        let here = tail_at(x);
        if here > tail {
            low = x;
        } else {
            high = x;
        }
        let step = (here / tail).ln() * here / (x * density(x));
        let newton = x * step.exp();
        let next = if newton > low && newton < high {
            newton
        } else {
            0.5 * (low + high)
        };
        if (next - x).abs() <= f64::EPSILON * x {
            return next;
        }
        x = next;
    }
    x
}

fn require_probability(what: &'static str, value: f64) -> Result<(), FitError> {
    if value > 0.0 && value < 1.0 {
        Ok(())
    } else {
        Err(FitError::OutOfDomain { what, value })
    }
}

fn require_not_negative(what: &'static str, value: f64) -> Result<(), FitError> {
    if value >= 0.0 {
        Ok(())
    } else {
        Err(FitError::OutOfDomain { what, value })
    }
}

fn require_dof(value: f64) -> Result<(), FitError> {
    if value > 0.0 {
        Ok(())
    } else {
        Err(FitError::OutOfDomain {
            what: "degrees of freedom",
            value,
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn one_and_two_degrees_of_freedom_have_closed_forms() {
        for tail in [0.45, 0.3, 0.05, 0.025, 1e-3, 1e-6, 1e-9] {
            let one = (PI * (0.5 - tail)).tan();
            let a = 1.0 - 2.0 * tail;
            let two = a * (2.0 / (1.0 - a * a)).sqrt();
            let got = (t_upper(tail, Some(1.0)), t_upper(tail, Some(2.0)));
            // The closed forms lose a rounding over the tail; the solution the
            // 1e-14 of the incomplete beta function near 1, where t is small.
            let room = 4e-16 / tail + 1e-14 / (0.5 - tail) + 1e-13;
            assert!((got.0.unwrap() / one - 1.0).abs() < room, "{tail}");
            assert!((got.1.unwrap() / two - 1.0).abs() < room, "{tail}");
        }
    }

    #[test]
    fn expansion_and_solution_meet_at_the_seam() {
        for tail in [0.4, 0.1, 0.025, 5e-4, 1e-7] {
            let v = EXPANSION_FROM_DOF;
            let solved = solve_tail(|t| t_tail(t, v), |t| t_density(t, v), tail, 1.0);
            let expanded = expand_about_normal(normal_upper(tail), v);
            let off = (solved / expanded - 1.0).abs();
            // The first neglected term grows as z¹¹: 1e-12 at 5 standard deviations.
            assert!(off < 1e-11, "{tail} {off:e}");
        }
    }

    #[test]
    fn arguments_outside_their_domain_are_refused() {
        for p in [0.0, 1.0, -0.1, f64::NAN] {
            assert!(t_quantile(p, Some(3.0)).is_err());
        }
        assert!(t_quantile(0.9, Some(0.0)).is_err());
        assert!(t_quantile(0.9, Some(f64::NAN)).is_err());
        assert!(f_p_value(-1.0, 1.0, Some(3.0)).is_err());
        assert!(chi_squared_p_value(f64::NAN, 3.0).is_err());
        // 1e-300 at a hundredth of a degree of freedom is beyond f64.
        assert!(t_upper(1e-300, Some(0.01)).is_err());
    }

    #[test]
    fn quantile_is_odd_about_one_half() {
        assert_eq!(t_quantile(0.5, Some(3.0)).unwrap(), 0.0);
        let (low, high) = (t_quantile(0.125, Some(3.3)), t_quantile(0.875, Some(3.3)));
        assert_eq!(low.unwrap(), -high.unwrap());
    }

    /// `scipy.special.stdtrit` of SciPy 1.17.1 at 200 degrees of freedom, where the first
    /// neglected term is 1e-12 and the last one of the expansion 2e-10.
    #[test]
    fn the_expansion_is_right_in_its_last_term() {
        for (p, t) in [
            (0.9, 1.285_798_793_994_801_2),
            (0.975, 1.971_896_223_633_908_8),
        ] {
            let z = normal_quantile(p).unwrap();
            let off = (expand_about_normal(z, 200.0) / t - 1.0).abs();
            assert!(off < 3e-12, "{p} {off:e}");
        }
    }
}
