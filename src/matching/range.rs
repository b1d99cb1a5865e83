//! How far apart the extremes of a group lie by noise alone.

use super::guard_factor;
use statrs::distribution::{Continuous, ContinuousCDF, Normal};

/// Half-width of the integration window in standard deviations: the normal
/// density beyond is below 1e-16.
const WINDOW: f64 = 8.5;
/// Steps of the trapezoidal rule: keep its error of the probability below 1e-10 for 2 to 1,000
/// members, below 1e-6 for 100,000.
const STEPS: usize = 128;

/// Probability that the range of `count` independent standard normal values is
/// at most `range`.
///
/// *Method*: count·∫φ(z)·[Φ(z) − Φ(z − range)]^(count−1) dz by the trapezoidal rule,
/// which converges fast where both ends vanish.
/// *Source*: H. L. Harter, Ann. Math. Statist. 31 (1960) 1122, from memory.
pub fn range_probability(range: f64, count: usize) -> f64 {
    if range <= 0.0 || count < 2 {
        return if count < 2 { 1.0 } else { 0.0 };
    }
    let normal = Normal::standard();
    let power = i32::try_from(count - 1).unwrap_or(i32::MAX);
    let step = 2.0 * WINDOW / STEPS as f64;
    let integrand =
        |z: f64| normal.pdf(z) * (normal.cdf(z) - normal.cdf(z - range)).max(0.0).powi(power);
    let sum: f64 = (0..=STEPS)
        .map(|k| integrand(step * k as f64 - WINDOW))
        .sum();
    (count as f64 * sum * step).clamp(0.0, 1.0)
}

/// The range that `count` independent standard normal values exceed with
/// probability `risk` (0 to 1).
///
/// *Method*: regula falsi in the Illinois form, from between what a single pair exceeds
/// with this risk and what each pair exceeds with its share of it (Bonferroni).
/// *Source*: M. Dowell and P. Jarratt, BIT 11 (1971) 168–174, from memory.
pub fn range_quantile(risk: f64, count: usize) -> f64 {
    let off = |range: f64| range_probability(range, count) - (1.0 - risk);
    let pairs = (count * count.saturating_sub(1) / 2).max(1) as f64;
    let of_a_pair = |risk: f64| {
        let range = 2.0_f64.sqrt() * guard_factor(risk / 2.0);
        range.clamp(0.0, 2.0 * WINDOW)
    };
    let (mut lo, mut hi) = (of_a_pair(risk), of_a_pair(risk / pairs));
    let (mut at_lo, mut at_hi) = (off(lo), off(hi));
    let mut last_side = 0;
    for _ in 0..100 {
        // Both ends on one side: the risk is beyond what the integral resolves.
        if at_hi <= at_lo || hi - lo < 1e-12 * WINDOW {
            break;
        }
        let next = lo - at_lo * (hi - lo) / (at_hi - at_lo);
        let at_next = off(next);
        let side = if at_next < 0.0 { -1 } else { 1 };
        if side < 0 {
            (lo, at_lo) = (next, at_next);
            at_hi *= if last_side == side { 0.5 } else { 1.0 };
        } else {
            (hi, at_hi) = (next, at_next);
            at_lo *= if last_side == side { 0.5 } else { 1.0 };
        }
        last_side = side;
        if at_next.abs() < 1e-12 {
            return next;
        }
    }
    f64::midpoint(lo, hi)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn mean_range_is_the_control_chart_factor_d2() {
        // d2 = ∫(1 − P(range ≤ r)) dr; d2(3) = 1.69256875, d2(5) = 2.32592895,
        // d2(8) = 2.84720061: ASTM table of control-chart factors, recomputed by quadrature.
        for (count, d2) in [(3, 1.692_568_75), (5, 2.325_928_95), (8, 2.847_200_61)] {
            let step = 0.01;
            let mean: f64 = (0..1500)
                .map(|i| step * (1.0 - range_probability(step * (f64::from(i) + 0.5), count)))
                .sum();
            assert!((mean - d2).abs() < 1e-5, "{count}: {mean} {d2}");
        }
    }

    #[test]
    fn quantile_is_where_the_probability_is_met() {
        for count in [2, 3, 8, 60, 1_000] {
            for risk in [0.4, 0.05, 0.05 / 3.0, 1e-4] {
                let met = range_probability(range_quantile(risk, count), count);
                assert!((met - (1.0 - risk)).abs() < 1e-9, "{count} {risk}: {met}");
            }
        }
    }

    #[test]
    fn quantile_of_two_is_the_normal_quantile_times_root_two() {
        let two = range_quantile(0.05, 2) / 2f64.sqrt();
        assert!((two - 1.959_963_984_540_05).abs() < 1e-6);
    }
}
