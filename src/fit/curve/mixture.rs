//! Mixtures of normal distributions: quantiles, and Fieller's set of the
//! time-offset as a mixture.

use crate::units::NORMAL_95;

/// Probability in each tail of a 95 % interval.
const TAIL: f64 = 0.025;

/// Limits of a 95 % interval; a side that does not exist is `None`.
pub type Interval = [Option<f64>; 2];

/// Standard normal distribution function and its density at `t`.
///
/// Source: rational approximation of Hart et al., Computer Approximations,
/// 1968, in the form of West 2005 (coefficients from memory; tests hold them
/// against printed values and statrs).
pub(super) fn normal(t: f64) -> (f64, f64) {
    let x = t.abs();
    if x > 7.0 {
        // 1e-12 from 0 or 1: no matter for a 2.5 % point.
        return (if t > 0.0 { 1.0 } else { 0.0 }, 0.0);
    }
    let e = (-0.5 * x * x).exp();
    let top = ((((((3.526_249_659_989_11e-2 * x + 0.700_383_064_443_688) * x
        + 6.373_962_203_531_65)
        * x
        + 33.912_866_078_383)
        * x
        + 112.079_291_497_871)
        * x
        + 221.213_596_169_931)
        * x)
        + 220.206_867_912_376;
    let bottom = (((((((8.838_834_764_831_84e-2 * x + 1.755_667_163_182_64) * x
        + 16.064_177_579_207)
        * x
        + 86.780_732_202_946_1)
        * x
        + 296.564_248_779_674)
        * x
        + 637.333_633_378_831)
        * x
        + 793.826_512_519_948)
        * x)
        + 440.413_735_824_752;
    let tail = e * top / bottom;
    (if t > 0.0 { 1.0 - tail } else { tail }, e * DENSITY)
}

/// 1/√(2π).
const DENSITY: f64 = 0.398_942_280_401_432_7;

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
    let shape = Shape::of(parts);
    if !(shape.mean.is_finite() && shape.sd.is_finite()) {
        return [None, None];
    }
    if shape.sd == 0.0 {
        return [Some(shape.mean), Some(shape.mean)];
    }
    [TAIL, 1.0 - TAIL].map(|p| Some(quantile(parts, p, &shape)))
}

/// Mean, standard deviation, skewness and excess kurtosis of a mixture.
struct Shape {
    mean: f64,
    sd: f64,
    skewness: f64,
    excess: f64,
}

impl Shape {
    fn of(parts: &[(f64, f64, f64)]) -> Self {
        let mean: f64 = parts.iter().map(|(w, m, _)| w * m).sum();
        let mut central = [0.0; 3];
        for &(w, m, s) in parts {
            let (d, v) = (m - mean, s * s);
            central[0] += w * (v + d * d);
            central[1] += w * d * (d * d + 3.0 * v);
            central[2] += w * (d * d * (d * d + 6.0 * v) + 3.0 * v * v);
        }
        let [variance, third, fourth] = central;
        let sd = variance.sqrt();
        Self {
            mean,
            sd,
            skewness: third / (variance * sd),
            excess: fourth / (variance * variance) - 3.0,
        }
    }

    /// The point below which a share `TAIL` (or all but that) lies, as far as
    /// four moments tell (Cornish & Fisher 1938, the terms from memory; where
    /// the start lies decides only how soon the search ends).
    fn cornish_fisher(&self, p: f64) -> f64 {
        let z = if p < 0.5 { -NORMAL_95 } else { NORMAL_95 };
        let (g, k) = (self.skewness, self.excess);
        let t = z + (z * z - 1.0) * g / 6.0 + z * (z * z - 3.0) * k / 24.0
            - z * (2.0 * z * z - 5.0) * g * g / 36.0;
        self.mean + self.sd * t
    }

