//! What to read next, given what was read.

use serde::Serialize;

use super::condition::{Halves, LEVELS, settable_pulses, widths_between};
use super::frontier::Score;
use super::promise::advice;
use super::request::{PlanError, Timing, Wish};
use super::result::Predicted;
use super::vessel::FILL;
use crate::capture::{Capture, DUTY_LIMIT, Sweep};
use crate::fit::curve::{CurveDesign, CurveReading, DesignCell};
use crate::fit::{BudgetRow, FitOptions, Instrument, SweepFit, curve_setup, fit_capture, usable};
use crate::units::NORMAL_95;

/// Readings suggested for one sweep at most.
const MOST_NEXT: usize = 20;
/// A reading that takes away less than this share of the doubt is not worth its time.
const WORTH: f64 = 0.002;
/// Fewest pulses of a reading.
const FEWEST_PULSES: f64 = 50.0;
/// Components of the budget that more readings reduce; all others are shared.
const FROM_READINGS: [&str; 5] = [
    "reading of the vessel",
    "repeatability",
    "reading offset",
    "shape of the delivery curve",
    "choice among curves and scatters",
];

/// A reading that would help, with the doubt after it and all before it.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct NextReading {
    /// Usefulness within its sweep, from 1.
    pub order: u32,
    /// Injector.
    pub injector: String,
    /// Stage.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub stage: Option<String>,
    /// Supply voltage, V.
    pub voltage_v: Option<f64>,
    /// Differential pressure, kPa.
    pub pressure_kpa: Option<f64>,
    /// Pulse width, ms.
    pub pulse_width_ms: f64,
    /// Pulses.
    pub pulses: f64,
    /// Period, ms, as in the readings before; null where they state none.
    pub period_ms: Option<f64>,
    /// Number among the readings of this width and count, those made included.
    pub repeat: u32,
    /// Half-width of the dead time after it, µs.
    pub dead_time_half_width_us: f64,
    /// Half-width of the flow after it, percent.
    pub flow_half_width_percent: f64,
    /// Time from this reading to the next, s.
    pub time_s: f64,
}

/// Where a sweep stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Standing {
    /// The wanted doubt is reached: stop.
    Reached,
    /// The readings listed reach it.
    WithinReach,
    /// The readings listed help, but do not reach it.
    NotYet,
    /// More readings gain next to nothing: stop.
    NoMoreToGain,
}

/// One sweep that was read.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct SweepNext {
    /// Injector.
    pub injector: String,
    /// Stage.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub stage: Option<String>,
    /// Supply voltage, V.
    pub voltage_v: Option<f64>,
    /// Differential pressure, kPa.
    pub pressure_kpa: Option<f64>,
    /// Line range of the figures, ms.
    pub line_range_ms: [f64; 2],
    /// Half-width of the dead time now, µs.
    pub dead_time_half_width_us: f64,
    /// Half-width of the flow now, percent.
    pub flow_half_width_percent: f64,
    /// Where it stands.
    pub standing: Standing,
    /// The largest component of the doubt that is wanted, as the budget names it.
    pub largest_component: Option<String>,
    /// Whether that component is shared by all readings, so that none reduces it.
    pub shared: bool,
    /// What would help against it.
    pub advice: Option<&'static str>,
}

/// What to read next.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Next {
    /// Readings, sweep by sweep, the most doubtful sweep first and the most useful reading first.
    pub readings: Vec<NextReading>,
    /// The doubt after all of them, the worst of all sweeps, and the time they take.
    pub predicted: Predicted,
    /// The sweeps, the most doubtful first.
    pub sweeps: Vec<SweepNext>,
}

