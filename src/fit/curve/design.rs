//! What a set of readings would leave of doubt, before they are taken.
//!
//! At given scales the posterior covariance of equations C10 and C12 does not
//! depend on what is read. This is the doorway to it: the fit's own covariances,
//! noise model and algebra, with counts instead of readings.

use super::average::{self, Asked};
use super::cells::{self, Cell, Cells};
use super::family::{self, Member};
use super::kernel::{self, Geometry, TargetPrior};
use super::posterior::{self, OFFSET, Start};
use super::{CurveError, CurveReading, CurveSetup, ReadingUse};
use crate::fit::noise::Noise;

/// Members of the family that stand for usual injectors, as (decay, amplitude)
/// indices: decays of 0.8 and 1.4 ms, amplitudes of 0.15 and 0.4 ms.
const USUAL: [(usize, usize); 4] = [(1, 2), (2, 3), (1, 3), (2, 2)];
/// Variance of a width that is not read, ms²: a million times that of the line.
const NOT_READ: f64 = 1e9;

/// Readings of one width and count that a design takes.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct DesignCell {
    /// Index into the widths of the [`CurveDesign`].
    pub width: usize,
    /// Pulses of one reading.
    pub pulses: f64,
    /// What one reading is expected to deliver, mm³ or mg.
    pub delivered: f64,
    /// Number of readings.
    pub count: f64,
    /// Further variance of one reading, delivered units squared.
    pub extra_variance: f64,
}

/// Standard uncertainties that a design leaves.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct DesignDoubt {
    /// Of the slope over the line range, relative.
    pub slope: f64,
    /// Of the dead time over the line range, ms.
    pub dead_time_ms: f64,
    /// Of the reading offset, as a share of its prior uncertainty.
    pub offset: f64,
}

/// The curve model on a fixed list of widths, ready to be asked about designs.
pub struct CurveDesign {
    widths: Vec<f64>,
    off_times: Vec<f64>,
    geometry: Geometry,
    parts: Vec<Part>,
    setup: CurveSetup,
    noise: Noise,
    slope: f64,
    dead_time: f64,
}

/// One departure with what it makes of the widths.
struct Part {
    member: Member,
    start: Start,
    prior: TargetPrior,
    weight: f64,
}

/// What is expected of the injector.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Expected {
    /// Slope, delivered per ms.
    pub slope: f64,
    /// Dead time, ms.
    pub dead_time_ms: f64,
    /// Standard uncertainty of one reading, mm³ or mg.
    pub reading: f64,
    /// Relative repeatability.
    pub repeatability: f64,
    /// Scatter of a single pulse, mm³ or mg.
    pub pulse_scatter: f64,
}

impl CurveDesign {
    /// Prepares the widths (rising, ms; each with its period where stated) for a
    /// usual injector: departures of 0.15 and 0.4 ms that decay in 0.8 and 1.4 ms,
    /// equally weighted. Of `setup` the offset's uncertainty and the line range count.
    ///
    /// Errors: `BadSetup` for widths that do not rise, or numbers out of bounds.
    pub fn usual(
        widths: &[(f64, Option<f64>)],
        setup: &CurveSetup,
        expected: Expected,
    ) -> Result<Self, CurveError> {
        let members = USUAL
            .iter()
            .map(|&(decay, size)| (family::member(decay, size, 1.0), 1.0))
            .collect();
        Self::with(widths, setup, expected, members)
    }

    /// The same without any departure: a straight line with offset and noise.
    ///
    /// Errors: as [`CurveDesign::usual`].
    pub fn straight(
        widths: &[(f64, Option<f64>)],
        setup: &CurveSetup,
        expected: Expected,
    ) -> Result<Self, CurveError> {
        let mut member = family::family()[0].clone();
        member.amplitude = 0.0;
        member.long_end = 0.0;
        member.local = 0.0;
        Self::with(widths, setup, expected, vec![(member, 1.0)])
    }

