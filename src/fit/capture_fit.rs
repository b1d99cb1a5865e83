//! All sweeps of a capture: one line range per condition, sweeps in parallel,
//! then what the sweeps of one injector tell about each other.

use std::collections::HashMap;

use rayon::prelude::*;
use serde_json::json;

use super::by_curve::fit_by_curve;
use super::by_line::fit_by_line;
use super::core::Core;
use super::describe::{Told, describe, undescribed};
use super::line_range::default_line_range;
use super::one_width;
use super::prepared::Prepared;
use super::type_b::{Sensitivity, effects};
use super::{FitError, FitOptions, ModelChoice, SweepFit, WeightChoice};
use crate::capture::{Capture, Sweep};
use crate::finding::{Finding, Kind};

/// One injector with its fitted sweeps.
#[derive(Debug, Clone, PartialEq)]
pub struct FittedInjector {
    /// Id.
    pub id: String,
    /// Sweeps in the order of the capture.
    pub sweeps: Vec<SweepFit>,
}

/// Fits every sweep of a capture.
///
/// The result does not depend on the number of threads. A sweep that cannot be
/// fitted is present without figures and with a finding that says why.
pub fn fit_capture(capture: &Capture, options: &FitOptions) -> Vec<FittedInjector> {
    let mut prepared = prepare(capture, options);
    let mut cores: Vec<Result<Fitted, Unfit>> =
        prepared.par_iter().map(|p| fit_sweep(p, options)).collect();
    let sensitivities = sensitivities(&prepared, &cores);
    // How far a reading off its voltage moves is known only now: once more for those.
    prepared
        .par_iter_mut()
        .zip(&mut cores)
        .zip(&sensitivities)
        .for_each(|((p, core), sensitivity)| {
            if let (Ok(fitted), Some(per_volt)) = (&core, sensitivity.per_volt)
                && p.carry_voltage(fitted.core.slope, per_volt)
            {
                *core = fit_sweep(p, options);
            }
        });
    let fits: Vec<SweepFit> = prepared
        .par_iter()
        .zip(cores)
        .zip(&sensitivities)
        .map(|((prepared, core), sensitivity)| {
            if prepared.widths().len() == 1 {
                return one_width::describe(prepared, &capture.bench, options);
            }
            let fitted = match core {
                Ok(fitted) => fitted,
                Err(unfit) => return undescribed(prepared, options, &unfit.why, unfit.advice),
            };
            let effects = effects(
                &capture.bench,
                prepared.sweep,
                &prepared.instrument,
                *sensitivity,
            );
            let told = Told {
                prepared,
                core: fitted.core,
                effects,
                other: fitted.other,
            };
            match describe(&told, options) {
                Ok(mut fit) => {
                    fit.findings.extend(fitted.finding);
                    fit
                }
                Err(error) => undescribed(prepared, options, &error.to_string(), MORE_WIDTHS),
            }
        })
        .collect();
    gather_injectors(&capture.sweeps, fits)
}

const MORE_WIDTHS: &str =
    "run at least three pulse widths, the longest several times the dead time";

/// What came out of the readings of one sweep.
struct Fitted {
    core: Core,
    other: Option<(Core, String)>,
    /// Why a line stands where a curve was looked for.
    finding: Option<Finding>,
}

/// Why nothing came out.
struct Unfit {
    why: String,
    advice: &'static str,
}

fn prepare<'a>(capture: &'a Capture, options: &FitOptions) -> Vec<Prepared<'a>> {
    let condition = |s: &Sweep| {
        (
            s.stage.clone(),
            s.voltage_v.map(f64::to_bits),
            s.pressure_kpa.map(f64::to_bits),
        )
    };
    let mut ranges = HashMap::new();
    for sweep in &capture.sweeps {
        ranges.entry(condition(sweep)).or_insert_with_key(|key| {
            options.line_range_ms.or_else(|| {
                default_line_range(capture.sweeps.iter().filter(|s| condition(s) == *key))
            })
        });
    }
    capture
        .sweeps
        .iter()
        .map(|sweep| {
            let source = sweep
                .readings
                .first()
                .map_or("", |r| capture.sources[r.source].name.as_str());
            Prepared::new(
                sweep,
                source,
                &capture.bench,
                ranges[&condition(sweep)],
                options,
            )
        })
        .collect()
}

