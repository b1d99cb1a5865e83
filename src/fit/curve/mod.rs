//! The whole delivery curve of one sweep, and the straight line over a stated
//! range of pulse widths that it implies.
//!
//! In: readings (width, pulses, what was delivered) and what is known of the
//! noise. Out: slope S, time-offset X, flow-offset Y, the curve q(w), the
//! reading offset b and the noise scales, each with an interval that the truth
//! lies in. The curve is a straight line plus a departure with a
//! Gaussian-process prior, averaged over scales that the readings cannot tell
//! apart. The module knows nothing of injectors, voltages or files, and never
//! chooses its range by looking at the fit.
//!
//! Equations C1–C16 are in `docs/methods-curve.md`.

// Index loops read as the algebra they carry out.
#![allow(clippy::needless_range_loop)]

mod average;
mod budget;
mod cells;
mod design;
mod family;
mod fixed;
mod grid;
mod kernel;
mod log_sum;
mod mixture;
mod moments;
mod outliers;
mod posterior;
mod result;
mod start;
mod summary;
mod tiles;

pub use design::{CurveDesign, DesignCell, DesignDoubt, Expected};
pub use fixed::{FixedPosterior, FixedScales, posterior_at};
pub use mixture::{Interval, LineComponent};
pub use result::{
    Asymptote, CurveFit, CurveNode, CurvePoint, Identified, LineOverRange, NoisePosterior,
    OffsetPosterior, Quantity, ReadingFit, ReadingUse, VarianceShares,
};

use crate::capture::DUTY_LIMIT;
use average::Asked;

/// Readings this close to the dead time, ms, are not fitted: there the needle
/// may not leave its seat at all, and the departure has no scale.
const TOO_SHORT_MS: f64 = 0.3;

/// One reading of a sweep.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct CurveReading {
    /// Pulse width, ms.
    pub width_ms: f64,
    /// Number of pulses.
    pub pulses: f64,
    /// What was read in all, mm³ or mg.
    pub delivered: f64,
    /// Further independent variance of `delivered`, mm⁶ or mg², as of a
    /// correction to the set point; 0 where there is none.
    pub extra_variance: f64,
    /// Period, ms, where it is stated.
    pub period_ms: Option<f64>,
}

/// What is known of a noise scale beforehand: log-normal about a centre,
/// never below a floor.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Scale {
    /// Median of the prior.
    pub centre: f64,
    /// Standard deviation of its logarithm; 0 where the scale is known.
    pub log_sd: f64,
    /// Smallest value admitted.
    pub floor: f64,
}

impl Scale {
    /// A scale that is known.
    pub fn known(value: f64) -> Self {
        Self {
            centre: value,
            log_sd: 0.0,
            floor: 0.0,
        }
    }

    /// A scale known to a factor: `log_sd` is the standard deviation of its
    /// natural logarithm.
    pub fn about(centre: f64, log_sd: f64, floor: f64) -> Self {
        Self {
            centre,
            log_sd,
            floor,
        }
    }

    /// Values to average over with their log prior weights; values under the
    /// floor fall together on it.
    fn nodes(&self, steps: &[f64]) -> Vec<(f64, f64)> {
        if self.log_sd <= 0.0 {
            return vec![(self.centre.max(self.floor), 0.0)];
        }
        let mut nodes: Vec<(f64, f64)> = Vec::with_capacity(steps.len());
        for &t in steps {
            let value = (self.centre * (self.log_sd * t).exp()).max(self.floor);
            let weight = (-0.5 * t * t).exp();
            match nodes.last_mut() {
                Some(last) if last.0 == value => last.1 += weight,
                _ => nodes.push((value, weight)),
            }
        }
        for node in &mut nodes {
            node.1 = node.1.ln();
        }
        nodes
    }
}

/// What a misreading looks like beforehand.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Misreading {
    /// Share of readings expected to be misread.
    pub prior: f64,
    /// Standard deviation of a misreading, mm³ or mg.
    pub spread: f64,
}

impl Misreading {
    /// Two readings in a hundred, off by about a twelfth of the largest
    /// reading: a graduation or a count taken wrongly.
    pub fn usual(readings: &[CurveReading]) -> Self {
        let largest = readings
            .iter()
            .fold(0.0_f64, |a, r| a.max(r.delivered.abs()));
        Self {
            prior: 0.02,
            spread: largest / 12.0,
        }
    }
}

/// What is known beforehand and what is wanted.
#[derive(Clone, Debug, PartialEq)]
pub struct CurveSetup {
    /// Uncertainty of one reading, mm³ or mg.
    pub reading: Scale,
    /// Relative repeatability of injector and rig from reading to reading.
    pub repeatability: Scale,
    /// Scatter of a single pulse, mm³ or mg; `None` where nothing is known of it.
    pub pulse_scatter: Option<Scale>,
    /// Expected reading offset b, mm³ or mg; usually 0.
    pub offset_mean: f64,
    /// Standard uncertainty of b, mm³ or mg.
    pub offset_uncertainty: f64,
    /// Range of pulse widths of the line, ms.
    pub line_range: (f64, f64),
    /// Pulse widths at which the curve is wanted, ms.
    pub grid: Vec<f64>,
    /// Pulse widths at which only value and uncertainty are wanted, ms: cheaper,
    /// for a dense delivery curve.
    pub nodes: Vec<f64>,
    /// How misreadings are judged; `None` keeps all readings.
    pub misreading: Option<Misreading>,
}

