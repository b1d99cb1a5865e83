//! The usual run, to compare with: 1,000 pulses at every width, or as many as the
//! vessel holds, three times.

use super::condition::{Condition, Halves};
use super::promise::{self, Train, Trial};
use super::request::{PlanError, Request};
use super::vessel::Rig;
use crate::fit::curve::{CurveDesign, CurveSetup, Expected, Scale};

/// Pulse widths of the usual run, ms, as far as they lie in the range planned for.
const WIDTHS_MS: [f64; 14] = [
    1.2, 1.5, 1.8, 2.2, 2.7, 3.3, 4.0, 5.0, 6.5, 8.0, 10.0, 12.0, 15.0, 20.0,
];
/// Pulses of each reading.
const PULSES: f64 = 1000.0;
/// Times each reading is taken.
const REPEATS: u32 = 3;

/// The usual run at one condition.
pub(super) struct Habit {
    pub readings: u32,
    pub time_s: f64,
    /// Without the floors.
    pub halves: Halves,
    trains: Vec<Train>,
    model: CurveDesign,
}

impl Habit {
    /// Its time and doubt; `None` where the fit gives no interval.
    pub fn of(
        request: &Request,
        rig: &Rig,
        condition: &Condition,
    ) -> Result<Option<Self>, PlanError> {
        let (trains, model) = trains(rig, condition)?;
        let time_s = trains
            .iter()
            .map(|t| {
                f64::from(t.count)
                    * request
                        .timing
                        .reading_s(t.pulses, t.width_ms, condition.period_ms)
            })
            .sum();
        let trial = Trial {
            condition,
            rig,
            model: &model,
            trains: &trains,
        };
        Ok(trial.halves().map(|halves| Self {
            readings: trains.iter().map(|t| t.count).sum(),
            time_s,
            halves: promise::with_floors(halves, condition.floors),
            trains,
            model,
        }))
    }

    /// The same run with another number of repeats: time and doubt.
    pub fn repeated(
        &self,
        rig: &Rig,
        condition: &Condition,
        repeats: u32,
    ) -> Option<(f64, Halves)> {
        let trains: Vec<Train> = self
            .trains
            .iter()
            .map(|t| Train {
                count: repeats,
                ..t.clone()
            })
            .collect();
        let halves = Trial {
            condition,
            rig,
            model: &self.model,
            trains: &trains,
        }
        .halves()?;
        Some((
            self.time_s * f64::from(repeats) / f64::from(REPEATS),
            promise::with_floors(halves, condition.floors),
        ))
    }
}

fn trains(rig: &Rig, condition: &Condition) -> Result<(Vec<Train>, CurveDesign), PlanError> {
    let longest = condition.line_range_ms[1];
    let mut widths: Vec<f64> = WIDTHS_MS
        .into_iter()
        .filter(|w| *w >= condition.widths[0] - 0.1 && *w <= longest)
        .collect();
    // Whoever runs out of habit still ends at the longest width asked for.
    if widths.last().is_none_or(|w| longest - w > 0.5) {
        widths.push(longest);
    }
    let setup = CurveSetup {
        reading: Scale::known(condition.noise.0),
        repeatability: Scale::known(condition.noise.1),
        pulse_scatter: None,
        offset_mean: 0.0,
        offset_uncertainty: rig.instrument.offset_uncertainty,
        line_range: (condition.line_range_ms[0], longest),
        grid: Vec::new(),
        nodes: Vec::new(),
        misreading: None,
    };
    let expected = Expected {
        slope: condition.slope,
        dead_time_ms: condition.dead_time_ms,
        reading: condition.noise.0,
        repeatability: condition.noise.1,
        pulse_scatter: rig.instrument.stated_pulse_scatter(),
    };
    let with_period: Vec<(f64, Option<f64>)> = widths
        .iter()
        .map(|w| (*w, Some(condition.period_ms)))
        .collect();
    let model = CurveDesign::usual(&with_period, &setup, expected)?;
    let trains = widths
        .iter()
        .enumerate()
        .map(|(width, w)| Train {
            width,
            width_ms: *w,
            pulses: PULSES
                .min(rig.full / (condition.slope * (w - condition.dead_time_ms).max(0.05)))
                .floor(),
            count: REPEATS,
        })
        .collect();
    Ok((trains, model))
}
