//! What does the bulk of these values say, whatever a few of them do? And how
//! much of the spread lies within groups and how much between?
//!
//! Medians, Theil and Sen's line, and the repeatability and reproducibility of
//! grouped values.

use super::distribution::normal_quantile;
use super::error::{FitError, require_finite, require_length};

/// 1/Φ⁻¹(3/4): makes the MAD of normal values estimate their standard
/// deviation.
pub const MAD_TO_SD: f64 = 1.482_602_218_505_602;

/// Theil and Sen's line.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TheilSen {
    /// Median of the slopes of all pairs with different x.
    pub slope: f64,
    /// Median of y − slope·x.
    pub intercept: f64,
}

/// Count, mean and standard deviation of the values of one cell.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Cell {
    /// How many values.
    pub count: usize,
    /// Their mean.
    pub mean: f64,
    /// Their standard deviation, divisor count − 1; 0 for a single value,
    /// which adds nothing to the repeatability.
    pub sd: f64,
}

/// Spread within and between cells.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Repeatability {
    /// Mean of all values.
    pub mean: f64,
    /// s_r, pooled standard deviation within cells.
    pub repeatability_sd: f64,
    /// Σ(n − 1), its degrees of freedom.
    pub degrees_of_freedom: f64,
    /// s_L, standard deviation between cells, 0 where its square came out
    /// negative.
    pub between_sd: f64,
    /// s_R = √(s_L² + s_r²), never below s_r.
    pub reproducibility_sd: f64,
    /// s_L² before it was cut off at zero.
    pub between_variance_uncut: f64,
}

/// Gives the median; of an even number the mean of the middle two.
///
/// *Errors*: [`FitError::TooFewPoints`] for none, [`FitError::NotFinite`].
pub fn median(values: &[f64]) -> Result<f64, FitError> {
    require_finite("value", values)?;
    if values.is_empty() {
        return Err(FitError::TooFewPoints { have: 0, need: 1 });
    }
    let mut sorted = values.to_vec();
    sorted.sort_by(f64::total_cmp);
    Ok(median_of_sorted(&sorted))
}

/// Gives the median absolute deviation from the median, unscaled; times
/// [`MAD_TO_SD`] it estimates the standard deviation.
///
/// *Errors*: as [`median`].
pub fn median_absolute_deviation(values: &[f64]) -> Result<f64, FitError> {
    let middle = median(values)?;
    let distance: Vec<f64> = values.iter().map(|v| (v - middle).abs()).collect();
    median(&distance)
}

/// Fits Theil and Sen's line, which up to 29 % of wild points cannot carry off.
///
/// *Method*: slope the median over all pairs with different x; intercept the
/// median of y − slope·x (not median y − slope·median x, which some programs
/// give).
/// *Source*: Sen, J. Am. Stat. Assoc. 63 (1968) 1379–1389.
/// *Errors*: [`FitError::LengthsDiffer`], [`FitError::NotFinite`],
/// [`FitError::TooFewDistinctX`].
/// *Numerics*: n(n − 1)/2 slopes are held in memory.
pub fn theil_sen(x: &[f64], y: &[f64]) -> Result<TheilSen, FitError> {
    let slopes = pair_slopes(x, y)?;
    with_intercept(x, y, median_of_sorted(&slopes))
}

/// Gives Sen's distribution-free confidence interval of the slope.
///
/// `level` between 0 and 1.
///
/// *Method*: order statistics of the pair slopes, from the normal approximation
/// to Kendall's statistic with its variance corrected for ties in x and y.
/// *Source*: Sen (1968), eq. 2.6 and section 5.
/// *Assumes*: ten points or so; below that the approximation is coarse.
/// *Errors*: as [`theil_sen`], [`FitError::OutOfDomain`] for level.
pub fn theil_sen_interval(x: &[f64], y: &[f64], level: f64) -> Result<(f64, f64), FitError> {
    let slopes = pair_slopes(x, y)?;
    let z = normal_quantile(0.5 * (1.0 + level))?;
    let n = x.len() as f64;
    let term = |k: f64| k * (k - 1.0) * (2.0 * k + 5.0);
    let ties = |v: &[f64]| -> f64 { run_lengths(v).iter().map(|k| term(*k as f64)).sum() };
    let variance = (term(n) - ties(x) - ties(y)) / 18.0;
    let reach = z * variance.max(0.0).sqrt();
    let count = slopes.len() as f64;
    let low = ((count - reach) / 2.0).round_ties_even() - 1.0;
    let high = ((count + reach) / 2.0).round_ties_even();
    Ok((
        slopes[low.max(0.0) as usize],
        slopes[(high.max(0.0) as usize).min(slopes.len() - 1)],
    ))
}

