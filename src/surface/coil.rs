//! The smooth physical model of dead time: a coil, a pull-in current, a closing delay.

use nalgebra::{DMatrix, DVector};

/// Largest share of the lowest voltage that the coil's pull-in may need in a fit.
const PULL_IN_LIMIT: f64 = 0.98;

/// Parameters where several pressures were run.
const MOST_PARAMETERS: usize = 4;

/// Time in which the current of an R–L coil at `voltage_v` reaches the pull-in
/// current I: −(L/R)·ln(1 − I·R/V), in the unit of `time_constant` (L/R).
///
/// `pull_in_v` is I·R. `None` where the voltage cannot drive that current.
/// *Source*: OpenStax, University Physics 2, 14.4 (solved for t).
pub fn coil_delay(time_constant: f64, pull_in_v: f64, voltage_v: f64) -> Option<f64> {
    (pull_in_v < voltage_v).then(|| -time_constant * (-pull_in_v / voltage_v).ln_1p())
}

/// Dead time as opening delay of a coil plus a constant:
/// X(V, P) = −(L/R)·ln(1 − K(P)/V) + x₀, K(P) = I·R·(1 + c·(P/P₀ − 1)) (E15).
///
/// Parameters in order: a = (L/R)·I·R at P₀ (V·ms; the dead time's slope against
/// 1/V for high voltages), I·R at P₀ (V), x₀ (ms; closing delay less the delay of
/// the first fuel), and c where several pressures were run.
#[derive(Debug, Clone, PartialEq)]
pub struct CoilModel {
    /// a, I·R, x₀ and, with several pressures, c.
    pub parameters: Vec<f64>,
    /// Their covariance.
    pub covariance: DMatrix<f64>,
    /// Pressure P₀, kPa; `None` where one pressure was run.
    pub reference_kpa: Option<f64>,
    /// Σ (residual/u)² and its degrees of freedom.
    pub chi_squared: (f64, f64),
    /// Root mean square of the residuals, ms.
    pub residual_rms: f64,
    /// ∂parameters/∂dead times (rows: parameters).
    pub(super) sensitivity: DMatrix<f64>,
}

/// Why the readings do not carry the model.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum NoCoilModel {
    /// Too few voltages or cells.
    #[error("it needs at least three voltages and one condition more than it has parameters")]
    TooFewCells,
    /// The pull-in current runs against a limit: the curve is not that of a coil, or
    /// its bend does not show above the doubt.
    #[error("the bend that tells the pull-in current does not show above the doubt")]
    NoBend,
}

/// One dead time to fit: voltage, pressure (any constant where unstated), value, own u.
#[derive(Debug, Clone, Copy)]
pub(super) struct DeadTimePoint {
    pub voltage_v: f64,
    pub pressure_kpa: f64,
    pub value: f64,
    pub u: f64,
}

impl CoilModel {
    /// Dead time at a voltage and pressure, ms; `None` where the voltage is too low.
    pub fn at(&self, voltage_v: f64, pressure_kpa: f64) -> Option<f64> {
        let g = self.pressure_factor(pressure_kpa);
        let y = self.parameters[1] * g / voltage_v;
        (y < 1.0).then(|| model(&self.parameters, voltage_v, g))
    }

    /// Time constant L/R, ms.
    pub fn time_constant(&self) -> f64 {
        self.parameters[0] / self.parameters[1]
    }

    fn pressure_factor(&self, pressure_kpa: f64) -> f64 {
        match (self.reference_kpa, self.parameters.get(3)) {
            (Some(p0), Some(c)) => 1.0 + c * (pressure_kpa / p0 - 1.0),
            _ => 1.0,
        }
    }

    /// ∂X/∂parameters at a voltage and pressure.
    pub(super) fn gradient(&self, voltage_v: f64, pressure_kpa: f64) -> DVector<f64> {
        let relative = self.reference_kpa.map_or(0.0, |p0| pressure_kpa / p0 - 1.0);
        let gradient = gradient(&self.parameters, voltage_v, relative);
        DVector::from_column_slice(&gradient[..self.parameters.len()])
    }
}

fn factor(parameters: &[f64], relative_pressure: f64) -> f64 {
    1.0 + parameters.get(3).map_or(0.0, |c| c * relative_pressure)
}

fn model(p: &[f64], voltage_v: f64, g: f64) -> f64 {
    let y = p[1] * g / voltage_v;
    -p[0] / p[1] * (-y).ln_1p() + p[2]
}

/// ∂X/∂parameters; the last counts only where there are four.
fn gradient(p: &[f64], voltage_v: f64, relative_pressure: f64) -> [f64; MOST_PARAMETERS] {
    let (a, k) = (p[0], p[1]);
    let g = factor(p, relative_pressure);
    let y = k * g / voltage_v;
    let h = -(-y).ln_1p() / k;
    // (y/(1−y) + ln(1−y))/k loses all digits for small y: then its series y²/2 + 2y³/3.
    let by_k = if y < 1e-3 {
        y * y * (0.5 + 2.0 * y / 3.0)
    } else {
        y / (1.0 - y) + (-y).ln_1p()
    };
    let by_pressure = a * relative_pressure / voltage_v / (1.0 - y);
    [h, a * by_k / (k * k), 1.0, by_pressure]
}