/// Says what to read next for a wanted doubt, or the most useful readings where
/// none is wanted (or as many as the time allows).
///
/// # Errors
/// [`PlanError::Capture`] where no sweep can be fitted as a curve.
pub fn after(capture: &Capture, wish: &Wish, timing: &Timing) -> Result<Next, PlanError> {
    let fitted = fit_capture(capture, &FitOptions::default());
    let score = Score::of(wish);
    let mut found = Vec::new();
    let mut why = None;
    for sweep in &capture.sweeps {
        let fit = fitted
            .injectors
            .iter()
            .filter(|i| i.id == sweep.injector)
            .flat_map(|i| &i.sweeps)
            .find(|f| {
                f.voltage_v == sweep.voltage_v
                    && f.pressure_kpa == sweep.pressure_kpa
                    && f.stage == sweep.stage
                    && Some(f.source.as_str())
                        == sweep
                            .readings
                            .first()
                            .map(|r| capture.sources[r.source].name.as_str())
            });
        match fit.and_then(|f| Ahead::new(capture, sweep, f)) {
            Some(ahead) => found.push(ahead.look(wish, &score, timing)),
            None => why = Some(sweep.injector.clone()),
        }
    }
    if found.is_empty() {
        return Err(PlanError::Capture(format!(
            "injector {} has no interval of flow and dead time from a delivery curve to go on from; \
             at least three pulse widths of different fill are needed",
            why.unwrap_or_default()
        )));
    }
    found.sort_by(|a, b| b.score.total_cmp(&a.score));
    Ok(gather(found, wish))
}

/// One sweep with what it would gain.
struct Looked {
    score: f64,
    sweep: SweepNext,
    readings: Vec<NextReading>,
}

fn gather(found: Vec<Looked>, wish: &Wish) -> Next {
    let (mut x, mut s) = (0.0_f64, 0.0_f64);
    let mut readings = Vec::new();
    let mut sweeps = Vec::new();
    let mut left = wish.time_s.unwrap_or(f64::INFINITY);
    for looked in found {
        let mut last = (
            looked.sweep.dead_time_half_width_us,
            looked.sweep.flow_half_width_percent,
        );
        for reading in looked.readings {
            if reading.time_s > left {
                break;
            }
            left -= reading.time_s;
            last = (
                reading.dead_time_half_width_us,
                reading.flow_half_width_percent,
            );
            readings.push(reading);
        }
        (x, s) = (x.max(last.0), s.max(last.1));
        sweeps.push(looked.sweep);
    }
    Next {
        predicted: Predicted {
            dead_time_half_width_us: x,
            flow_half_width_percent: s,
            bench_time_s: readings.iter().map(|r| r.time_s).sum(),
        },
        readings,
        sweeps,
    }
}

/// A sweep, its fit, and the curve model that they leave.
struct Ahead<'a> {
    sweep: &'a Sweep,
    fit: &'a SweepFit,
    design: CurveDesign,
    cells: Vec<DesignCell>,
    now: Halves,
    /// What no reading reduces.
    shared: Halves,
    period_ms: Option<f64>,
    full: f64,
}

impl<'a> Ahead<'a> {
    fn new(capture: &Capture, sweep: &'a Sweep, fit: &'a SweepFit) -> Option<Self> {
        let [lo, hi] = fit.line_range_ms?;
        let slope = fit.slope.as_ref()?;
        let now = Halves {
            dead_time_us: 1000.0 * fit.dead_time.as_ref()?.half_width()?,
            flow_percent: 100.0 * slope.half_width()? / slope.value,
        };
        fit.reading_offset.as_ref()?;
        let used: Vec<_> = sweep
            .readings
            .iter()
            .zip(&fit.points)
            .filter(|(r, p)| p.used && usable(r))
            .map(|(r, _)| r.clone())
            .collect();
        let instrument = Instrument::of(&capture.bench, &used, sweep.basis, None);
        let readings: Vec<CurveReading> = used
            .iter()
            .map(|r| CurveReading {
                width_ms: r.pulse_width_ms,
                pulses: r.pulses,
                delivered: r.delivered,
                extra_variance: if r.start_subtracted {
                    instrument.reading_uncertainty.powi(2)
                } else {
                    0.0
                },
                period_ms: r.period_ms,
            })
            .collect();
        let period_ms = used.iter().find_map(|r| r.period_ms);
        let largest = used.iter().map(|r| r.delivered).fold(0.0, f64::max);
        let capacity = capture
            .bench
            .vessel(used.first()?.vessel.as_deref())
            .and_then(|v| v.capacity);
        let widths = candidate_widths(&readings, period_ms);
        let setup = curve_setup(&instrument, (lo, hi));
        let (design, cells) = CurveDesign::after(&readings, &widths, &setup).ok()?;
        Some(Self {
            shared: shared(&fit.budget, &now),
            full: capacity.map_or(largest, |c| FILL * c),
            sweep,
            fit,
            design,
            cells,
            now,
            period_ms,
        })
    }