/// Fits Siegel's repeated-median line, which up to half of wild points cannot
/// carry off.
///
/// *Method*: slope the median over i of the median over j of the slope from
/// point i to point j; intercept the median of y − slope·x.
/// *Source*: Siegel, Biometrika 69 (1982) 242–244 (from memory).
/// *Errors*: as [`theil_sen`].
pub fn repeated_median(x: &[f64], y: &[f64]) -> Result<TheilSen, FitError> {
    pair_slopes(x, y)?;
    let mut inner = Vec::with_capacity(x.len());
    for i in 0..x.len() {
        let from_here: Vec<f64> = (0..x.len())
            .filter(|j| x[*j] != x[i])
            .map(|j| (y[j] - y[i]) / (x[j] - x[i]))
            .collect();
        inner.push(median(&from_here)?);
    }
    with_intercept(x, y, median(&inner)?)
}

impl Cell {
    /// Gives count, mean and standard deviation of the values of one cell.
    ///
    /// *Errors*: [`FitError::TooFewPoints`] for none, [`FitError::NotFinite`].
    pub fn of(values: &[f64]) -> Result<Cell, FitError> {
        require_finite("value", values)?;
        let count = values.len();
        if count == 0 {
            return Err(FitError::TooFewPoints { have: 0, need: 1 });
        }
        let mean = super::line::weighted_mean(values, &vec![1.0; count]);
        let squares: f64 = values.iter().map(|v| (v - mean) * (v - mean)).sum();
        let sd = if count > 1 {
            (squares / (count - 1) as f64).sqrt()
        } else {
            0.0
        };
        Ok(Cell { count, mean, sd })
    }
}

/// Splits the spread of grouped values into repeatability and between-cell
/// spread; cells may differ in count.
///
/// At least two cells, at least one with two values.
///
/// *Method*: s_r² = Σ(n−1)s²/Σ(n−1); s_d² = Σn(m−m̄)²/(p−1);
/// n̄ = (N − Σn²/N)/(p−1); s_L² = max(0, (s_d² − s_r²)/n̄); s_R² = s_L² + s_r².
/// *Source*: ISO 5725-2:1994 7.4.5 (from memory); for equal counts the same as
/// ASTM E691.
/// *Errors*: [`FitError::TooFewPoints`] for fewer than two cells, an empty
/// cell, or no repeats; [`FitError::NotFinite`]; [`FitError::OutOfDomain`] for a
/// negative standard deviation.
pub fn repeatability(cells: &[Cell]) -> Result<Repeatability, FitError> {
    let p = cells.len();
    if p < 2 {
        return Err(FitError::TooFewPoints { have: p, need: 2 });
    }
    for (index, cell) in cells.iter().enumerate() {
        if cell.count == 0 {
            return Err(FitError::TooFewPoints { have: 0, need: 1 });
        }
        if !(cell.mean.is_finite() && cell.sd.is_finite()) {
            return Err(FitError::NotFinite {
                what: "cell",
                index,
            });
        }
        if cell.sd < 0.0 {
            return Err(FitError::OutOfDomain {
                what: "standard deviation of a cell",
                value: cell.sd,
            });
        }
    }
    let count = |c: &Cell| c.count as f64;
    let total: f64 = cells.iter().map(count).sum();
    let dof = total - p as f64;
    if dof < 1.0 {
        return Err(FitError::TooFewPoints {
            have: p,
            need: p + 1,
        });
    }
    let within = cells
        .iter()
        .map(|c| (count(c) - 1.0) * c.sd * c.sd)
        .sum::<f64>()
        / dof;
    let mean = cells.iter().map(|c| count(c) * c.mean).sum::<f64>() / total;
    let between = cells
        .iter()
        .map(|c| count(c) * (c.mean - mean).powi(2))
        .sum::<f64>()
        / (p - 1) as f64;
    let squares: f64 = cells.iter().map(|c| count(c) * count(c)).sum();
    let typical_count = (total - squares / total) / (p - 1) as f64;
    let uncut = (between - within) / typical_count;
    Ok(Repeatability {
        mean,
        repeatability_sd: within.sqrt(),
        degrees_of_freedom: dof,
        between_sd: uncut.max(0.0).sqrt(),
        reproducibility_sd: (uncut.max(0.0) + within).sqrt(),
        between_variance_uncut: uncut,
    })
}

