//! What the fit will make of a design: planned readings are simulated on usual
//! injectors and fitted as a capture is, and the median interval is what is promised (of an injector
//! whose dead time is a guess, an interval that three of four keep).

use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};
use rayon::prelude::*;

use super::condition::{Condition, FLOW_MARGIN, Halves};
use super::vessel::{Rig, reading};
use crate::capture::{Bench, Capture, Reading, Source, Sweep};
use crate::fit::curve::CurveDesign;
use crate::fit::{FitOptions, SweepFit, fit_capture};
use crate::units::NORMAL_95;

/// Simulated runs behind one promise: each kind of injector a few times.
const RUNS: usize = 32;
/// Seed of the simulated noise: a promise does not depend on the order's seed.
const SEED: u64 = 1;

/// A planned train, `count` times.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Train {
    /// Index into the widths of the design model.
    pub width: usize,
    pub width_ms: f64,
    pub pulses: f64,
    pub count: u32,
}

/// The trains of a design.
pub(super) fn trains(condition: &Condition, counts: &[u32]) -> Vec<Train> {
    condition
        .candidates
        .iter()
        .zip(counts)
        .filter(|(_, count)| **count > 0)
        .map(|(c, count)| Train {
            width: c.width,
            width_ms: condition.widths[c.width],
            pulses: c.pulses,
            count: *count,
        })
        .collect()
}

/// Planned trains at one condition, to be run on simulated injectors.
pub(super) struct Trial<'a> {
    pub condition: &'a Condition,
    pub rig: &'a Rig,
    /// The departures to draw from, at the trains' widths.
    pub model: &'a CurveDesign,
    pub trains: &'a [Train],
}

impl Trial<'_> {
    /// Half-widths that the fit gives in the median run, the bench file's type B doubts
    /// left out; of a dead time that is a guess, the one that three of four runs keep.
    /// `None` where too many of the fits give no interval.
    pub fn halves(&self) -> Option<Halves> {
        let bench = without_type_b(&self.rig.bench);
        let halves: Vec<Option<Halves>> = (0..RUNS)
            .into_par_iter()
            .with_max_len(1)
            .map(|run| self.one_run(&bench, run))
            .collect();
        let quantile = |share: f64, pick: fn(&Halves) -> f64| {
            let mut values: Vec<f64> = halves
                .iter()
                .map(|h| h.as_ref().map_or(f64::INFINITY, pick))
                .collect();
            values.sort_by(f64::total_cmp);
            let place = share * (RUNS - 1) as f64;
            0.5 * (values[place.floor() as usize] + values[place.ceil() as usize])
        };
        let share = if self.condition.guessed { 0.75 } else { 0.5 };
        let found = Halves {
            dead_time_us: quantile(share, |h| h.dead_time_us),
            flow_percent: quantile(0.5, |h| h.flow_percent),
        };
        (found.dead_time_us.is_finite() && found.flow_percent.is_finite()).then_some(found)
    }

    fn one_run(&self, bench: &Bench, run: usize) -> Option<Halves> {
        let sweep = self.fitted(bench, run)?;
        let slope = sweep.slope.as_ref()?;
        // Type B doubts are absent, so the intervals are those of the readings alone.
        Some(Halves {
            dead_time_us: 1000.0 * sweep.dead_time.as_ref()?.half_width()?,
            flow_percent: 100.0 * slope.half_width()? / slope.value,
        })
    }

    /// The fit of one simulated run.
    fn fitted(&self, bench: &Bench, run: usize) -> Option<SweepFit> {
        let (condition, rig) = (self.condition, self.rig);
        let capture = Capture {
            sources: vec![Source {
                name: "planned".to_owned(),
                sha256: String::new(),
                mapping: None,
                rows: 0,
                rows_used: 0,
            }],
            bench: bench.clone(),
            sweeps: vec![Sweep {
                injector: "planned".to_owned(),
                stage: None,
                voltage_v: Some(condition.voltage_v),
                pressure_kpa: Some(condition.pressure_kpa),
                basis: rig.basis,
                readings: self.readings(run),
            }],
            findings: Vec::new(),
        };
        let options = FitOptions {
            line_range_ms: Some(condition.line_range_ms),
            ..FitOptions::default()
        };
        let fitted = fit_capture(&capture, &options);
        let injector = fitted.injectors.into_iter().next()?;
        injector.sweeps.into_iter().next()
    }

    /// What is read on simulated injector number `run`.
    fn readings(&self, run: usize) -> Vec<Reading> {
        let (condition, rig) = (self.condition, self.rig);
        let mut rng = ChaCha8Rng::seed_from_u64(SEED + run as u64);
        let uniform: f64 = rng.random();
        let mut normal = || -> f64 { StandardNormal.sample(&mut rng) };
        let values: Vec<f64> = self.model.widths().iter().map(|_| normal()).collect();
        let departure = self.model.draw(run, uniform, &values);
        // Injectors are not as expected.
        let dead_time = condition.dead_time_ms + condition.spread_ms * rng.random_range(-1.0..1.0);
        let slope = condition.slope * (1.0 + FLOW_MARGIN * rng.random_range(-1.0..1.0));
        let (u, r) = condition.noise;
        // An eye unknown reads somewhere between rounding alone and the fit's guess.
        let least = if rig.instrument.reading_stated {
            u
        } else {
            rig.instrument.reading_floor.min(u)
        };
        let u = rng.random_range(least..=u);
        let mut normal = || -> f64 { StandardNormal.sample(&mut rng) };
        let mut readings = Vec::new();
        for train in self.trains {
            let open = train.width_ms - dead_time + departure[train.width];
            // Too short a pulse still delivers a little.
            let delivered = train.pulses * slope * open.max(0.02);
            for _ in 0..train.count {
                let read = delivered * (1.0 + r * normal()) + u * normal();
                let mut one = reading(
                    train.width_ms,
                    train.pulses,
                    read.max(0.0),
                    Some(condition.period_ms),
                    rig.vessel.name.clone(),
                );
                one.line = readings.len() as u64 + 2;
                readings.push(one);
            }
        }
        readings
    }
}

