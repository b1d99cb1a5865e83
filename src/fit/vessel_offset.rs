//! The reading offset of a vessel is common to the sweeps read in it: a sweep
//! whose pulse counts cannot tell it takes it from one that can.

use serde_json::json;

use super::core::Core;
use super::distribution::chi_squared_p_value;
use super::prepared::Prepared;
use crate::finding::{Finding, Kind};

/// A sweep knows an offset when the readings have brought its doubt below this
/// share of the prior's.
const KNOWN_SHARE: f64 = 0.8;
/// It is carried only to sweeps that know it this many times worse: errors of two
/// sweeps are alike where their departures are, so nothing is averaged.
const BETTER_BY: f64 = 2.0;
/// Chance below which sweeps of one vessel disagree.
const DISAGREE_P: f64 = 0.01;

/// What a sweep takes from the others of its vessel.
pub(super) enum Carried {
    /// Nothing: it knows best, or nobody does.
    Nothing,
    /// This prior.
    Prior {
        mean: f64,
        uncertainty: f64,
        finding: Finding,
    },
    /// Nothing, because the others disagree.
    Disagree(Finding),
}

/// Decides for each sweep what it takes from the others of its vessel and run.
///
/// *Method*: docs/methods.md M6a. Sweeps that know the offset are tested for
/// agreement (χ² of their means); where they agree, the best of them gives the
/// prior N(m, s² + τ²), τ² the variance between them beyond their own (of the
/// injectors, DerSimonian and Laird 1986, from memory). Sweeps that know the offset
/// themselves keep their own.
pub(super) fn carried(prepared: &[Prepared<'_>], cores: &[Option<&Core>]) -> Vec<Carried> {
    (0..prepared.len())
        .map(|i| match (cores[i], posterior(prepared, cores, i)) {
            (Some(_), Some((_, own))) => carry(prepared, cores, i, own),
            _ => Carried::Nothing,
        })
        .collect()
}

/// Mean and standard deviation of the offset after the fit of sweep `i`.
fn posterior(prepared: &[Prepared<'_>], cores: &[Option<&Core>], i: usize) -> Option<(f64, f64)> {
    let offset = &cores[i]?.curve.as_ref()?.offset;
    (prepared[i].instrument.offset_uncertainty > 0.0)
        .then_some((offset.value, offset.standard_uncertainty))
}

fn carry(prepared: &[Prepared<'_>], cores: &[Option<&Core>], i: usize, own: f64) -> Carried {
    let here = &prepared[i];
    let known: Vec<(f64, f64)> = (0..prepared.len())
        .filter(|j| {
            let other = &prepared[*j];
            *j != i
                && other.source == here.source
                && other.sweep.basis == here.sweep.basis
                && other.instrument.effect_id == here.instrument.effect_id
        })
        .filter_map(|j| posterior(prepared, cores, j))
        .filter(|(_, s)| *s < KNOWN_SHARE * here.instrument.offset_uncertainty)
        .collect();
    let Some(&(mean, best)) = known.iter().min_by(|a, b| a.1.total_cmp(&b.1)) else {
        return Carried::Nothing;
    };
    let place = here.sweep.place(here.source);
    let (chi_squared, between) = disagreement(&known);
    let dof = (known.len() - 1) as f64;
    let p = if known.len() > 1 {
        chi_squared_p_value(chi_squared, dof).unwrap_or(1.0)
    } else {
        1.0
    };
    if own < BETTER_BY * best {
        return Carried::Nothing;
    }
    if p < DISAGREE_P {
        let facts = [
            ("vessel", json!(here.instrument.effect_id)),
            ("f", json!(chi_squared / dof)),
            ("p", json!(100.0 * p)),
        ];
        return Carried::Disagree(Finding::new(Kind::OffsetsDisagree, place, &facts));
    }
    let uncertainty = (best * best + between).sqrt();
    if own < BETTER_BY * uncertainty {
        return Carried::Nothing;
    }
    let facts = [
        ("offset", json!(mean)),
        ("uncertainty", json!(uncertainty)),
        ("unit", json!(here.sweep.basis.amount_unit().word())),
    ];
    Carried::Prior {
        mean,
        uncertainty,
        finding: Finding::new(Kind::OffsetCarried, place, &facts),
    }
}

/// χ² of the means about their weighted mean, and the variance between them
/// beyond their own.
fn disagreement(known: &[(f64, f64)]) -> (f64, f64) {
    let weight = |s: f64| 1.0 / (s * s);
    let total: f64 = known.iter().map(|(_, s)| weight(*s)).sum();
    let mean = known.iter().map(|(m, s)| weight(*s) * m).sum::<f64>() / total;
    let chi_squared: f64 = known
        .iter()
        .map(|(m, s)| weight(*s) * (m - mean).powi(2))
        .sum();
    let squares: f64 = known.iter().map(|(_, s)| weight(*s).powi(2)).sum();
    let scale = total - squares / total;
    let excess = chi_squared - (known.len() - 1) as f64;
    (
        chi_squared,
        if scale > 0.0 {
            (excess / scale).max(0.0)
        } else {
            0.0
        },
    )
}

#[cfg(test)]
mod tests {
    use super::disagreement;

    #[test]
    fn variance_between_is_what_the_own_doubts_leave() {
        let (chi, between) = disagreement(&[(0.0, 1.0), (4.0, 1.0)]);
        assert!((chi - 8.0).abs() < 1e-12);
        // Sample variance of the two is 8, of which 1 is their own.
        assert!((between - 7.0).abs() < 1e-12);
        assert_eq!(disagreement(&[(0.0, 1.0), (0.5, 1.0)]).1, 0.0);
        // Weights 1 and 1/4: mean 0.8, χ² = 0.64 + 2.56, (3.2 − 1)/(1.25 − 1.0625/1.25).
        let (chi, between) = disagreement(&[(0.0, 1.0), (4.0, 2.0)]);
        assert!((chi - 3.2).abs() < 1e-12);
        assert!((between - 5.5).abs() < 1e-12);
    }
}