/// Fits the model by Levenberg–Marquardt.
///
/// *Method* (E15): least squares weighted by 1/u², started from the best of a grid of
/// pull-in voltages; covariance (JᵀWJ)⁻¹, widened by χ²/ν where that is above one.
/// *Source*: W. H. Press and others, Numerical Recipes, 15.5.
///
/// # Errors
/// [`NoCoilModel`] where the dead times do not carry it.
pub(super) fn fit_coil(
    points: &[DeadTimePoint],
    several_pressures: bool,
) -> Result<CoilModel, NoCoilModel> {
    let mut voltages: Vec<f64> = points.iter().map(|p| p.voltage_v).collect();
    voltages.sort_by(f64::total_cmp);
    voltages.dedup_by(|a, b| (*a - *b).abs() < 0.05);
    let count = if several_pressures {
        MOST_PARAMETERS
    } else {
        MOST_PARAMETERS - 1
    };
    if voltages.len() < 3 || points.len() <= count {
        return Err(NoCoilModel::TooFewCells);
    }
    let p0 = points.iter().map(|p| p.pressure_kpa).sum::<f64>() / points.len() as f64;
    let fit = Fit {
        points,
        p0,
        lowest: voltages[0],
    };
    let start = fit.start(count);
    let found = fit.improve(start).ok_or(NoCoilModel::NoBend)?;
    fit.finish(found, several_pressures)
}

struct Fit<'a> {
    points: &'a [DeadTimePoint],
    p0: f64,
    lowest: f64,
}