/// By how much the fit's intervals are wider than the design's covariance says:
/// the scales have to be found from the readings too. (dead time, flow)
pub(super) fn factors(condition: &Condition, rig: &Rig, counts: &[u32]) -> Option<(f64, f64)> {
    let doubt = condition.design.doubt(&condition.cells(counts))?;
    let bare = Halves::of(&doubt, (1.0, 1.0), (0.0, 0.0));
    let found = Trial {
        condition,
        rig,
        model: &condition.design,
        trains: &trains(condition, counts),
    }
    .halves()?;
    Some((
        found.dead_time_us / bare.dead_time_us,
        found.flow_percent / bare.flow_percent,
    ))
}

fn without_type_b(bench: &Bench) -> Bench {
    let mut bench = bench.clone();
    for vessel in &mut bench.vessels {
        vessel.tolerance = None;
    }
    if let Some(pressure) = &mut bench.pressure {
        pressure.uncertainty = None;
    }
    if let Some(supply) = &mut bench.supply {
        supply.uncertainty = None;
    }
    bench
}

/// Half-widths with the floors of the bench file in squares.
pub(super) fn with_floors(halves: Halves, floors: (f64, f64)) -> Halves {
    Halves {
        dead_time_us: halves.dead_time_us.hypot(1000.0 * NORMAL_95 * floors.1),
        flow_percent: halves.flow_percent.hypot(100.0 * NORMAL_95 * floors.0),
    }
}

/// What makes the largest part of the doubt that is wanted, and what would help.
pub(super) fn limiting(
    condition: &Condition,
    rig: &Rig,
    counts: &[u32],
    wish: &super::Wish,
) -> Option<(String, &'static str)> {
    let trial = Trial {
        condition,
        rig,
        model: &condition.design,
        trains: &trains(condition, counts),
    };
    let sweep = trial.fitted(&rig.bench, 0)?;
    let ratio = |dead_time_us: f64, slope_percent: f64| {
        let x = wish.dead_time_us.map_or(0.0, |w| dead_time_us / w);
        x.max(wish.flow_percent.map_or(0.0, |w| slope_percent / w))
    };
    // One voltage alone does not tell the fit how dead time follows the voltage.
    let voltmeter = ("supply voltage", ratio(1000.0 * condition.floors.1, 0.0));
    sweep
        .budget
        .iter()
        .map(|row| {
            (
                row.component.as_str(),
                ratio(row.dead_time_us, row.slope_percent),
            )
        })
        .chain([voltmeter])
        .max_by(|a, b| a.1.total_cmp(&b.1))
        .map(|(component, _)| (component.to_owned(), advice(component)))
}

/// What helps against a component of the budget.
pub(super) fn advice(component: &str) -> &'static str {
    match component {
        "reading of the vessel" => "a vessel with finer divisions or a balance would help",
        "repeatability" => "only more readings, or a steadier pressure and temperature, would help",
        "reading offset" => {
            "know the offset better: wet and drain alike each time, weigh instead, or state reading_offset_uncertainty"
        }
        "shape of the delivery curve" => {
            "more readings help little: a line range that begins later bends less"
        }
        "choice among curves and scatters" => "more pulse widths near the short end would help",
        "vessel tolerance" => "a vessel of a better class, or a balance, would help",
        "pressure" => "a better pressure gauge would help",
        "supply voltage" => "a better voltmeter, at the injector, would help",
        _ => "ask for less, or allow more time",
    }
}
