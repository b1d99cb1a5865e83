//! What a curve fit hands over.

use super::mixture::{self, Interval, LineComponent};

/// A value with its standard uncertainty. The 95 % intervals are asked of
/// [`CurveFit`], with what further doubt there is.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Quantity {
    /// Posterior mean (for the time-offset −Y/S of the means).
    pub value: f64,
    /// Posterior standard deviation.
    pub standard_uncertainty: f64,
}

/// Slope, time-offset and flow-offset of a line.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct LineOverRange {
    /// Range of pulse widths the line is of, ms.
    pub range_ms: (f64, f64),
    /// S, delivered per ms.
    pub slope: Quantity,
    /// X = −Y/S, ms.
    pub dead_time: Quantity,
    /// Y, delivered per pulse.
    pub flow_offset: Quantity,
    /// Covariance of (S, Y, b).
    pub covariance: [[f64; 3]; 3],
}

/// The line that long pulses tend to.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Asymptote {
    /// S, delivered per ms.
    pub slope: Quantity,
    /// X = −Y/S, ms.
    pub dead_time: Quantity,
    /// Y, delivered per pulse.
    pub flow_offset: Quantity,
    /// Covariance of (S, Y, b).
    pub covariance: [[f64; 3]; 3],
}

/// The curve at one width of the grid.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct CurvePoint {
    /// Pulse width, ms.
    pub width_ms: f64,
    /// Delivered per pulse.
    pub delivered: Quantity,
    /// Linearity deviation from the line over the range, percent; `None` at
    /// and below its dead time.
    pub deviation_percent: Option<Quantity>,
    /// Its 95 % interval.
    pub deviation_interval_95: Interval,
    /// Covariance of delivered with S and Y of the line.
    pub covariance_with_line: [f64; 2],
    /// Change of the estimate per unit of a real reading offset, 1/pulses.
    pub offset_sensitivity: f64,
    /// Share of the variance that comes from the reading offset.
    pub offset_share: f64,
    /// Whether the design tells this quantity from the reading offset.
    pub identified: bool,
}

/// The curve at one width of the dense list.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct CurveNode {
    /// Pulse width, ms.
    pub width_ms: f64,
    /// Delivered per pulse.
    pub delivered: f64,
    /// Its standard uncertainty.
    pub standard_uncertainty: f64,
    /// Change of the estimate per unit of a real reading offset, 1/pulses.
    pub offset_sensitivity: f64,
}

/// What is known of the reading offset b after the fit.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct OffsetPosterior {
    /// Mean, mm³ or mg.
    pub value: f64,
    /// Standard deviation, mm³ or mg.
    pub standard_uncertainty: f64,
    /// Change of the estimated S per unit of a real offset, 1/ms.
    pub slope_sensitivity: f64,
    /// Change of the estimated X per unit of a real offset, ms per mm³ or mg.
    pub dead_time_sensitivity: f64,
    /// Share of the variance of S that comes from b.
    pub slope_share: f64,
    /// Share of the variance of X that comes from b.
    pub dead_time_share: f64,
}

/// What is known of the noise scales after the fit.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct NoisePosterior {
    /// Mean and standard deviation of the reading uncertainty, mm³ or mg.
    pub reading: (f64, f64),
    /// Mean and standard deviation of the relative repeatability.
    pub repeatability: (f64, f64),
    /// Mean and standard deviation of the scatter of a single pulse, mm³ or mg; 0 where it
    /// is not stated and too small a part to be told.
    pub pulse_scatter: (f64, f64),
}

/// Where a variance comes from; the shares sum to one.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct VarianceShares {
    /// Reading uncertainty, pulse scatter and further variances of readings.
    pub reading: f64,
    /// Repeatability.
    pub repeatability: f64,
    /// Reading offset.
    pub offset: f64,
    /// What the family of curves leaves open between and beyond the readings.
    pub departure: f64,
    /// Spread of the estimate over the scales averaged over.
    pub scales: f64,
}

/// What became of a reading.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum ReadingUse {
    /// Fitted.
    Used,
    /// Duty above the limit: the injector may not close.
    BeyondDutyLimit,
    /// So short that the needle may not open.
    TooShort,
    /// The odds favour a misreading.
    Misreading,
}

/// A reading against the fit.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ReadingFit {
    /// What became of it.
    pub usage: ReadingUse,
    /// What the fit expects in all, offset included, mm³ or mg.
    pub fitted: f64,
    /// Standard uncertainty of `fitted`.
    pub fitted_uncertainty: f64,
    /// Standard uncertainty of the reading itself about the true curve and offset.
    pub reading_uncertainty: f64,
    /// Natural logarithm of the odds for a misreading, given the other
    /// readings in use; `None` where it was not judged. A reading that its
    /// repeats confirm is used whatever the odds.
    pub log_odds: Option<f64>,
}

impl ReadingFit {
    /// Whether the reading is part of the fit.
    pub fn used(&self) -> bool {
        self.usage == ReadingUse::Used
    }
}

/// Whether the design tells slope and time-offset from the reading offset: no
/// more than half of the variance comes from it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Identified {
    /// Slope.
    pub slope: bool,
    /// Time-offset.
    pub dead_time: bool,
}