    /// Where any distribution has its 2.5 and 97.5 % points (Cantelli).
    fn bracket(&self) -> (f64, f64) {
        let reach = self.sd * (1.0 / TAIL).sqrt();
        (self.mean - reach, self.mean + reach)
    }
}

/// Relative change of the density over a step of Halley's method after which it
/// has ended: what is left is about the cube of the step.
const LAST_CHANGE: f64 = 0.05;

/// Halley's method on the distribution function inside a bracket that only
/// shrinks.
fn quantile(parts: &[(f64, f64, f64)], p: f64, shape: &Shape) -> f64 {
    let (mut lo, mut hi) = shape.bracket();
    let mut x = shape.cornish_fisher(p).clamp(lo, hi);
    for _ in 0..60 {
        let mut below = -p;
        let (mut density, mut bend) = (0.0, 0.0);
        for &(w, m, s) in parts {
            let t = (x - m) / s;
            let (share, d) = normal(t);
            below += w * share;
            let d = w * d / s;
            density += d;
            bend -= d * t / s;
        }
        if below > 0.0 {
            hi = hi.min(x);
        } else {
            lo = lo.max(x);
        }
        let newton = below / density;
        let step = newton / (1.0 - 0.5 * newton * bend / density).max(0.5);
        let next = x - step;
        if next > lo && next < hi {
            if (step * bend).abs() <= LAST_CHANGE * density && step.abs() <= 0.1 * shape.sd {
                return next;
            }
            x = next;
        } else {
            // Halving asks for more: it does not square what is left.
            x = 0.5 * (lo + hi);
            if hi - lo <= 1e-6 * shape.sd {
                return x;
            }
        }
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
/// X = −Y/S at x where S is surely positive (Fieller 1954), and its slope.
fn positive_at(parts: &[LineComponent], extra: &[[f64; 2]; 2], x: f64) -> (f64, f64) {
    let (mut probability, mut density) = (0.0, 0.0);
    for c in parts {
        let half_slope = c.covariance[0][1] + extra[0][1] + x * (c.covariance[0][0] + extra[0][0]);
        let v =
            c.covariance[1][1] + extra[1][1] + x * (half_slope + c.covariance[0][1] + extra[0][1]);
        let m = c.mean[1] + x * c.mean[0];
        if v > 0.0 {
            let sd = v.sqrt();
            let t = m / sd;
            let (share, d) = normal(t);
            probability += c.weight * share;
            density += c.weight * d * (c.mean[0] - t * half_slope / sd) / sd;
        } else {
            probability += c.weight * step(m);
        }
    }
    (probability, density)
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
/// A side whose tail probability is not reached on a doubling search is unbounded.
pub(super) fn fieller(
    parts: &[LineComponent],
    extra: &[[f64; 2]; 2],
    centre: f64,
    sd: f64,
) -> Interval {
    if let Some(limits) = sharp_limits(parts, extra) {
        return limits.map(Some);
    }
    let unit = sd.max(1e-12 * (1.0 + centre.abs()));
    [(TAIL, -1.0), (1.0 - TAIL, 1.0)].map(|(p, direction)| {
        let excess = |x: f64| direction * (positive_at(parts, extra, x).0 - p);
        // Inside the interval the excess is negative, beyond it positive.
        let mut near = centre;
        let mut at_near = excess(near);
        let mut step = unit;
        let mut tries = 0;
        while at_near >= 0.0 {
            // The centre itself may lie outside where the mixture is skewed.
            near -= direction * step;
            at_near = excess(near);
            step *= 2.0;
            tries += 1;
            if tries > DOUBLINGS {
                return None;
            }
        }
        let mut step = 2.0 * unit;
        let mut far = near + direction * step;
        let mut at_far = excess(far);
        let mut tries = 0;
        while at_far < 0.0 {
            near = far;
            at_near = at_far;
            step *= 2.0;
            far += direction * step;
            at_far = excess(far);
            tries += 1;
            if tries > DOUBLINGS {
                return None;
            }
        }
        Some(illinois(
            (near, at_near),
            (far, at_far),
            1e-6 * unit,
            excess,
        ))
    })
}

/// Standard uncertainties that every slope must be above zero for X to have a
/// distribution function that only rises.
const SHARP: f64 = 6.0;

/// The same limits where all slopes are surely positive: Newton's method from
/// the mixture of the components' own time-offsets; `None` where it does not
/// settle.
fn sharp_limits(parts: &[LineComponent], extra: &[[f64; 2]; 2]) -> Option<[f64; 2]> {
    let mut own = Vec::with_capacity(parts.len());
    for c in parts {
        let s = c.mean[0];
        let [ss, sy, yy] = [(0, 0), (0, 1), (1, 1)].map(|(i, j)| c.covariance[i][j] + extra[i][j]);
        if s.is_nan() || s <= SHARP * ss.sqrt() {
            return None;
        }
        let x = -c.mean[1] / s;
        let variance = yy + x * (2.0 * sy + x * ss);
        own.push((c.weight, x, variance.max(0.0).sqrt() / s));
    }
    let shape = Shape::of(&own);
    let (lo, hi) = shape.bracket();
    let limit = |p: f64| {
        let mut x = shape.cornish_fisher(p);
        for _ in 0..8 {
            let (share, density) = positive_at(parts, extra, x);
            let step = (share - p) / density;
            x -= step;
            if !(lo..=hi).contains(&x) {
                return None;
            }
            if step.abs() <= NEWTON_LAST_STEP * shape.sd {
                return Some(x);
            }
        }
        None
    };
    Some([limit(TAIL)?, limit(1.0 - TAIL)?])
}

/// Length of a step, over the standard deviation, after which Newton's method
/// has ended: what is left is about its square.
const NEWTON_LAST_STEP: f64 = 3e-3;

/// Doublings after which a side counts as unbounded: 2⁵⁰ uncertainties.
const DOUBLINGS: usize = 50;

/// Root between two points of opposite sign: false position with the Illinois
/// weighting (Dowell & Jarratt 1971), which keeps the bracket.
fn illinois(mut a: (f64, f64), mut b: (f64, f64), tolerance: f64, f: impl Fn(f64) -> f64) -> f64 {
    for _ in 0..100 {
        let x = if a.1 == b.1 {
            0.5 * (a.0 + b.0)
        } else {
            b.0 - b.1 * (b.0 - a.0) / (b.1 - a.1)
        };
        let fx = f(x);
        if (b.0 - a.0).abs() <= tolerance || fx.abs() < 1e-9 {
            return x;
        }
        if (fx < 0.0) == (b.1 < 0.0) {
            a.1 *= 0.5;
        } else {
            a = b;
        }
        b = (x, fx);
    }
    b.0
}

#[cfg(test)]
mod tests {
    use super::*;
    use statrs::function::erf::erfc;

    /// Printed values of the normal distribution function.
    #[test]
    fn normal_distribution_function_meets_printed_values() {
        let printed = [
            (0.0, 0.5),
            (1.0, 0.841_344_746_068_542_9),
            (-1.959_963_984_540_054, 0.025),
            (3.0, 0.998_650_101_968_369_9),
            (-5.0, 2.866_515_718_791_939e-7),
        ];
        for (t, p) in printed {
            assert!((normal(t).0 - p).abs() < 1e-15, "{t}");
        }
    }

    /// statrs keeps about ten digits there.
    #[test]
    fn normal_distribution_function_agrees_with_statrs() {
        for i in -700..=700 {
            let t = f64::from(i) / 100.0;
            let other = 0.5 * erfc(-t * std::f64::consts::FRAC_1_SQRT_2);
            assert!((normal(t).0 - other).abs() < 1e-10, "{t}");
        }
    }

    #[test]
    fn interval_of_one_normal_is_its_mean_and_sd() {
        let [lo, hi] = interval(&[(1.0, 3.0, 0.5)]);
        let z = 1.959_963_984_540_054;
        assert!((lo.unwrap() - (3.0 - 0.5 * z)).abs() < 1e-5);
        assert!((hi.unwrap() - (3.0 + 0.5 * z)).abs() < 1e-5);
    }

    /// Whatever the mixture, a limit leaves the tail below it: by the
    /// distribution function of statrs.
    #[test]
    fn limits_of_any_mixture_leave_the_tails() {
        let mixtures: [&[(f64, f64, f64)]; 4] = [
            &[(0.97, 0.0, 1.0), (0.03, 30.0, 5.0)],
            &[(0.5, -4.0, 0.1), (0.5, 4.0, 3.0)],
            &[(0.9, 0.0, 1.0), (0.1, 0.0, 12.0)],
            &[(0.3, 1.0, 0.2), (0.3, 1.2, 0.4), (0.4, 2.0, 0.3)],
        ];
        for parts in mixtures {
            let limits = interval(parts).map(Option::unwrap);
            let sd = Shape::of(parts).sd;
            for (x, p) in limits.into_iter().zip([TAIL, 1.0 - TAIL]) {
                let below = |x: f64| -> f64 {
                    parts
                        .iter()
                        .map(|(w, m, s)| {
                            w * 0.5 * erfc((m - x) / s * std::f64::consts::FRAC_1_SQRT_2)
                        })
                        .sum()
                };
                let step = 1e-4 * sd;
                assert!(below(x - step) < p && p < below(x + step), "{parts:?} {x}");
            }
        }
    }

    fn line(slope: (f64, f64), offset: (f64, f64), correlation: f64) -> LineComponent {
        let c = correlation * slope.1 * offset.1;
        LineComponent {
            weight: 1.0,
            mean: [slope.0, offset.0],
            covariance: [[slope.1 * slope.1, c], [c, offset.1 * offset.1]],
        }
    }

    /// Fieller 1954: roots of (Y + S x)² = z² var(Y + S x).
    #[test]
    fn one_component_gives_the_interval_of_fieller() {
        let c = line((4.0, 0.8), (-3.0, 0.5), -0.7);
        let z2 = 1.959_963_984_540_054_f64.powi(2);
        let [[ss, sy], [_, yy]] = c.covariance;
        let (a, b, d) = (16.0 - z2 * ss, -12.0 - z2 * sy, 9.0 - z2 * yy);
        let root = (b * b - a * d).sqrt();
        let expected = [(-b - root) / a, (-b + root) / a];
        let [lo, hi] = fieller(&[c], &[[0.0; 2]; 2], 0.75, 0.2);
        assert!(sharp_limits(&[c], &[[0.0; 2]; 2]).is_none());
        assert!(
            (lo.unwrap() - expected[0]).abs() < 1e-5,
            "{lo:?} {expected:?}"
        );
        assert!(
            (hi.unwrap() - expected[1]).abs() < 1e-5,
            "{hi:?} {expected:?}"
        );
    }

    /// Both searches end at the same limits.
    #[test]
    fn sharp_slopes_give_the_limits_of_the_general_search() {
        let parts: Vec<LineComponent> = [0.3, 0.5, 0.2]
            .iter()
            .enumerate()
            .map(|(i, weight)| {
                let i = i as f64;
                let mut c = line((4.0 + 0.02 * i, 0.03), (-3.0 - 0.05 * i, 0.1), -0.6);
                c.weight = *weight;
                c
            })
            .collect();
        let extra = [[1e-4, 2e-5], [2e-5, 1e-3]];
        let sharp = sharp_limits(&parts, &extra).unwrap();
        for (x, p) in sharp.into_iter().zip([TAIL, 1.0 - TAIL]) {
            assert!((positive_at(&parts, &extra, x).0 - p).abs() < 1e-5);
        }
    }

    #[test]
    fn a_slope_that_may_be_zero_leaves_a_side_open() {
        let c = line((4.0, 3.0), (-3.0, 0.1), 0.0);
        let [_, hi] = fieller(&[c], &[[0.0; 2]; 2], 0.75, 0.5);
        assert_eq!(hi, None);
    }

    /// Mean 0.75·4; 0.25·(1 + 3²) + 0.75·(3 + 1²).
    #[test]
    fn moments_of_two_components_by_hand() {
        let (mean, variance) = moments([(0.25, 0.0, 1.0), (0.75, 4.0, 3.0)].into_iter());
        assert!((mean - 3.0).abs() < 1e-15 && (variance - 5.5).abs() < 1e-15);
    }

    /// SciPy 1.17.1: brentq on 0.7·norm.cdf(x, 1, 0.5) + 0.3·norm.cdf(x, 3, 1.5).
    #[test]
    fn interval_of_two_components_agrees_with_scipy() {
        let [lo, hi] = interval(&[(0.7, 1.0, 0.5), (0.3, 3.0, 1.5)]).map(Option::unwrap);
        assert!((lo - 0.024_881_861_919_497_927).abs() < 1e-5, "{lo}");
        assert!((hi - 5.074_491_190_650_962).abs() < 1e-5, "{hi}");
        assert_eq!(interval(&[(1.0, f64::INFINITY, 1.0)]), [None, None]);
        assert_eq!(interval(&[(1.0, 1.0, f64::INFINITY)]), [None, None]);
    }

    /// 2·x − 1 is exact, the other is 4·x − 3 ± 0.5.
    #[test]
    fn a_component_without_spread_is_surely_on_its_side() {
        let mut exact = line((2.0, 0.0), (-1.0, 0.0), 0.0);
        let mut other = line((4.0, 0.0), (-3.0, 0.5), 0.0);
        (exact.weight, other.weight) = (0.4, 0.6);
        for (x, expected) in [
            (0.25, 0.6 * normal(-4.0).0),
            (0.5, 0.4 * 0.5 + 0.6 * normal(-2.0).0),
            (0.75, 0.4 + 0.6 * 0.5),
        ] {
            let (probability, _) = positive_at(&[exact, other], &[[0.0; 2]; 2], x);
            assert!((probability - expected).abs() < 1e-15, "{x} {probability}");
        }
    }

    /// SciPy 1.17.1: brentq on 0.7·Φ + 0.3·Φ of (Y + S·x)/√(yy + 2·x·sy + x²·ss), wherever
    /// the search begins.
    #[test]
    fn limits_of_doubtful_slopes_agree_with_scipy_from_any_start() {
        let part = |weight, mean, [ss, sy, yy]: [f64; 3]| LineComponent {
            weight,
            mean,
            covariance: [[ss, sy], [sy, yy]],
        };
        let parts = [
            part(0.7, [4.0, -3.0], [0.64, -0.28, 0.25]),
            part(0.3, [3.5, -2.0], [0.25, 0.05, 0.16]),
        ];
        let extra = [[0.01, 0.002], [0.002, 0.03]];
        assert!(sharp_limits(&parts, &extra).is_none());
        for (centre, sd) in [(0.7, 0.2), (0.7, 1e-3), (-3.0, 0.2), (9.0, 0.2), (9.0, 0.0)] {
            let [lo, hi] = fieller(&parts, &extra, centre, sd).map(Option::unwrap);
            assert!(
                (lo - 0.368_379_636_372_417_6).abs() < 1e-6,
                "{centre} {sd} {lo}"
            );
            assert!(
                (hi - 1.053_771_244_593_582_3).abs() < 1e-6,
                "{centre} {sd} {hi}"
            );
        }
        // 5 ± 0.5 at every x is surely positive: neither tail is ever reached.
        let flat = line((0.0, 0.0), (5.0, 0.5), 0.0);
        assert_eq!(fieller(&[flat], &[[0.0; 2]; 2], 0.0, 1.0), [None, None]);
    }
}
