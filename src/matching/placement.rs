//! Which injector into which cylinder, and which trims are left to enter?
//!
//! In: what each injector delivers, and how far each cylinder's need departs from
//! the mean. Out: a [`Placement`]. It must not know files or wording.

use pathfinding::kuhn_munkres::kuhn_munkres_min;
use pathfinding::matrix::Matrix;
use serde::Serialize;

use crate::fit::DeliveryCurve;

/// An injector to be placed.
#[derive(Debug, Clone, PartialEq)]
pub struct Placeable {
    /// Injector id.
    pub injector: String,
    /// Delivered quantity at each operating point, above zero.
    pub delivered: Vec<f64>,
    /// Its line and curve, where known: they allow a trim in time.
    pub line: Option<PlaceableLine>,
}

/// Slope, dead time and delivery curve of an injector.
#[derive(Debug, Clone, PartialEq)]
pub struct PlaceableLine {
    /// Slope, mm³/ms or mg/ms.
    pub slope: f64,
    /// Dead time, ms.
    pub dead_time_ms: f64,
    /// Delivery curve, for what a straight trim cannot remove.
    pub curve: DeliveryCurve,
    /// Pulse widths of the operating points, ms, in their order.
    pub pulse_widths_ms: Vec<f64>,
}

/// What a cylinder needs.
#[derive(Debug, Clone, PartialEq)]
pub struct Cylinder {
    /// Name, as `1`.
    pub name: String,
    /// Fuel needed against the mean of the engine, percent: above zero where the
    /// cylinder runs lean with equal injectors, or breathes more.
    pub needs_percent: f64,
}

/// One injector in its cylinder.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Placed {
    /// Cylinder.
    pub cylinder: String,
    /// Injector.
    pub injector: String,
    /// Fuel against need at each operating point, percent; above zero is rich.
    pub mixture_error_percent: Vec<f64>,
    /// Trim to enter: multiplies the fuel quantity (or net pulse width), percent.
    pub multiply_percent: f64,
    /// Trim to enter: added to the pulse width, µs; `None` where no line is known.
    pub add_us: Option<f64>,
    /// Fuel against need with the trims, at each operating point, percent; `None`
    /// where the trimmed pulse width lies outside what was measured.
    pub left_percent: Vec<Option<f64>>,
}

/// The answer.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Placement {
    /// By cylinder, in their order.
    pub placed: Vec<Placed>,
    /// Largest mixture error of any cylinder at any point, percent: no other
    /// assignment has a smaller one.
    pub worst_percent: f64,
    /// The same for the order in which the injectors were given.
    pub worst_as_given_percent: f64,
    /// Largest error that the trims leave, percent, where known.
    pub worst_left_percent: Option<f64>,
}

/// Why nothing can be placed.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum PlacementError {
    /// One injector per cylinder.
    #[error("{injectors} injectors for {cylinders} cylinders")]
    Counts {
        /// How many injectors.
        injectors: usize,
        /// How many cylinders.
        cylinders: usize,
    },
    /// A quantity of zero or less, or no operating point.
    #[error("injectors must deliver something at each of the same operating points")]
    NothingDelivered,
    /// A need of −100 % or less.
    #[error("a cylinder that needs no fuel cannot be served")]
    NoNeed,
}

