//! Reading the delivery curve of a fitted sweep at any pulse width inside it.

use std::collections::BTreeMap;

use serde::de::{Deserialize, Deserializer, Error};

use super::DeliveryCurve;
use super::hermite::{cubic, inner_tangent};

/// Gauss and Legendre's rule of three points on −1 to 1, as place and weight: exact to the
/// fifth power, where a cubic times a width has four.
const GAUSS_LEGENDRE: [(f64, f64); 3] = [
    (-0.774_596_669_241_483_4, 5.0 / 9.0),
    (0.0, 8.0 / 9.0),
    (0.774_596_669_241_483_4, 5.0 / 9.0),
];

/// The delivered quantity at one pulse width.
#[derive(Debug, Clone, PartialEq)]
pub struct Delivered {
    /// Delivered quantity per pulse, mm³ or mg.
    pub value: f64,
    /// Its standard uncertainty, shared effects included.
    pub standard_uncertainty: f64,
    /// Signed contribution of each shared effect.
    pub shared: BTreeMap<String, f64>,
}

/// Reads the curve of a file, for serde.
///
/// # Errors
/// Lists that do not belong together: none empty, all of one length, widths rising strictly.
pub(super) fn read<'de, D>(deserializer: D) -> Result<Option<DeliveryCurve>, D::Error>
where
    D: Deserializer<'de>,
{
    let curve = Option::<DeliveryCurve>::deserialize(deserializer)?;
    if let Some(fault) = curve.as_ref().and_then(DeliveryCurve::fault) {
        return Err(D::Error::custom(format!("delivery curve: {fault}")));
    }
    Ok(curve)
}

impl DeliveryCurve {
    /// What keeps the lists from being one curve.
    fn fault(&self) -> Option<String> {
        let widths = self.pulse_width_ms.len();
        let own = [
            ("delivered", &self.delivered),
            ("standard_uncertainty", &self.standard_uncertainty),
        ];
        let shared = self.shared.iter().map(|(id, part)| (id.as_str(), part));
        let uneven = own
            .into_iter()
            .chain(shared)
            .find(|(_, list)| list.len() != widths);
        if widths == 0 {
            Some("no pulse widths".to_owned())
        } else if let Some((name, list)) = uneven {
            Some(format!(
                "{widths} pulse widths, but {} values of `{name}`",
                list.len()
            ))
        } else if self.pulse_width_ms.is_sorted_by(|a, b| a < b) {
            None
        } else {
            Some("pulse widths that do not rise".to_owned())
        }
    }

    /// First and last pulse width, ms.
    pub fn range(&self) -> Option<[f64; 2]> {
        Some([*self.pulse_width_ms.first()?, *self.pulse_width_ms.last()?])
    }

    /// Delivered quantity at `width_ms`; `None` outside the measured widths.
    ///
    /// *Method*: shape-preserving cubic interpolation of the value, linear
    /// interpolation of the uncertainties.
    pub fn at(&self, width_ms: f64) -> Option<Delivered> {
        let (left, right, t) = self.place(width_ms)?;
        let between = |list: &[f64]| list[left] + t * (list[right] - list[left]);
        Some(Delivered {
            value: self.value(left, right, width_ms),
            standard_uncertainty: between(&self.standard_uncertainty),
            shared: self
                .shared
                .iter()
                .map(|(id, part)| (id.clone(), between(part)))
                .collect(),
        })
    }

    /// The nodes left and right of a width, which are one where the curve has no other, and
    /// where it stands between them, 0 to 1.
    fn place(&self, width_ms: f64) -> Option<(usize, usize, f64)> {
        let x = &self.pulse_width_ms;
        let [first, last] = self.range()?;
        // A width typed as 10.0 must find a grid end of 9.999999999999998.
        let slack = 1e-9 * last.abs().max(1.0);
        if !(first - slack..=last + slack).contains(&width_ms) {
            return None;
        }
        if x.len() == 1 {
            return Some((0, 0, 0.0));
        }
        let right = x.partition_point(|w| *w < width_ms).clamp(1, x.len() - 1);
        let left = right - 1;
        let t = ((width_ms - x[left]) / (x[right] - x[left])).clamp(0.0, 1.0);
        Some((left, right, t))
    }

    /// The interpolated value between two nodes.
    fn value(&self, left: usize, right: usize, width_ms: f64) -> f64 {
        let x = &self.pulse_width_ms;
        if left == right {
            return self.delivered[left];
        }
        let tangents = [self.tangent(left), self.tangent(right)];
        let width_ms = width_ms.clamp(x[0], x[x.len() - 1]);
        cubic(x, &self.delivered, left, width_ms, tangents)
    }

