//! What every component of the mixture says of the widths of the grid, for their intervals.

use super::average::Group;
use super::kernel::{Geometry, LINE_TARGETS};
use super::posterior::{LEVEL, SLOPE};
use super::tiles::{self, LANES, Lanes};

/// Standard uncertainties by which the line must be above zero for a deviation from it.
const SURELY: f64 = 4.0;

/// One width of the grid; each list in the order of the components.
pub(super) struct GridWidth {
    /// Mean and variance of the delivered quantity over scale, ms and ms².
    pub delivered: Vec<(f64, f64)>,
    /// Linearity deviation q/(S(w − X)) − 1 as weight, mean and standard deviation,
    /// to first order within each component.
    pub deviation: Vec<(f64, f64, f64)>,
    /// Whether the line of a component is not surely above zero here.
    pub no_line: bool,
}

impl GridWidth {
    /// With room for so many components.
    pub fn of(components: usize) -> Self {
        Self {
            delivered: Vec::with_capacity(components),
            deviation: Vec::with_capacity(components),
            no_line: false,
        }
    }
}

/// Adds the components of a group, given as weight and mean of the leading shape.
pub(super) fn add(
    grid: &mut [GridWidth],
    geometry: &Geometry,
    group: &Group,
    components: &[(f64, f64)],
) {
    let told = group.projection.told();
    let line = &told[0];
    let line_at =
        |mean: f64| [SLOPE, LEVEL].map(|weight| line.mean[weight] + mean * line.per_mean[weight]);
    let [slope_variance, level_variance] = [SLOPE, LEVEL].map(|i| line.variance[i]);
    let slope_with_level = line.with_line[SLOPE][LEVEL];
    let quads = tiles::tiles_of(LINE_TARGETS + grid.len());
    for (quad, (told, head)) in told.iter().zip(&geometry.heads).enumerate().take(quads) {
        let (run, one) = (&head[SLOPE], &head[LEVEL]);
        let line_variance: Lanes = std::array::from_fn(|lane| {
            one[lane] * (one[lane] * level_variance + 2.0 * run[lane] * slope_with_level)
                + run[lane] * run[lane] * slope_variance
        });
        let with_line: Lanes = std::array::from_fn(|lane| {
            one[lane] * told.with_line[LEVEL][lane] + run[lane] * told.with_line[SLOPE][lane]
        });
        for &(weight, mean) in components {
            let [slope, level] = line_at(mean);
            let delivered: Lanes =
                std::array::from_fn(|lane| told.mean[lane] + mean * told.per_mean[lane]);
            let line: Lanes = std::array::from_fn(|lane| one[lane] * level + run[lane] * slope);
            let ratio: Lanes = std::array::from_fn(|lane| delivered[lane] / line[lane]);
            let spread: Lanes = std::array::from_fn(|lane| {
                let variance = told.variance[lane]
                    + ratio[lane] * (ratio[lane] * line_variance[lane] - 2.0 * with_line[lane]);
                variance.max(0.0).sqrt() / line[lane]
            });
            for lane in 0..LANES {
                let index = (quad * LANES + lane).checked_sub(LINE_TARGETS);
                let Some(width) = index.and_then(|i| grid.get_mut(i)) else {
                    continue;
                };
                width.delivered.push((delivered[lane], told.variance[lane]));
                width
                    .deviation
                    .push((weight, ratio[lane] - 1.0, spread[lane]));
                let surely = SURELY * line_variance[lane].max(0.0).sqrt();
                width.no_line |= line[lane] <= surely;
            }
        }
    }
}