    /// The same for an injector that was read already: departures weighted and
    /// noise scales taken as its readings say. Gives also the readings as cells.
    ///
    /// `widths` must hold every width of the usable readings.
    ///
    /// Errors: as [`super::fit_curve`]; `BadSetup` where a width is missing.
    pub fn after(
        readings: &[CurveReading],
        widths: &[(f64, Option<f64>)],
        setup: &CurveSetup,
    ) -> Result<(Self, Vec<DesignCell>), CurveError> {
        super::check(readings, setup)?;
        let mut uses = vec![ReadingUse::Used; readings.len()];
        let start = super::provisional(readings, &uses, setup.offset_mean)?;
        let (_, mut model) = super::set_misreadings_aside(readings, &mut uses, setup, start)?;
        let candidates = average::weigh(&mut model, setup, Asked::Everything);
        let top = candidates.first().ok_or(CurveError::Numerics)?.log_weight;
        let mut weights = vec![0.0; family::family().len()];
        for c in &candidates {
            weights[c.member] += (c.log_weight - top).exp();
        }
        let noise = Noise::mean(
            candidates
                .iter()
                .map(|c| ((c.log_weight - top).exp(), model.nodes[c.node].scales.noise)),
        );
        let sum: f64 = weights.iter().sum();
        let members = family::family()
            .iter()
            .zip(&weights)
            .filter(|(_, w)| **w > 0.02 * sum)
            .map(|(m, w)| (m.clone(), *w))
            .collect();
        let expected = Expected {
            slope: start.0,
            dead_time_ms: start.1,
            reading: noise.read,
            repeatability: noise.repeatability,
            pulse_scatter: noise.pulse_scatter,
        };
        let design = Self::with(widths, setup, expected, members)?;
        let cells = model
            .cells
            .cells
            .iter()
            .map(|cell| {
                let width = model.cells.widths[cell.width];
                Ok(DesignCell {
                    width: design
                        .widths
                        .iter()
                        .position(|w| *w == width)
                        .ok_or(CurveError::BadSetup)?,
                    pulses: cell.pulses,
                    delivered: cell.mean,
                    count: cell.count,
                    extra_variance: cell.extra_variance,
                })
            })
            .collect::<Result<_, CurveError>>()?;
        Ok((design, cells))
    }

    fn with(
        widths: &[(f64, Option<f64>)],
        setup: &CurveSetup,
        expected: Expected,
        members: Vec<(Member, f64)>,
    ) -> Result<Self, CurveError> {
        super::check(&[], setup)?;
        let fine = widths.windows(2).all(|w| w[0].0 < w[1].0)
            && widths.len() >= 2
            && expected.slope > 0.0
            && expected.dead_time_ms.is_finite()
            && expected.reading >= 0.0
            && expected.repeatability >= 0.0
            && expected.pulse_scatter >= 0.0;
        if !fine {
            return Err(CurveError::BadSetup);
        }
        let off_times = widths
            .iter()
            .map(|(w, period)| period.map_or(f64::INFINITY, |p| p - w))
            .collect();
        let widths = widths.iter().map(|w| w.0).collect();
        let empty = Cells {
            widths,
            off_times,
            cells: Vec::new(),
            of_reading: Vec::new(),
        };
        let wanted = kernel::Wanted {
            line_range: setup.line_range,
            grid: &[],
            nodes: &[],
            dead_time: expected.dead_time_ms,
        };
        let geometry = kernel::geometry(&empty, &wanted);
        let total: f64 = members.iter().map(|m| m.1).sum();
        let parts = members
            .into_iter()
            .map(|(member, weight)| Part {
                start: Start::of(&geometry, &member),
                prior: kernel::target_prior(&geometry, &member),
                member,
                weight: weight / total,
            })
            .collect();
        Ok(Self {
            widths: empty.widths,
            off_times: empty.off_times,
            geometry,
            parts,
            setup: setup.clone(),
            noise: Noise {
                read: expected.reading,
                repeatability: expected.repeatability,
                pulse_scatter: expected.pulse_scatter,
            },
            slope: expected.slope,
            dead_time: expected.dead_time_ms,
        })
    }

    /// The widths, ms.
    pub fn widths(&self) -> &[f64] {
        &self.widths
    }

