//! Chances behind a verdict: conformance probability, guard bands, false accepts and rejects.

use statrs::distribution::{Continuous, ContinuousCDF, Normal};

/// Limits of a tolerance; a side without limit is `None`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ToleranceLimits {
    /// Lower limit.
    pub lower: Option<f64>,
    /// Upper limit.
    pub upper: Option<f64>,
}

impl ToleranceLimits {
    /// Limits moved inwards by `guard` (outwards below zero): the limits of acceptance.
    pub fn guarded(self, guard: f64) -> Self {
        Self {
            lower: self.lower.map(|l| l + guard),
            upper: self.upper.map(|u| u - guard),
        }
    }

    fn probability(self, mean: f64, sd: f64) -> f64 {
        let normal = Normal::standard();
        let below = |limit: f64| normal.cdf((limit - mean) / sd);
        // From the nearer tail: 1 − Φ loses digits far out.
        match (self.lower, self.upper) {
            (Some(l), Some(u)) if l > mean => {
                normal.sf((l - mean) / sd) - normal.sf((u - mean) / sd)
            }
            (Some(l), Some(u)) => below(u) - below(l),
            (None, Some(u)) => below(u),
            (Some(l), None) => normal.sf((l - mean) / sd),
            (None, None) => 1.0,
        }
    }
}

/// Chance that the true value lies within the limits, given a measured value and
/// its standard uncertainty (above zero).
///
/// *Method*: p = Φ((T_U − y)/u) − Φ((T_L − y)/u). *Source*: JCGM 106:2012, 7.3 and
/// 7.4, from memory. *Assumes*: normal, nothing known beforehand.
pub fn conformance_probability(
    value: f64,
    standard_uncertainty: f64,
    limits: ToleranceLimits,
) -> f64 {
    limits.probability(value, standard_uncertainty)
}

/// Guard band in standard uncertainties that keeps the one-sided risk of a wrong
/// verdict at `risk` (0 to 0.5). *Source*: JCGM 106:2012, 8.3.2, from memory.
pub fn guard_factor(risk: f64) -> f64 {
    Normal::standard().inverse_cdf(1.0 - risk)
}

/// Shares of a production that are accepted or rejected wrongly.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct GlobalRisk {
    /// Outside the tolerance and accepted.
    pub false_accept: f64,
    /// Within the tolerance and rejected.
    pub false_reject: f64,
}

/// Simpson intervals on each piece between limits.
const STEPS: usize = 2_000;
/// Half-width of the integration in standard deviations of the production.
const WINDOW: f64 = 9.0;

/// Risks when items of a normal production (mean 0, `production_sd`) are measured
/// with standard uncertainty `standard_uncertainty` and accepted within `acceptance`.
///
/// *Method*: R_C = ∫ outside T of f(η)·P(accept|η) dη, R_P = ∫ inside T of
/// f(η)·P(reject|η) dη, by Simpson's rule piece by piece. *Source*: JCGM 106:2012,
/// 9.5, from memory.
pub fn global_risk(
    production_sd: f64,
    standard_uncertainty: f64,
    tolerance: ToleranceLimits,
    acceptance: ToleranceLimits,
) -> GlobalRisk {
    let normal = Normal::standard();
    let far = WINDOW * production_sd;
    let (lower, upper) = (
        tolerance.lower.unwrap_or(-far).clamp(-far, far),
        tolerance.upper.unwrap_or(far).clamp(-far, far),
    );
    let density = |x: f64| normal.pdf(x / production_sd) / production_sd;
    let accept = |x: f64| acceptance.probability(x, standard_uncertainty);
    let accepted = |a: f64, b: f64| simpson(a, b, |x| density(x) * accept(x));
    GlobalRisk {
        false_accept: accepted(-far, lower) + accepted(upper, far),
        false_reject: simpson(lower, upper, |x| density(x) * (1.0 - accept(x))),
    }
}

fn simpson(from: f64, to: f64, f: impl Fn(f64) -> f64) -> f64 {
    let step = (to - from) / STEPS as f64;
    let weight = |i: usize| match i {
        0 | STEPS => 1.0,
        i if i % 2 == 1 => 4.0,
        _ => 2.0,
    };
    (0..=STEPS)
        .map(|i| weight(i) * f(from + step * i as f64))
        .sum::<f64>()
        * step
        / 3.0
}
