//! Shape-preserving interpolation in one direction.

use crate::fit::hermite::{cubic, inner_tangent};

/// Value at `x` of the monotone piecewise cubic through (`xs`, `ys`); beyond the
/// ends the straight line of the end tangent.
///
/// `xs` rises strictly and has the length of `ys`, at least one.
/// *Method* (E13): cubic Hermite; inner tangents are the weighted harmonic mean of
/// the neighbouring secants (zero where these differ in sign), end tangents the
/// three-point formula limited to three secants. Monotone data give a monotone curve.
/// *Source*: F. N. Fritsch and J. Butland, SIAM J. Sci. Stat. Comput. 5 (1984)
/// 300–304.
pub fn monotone(xs: &[f64], ys: &[f64], x: f64) -> f64 {
    let last = xs.len() - 1;
    if last == 0 {
        return ys[0];
    }
    if x <= xs[0] {
        return ys[0] + tangent(xs, ys, 0) * (x - xs[0]);
    }
    if x >= xs[last] {
        return ys[last] + tangent(xs, ys, last) * (x - xs[last]);
    }
    let right = xs.partition_point(|node| *node <= x).clamp(1, last);
    let left = right - 1;
    cubic(
        xs,
        ys,
        left,
        x,
        [tangent(xs, ys, left), tangent(xs, ys, right)],
    )
}

fn tangent(xs: &[f64], ys: &[f64], i: usize) -> f64 {
    let last = xs.len() - 1;
    let secant = |k: usize| (ys[k + 1] - ys[k]) / (xs[k + 1] - xs[k]);
    if last == 1 {
        return secant(0);
    }
    if i == 0 || i == last {
        let (near, far) = if i == 0 { (0, 1) } else { (last - 1, last - 2) };
        let (h0, h1) = (xs[near + 1] - xs[near], xs[far + 1] - xs[far]);
        let (s0, s1) = (secant(near), secant(far));
        let end = ((2.0 * h0 + h1) * s0 - h0 * s1) / (h0 + h1);
        return if end * s0 <= 0.0 {
            0.0
        } else if s0 * s1 <= 0.0 && end.abs() > 3.0 * s0.abs() {
            3.0 * s0
        } else {
            end
        };
    }
    inner_tangent(xs, ys, i)
}

/// Where `x` lies among rising `xs`: index of the node to its left and the share
/// of the step, 0 to 1; clamped at the ends.
pub(super) fn locate(xs: &[f64], x: f64) -> (usize, f64) {
    let last = xs.len() - 1;
    if last == 0 || x <= xs[0] {
        return (0, 0.0);
    }
    if x >= xs[last] {
        return (last - 1, 1.0);
    }
    let right = xs.partition_point(|node| *node <= x).clamp(1, last);
    let left = right - 1;
    (left, (x - xs[left]) / (xs[right] - xs[left]))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn nodes_are_met_and_no_overshoot_appears() {
        let xs = [0.0, 1.0, 2.0, 4.0, 5.0];
        let ys = [0.0, 0.1, 3.0, 3.1, 7.0];
        for (x, y) in xs.iter().zip(ys) {
            assert!((monotone(&xs, &ys, *x) - y).abs() < 1e-12);
        }
        let curve: Vec<f64> = (0..=500)
            .map(|i| monotone(&xs, &ys, f64::from(i) / 100.0))
            .collect();
        assert!(curve.windows(2).all(|w| w[1] >= w[0] - 1e-12));
    }
}
