//! All sweeps of a capture: one line range per condition, sweeps in parallel,
//! then what the sweeps of one injector tell about each other.

use std::collections::HashMap;

use rayon::prelude::*;
use serde_json::json;

use super::across::{check_equal_slopes, sensitivities};
use super::by_curve::fit_by_curve;
use super::by_line::fit_by_line;
use super::core::Core;
use super::describe::{Told, describe, undescribed};
use super::effects::shared_effects;
use super::line_range::default_line_range;
use super::one_width;
use super::prepared::Prepared;
use super::type_b::effects;
use super::vessel_offset::{self, Carried};
use super::{Effect, FitError, FitOptions, ModelChoice, SweepFit, WeightChoice};
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

/// All sweeps of a capture, fitted.
#[derive(Debug, Clone, PartialEq)]
pub struct FittedCapture {
    /// Injectors in order of first appearance.
    pub injectors: Vec<FittedInjector>,
    /// What several results share, by id.
    pub effects: Vec<Effect>,
}

/// Fits every sweep of a capture.
///
/// The result does not depend on the number of threads. A sweep that cannot be
/// fitted is present without figures and with a finding that says why.
pub fn fit_capture(capture: &Capture, options: &FitOptions) -> FittedCapture {
    let mut prepared = prepare(capture, options);
    // As stated: sharing the offsets narrows them for single sweeps later.
    let shared = shared_effects(&capture.bench, &prepared);
    // One by one, here and below: no thread waits for another's last ones.
    let fits = prepared.par_iter().with_max_len(1);
    let mut cores: Vec<Result<Fitted, Unfit>> = fits.map(|p| fit_sweep(p, options)).collect();
    let dead_times: Vec<Option<f64>> = cores
        .iter()
        .map(|c| c.as_ref().ok().map(|f| f.core.dead_time_value()))
        .collect();
    let sensitivities = sensitivities(&prepared, &dead_times);
    share_offsets(&mut prepared, &mut cores, options);
    // How far a reading off its voltage moves is known only now: once more for those.
    prepared
        .par_iter_mut()
        .with_max_len(1)
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
        .with_max_len(1)
        .zip(cores)
        .zip(&sensitivities)
        .map(|((prepared, core), sensitivity)| {
            if prepared.widths.len() == 1 {
                return one_width::describe(prepared, &capture.bench, options);
            }
            let fitted = match core {
                Ok(fitted) => fitted,
                Err(unfit) => return undescribed(prepared, options, &unfit.why, unfit.advice),
            };
            let effects = effects(&capture.bench, prepared, *sensitivity);
            let told = Told {
                prepared,
                core: fitted.core,
                effects,
                other: fitted.other,
            };
            match describe(&told, options) {
                Ok(mut fit) => {
                    fit.findings.extend(fitted.finding);
                    let slope = fit.slope.as_ref().map_or(0.0, |s| s.value);
                    fit.as_read = one_width::as_read(prepared, &capture.bench, *sensitivity, slope);
                    fit
                }
                Err(error @ (FitError::SlopeNotPositive { .. } | FitError::SlopeIsZero)) => {
                    undescribed(prepared, options, &error.to_string(), NOT_RISING)
                }
                Err(error) => undescribed(prepared, options, &error.to_string(), MORE_WIDTHS),
            }
        })
        .collect();
    let mut injectors = gather_injectors(&capture.sweeps, fits);
    injectors
        .par_iter_mut()
        .for_each(|i| check_equal_slopes(&i.id, &mut i.sweeps));
    FittedCapture {
        injectors,
        effects: shared,
    }
}

/// Fits sweeps again that take the reading offset of their vessel from others.
fn share_offsets(
    prepared: &mut [Prepared<'_>],
    cores: &mut [Result<Fitted, Unfit>],
    options: &FitOptions,
) {
    let known: Vec<Option<&Core>> = cores
        .iter()
        .map(|c| c.as_ref().ok().map(|f| &f.core))
        .collect();
    let carried = vessel_offset::carried(prepared, &known);
    prepared
        .par_iter_mut()
        .with_max_len(1)
        .zip(cores)
        .zip(carried)
        .for_each(|((p, core), carried)| {
            let finding = match carried {
                Carried::Nothing => return,
                Carried::Disagree(finding) => finding,
                Carried::Prior {
                    mean,
                    uncertainty,
                    finding,
                } => {
                    p.instrument.offset_mean = mean;
                    p.instrument.offset_uncertainty = uncertainty;
                    *core = fit_sweep(p, options);
                    finding
                }
            };
            if let Ok(fitted) = core {
                fitted.finding.get_or_insert(finding);
            }
        });
}

const NOT_RISING: &str =
    "check that the columns are not mixed up, that the injector fires and is not stuck open";

const MORE_WIDTHS: &str =
    "run at least three pulse widths, the longest several times the dead time";

/// What came out of the readings of one sweep.
pub(super) struct Fitted {
    pub core: Core,
    other: Option<(Core, String)>,
    /// Why a line stands where a curve was looked for, or whence its reading offset.
    finding: Option<Finding>,
}

/// Why nothing came out.
pub(super) struct Unfit {
    why: String,
    advice: &'static str,
}

fn prepare<'a>(capture: &'a Capture, options: &FitOptions) -> Vec<Prepared<'a>> {
    let condition = |s: &'a Sweep| {
        (
            s.stage.as_deref(),
            s.voltage_v.map(f64::to_bits),
            s.pressure_kpa.map(f64::to_bits),
        )
    };
    let mut sweeps_at: HashMap<_, Vec<&Sweep>> = HashMap::new();
    for sweep in &capture.sweeps {
        sweeps_at.entry(condition(sweep)).or_default().push(sweep);
    }
    let ranges: HashMap<_, _> = sweeps_at
        .into_par_iter()
        .map(|(key, sweeps)| {
            let stated = options.line_range_ms;
            let range = stated.or_else(|| default_line_range(sweeps.into_iter()));
            (key, range)
        })
        .collect();
    capture
        .sweeps
        .par_iter()
        .map(|sweep| {
            let source = sweep
                .readings
                .first()
                .map_or("", |r| capture.sources[r.source].name.as_str());
            let range = ranges[&condition(sweep)];
            Prepared::new(sweep, source, &capture.bench, range, options)
        })
        .collect()
}

/// Fits one sweep by the model that was chosen.
pub(super) fn fit_sweep(prepared: &Prepared<'_>, options: &FitOptions) -> Result<Fitted, Unfit> {
    if prepared.used().next().is_none() {
        return Err(Unfit {
            why: "no usable train of pulses".to_owned(),
            advice: "every reading is static, left out or above the duty limit; see the points of this sweep",
        });
    }
    if prepared.in_line_range.is_empty() && prepared.line_range.is_some() {
        return Err(Unfit {
            why: "no reading lies in the line range".to_owned(),
            advice: "state --line-range within the measured pulse widths",
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