/// Fits one sweep by the model that was chosen.
fn fit_sweep(prepared: &Prepared<'_>, options: &FitOptions) -> Result<Fitted, Unfit> {
    if prepared.used().next().is_none() {
        return Err(Unfit {
            why: "no usable reading".to_owned(),
            advice: "every reading is left out or above the duty limit; see the points of this sweep",
        });
    }
    // Asked for by name, equal weights mean the straight line's ordinary least squares.
    let line = || fit_by_line(prepared, options.weights);
    let unfit = |error: FitError| Unfit {
        why: error.to_string(),
        advice: MORE_WIDTHS,
    };
    if options.model == ModelChoice::Line || options.weights == WeightChoice::Equal {
        return Ok(Fitted {
            core: line().map_err(unfit)?,
            other: None,
            finding: None,
        });
    }
    match (fit_by_curve(prepared, options), options.model) {
        (Ok(core), _) => {
            let why = "a straight line ignores the bend at short pulses and the reading offset";
            let other = line().ok().map(|core| (core, why.to_owned()));
            Ok(Fitted {
                core,
                other,
                finding: None,
            })
        }
        (Err(error), ModelChoice::Auto) => {
            let place = prepared.sweep.place(prepared.source);
            let finding = Finding::new(
                Kind::LineInstead,
                place,
                &[("why", json!(error.to_string()))],
            );
            Ok(Fitted {
                core: line().map_err(unfit)?,
                other: None,
                finding: Some(finding),
            })
        }
        (Err(error), _) => Err(Unfit {
            why: error.to_string(),
            advice: MORE_WIDTHS,
        }),
    }
}

/// dX/dV and dX/dP of each sweep from its injector's neighbouring set points.
fn sensitivities(prepared: &[Prepared<'_>], cores: &[Result<Fitted, Unfit>]) -> Vec<Sensitivity> {
    type SetPoint = fn(&Sweep) -> Option<f64>;
    let (voltage, pressure): (SetPoint, SetPoint) = (|s| s.voltage_v, |s| s.pressure_kpa);
    let along = |moving: SetPoint, fixed: SetPoint| {
        let group = |i: usize| {
            let s = prepared[i].sweep;
            (
                &s.injector,
                &s.stage,
                prepared[i].source,
                fixed(s).map(f64::to_bits),
            )
        };
        let mut curves: HashMap<_, Vec<(f64, f64)>> = HashMap::new();
        for (i, core) in cores.iter().enumerate() {
            let dead_time = core.as_ref().ok().map(|f| f.core.dead_time_value());
            if let (Some(at), Some(dead_time)) = (
                moving(prepared[i].sweep),
                dead_time.filter(|x| x.is_finite()),
            ) {
                curves.entry(group(i)).or_default().push((at, dead_time));
            }
        }
        curves
            .values_mut()
            .for_each(|curve| curve.sort_by(|a, b| a.0.total_cmp(&b.0)));
        (0..prepared.len())
            .map(|i| slope_at(curves.get(&group(i))?, moving(prepared[i].sweep)?))
            .collect::<Vec<_>>()
    };
    let (per_volt, per_kpa) = (along(voltage, pressure), along(pressure, voltage));
    per_volt
        .into_iter()
        .zip(per_kpa)
        .map(|(per_volt, per_kpa)| Sensitivity { per_volt, per_kpa })
        .collect()
}

/// Slope of a polyline (x rising) at its node `at`: over both neighbours, or the one there is.
fn slope_at(curve: &[(f64, f64)], at: f64) -> Option<f64> {
    let here = curve.iter().position(|(x, _)| *x == at)?;
    let (x0, y0) = curve[here.saturating_sub(1)];
    let (x1, y1) = curve[(here + 1).min(curve.len() - 1)];
    (x1 > x0).then(|| (y1 - y0) / (x1 - x0))
}

fn gather_injectors(sweeps: &[Sweep], fits: Vec<SweepFit>) -> Vec<FittedInjector> {
    let mut injectors: Vec<FittedInjector> = Vec::new();
    let mut places = HashMap::new();
    for (sweep, fit) in sweeps.iter().zip(fits) {
        let place = *places.entry(sweep.injector.as_str()).or_insert_with(|| {
            injectors.push(FittedInjector {
                id: sweep.injector.clone(),
                sweeps: Vec::new(),
            });
            injectors.len() - 1
        });
        injectors[place].sweeps.push(fit);
    }
    injectors
}