/// Slopes of all pairs with different x, sorted.
fn pair_slopes(x: &[f64], y: &[f64]) -> Result<Vec<f64>, FitError> {
    require_length("y", y.len(), x.len())?;
    require_finite("x", x)?;
    require_finite("y", y)?;
    let mut slopes = Vec::with_capacity(x.len() * x.len().saturating_sub(1) / 2);
    for i in 0..x.len() {
        for j in i + 1..x.len() {
            if x[i] != x[j] {
                slopes.push((y[j] - y[i]) / (x[j] - x[i]));
            }
        }
    }
    if slopes.is_empty() {
        return Err(FitError::TooFewDistinctX {
            have: x.len().min(1),
            need: 2,
        });
    }
    slopes.sort_by(f64::total_cmp);
    Ok(slopes)
}

fn with_intercept(x: &[f64], y: &[f64], slope: f64) -> Result<TheilSen, FitError> {
    let over: Vec<f64> = x.iter().zip(y).map(|(x, y)| y - slope * x).collect();
    Ok(TheilSen {
        slope,
        intercept: median(&over)?,
    })
}

fn median_of_sorted(sorted: &[f64]) -> f64 {
    let half = sorted.len() / 2;
    if sorted.len() % 2 == 1 {
        sorted[half]
    } else {
        0.5 * (sorted[half - 1] + sorted[half])
    }
}

/// How often each value occurs.
fn run_lengths(values: &[f64]) -> Vec<usize> {
    let mut sorted = values.to_vec();
    sorted.sort_by(f64::total_cmp);
    sorted.chunk_by(|a, b| a == b).map(<[f64]>::len).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn values_all_at_one_x_have_no_slope() {
        let got = theil_sen(&[1.0, 1.0], &[1.0, 2.0]);
        assert_eq!(got, Err(FitError::TooFewDistinctX { have: 1, need: 2 }));
    }

    #[test]
    fn unequal_cells_follow_a_case_worked_by_hand() {
        let cells = [
            Cell::of(&[1.0, 3.0]).unwrap(),
            Cell::of(&[6.0]).unwrap(),
            Cell::of(&[4.0, 5.0, 6.0]).unwrap(),
        ];
        // s_r² = (2 + 0 + 2)/3; m̄ = 25/6; Σn(m − m̄)² =
        // 2(13/6)² + (11/6)² + 3(5/6)² = 534/36, over 2;
        // n̄ = (6 − 14/6)/2.
        let got = repeatability(&cells).unwrap();
        let (within, between, n) = (4.0 / 3.0, 534.0 / 72.0, 11.0 / 6.0);
        assert!((got.repeatability_sd.powi(2) - within).abs() < 1e-14);
        assert!((got.between_variance_uncut - (between - within) / n).abs() < 1e-13);
    }

    #[test]
    fn singles_only_have_no_repeatability() {
        let cell = |v: f64| Cell::of(&[v]).unwrap();
        assert!(repeatability(&[cell(1.0), cell(2.0)]).is_err());
    }
}