    /// Doubt with further readings: the fit's own now, times what the design's covariance falls.
    fn halves(&self, cells: &[DesignCell]) -> Option<Halves> {
        let (before, after) = (self.design.doubt(&self.cells)?, self.design.doubt(cells)?);
        let part = |now: f64, shared: f64, ratio: f64| {
            (ratio * ratio * (now * now - shared * shared).max(0.0) + shared * shared).sqrt()
        };
        Some(Halves {
            dead_time_us: part(
                self.now.dead_time_us,
                self.shared.dead_time_us,
                after.dead_time_ms / before.dead_time_ms,
            ),
            flow_percent: part(
                self.now.flow_percent,
                self.shared.flow_percent,
                after.slope / before.slope,
            ),
        })
    }

    /// What one pulse of a width delivers, by the fit; `None` outside its curve.
    fn delivered(&self, width: f64) -> Option<f64> {
        let curve = self.fit.delivery.as_ref()?;
        let (ws, qs) = (&curve.pulse_width_ms, &curve.delivered);
        let next = ws.partition_point(|w| *w < width - 1e-9);
        let (b, qb) = (*ws.get(next)?, qs[next]);
        if next == 0 {
            return (b - width < 1e-6).then_some(qb);
        }
        let (a, qa) = (ws[next - 1], qs[next - 1]);
        Some(qa + (qb - qa) * (width - a) / (b - a))
    }

    /// Further readings to choose from, with the time that each takes.
    fn candidates(&self, timing: &Timing) -> Vec<(DesignCell, f64)> {
        let period = self.period_ms.unwrap_or(1.25 * self.longest());
        let mut out = Vec::new();
        for (width, w) in self.design.widths().iter().enumerate() {
            let Some(q) = self.delivered(*w).filter(|q| *q > 0.0) else {
                continue;
            };
            for level in LEVELS {
                let pulses = settable_pulses(level * self.full / q);
                let time = timing.reading_s(pulses, *w, period);
                if pulses < FEWEST_PULSES || time > 1800.0 {
                    continue;
                }
                let cell = DesignCell {
                    width,
                    pulses,
                    delivered: pulses * q,
                    count: 1.0,
                    extra_variance: 0.0,
                };
                out.push((cell, time));
            }
        }
        out
    }

    fn longest(&self) -> f64 {
        self.design.widths().last().copied().unwrap_or(1.0)
    }

    fn look(&self, wish: &Wish, score: &Score, timing: &Timing) -> Looked {
        let candidates = self.candidates(timing);
        let wanted = wish.dead_time_us.is_some() || wish.flow_percent.is_some();
        let mut cells = self.cells.clone();
        let mut halves = self.now;
        let mut readings: Vec<NextReading> = Vec::new();
        let reached = |h: &Halves| wanted && score.value(h) <= 1.0;
        while !reached(&halves) && readings.len() < MOST_NEXT {
            let value = score.value(&halves);
            let best = candidates
                .iter()
                .filter_map(|(cell, time)| {
                    let next = self.halves(&with(&cells, *cell))?;
                    Some((cell, *time, next, (value / score.value(&next)).ln()))
                })
                .filter(|(_, _, _, gain)| *gain > WORTH)
                .max_by(|a, b| (a.3 / a.1).total_cmp(&(b.3 / b.1)));
            let Some((cell, time, next, _)) = best else {
                break;
            };
            cells = with(&cells, *cell);
            halves = next;
            readings.push(self.reading(readings.len(), cell, &cells, time, &halves));
        }
        let standing = if reached(&self.now) {
            Standing::Reached
        } else if reached(&halves) {
            Standing::WithinReach
        } else if readings.is_empty() || (wanted && score.value(&self.shared) > 1.0) {
            Standing::NoMoreToGain
        } else {
            Standing::NotYet
        };
        Looked {
            score: score.value(&self.now),
            sweep: self.described(wish, standing),
            // Nothing is suggested that cannot lead to what is wanted.
            readings: if standing == Standing::NoMoreToGain {
                Vec::new()
            } else {
                readings
            },
        }
    }

