//! The shape-preserving cubic between two nodes, for whoever interpolates.
//!
//! *Source*: F. N. Fritsch and J. Butland, SIAM J. Sci. Stat. Comput. 5 (1984)
//! 300–304. What happens at the two ends of a table is the caller's choice.

/// Value at `x` between the nodes `left` and `left + 1` of the cubic through
/// (`xs`, `ys`) whose slopes at these two nodes are `tangents`. `xs` rises strictly.
pub fn cubic(xs: &[f64], ys: &[f64], left: usize, x: f64, tangents: [f64; 2]) -> f64 {
    let step = xs[left + 1] - xs[left];
    let t = (x - xs[left]) / step;
    let (t2, t3) = (t * t, t * t * t);
    (2.0 * t3 - 3.0 * t2 + 1.0) * ys[left]
        + (t3 - 2.0 * t2 + t) * step * tangents[0]
        + (3.0 * t2 - 2.0 * t3) * ys[left + 1]
        + (t3 - t2) * step * tangents[1]
}

/// Slope at an inner node: the weighted harmonic mean of the neighbouring
/// secants, zero where these differ in sign.
pub fn inner_tangent(xs: &[f64], ys: &[f64], i: usize) -> f64 {
    let (h0, h1) = (xs[i] - xs[i - 1], xs[i + 1] - xs[i]);
    let (before, after) = ((ys[i] - ys[i - 1]) / h0, (ys[i + 1] - ys[i]) / h1);
    if before * after <= 0.0 {
        return 0.0;
    }
    let share = (1.0 + h1 / (h0 + h1)) / 3.0;
    before * after / (share * after + (1.0 - share) * before)
}