impl CurveSetup {
    /// A setup for a vessel read to a division, with the priors of
    /// `docs/methods-curve.md`: reading uncertainty 0.4 divisions (log-sd 0.4,
    /// at least division/√12), repeatability 0.3 % (log-sd 0.9), offset
    /// uncertainty as given.
    pub fn of_division(
        division: f64,
        offset_uncertainty: f64,
        line_range: (f64, f64),
        readings: &[CurveReading],
    ) -> Self {
        Self {
            reading: Scale::about(0.4 * division, 0.4, division / 12.0_f64.sqrt()),
            repeatability: Scale::about(0.003, 0.9, 0.0),
            pulse_scatter: None,
            offset_mean: 0.0,
            offset_uncertainty,
            line_range,
            grid: Vec::new(),
            nodes: Vec::new(),
            misreading: Some(Misreading::usual(readings)),
        }
    }
}

/// Why a sweep cannot be fitted as a curve.
#[derive(Clone, Copy, Debug, PartialEq, thiserror::Error)]
pub enum CurveError {
    /// A number of a reading is not finite, or its width, pulses or variance
    /// are out of bounds.
    #[error("reading {index} has a number out of bounds")]
    BadReading {
        /// Index of the reading.
        index: usize,
    },
    /// A number of the setup is not finite or out of bounds.
    #[error("the noise scales, line range or grid have a number out of bounds")]
    BadSetup,
    /// Fewer distinct pulse widths than a curve needs.
    #[error("{have} pulse widths can be fitted, {need} are needed")]
    TooFewWidths {
        /// Distinct widths that could be fitted.
        have: usize,
        /// Distinct widths needed.
        need: usize,
    },
    /// Delivery does not rise with pulse width.
    #[error("delivery does not rise with pulse width")]
    NoDelivery,
    /// No combination of scales gave finite numbers.
    #[error("the numbers of this sweep are too extreme to fit")]
    Numerics,
}

/// Fits the whole curve of one sweep.
///
/// `readings` in any order; equal (width, pulses) are repeats.
///
/// Method: C1–C16 of `docs/methods-curve.md`. Source: Rasmussen & Williams,
/// Gaussian Processes for Machine Learning, 2006, equations 2.41–2.45.
/// Assumes: readings independent given curve, offset and noise scales.
/// Errors: each variant of [`CurveError`] with its condition.
pub fn fit_curve(readings: &[CurveReading], setup: &CurveSetup) -> Result<CurveFit, CurveError> {
    check(readings, setup)?;
    let mut uses: Vec<ReadingUse> = readings
        .iter()
        .map(|r| match r.period_ms {
            Some(period) if r.width_ms > DUTY_LIMIT * period * (1.0 + 1e-9) => {
                ReadingUse::BeyondDutyLimit
            }
            _ => ReadingUse::Used,
        })
        .collect();
    let start = provisional(readings, &uses, setup.offset_mean)?;
    for (reading, r) in readings.iter().zip(&mut uses) {
        if *r == ReadingUse::Used && reading.width_ms - start.1 < TOO_SHORT_MS {
            *r = ReadingUse::TooShort;
        }
    }
    let (log_odds, mut model) = set_misreadings_aside(readings, &mut uses, setup, start)?;
    let candidates = average::weigh(&mut model, setup, Asked::Everything);
    if candidates.is_empty() {
        return Err(CurveError::Numerics);
    }
    summary::summarise(readings, &uses, &log_odds, setup, &model, &candidates)
}

/// Refuses numbers that no bench gives.
fn check(readings: &[CurveReading], setup: &CurveSetup) -> Result<(), CurveError> {
    for (index, r) in readings.iter().enumerate() {
        let fine = r.width_ms > 0.0
            && r.width_ms.is_finite()
            && r.pulses > 0.0
            && r.pulses.is_finite()
            && r.delivered.is_finite()
            && r.extra_variance >= 0.0
            && r.extra_variance.is_finite()
            && r.period_ms.is_none_or(|p| p > 0.0 && p.is_finite());
        if !fine {
            return Err(CurveError::BadReading { index });
        }
    }
    let not_negative = |v: f64| v >= 0.0 && v.is_finite();
    let scale =
        |s: &Scale| not_negative(s.centre) && not_negative(s.log_sd) && not_negative(s.floor);
    let (lo, hi) = setup.line_range;
    let fine = scale(&setup.reading)
        && scale(&setup.repeatability)
        && setup.pulse_scatter.as_ref().is_none_or(scale)
        && setup.offset_mean.is_finite()
        && not_negative(setup.offset_uncertainty)
        && lo > 0.0
        && hi > lo
        && hi.is_finite()
        && setup
            .grid
            .iter()
            .chain(&setup.nodes)
            .all(|w| *w > 0.0 && w.is_finite())
        && setup
            .misreading
            .is_none_or(|m| m.prior > 0.0 && m.prior < 1.0 && not_negative(m.spread));
    if fine {
        Ok(())
    } else {
        Err(CurveError::BadSetup)
    }
}