    fn reading(
        &self,
        before: usize,
        cell: &DesignCell,
        cells: &[DesignCell],
        time_s: f64,
        halves: &Halves,
    ) -> NextReading {
        let alike = |c: &&DesignCell| c.width == cell.width && c.pulses == cell.pulses;
        NextReading {
            order: before as u32 + 1,
            injector: self.sweep.injector.clone(),
            stage: self.sweep.stage.clone(),
            voltage_v: self.sweep.voltage_v,
            pressure_kpa: self.sweep.pressure_kpa,
            pulse_width_ms: self.design.widths()[cell.width],
            pulses: cell.pulses,
            period_ms: self.period_ms,
            repeat: cells.iter().filter(alike).map(|c| c.count as u32).sum(),
            dead_time_half_width_us: halves.dead_time_us,
            flow_half_width_percent: halves.flow_percent,
            time_s,
        }
    }

    fn described(&self, wish: &Wish, standing: Standing) -> SweepNext {
        let by_flow = wish.dead_time_us.is_none() && wish.flow_percent.is_some();
        let part = |r: &BudgetRow| {
            if by_flow {
                r.slope_percent
            } else {
                r.dead_time_us
            }
        };
        let largest = self
            .fit
            .budget
            .iter()
            .max_by(|a, b| part(a).total_cmp(&part(b)));
        SweepNext {
            injector: self.sweep.injector.clone(),
            stage: self.sweep.stage.clone(),
            voltage_v: self.sweep.voltage_v,
            pressure_kpa: self.sweep.pressure_kpa,
            line_range_ms: self.fit.line_range_ms.unwrap_or_default(),
            dead_time_half_width_us: self.now.dead_time_us,
            flow_half_width_percent: self.now.flow_percent,
            standing,
            largest_component: largest.map(|r| r.component.clone()),
            shared: largest.is_some_and(|r| !FROM_READINGS.contains(&r.component.as_str())),
            advice: largest.map(|r| advice(&r.component)),
        }
    }
}

/// The cells with one reading more.
fn with(cells: &[DesignCell], more: DesignCell) -> Vec<DesignCell> {
    let mut cells = cells.to_vec();
    let same = cells.iter_mut().find(|c| {
        c.width == more.width && c.pulses == more.pulses && c.extra_variance == more.extra_variance
    });
    match same {
        Some(cell) => cell.count += 1.0,
        None => cells.push(more),
    }
    cells
}

/// Half-widths that the shared components make by themselves, never more than the whole.
fn shared(budget: &[BudgetRow], now: &Halves) -> Halves {
    let sum = |part: fn(&BudgetRow) -> f64| -> f64 {
        let squares: f64 = budget
            .iter()
            .filter(|r| !FROM_READINGS.contains(&r.component.as_str()))
            .map(|r| part(r).powi(2))
            .sum();
        NORMAL_95 * squares.sqrt()
    };
    Halves {
        dead_time_us: sum(|r| r.dead_time_us).min(now.dead_time_us),
        flow_percent: sum(|r| r.slope_percent).min(now.flow_percent),
    }
}

/// The widths that were read and some between them, each with its period.
fn candidate_widths(readings: &[CurveReading], period_ms: Option<f64>) -> Vec<(f64, Option<f64>)> {
    let mut read: Vec<(f64, Option<f64>)> =
        readings.iter().map(|r| (r.width_ms, r.period_ms)).collect();
    read.sort_by(|a, b| a.0.total_cmp(&b.0));
    read.dedup_by_key(|w| w.0);
    let (Some(first), Some(last)) = (read.first().copied(), read.last().copied()) else {
        return read;
    };
    let apart = |w: f64, all: &[(f64, Option<f64>)]| all.iter().all(|o| (o.0 - w).abs() > 0.15);
    for w in widths_between(first.0, last.0) {
        let allowed = period_ms.is_none_or(|p| w < DUTY_LIMIT * p);
        if allowed && apart(w, &read) {
            read.push((w, period_ms));
        }
    }
    read.sort_by(|a, b| a.0.total_cmp(&b.0));
    read
}
