//! Mixtures of normal distributions: quantiles, and Fieller's set of the
//! time-offset as a mixture.

use statrs::function::erf::erfc;

/// Probability in each tail of a 95 % interval.
const TAIL: f64 = 0.025;

/// Limits of a 95 % interval; a side that does not exist is `None`.
pub type Interval = [Option<f64>; 2];

/// Standard normal distribution function.
pub(super) fn normal_cdf(t: f64) -> f64 {
    0.5 * erfc(-t * std::f64::consts::FRAC_1_SQRT_2)
}

/// Mean and variance of a mixture given (weight, mean, variance); weights sum to one.
pub(super) fn moments(parts: impl Iterator<Item = (f64, f64, f64)> + Clone) -> (f64, f64) {
    let mean: f64 = parts.clone().map(|(w, m, _)| w * m).sum();
    let variance = parts
        .map(|(w, m, v)| w * (v + (m - mean) * (m - mean)))
        .sum();
    (mean, variance)
}

/// 2.5 and 97.5 % points of a mixture of normals given (weight, mean, sd).
pub(super) fn interval(parts: &[(f64, f64, f64)]) -> Interval {
    let (mean, variance) = moments(parts.iter().map(|&(w, m, s)| (w, m, s * s)));
    let sd = variance.sqrt();
    if !(mean.is_finite() && sd.is_finite()) {
        return [None, None];
    }
    if sd == 0.0 {
        return [Some(mean), Some(mean)];
    }
    [TAIL, 1.0 - TAIL].map(|p| Some(quantile(parts, p, mean, sd)))
}

/// Newton's method on the distribution function inside a bracket that only
/// shrinks; the bracket is Cantelli's bound, which holds for any distribution.
fn quantile(parts: &[(f64, f64, f64)], p: f64, mean: f64, sd: f64) -> f64 {
    let reach = sd * (1.0 / TAIL).sqrt();
    let (mut lo, mut hi) = (mean - reach, mean + reach);
    let mut x = mean + sd * if p < 0.5 { -1.96 } else { 1.96 };
    for _ in 0..60 {
        let mut below = -p;
        let mut density = 0.0;
        for &(w, m, s) in parts {
            let t = (x - m) / s;
            below += w * normal_cdf(t);
            density += w * (-0.5 * t * t).exp() / (s * (2.0 * std::f64::consts::PI).sqrt());
        }
        if below > 0.0 {
            hi = hi.min(x);
        } else {
            lo = lo.max(x);
        }
        let step = below / density;
        let next = x - step;
        let next = if next > lo && next < hi {
            next
        } else {
            0.5 * (lo + hi)
        };
        if (next - x).abs() <= 1e-6 * sd || hi - lo <= 1e-6 * sd {
            return next;
        }
        x = next;
    }
    x
}

/// One component of the joint posterior of slope S and flow-offset Y.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct LineComponent {
    /// Weight; all sum to one.
    pub weight: f64,
    /// Mean of (S, Y).
    pub mean: [f64; 2],
    /// Covariance of (S, Y).
    pub covariance: [[f64; 2]; 2],
}

/// Probability that Y + S·x is positive, which is the distribution function of
/// X = −Y/S at x where S is surely positive (Fieller 1954).
fn positive_at(parts: &[LineComponent], extra: &[[f64; 2]; 2], x: f64) -> f64 {
    parts
        .iter()
        .map(|c| {
            let v = c.covariance[1][1]
                + extra[1][1]
                + 2.0 * x * (c.covariance[0][1] + extra[0][1])
                + x * x * (c.covariance[0][0] + extra[0][0]);
            let m = c.mean[1] + x * c.mean[0];
            c.weight
                * if v > 0.0 {
                    normal_cdf(m / v.sqrt())
                } else {
                    step(m)
                }
        })
        .sum()
}

fn step(m: f64) -> f64 {
    if m > 0.0 {
        1.0
    } else if m < 0.0 {
        0.0
    } else {
        0.5
    }
}

/// 95 % limits of X = −Y/S of a mixture, `extra` added to every covariance.
/// A side whose tail probability is not reached within `reach` of `centre`
/// on a doubling search is unbounded.
pub(super) fn fieller(
    parts: &[LineComponent],
    extra: &[[f64; 2]; 2],
    centre: f64,
    first_step: f64,
) -> Interval {
    let target = [TAIL, 1.0 - TAIL];
    let side = |p: f64, direction: f64| {
        let inside = |x: f64| {
            let f = positive_at(parts, extra, x);
            if direction < 0.0 { f > p } else { f < p }
        };
        let mut near = centre;
        let mut step = first_step.max(1e-12 * (1.0 + centre.abs()));
        // The centre itself may lie outside where the mixture is skewed: step back.
        let mut tries = 0;
        while !inside(near) {
            near -= direction * step;
            step *= 2.0;
            tries += 1;
            if tries > 60 {
                return None;
            }
        }
        let mut step = first_step.max(1e-12 * (1.0 + centre.abs()));
        let mut far = near + direction * step;
        let mut tries = 0;
        while inside(far) {
            near = far;
            step *= 2.0;
            far = near + direction * step;
            tries += 1;
            if tries > 60 {
                return None;
            }
        }
        bisect(near, far, inside)
    };
    [side(target[0], -1.0), side(target[1], 1.0)]
}

/// Illinois-free plain bisection: the function is a probability and may be flat.
fn bisect(mut near: f64, mut far: f64, inside: impl Fn(f64) -> bool) -> Option<f64> {
    for _ in 0..40 {
        let middle = 0.5 * (near + far);
        if inside(middle) {
            near = middle;
        } else {
            far = middle;
        }
    }
    Some(0.5 * (near + far))
}