/// Provisional slope and dead time of the readings in use, all of them `offset` too high.
fn provisional(
    readings: &[CurveReading],
    uses: &[ReadingUse],
    offset: f64,
) -> Result<(f64, f64), CurveError> {
    let per_pulse: Vec<(f64, f64)> = readings
        .iter()
        .zip(uses)
        .filter(|(_, u)| **u == ReadingUse::Used)
        .map(|(r, _)| (r.width_ms, (r.delivered - offset) / r.pulses))
        .collect();
    let mut widths: Vec<f64> = per_pulse.iter().map(|p| p.0).collect();
    widths.sort_by(f64::total_cmp);
    widths.dedup();
    if widths.len() < 3 {
        return Err(CurveError::TooFewWidths {
            have: widths.len(),
            need: 3,
        });
    }
    start::provisional_line(&per_pulse).ok_or(CurveError::NoDelivery)
}

/// Collapses the readings in use and prepares the model with all targets: the
/// grid, every other width that was read, and the nodes.
fn prepare(
    readings: &[CurveReading],
    uses: &[ReadingUse],
    setup: &CurveSetup,
    start: (f64, f64),
) -> Result<average::Model, CurveError> {
    let used: Vec<bool> = uses.iter().map(|u| *u == ReadingUse::Used).collect();
    let collapsed = cells::collapse(readings, &used);
    if collapsed.widths.len() < 3 {
        return Err(CurveError::TooFewWidths {
            have: collapsed.widths.len(),
            need: 3,
        });
    }
    let mut widths = setup.grid.clone();
    let mut read: Vec<f64> = readings.iter().map(|r| r.width_ms).collect();
    read.sort_by(f64::total_cmp);
    read.dedup();
    read.retain(|w| !widths.contains(w));
    widths.extend(read);
    Ok(average::Model::new(collapsed, setup, start, widths))
}

/// Sets misreadings aside one at a time while the odds favour it, then takes
/// back any that the final readings no longer condemn. Gives the log odds of
/// every reading judged, and the model of the readings left with its noise nodes.
fn set_misreadings_aside(
    readings: &[CurveReading],
    uses: &mut [ReadingUse],
    setup: &CurveSetup,
    start: (f64, f64),
) -> Result<(Vec<Option<f64>>, average::Model), CurveError> {
    let Some(misreading) = &setup.misreading else {
        let model = prepare(readings, uses, setup, start)?;
        return Ok((vec![None; readings.len()], model));
    };
    // Each reading changes side at most twice, out and back, or two that condemn each
    // other would take turns.
    let mut came_back = vec![false; readings.len()];
    loop {
        let mut model = prepare(readings, uses, setup, start)?;
        let aside: Vec<bool> = uses.iter().map(|u| *u == ReadingUse::Misreading).collect();
        let judged = outliers::log_odds(readings, &aside, &mut model, setup, misreading);
        let (odds, confirmed) = (judged.log_odds, judged.confirmed);
        // Odds that speak against a confirmed reading speak against the curve.
        let verdict = |i: usize| odds[i].map_or(0.0, |o| if confirmed[i] { -o.abs() } else { o });
        let count = uses.iter().filter(|u| **u == ReadingUse::Used).count();
        let mut out: Vec<usize> = (0..readings.len())
            .filter(|&i| uses[i] == ReadingUse::Used && !came_back[i] && verdict(i) > 0.0)
            .collect();
        out.sort_by(|&a, &b| verdict(b).total_cmp(&verdict(a)));
        // One at a time, or one in a hundred where there are many.
        out.truncate((count / 100).max(1));
        let back = (0..readings.len())
            .filter(|&i| uses[i] == ReadingUse::Misreading && verdict(i) < 0.0)
            .min_by(|&a, &b| verdict(a).total_cmp(&verdict(b)));
        if !out.is_empty() {
            for &i in &out {
                uses[i] = ReadingUse::Misreading;
            }
            if prepare(readings, uses, setup, start).is_err() {
                // A curve needs three widths: these readings must stay.
                for &i in &out {
                    uses[i] = ReadingUse::Used;
                }
                return Ok((odds, model));
            }
        } else if let Some(i) = back {
            uses[i] = ReadingUse::Used;
            came_back[i] = true;
        } else {
            return Ok((odds, model));
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn nodes_under_the_floor_fall_together_with_their_weights() {
        let nodes = Scale::about(1.0, 0.5, 1.2).nodes(&[-1.0, 0.0, 1.0]);
        let [(floor, joint), (above, alone)] = nodes[..] else {
            panic!("{nodes:?}")
        };
        assert_eq!(floor, 1.2);
        // exp(−1/2) + 1 beside exp(−1/2)
        assert!((joint - 1.606_530_659_712_633_4_f64.ln()).abs() < 1e-15);
        assert!((above - 0.5f64.exp()).abs() < 1e-15 && (alone + 0.5).abs() < 1e-15);
    }
}