/// The fit of one sweep.
#[derive(Clone, Debug, PartialEq)]
pub struct CurveFit {
    /// The least-squares line of the curve over the line range.
    pub line: LineOverRange,
    /// The line that long pulses tend to.
    pub asymptote: Asymptote,
    /// The curve on the grid of the setup, in its order.
    pub curve: Vec<CurvePoint>,
    /// The curve at the nodes of the setup, in their order.
    pub nodes: Vec<CurveNode>,
    /// The reading offset.
    pub offset: OffsetPosterior,
    /// The noise scales.
    pub noise: NoisePosterior,
    /// Where the variance of S comes from.
    pub slope_shares: VarianceShares,
    /// Where the variance of X comes from.
    pub dead_time_shares: VarianceShares,
    /// One entry per reading, in the order given.
    pub readings: Vec<ReadingFit>,
    /// Whether S and X are told from the offset.
    pub identified: Identified,
    /// The mixture behind the line: a component for each combination of departure, noise
    /// scales and mean that is kept, in the order of these.
    pub line_components: Vec<LineComponent>,
    /// The mixture behind the asymptote, in the order of `line_components`.
    pub asymptote_components: Vec<LineComponent>,
    /// Mean and variance of q over `scale` at each grid width, per component in the
    /// order of `line_components`.
    pub(super) curve_components: Vec<Vec<(f64, f64)>>,
    /// What these are divided by, delivered units per ms.
    pub(super) scale: f64,
}

impl CurveFit {
    /// 95 % interval of S with a further variance (type B), in slope units squared.
    pub fn interval_slope(&self, extra_variance: f64) -> Interval {
        slope_interval(&self.line_components, extra_variance)
    }

    /// 95 % interval of X, ms, with a further covariance of (S, Y) (type B).
    ///
    /// Method: equation C14, the mixture form of Fieller's theorem. A side
    /// whose tail probability is never reached is `None`.
    pub fn interval_dead_time(&self, extra_covariance: [[f64; 2]; 2]) -> Interval {
        dead_time_interval(&self.line_components, &extra_covariance)
    }

    /// 95 % interval of the asymptote's X, ms, with a further covariance of (S, Y).
    pub fn interval_asymptote_dead_time(&self, extra_covariance: [[f64; 2]; 2]) -> Interval {
        dead_time_interval(&self.asymptote_components, &extra_covariance)
    }

    /// 95 % interval of the asymptote's S with a further variance.
    pub fn interval_asymptote_slope(&self, extra_variance: f64) -> Interval {
        slope_interval(&self.asymptote_components, extra_variance)
    }

    /// 95 % interval of q at grid width `index` with a further variance (type B).
    pub fn interval_delivered(&self, index: usize, extra_variance: f64) -> Interval {
        let extra = extra_variance / (self.scale * self.scale);
        let parts: Vec<(f64, f64, f64)> = self
            .line_components
            .iter()
            .zip(&self.curve_components[index])
            .map(|(c, (mean, variance))| (c.weight, *mean, (variance + extra).sqrt()))
            .collect();
        mixture::interval(&parts).map(|limit| limit.map(|l| self.scale * l))
    }
}

/// Interval of the slope of a mixture of lines.
pub(super) fn slope_interval(parts: &[LineComponent], extra: f64) -> Interval {
    let parts: Vec<(f64, f64, f64)> = parts
        .iter()
        .map(|c| (c.weight, c.mean[0], (c.covariance[0][0] + extra).sqrt()))
        .collect();
    mixture::interval(&parts)
}

/// Interval of the time-offset of a mixture of lines.
pub(super) fn dead_time_interval(parts: &[LineComponent], extra: &[[f64; 2]; 2]) -> Interval {
    let (centre, variance) = dead_time_moments(parts, extra);
    mixture::fieller(parts, extra, centre, variance.sqrt())
}

/// −Y/S of the means and its variance to first order.
pub(super) fn dead_time_moments(parts: &[LineComponent], extra: &[[f64; 2]; 2]) -> (f64, f64) {
    let (mean, mut c) = line_moments(parts);
    for i in 0..2 {
        for j in 0..2 {
            c[i][j] += extra[i][j];
        }
    }
    let x = -mean[1] / mean[0];
    let variance = (c[1][1] + 2.0 * x * c[0][1] + x * x * c[0][0]) / (mean[0] * mean[0]);
    (x, variance.max(0.0))
}

/// Mean and covariance of (S, Y) of a mixture of lines.
pub(super) fn line_moments(parts: &[LineComponent]) -> ([f64; 2], [[f64; 2]; 2]) {
    let mut mean = [0.0; 2];
    for p in parts {
        mean[0] += p.weight * p.mean[0];
        mean[1] += p.weight * p.mean[1];
    }
    let mut c = [[0.0; 2]; 2];
    for p in parts {
        let d = [p.mean[0] - mean[0], p.mean[1] - mean[1]];
        for i in 0..2 {
            for j in 0..2 {
                c[i][j] += p.weight * (p.covariance[i][j] + d[i] * d[j]);
            }
        }
    }
    (mean, c)
}