/// Places injectors so that the worst mixture error is smallest.
///
/// *Method*: docs/methods.md, "Placement". The error of injector i in cylinder c is
/// (q_i/mean q)/(need_c/mean need) − 1, the worst over the operating points. The
/// smallest threshold under which every cylinder can be served (bottleneck
/// assignment: a search over the errors, each tested for a perfect matching);
/// among the assignments under it the one with the smallest sum.
/// *Source*: R. Burkard, M. Dell'Amico and S. Martello, Assignment Problems, SIAM
/// 2009, chapter 6 (bottleneck), 4 (sum), from memory.
///
/// # Errors
/// [`PlacementError`], each variant with its condition.
pub fn place(injectors: &[Placeable], cylinders: &[Cylinder]) -> Result<Placement, PlacementError> {
    let count = injectors.len();
    if count != cylinders.len() || count == 0 {
        return Err(PlacementError::Counts {
            injectors: count,
            cylinders: cylinders.len(),
        });
    }
    let points = injectors[0].delivered.len();
    let delivers = |i: &Placeable| {
        i.delivered.len() == points && i.delivered.iter().all(|q| *q > 0.0 && q.is_finite())
    };
    if points == 0 || !injectors.iter().all(delivers) {
        return Err(PlacementError::NothingDelivered);
    }
    if !cylinders
        .iter()
        .all(|c| c.needs_percent > -100.0 && c.needs_percent.is_finite())
    {
        return Err(PlacementError::NoNeed);
    }
    let errors = errors(injectors, cylinders);
    let cost: Vec<Vec<f64>> = errors
        .iter()
        .map(|row| {
            row.iter()
                .map(|e| e.iter().fold(0.0f64, |a, b| a.max(b.abs())))
                .collect()
        })
        .collect();
    let (worst, cylinder_of) = assign(&cost);
    let trims = Trims::new(injectors, cylinders);
    let placed: Vec<Placed> = (0..count)
        .map(|c| {
            let i = cylinder_of
                .iter()
                .position(|&at| at == c)
                .expect("an assignment serves every cylinder");
            trims.place(i, c, errors[i][c].iter().map(|e| 100.0 * e).collect())
        })
        .collect();
    let left = placed.iter().flat_map(|p| &p.left_percent);
    let worst_left: Option<f64> = left.copied().try_fold(0.0f64, |a, b| Some(a.max(b?.abs())));
    Ok(Placement {
        worst_percent: 100.0 * worst,
        worst_as_given_percent: 100.0 * (0..count).map(|i| cost[i][i]).fold(0.0, f64::max),
        worst_left_percent: worst_left,
        placed,
    })
}

/// Half the spread of the injectors at their worst point, percent: what a cylinder
/// of which only "lean" is known is taken to need. 0 where nothing is delivered.
pub fn half_spread_percent(injectors: &[Placeable]) -> f64 {
    let points = injectors
        .iter()
        .map(|i| i.delivered.len())
        .min()
        .unwrap_or(0);
    (0..points)
        .map(|p| {
            let values = || injectors.iter().map(|i| i.delivered[p]);
            let (lo, hi) =
                values().fold((f64::MAX, f64::MIN), |(lo, hi), v| (lo.min(v), hi.max(v)));
            50.0 * (hi - lo) * injectors.len() as f64 / values().sum::<f64>()
        })
        .filter(|s| s.is_finite())
        .fold(0.0, f64::max)
}

/// Mixture errors by injector, cylinder, operating point.
fn errors(injectors: &[Placeable], cylinders: &[Cylinder]) -> Vec<Vec<Vec<f64>>> {
    let count = injectors.len() as f64;
    let points = injectors[0].delivered.len();
    let means: Vec<f64> = (0..points)
        .map(|p| injectors.iter().map(|i| i.delivered[p]).sum::<f64>() / count)
        .collect();
    let needs = relative_needs(cylinders);
    injectors
        .iter()
        .map(|i| {
            needs
                .iter()
                .map(|need| {
                    i.delivered
                        .iter()
                        .zip(&means)
                        .map(|(q, m)| q / m / need - 1.0)
                        .collect()
                })
                .collect()
        })
        .collect()
}

/// Needs over their mean.
fn relative_needs(cylinders: &[Cylinder]) -> Vec<f64> {
    let needs: Vec<f64> = cylinders
        .iter()
        .map(|c| 1.0 + c.needs_percent / 100.0)
        .collect();
    let mean = needs.iter().sum::<f64>() / needs.len() as f64;
    needs.into_iter().map(|n| n / mean).collect()
}

/// Smallest possible worst cost, and by row the column that reaches it with the smallest sum.
///
/// `cost` is square, finite, zero or above.
pub fn assign(cost: &[Vec<f64>]) -> (f64, Vec<usize>) {
    let mut levels: Vec<f64> = cost.iter().flatten().copied().collect();
    levels.sort_by(f64::total_cmp);
    levels.dedup();
    let at = levels.partition_point(|level| !all_served(cost, *level));
    let worst = levels[at.min(levels.len() - 1)];
    // The crate wants whole numbers: costs in units of a billionth of the worst.
    let unit = if worst > 0.0 { worst / 1e9 } else { 1.0 };
    let barred = 4_000_000_000i64 * cost.len() as i64;
    let whole = |c: f64| {
        if c <= worst {
            (c / unit).round() as i64
        } else {
            barred
        }
    };
    let weights = Matrix::from_rows(
        cost.iter()
            .map(|row| row.iter().map(|c| whole(*c)).collect::<Vec<_>>()),
    )
    .expect("the cost matrix is square");
    let (_, columns) = kuhn_munkres_min(&weights);
    (worst, columns)
}