    /// Departures that the kinds stand for: how many there are to draw from.
    pub fn kinds(&self) -> usize {
        self.parts.len()
    }

    /// A departure at the widths, ms, drawn from the prior of kind `kind`.
    ///
    /// `uniform` in 0 to 1 chooses the mean by its prior weight; `normal` gives one
    /// standard normal value for each width.
    pub fn draw(&self, kind: usize, uniform: f64, normal: &[f64]) -> Vec<f64> {
        let part = &self.parts[kind % self.parts.len()];
        let mut mean = part.member.means[0].0;
        let mut reached = 0.0;
        for &(value, log_weight) in &part.member.means {
            if uniform >= reached {
                mean = value;
            }
            reached += log_weight.exp();
        }
        let m = self.widths.len();
        // Lower factor of the covariance; rounding may leave a pivot at zero.
        let mut lower: Vec<f64> = (0..m * m)
            .map(|at| part.start.departure(at / m, at % m))
            .collect();
        for k in 0..m {
            let pivot = lower[k * m + k].max(0.0).sqrt();
            for i in k..m {
                lower[i * m + k] = if pivot > 1e-9 {
                    lower[i * m + k] / pivot
                } else {
                    0.0
                };
            }
            for i in k + 1..m {
                for j in k + 1..=i {
                    lower[i * m + j] -= lower[i * m + k] * lower[j * m + k];
                }
            }
        }
        (0..m)
            .map(|i| {
                let shape = self.geometry.measured[i].shapes[part.member.leading];
                let local: f64 = (0..=i.min(normal.len().saturating_sub(1)))
                    .map(|k| lower[i * m + k] * normal[k])
                    .sum();
                mean * shape + local
            })
            .collect()
    }

    /// What readings in these cells would leave; `None` where they determine no line.
    ///
    /// Method: mean over the departures of the posterior variances C12 at the
    /// stated noise scales; X by its first-order gradient (M14).
    pub fn doubt(&self, design: &[DesignCell]) -> Option<DesignDoubt> {
        let cells = Cells {
            widths: self.widths.clone(),
            off_times: self.off_times.clone(),
            cells: design
                .iter()
                .map(|d| Cell {
                    width: d.width,
                    pulses: d.pulses,
                    extra_variance: d.extra_variance,
                    count: d.count,
                    mean: d.delivered,
                    within: 0.0,
                })
                .collect(),
            of_reading: Vec::new(),
        };
        let mut node = cells::noise_node(&cells, &self.setup, self.slope, self.noise, 0.0);
        let mut read = 0;
        for j in 0..self.widths.len() {
            if node.mean_variance[j].is_finite() {
                read += 1;
            } else {
                node.mean_variance[j] = NOT_READ;
                node.offset[j] = 0.0;
                node.mean[j] = 0.0;
            }
        }
        if read < 2 {
            return None;
        }
        let (mut slope, mut dead_time, mut offset) = (0.0, 0.0, 0.0);
        let mut factored = posterior::Factored::default();
        let mut projection = posterior::Projection::default();
        for part in &self.parts {
            if !posterior::factor(&part.start, &node, &mut factored) {
                return None;
            }
            // Only covariances are taken: what is read does not enter them.
            let prior = (&part.member, &part.prior);
            posterior::project(&self.geometry, prior, &factored, &mut projection);
            let (ss, ll) = (projection.variance(0).0, projection.variance(1).0);
            let sl = projection.slope_with_level();
            let shift = self.geometry.centre - self.dead_time;
            slope += part.weight * ss;
            dead_time += part.weight * (ll - 2.0 * shift * sl + shift * shift * ss);
            offset += part.weight * factored.regression.covariance[OFFSET][OFFSET];
        }
        let doubt = DesignDoubt {
            slope: slope.max(0.0).sqrt(),
            dead_time_ms: dead_time.max(0.0).sqrt(),
            offset: offset.max(0.0).sqrt(),
        };
        (doubt.slope.is_finite() && doubt.dead_time_ms.is_finite()).then_some(doubt)
    }
}