    /// Slope and dead time, ms, of the least-squares line of the curve over a range of
    /// pulse widths, uniform in width; `None` where the curve does not cover the range
    /// or the line does not rise.
    ///
    /// *Method*: ∫q·(w − w̄)dw over ∫(w − w̄)²dw, from node to node, where the
    /// interpolant is a cubic.
    pub fn line_over(&self, [lo, hi]: [f64; 2]) -> Option<[f64; 2]> {
        self.place(lo).and(self.place(hi))?;
        let (length, middle) = (hi - lo, f64::midpoint(lo, hi));
        let (mut area, mut moment) = (0.0, 0.0);
        let mut from = lo;
        let inside = |w: &f64| lo < *w && *w < hi;
        let nodes = self.pulse_width_ms.iter().copied().filter(inside);
        for to in nodes.chain([hi]) {
            let (centre, half) = (f64::midpoint(from, to), 0.5 * (to - from));
            let (left, right, _) = self.place(centre)?;
            for (place, weight) in GAUSS_LEGENDRE {
                let width = centre + half * place;
                let part = half * weight * self.value(left, right, width);
                area += part;
                moment += part * (width - middle);
            }
            from = to;
        }
        let slope = 12.0 * moment / length.powi(3);
        let dead_time = middle - area / length / slope;
        (slope > 0.0).then_some([slope, dead_time])
    }

    /// Slope of the interpolant at node `i`.
    fn tangent(&self, i: usize) -> f64 {
        let (x, y) = (&self.pulse_width_ms, &self.delivered);
        let secant = |k: usize| (y[k + 1] - y[k]) / (x[k + 1] - x[k]);
        if i == 0 {
            return secant(0);
        }
        if i == x.len() - 1 {
            return secant(i - 1);
        }
        inner_tangent(x, y, i)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn nodes_are_reproduced_and_a_bend_is_followed() {
        let widths: Vec<f64> = (0..30)
            .map(|i| 1.0 * 10f64.powf(f64::from(i) / 29.0))
            .collect();
        let law = |w: f64| 4.0 * (w - 0.8) - 0.6 * (-w / 0.5f64).exp();
        let curve = DeliveryCurve {
            delivered: widths.iter().map(|w| law(*w)).collect(),
            standard_uncertainty: vec![0.1; widths.len()],
            pulse_width_ms: widths,
            degrees_of_freedom: None,
            shared: BTreeMap::new(),
        };
        let [first, last] = curve.range().unwrap();
        assert_eq!(curve.at(first).unwrap().value, law(first));
        assert!((curve.at(last).unwrap().value - law(last)).abs() < 1e-12);
        for i in 0..100 {
            let w = 1.0 + 0.09 * f64::from(i);
            let q = curve.at(w).unwrap();
            assert!(
                (q.value / law(w) - 1.0).abs() < 3e-3,
                "{w} {} {}",
                q.value,
                law(w)
            );
        }
        assert!(curve.at(0.99).is_none() && curve.at(10.01).is_none());
    }

    /// Against the sums over many points of the interpolant itself.
    #[test]
    fn the_line_over_a_range_is_that_of_very_many_points() {
        let widths = vec![1.0, 1.3, 2.0, 3.1, 5.0, 8.0];
        let curve = DeliveryCurve {
            delivered: widths.iter().map(|w| 4.0 * w - 3.0 - 0.5 / w).collect(),
            standard_uncertainty: vec![0.1; widths.len()],
            pulse_width_ms: widths,
            degrees_of_freedom: None,
            shared: BTreeMap::new(),
        };
        // The range begins and ends between nodes, at nodes, and within one piece.
        for [lo, hi] in [[1.1, 6.5], [1.3, 5.0], [3.2, 4.0]] {
            let n = 200_000;
            let step = (hi - lo) / f64::from(n);
            let middle = f64::midpoint(lo, hi);
            let (mut sum, mut along, mut square) = (0.0, 0.0, 0.0);
            for i in 0..n {
                let w = lo + (f64::from(i) + 0.5) * step;
                let q = curve.at(w).unwrap().value;
                sum += q;
                along += q * (w - middle);
                square += (w - middle).powi(2);
            }
            let slope = along / square;
            let dead_time = middle - sum / f64::from(n) / slope;
            let line = curve.line_over([lo, hi]).unwrap();
            assert!((line[0] / slope - 1.0).abs() < 1e-9, "{line:?} {slope}");
            assert!((line[1] - dead_time).abs() < 1e-9, "{line:?} {dead_time}");
        }
        assert!(curve.line_over([0.9, 5.0]).is_none() && curve.line_over([2.0, 8.1]).is_none());
    }

    #[test]
    fn widths_that_stand_still_make_no_curve() {
        let fault = |widths: [f64; 3]| {
            let curve = DeliveryCurve {
                pulse_width_ms: widths.to_vec(),
                delivered: vec![1.0; 3],
                standard_uncertainty: vec![0.1; 3],
                degrees_of_freedom: None,
                shared: BTreeMap::new(),
            };
            curve.fault()
        };
        assert_eq!(fault([1.0, 1.5, 2.0]), None);
        let still = Some("pulse widths that do not rise".to_owned());
        assert_eq!(fault([1.0, 1.0, 2.0]), still);
    }
}