/// Whether each row finds a column of its own with a cost up to `level`: augmenting paths.
fn all_served(cost: &[Vec<f64>], level: f64) -> bool {
    let mut row_of = vec![None; cost.len()];
    (0..cost.len()).all(|row| augment(cost, level, row, &mut vec![false; cost.len()], &mut row_of))
}

fn augment(
    cost: &[Vec<f64>],
    level: f64,
    row: usize,
    seen: &mut [bool],
    row_of: &mut [Option<usize>],
) -> bool {
    for column in 0..cost.len() {
        if cost[row][column] > level || seen[column] {
            continue;
        }
        seen[column] = true;
        let free = match row_of[column] {
            None => true,
            Some(other) => augment(cost, level, other, seen, row_of),
        };
        if free {
            row_of[column] = Some(row);
            return true;
        }
    }
    false
}

/// Trims of each injector in each cylinder.
struct Trims<'a> {
    injectors: &'a [Placeable],
    cylinders: &'a [Cylinder],
    needs: Vec<f64>,
    means: Vec<f64>,
    /// Mean slope and dead time, where every injector has a line.
    line: Option<(f64, f64)>,
}

impl<'a> Trims<'a> {
    fn new(injectors: &'a [Placeable], cylinders: &'a [Cylinder]) -> Self {
        let count = injectors.len() as f64;
        let points = injectors[0].delivered.len();
        let lines: Option<Vec<&PlaceableLine>> =
            injectors.iter().map(|i| i.line.as_ref()).collect();
        Self {
            needs: relative_needs(cylinders),
            means: (0..points)
                .map(|p| injectors.iter().map(|i| i.delivered[p]).sum::<f64>() / count)
                .collect(),
            line: lines.map(|lines| {
                let mean =
                    |f: fn(&PlaceableLine) -> f64| lines.iter().map(|l| f(l)).sum::<f64>() / count;
                (mean(|l| l.slope), mean(|l| l.dead_time_ms))
            }),
            injectors,
            cylinders,
        }
    }

    /// With lines: the controller commands w = net + mean dead time; the injector
    /// needs net·(mean S/S)·need + X. Without: one factor, the best for the worst point.
    fn place(&self, i: usize, c: usize, mixture_error_percent: Vec<f64>) -> Placed {
        let (injector, need) = (&self.injectors[i], self.needs[c]);
        let (factor, add_us, left_percent) = match (&injector.line, self.line) {
            (Some(own), Some((slope, dead_time))) => {
                let factor = need * slope / own.slope;
                let left = own
                    .pulse_widths_ms
                    .iter()
                    .zip(&self.means)
                    .map(|(width, mean)| {
                        let trimmed = (width - dead_time) * factor + own.dead_time_ms;
                        own.curve
                            .at(trimmed)
                            .map(|q| 100.0 * (q.value / (mean * need) - 1.0))
                    })
                    .collect();
                (factor, Some(1000.0 * (own.dead_time_ms - dead_time)), left)
            }
            _ => {
                let ratios = mixture_error_percent.iter().map(|e| 1.0 + e / 100.0);
                let (lo, hi) =
                    ratios.fold((f64::MAX, 0.0f64), |(lo, hi), r| (lo.min(r), hi.max(r)));
                let factor = 2.0 / (lo + hi);
                let left = mixture_error_percent
                    .iter()
                    .map(|e| Some(100.0 * ((1.0 + e / 100.0) * factor - 1.0)));
                (factor, None, left.collect())
            }
        };
        Placed {
            cylinder: self.cylinders[c].name.clone(),
            injector: injector.injector.clone(),
            mixture_error_percent,
            multiply_percent: 100.0 * (factor - 1.0),
            add_us,
            left_percent,
        }
    }
}