impl Fit<'_> {
    fn relative(&self, point: &DeadTimePoint) -> f64 {
        point.pressure_kpa / self.p0 - 1.0
    }

    /// Whether every point can pull in, and delays rise with 1/V.
    fn allowed(&self, p: &[f64]) -> bool {
        p[0] > 0.0
            && p[1] > 1e-3 * self.lowest
            && self.points.iter().all(|point| {
                let g = factor(p, self.relative(point));
                g > 0.0 && p[1] * g < PULL_IN_LIMIT * point.voltage_v
            })
    }

    /// Residual over its u.
    fn residual(&self, p: &[f64], point: &DeadTimePoint) -> f64 {
        let expected = model(p, point.voltage_v, factor(p, self.relative(point)));
        (point.value - expected) / point.u
    }

    /// Σ of the squares of the residuals, each over its u.
    fn size(&self, p: &[f64]) -> f64 {
        let residuals = self.points.iter().map(|point| self.residual(p, point));
        residuals.map(|r| r * r).sum()
    }

    /// Weighted gradient at a point.
    fn row(&self, p: &[f64], point: &DeadTimePoint) -> [f64; MOST_PARAMETERS] {
        gradient(p, point.voltage_v, self.relative(point)).map(|d| d / point.u)
    }

    /// JᵀWJ and JᵀWr.
    fn equations(&self, p: &[f64]) -> (DMatrix<f64>, DVector<f64>) {
        let mut normal = [[0.0; MOST_PARAMETERS]; MOST_PARAMETERS];
        let mut pull = [0.0; MOST_PARAMETERS];
        for point in self.points {
            let row = self.row(p, point);
            let residual = self.residual(p, point);
            for (i, d) in row.iter().enumerate() {
                pull[i] += d * residual;
                for (sum, e) in normal[i].iter_mut().zip(row) {
                    *sum += d * e;
                }
            }
        }
        let count = p.len();
        (
            DMatrix::from_fn(count, count, |i, j| normal[i][j]),
            DVector::from_column_slice(&pull[..count]),
        )
    }

    /// Best of a grid of pull-in voltages and pressure factors; a and x₀ by regression.
    fn start(&self, count: usize) -> Vec<f64> {
        let slopes: &[f64] = if count == MOST_PARAMETERS {
            &[0.0, 0.1, 0.3, 0.6]
        } else {
            &[0.0]
        };
        let mut best = (f64::INFINITY, vec![1.0; count]);
        for share in [0.05, 0.15, 0.3, 0.45, 0.6, 0.75, 0.88] {
            for c in slopes {
                let mut p = vec![1.0, share * self.lowest, 0.0, *c];
                p.truncate(count);
                if !self.allowed(&p) {
                    continue;
                }
                let mut sums = [0.0; 5];
                for point in self.points {
                    let h = model(&p, point.voltage_v, factor(&p, self.relative(point)));
                    let w = point.u.powi(-2);
                    let terms = [1.0, h, point.value, h * h, h * point.value];
                    for (sum, term) in sums.iter_mut().zip(terms) {
                        *sum += w * term;
                    }
                }
                let [n, sh, sx, shh, shx] = sums;
                p[0] = (n * shx - sh * sx) / (n * shh - sh * sh);
                p[2] = (sx - p[0] * sh) / n;
                let size = self.size(&p);
                if self.allowed(&p) && size < best.0 {
                    best = (size, p);
                }
            }
        }
        best.1
    }

    fn improve(&self, mut p: Vec<f64>) -> Option<Vec<f64>> {
        if !self.allowed(&p) {
            return None;
        }
        let mut damping = 1e-3;
        let mut size = self.size(&p);
        let (mut normal, mut pull) = self.equations(&p);
        for _ in 0..200 {
            let mut damped = normal.clone();
            for i in 0..p.len() {
                damped[(i, i)] += damping * normal[(i, i)];
            }
            let step = damped.lu().solve(&pull)?;
            let tried: Vec<f64> = p.iter().zip(step.iter()).map(|(a, b)| a + b).collect();
            let new = if self.allowed(&tried) {
                self.size(&tried)
            } else {
                f64::INFINITY
            };
            if new <= size {
                let gain = size - new;
                p = tried;
                size = new;
                damping = (damping / 9.0).max(1e-12);
                if gain <= 1e-12 * (1.0 + size) {
                    return Some(p);
                }
                (normal, pull) = self.equations(&p);
            } else {
                damping *= 7.0;
                if damping > 1e12 {
                    return Some(p);
                }
            }
        }
        Some(p)
    }

    fn finish(&self, p: Vec<f64>, several: bool) -> Result<CoilModel, NoCoilModel> {
        let (normal, _) = self.equations(&p);
        let inverse = normal.try_inverse().ok_or(NoCoilModel::NoBend)?;
        let chi = self.size(&p);
        let nu = (self.points.len() - p.len()) as f64;
        let covariance = &inverse * (chi / nu).max(1.0);
        // The bend: the pull-in voltage must differ from none, and not sit at its limit.
        let bend = p[1] > 1.5 * covariance[(1, 1)].sqrt();
        let clear = p[1] < 0.97 * PULL_IN_LIMIT * self.lowest;
        if !(bend && clear) {
            return Err(NoCoilModel::NoBend);
        }
        // JᵀW, a column a dead time.
        let columns = self.points.iter().flat_map(|point| {
            let row = self.row(&p, point).map(|d| d / point.u);
            row.into_iter().take(p.len())
        });
        let pulled = DMatrix::from_iterator(p.len(), self.points.len(), columns);
        let off = |point: &DeadTimePoint| self.residual(&p, point) * point.u;
        let squares: f64 = self.points.iter().map(|point| off(point).powi(2)).sum();
        Ok(CoilModel {
            sensitivity: inverse * pulled,
            residual_rms: (squares / self.points.len() as f64).sqrt(),
            parameters: p,
            covariance,
            reference_kpa: several.then_some(self.p0),
            chi_squared: (chi, nu),
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn exact_delays_give_their_coil_back() {
        let points: Vec<DeadTimePoint> = [200.0, 300.0, 400.0]
            .into_iter()
            .flat_map(|p: f64| {
                [8.0, 10.0, 12.0, 14.0, 16.0].map(|v: f64| DeadTimePoint {
                    voltage_v: v,
                    pressure_kpa: p,
                    value: coil_delay(1.0, 5.0 * (1.0 + 0.2 * (p / 300.0 - 1.0)), v).unwrap() + 0.3,
                    u: 0.003,
                })
            })
            .collect();
        let model = fit_coil(&points, true).unwrap();
        for (found, truth) in model.parameters.iter().zip([5.0, 5.0, 0.3, 0.2]) {
            assert!((found - truth).abs() < 1e-5, "{:?}", model.parameters);
        }
        assert!((model.time_constant() - 1.0).abs() < 1e-5 && model.chi_squared.0 < 1e-8);
        // The derivative as written against differences.
        let p = &model.parameters;
        let g = gradient(p, 9.0, 0.2);
        for i in 0..4 {
            let shifted = |d: f64| {
                let mut q = p.clone();
                q[i] += d;
                model_at(&q, 9.0, 0.2)
            };
            let slope = (shifted(1e-6) - shifted(-1e-6)) / 2e-6;
            assert!((g[i] - slope).abs() < 1e-7, "{i}: {} {slope}", g[i]);
        }
    }

    fn model_at(p: &[f64], v: f64, relative: f64) -> f64 {
        model(p, v, factor(p, relative))
    }

    #[test]
    fn a_straight_line_in_one_over_v_has_no_bend() {
        let points: Vec<DeadTimePoint> = [8.0, 10.0, 12.0, 14.0, 16.0]
            .map(|v: f64| DeadTimePoint {
                voltage_v: v,
                pressure_kpa: 300.0,
                value: 6.0 / v + 0.2,
                u: 0.01,
            })
            .to_vec();
        assert!(matches!(fit_coil(&points, false), Err(NoCoilModel::NoBend)));
    }
}
