//! One voltage and pressure: what the injector is expected to do there, and the
//! readings that can be chosen from.

use super::request::{PlanError, Request, Wish};
use super::vessel::Rig;
use crate::capture::DUTY_LIMIT;
use crate::fit::curve::{CurveDesign, CurveSetup, DesignCell, DesignDoubt, Expected, Scale};
use crate::fluid::ASSUMED_EXPONENT;
use crate::surface::coil_delay;
use crate::units::NORMAL_95;

/// Dead time at 14 V where none is stated, ms, and the coil by which it follows
/// the voltage: time constant, ms, and pull-in voltage, V. Typical of saturated
/// port injectors; common practice, no source.
const USUAL_DEAD_TIME: f64 = 0.7;
const REFERENCE_V: f64 = 14.0;
const USUAL_COIL: (f64, f64) = (1.0, 5.5);
/// How far the real dead time lies from the expected one, ms, where it is assumed and
/// where it is stated: promises are made over injectors that vary as much.
const DEAD_TIME_SPREAD: (f64, f64) = (0.5, 0.2);
/// Trains are counted so that the vessel holds them even with this dead time, ms, where
/// it is assumed: an injector that closes later than it opens has one below zero.
const EARLIEST: f64 = -0.7;
/// And with one this much shorter than stated, ms: whoever states it may mean the line
/// of other pulse widths.
const EARLIER_THAN_STATED: f64 = 1.0;
/// How far the real flow lies from the nominal one, relative.
pub(super) const FLOW_MARGIN: f64 = 0.05;
/// Longest pulse width where no line range is stated, ms.
const LONGEST_MS: f64 = 10.0;
/// Shortest pulse past the expected dead time, ms.
const SHORTEST_PAST: f64 = 0.5;
/// Share of the longest pulse's quantity at which the line range begins (M8).
const DELIVERING_SHARE: f64 = 0.1;
/// Pulse widths that can be chosen from, about.
const WIDTHS: usize = 11;
/// Fill levels that can be chosen from, shares of the largest.
pub(super) const LEVELS: [f64; 7] = [1.0, 0.5, 0.25, 0.125, 0.06, 0.03, 0.015];
/// Counts that every width can be given, shares of what the vessel holds of the longest.
const SAME_COUNTS: [f64; 2] = [1.0, 0.5];
/// Readings below this many reading uncertainties are not worth emptying a vessel for.
const WORTH_READING: f64 = 20.0;
/// A control reading should show changes as small as the repeatability: this many
/// reading uncertainties, or half a vessel.
const CONTROL_READING: f64 = 300.0;
/// Fewest readings of a condition: fewer cannot tell a misreading from a curve.
const FEWEST_READINGS: u32 = 10;
/// Fewest pulses of a reading: first pulse and last drip are b's to bear, not the train's.
const FEWEST_PULSES: f64 = 50.0;
/// Longest train, s.
const LONGEST_TRAIN_S: f64 = 900.0;
/// Shares of the period that the longest pulse may take; shorter periods save
/// time, longer ones keep the injector's closing away from the next pulse.
pub(super) const DUTIES: [f64; 3] = [0.84, 0.70, 0.55];

/// A reading that can be chosen.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Candidate {
    /// Index into `Condition::widths`.
    pub width: usize,
    /// Pulses.
    pub pulses: f64,
    /// Expected reading, mm³ or mg.
    pub delivered: f64,
    /// Time from one reading to the next, s.
    pub cost_s: f64,
}

/// One voltage and pressure.
pub(super) struct Condition {
    pub voltage_v: f64,
    pub pressure_kpa: f64,
    /// Expected slope, per ms, and dead time, ms.
    pub slope: f64,
    pub dead_time_ms: f64,
    /// How far the real dead time may lie from it, ms.
    pub spread_ms: f64,
    /// Whether the dead time is a guess.
    pub guessed: bool,
    /// Dead time at which the vessel must hold a train all the same, ms.
    earliest_ms: f64,
    pub line_range_ms: [f64; 2],
    pub period_ms: f64,
    pub widths: Vec<f64>,
    pub candidates: Vec<Candidate>,
    /// Index of the control reading among the candidates.
    pub control: usize,
    /// Widths that must be read at least once: the two shortest and both ends of the range.
    pub required: Vec<usize>,
    /// Noise of one reading: u, mm³ or mg, and relative repeatability.
    pub noise: (f64, f64),
    /// Standard uncertainties that no reading takes away: of the slope, relative, and of the dead time, ms.
    pub floors: (f64, f64),
    pub design: CurveDesign,
}

/// Dead time that is expected at a voltage, ms.
pub(super) fn expected_dead_time(request: &Request, voltage_v: f64) -> Result<f64, PlanError> {
    let none = PlanError::DoesNotOpen { voltage_v };
    if let (Some(ms), [_]) = (request.dead_time_ms, request.voltages_v.as_slice()) {
        return Ok(ms);
    }
    let (time_constant, pull_in) = USUAL_COIL;
    let at = |volts| coil_delay(time_constant, pull_in, volts);
    let reference = at(REFERENCE_V).ok_or(none.clone())?;
    let here = at(voltage_v).ok_or(none)?;
    Ok(request.dead_time_ms.unwrap_or(USUAL_DEAD_TIME) + here - reference)
}

/// Next multiple of a step at or above a value, without the dust of binary fractions.
fn round_up(value: f64, step: f64) -> f64 {
    let k = (value / step - 1e-9).ceil();
    (k * step * 1000.0).round() / 1000.0
}

/// A pulse width as one sets it: steps of 0.05 ms, from 3 ms on of 0.1, from 6 ms of 0.5.
fn settable(width: f64) -> f64 {
    let step = if width < 3.0 {
        0.05
    } else if width < 6.0 {
        0.1
    } else {
        0.5
    };
    ((width / step).round() * step * 1000.0).round() / 1000.0
}

/// A pulse count as one sets it: two digits, rounded down.
pub(super) fn settable_pulses(pulses: f64) -> f64 {
    let decade = 10f64.powf((pulses.log10().floor() - 1.0).max(0.0));
    (pulses / decade).floor() * decade
}

impl Condition {
    /// Expectations and candidates at one voltage and pressure, with the period
    /// at which the longest pulse has the duty given.
    pub fn new(
        request: &Request,
        rig: &Rig,
        (voltage_v, pressure_kpa): (f64, f64),
        duty: f64,
    ) -> Result<Self, PlanError> {
        let dead_time_ms = expected_dead_time(request, voltage_v)?;
        let flow_pressure = request
            .flow_pressure_kpa
            .or(request.pressures_kpa.first().copied())
            .unwrap_or(pressure_kpa);
        let slope = rig.flow * (pressure_kpa / flow_pressure).powf(ASSUMED_EXPONENT);
        let timing = &request.timing;
        let longest = request.line_range_ms.map_or_else(
            || LONGEST_MS.min(settable(0.8 * timing.longest_period_ms)),
            |r| r[1],
        );
        let no_range = |why| PlanError::NoRange {
            dead_time_ms,
            longest_ms: longest,
            why,
        };
        let lo = request.line_range_ms.map_or_else(
            || {
                round_up(
                    dead_time_ms + DELIVERING_SHARE * (longest - dead_time_ms),
                    0.1,
                )
            },
            |r| r[0],
        );
        let period_ms = round_up(longest / duty, 0.5).max(timing.shortest_period_ms);
        if longest / period_ms >= DUTY_LIMIT || period_ms > timing.longest_period_ms {
            return Err(no_range("the longest period is too short for this duty"));
        }
        let shortest = settable(dead_time_ms.max(0.1) + SHORTEST_PAST);
        if longest - shortest < 1.5 || lo >= longest - 1.0 || lo < dead_time_ms + 0.3 {
            return Err(no_range(
                "the line range must begin above the dead time and span a millisecond or more",
            ));
        }
        let widths = widths(dead_time_ms, shortest, lo, longest);
        let noise = (
            rig.instrument
                .reading_uncertainty
                .max(rig.instrument.reading_floor),
            request
                .repeatability_percent
                .map_or(rig.instrument.repeatability.0, |p| p / 100.0),
        );
        let setup = CurveSetup {
            reading: Scale::known(noise.0),
            repeatability: Scale::known(noise.1),
            pulse_scatter: None,
            offset_mean: 0.0,
            offset_uncertainty: rig.instrument.offset_uncertainty,
            line_range: (lo, longest),
            grid: Vec::new(),
            nodes: Vec::new(),
            misreading: None,
        };
        let expected = Expected {
            slope,
            dead_time_ms,
            reading: noise.0,
            repeatability: noise.1,
            pulse_scatter: rig.instrument.stated_pulse_scatter(),
        };
        let periods: Vec<(f64, Option<f64>)> =
            widths.iter().map(|w| (*w, Some(period_ms))).collect();
        let design = CurveDesign::usual(&periods, &setup, expected)?;
        let guessed = request.dead_time_ms.is_none();
        let mut condition = Self {
            voltage_v,
            pressure_kpa,
            slope,
            dead_time_ms,
            spread_ms: if guessed {
                DEAD_TIME_SPREAD.0
            } else {
                DEAD_TIME_SPREAD.1
            },
            guessed,
            earliest_ms: if guessed {
                EARLIEST
            } else {
                dead_time_ms - EARLIER_THAN_STATED
            },
            line_range_ms: [lo, longest],
            period_ms,
            required: required(&widths, lo),
            widths,
            candidates: Vec::new(),
            control: 0,
            noise,
            floors: (0.0, 0.0),
            design,
        };
        condition.floors = condition.floors(request, rig);
        condition.fill(request, rig)?;
        Ok(condition)
    }

    /// Expected reading of a train, mm³ or mg.
    pub fn delivered(&self, width_ms: f64, pulses: f64) -> f64 {
        pulses * self.slope * (width_ms - self.dead_time_ms).max(0.05)
    }

    /// Most pulses of a width that the vessel holds even if the dead time is
    /// shorter than expected.
    pub fn most_pulses(&self, rig: &Rig, width_ms: f64) -> f64 {
        let most = self.slope * (1.0 + FLOW_MARGIN) * (width_ms - self.earliest_ms).max(0.05);
        // Trains are long enough to fill a vessel, not to wear patience.
        (rig.full / most).min(1000.0 * LONGEST_TRAIN_S / self.period_ms)
    }

    fn fill(&mut self, request: &Request, rig: &Rig) -> Result<(), PlanError> {
        let u = self.noise.0;
        for (width, w) in self.widths.clone().into_iter().enumerate() {
            let most = self.most_pulses(rig, w);
            if most < FEWEST_PULSES {
                return Err(PlanError::VesselTooSmall {
                    pulses: FEWEST_PULSES,
                    pulse_width_ms: w,
                });
            }
            for (k, level) in LEVELS.into_iter().enumerate() {
                let pulses = settable_pulses(most * level);
                let delivered = self.delivered(w, pulses);
                // The largest stays, however small the vessel.
                if k > 1 && (pulses < FEWEST_PULSES || delivered < WORTH_READING * u) {
                    break;
                }
                let candidate = self.candidate(request, width, pulses.max(FEWEST_PULSES));
                self.candidates.push(candidate);
            }
        }
        self.control = self.control_reading(&request.wish);
        // They serve the flow; for the dead time alone they only lengthen the search.
        if request.wish.dead_time_us.is_none() || request.wish.flow_percent.is_some() {
            self.add_same_counts(request, rig);
        }
        Ok(())
    }

    /// A train of a width.
    fn candidate(&self, request: &Request, width: usize, pulses: f64) -> Candidate {
        let pulse_width_ms = self.widths[width];
        let timing = &request.timing;
        Candidate {
            width,
            pulses,
            delivered: self.delivered(pulse_width_ms, pulses),
            cost_s: timing.reading_s(pulses, pulse_width_ms, self.period_ms),
        }
    }

    /// Trains of one count at every width: with it the reading offset falls out of the slope.
    fn add_same_counts(&mut self, request: &Request, rig: &Rig) {
        let at_longest = self.most_pulses(rig, self.line_range_ms[1]);
        for level in SAME_COUNTS {
            let pulses = settable_pulses(at_longest * level);
            for width in 0..self.widths.len() {
                let known = |c: &Candidate| c.width == width && c.pulses == pulses;
                if pulses >= FEWEST_PULSES && !self.candidates.iter().any(known) {
                    let candidate = self.candidate(request, width, pulses);
                    self.candidates.push(candidate);
                }
            }
        }
    }

    /// The control stands in the middle of the range and is the smallest reading that
    /// shows a change, at most half a vessel. Where only the flow is wanted it stands at the
    /// range's end and may fill the vessel, so that its three readings tell the slope.
    fn control_reading(&self, wish: &Wish) -> usize {
        let [lo, hi] = self.line_range_ms;
        let for_flow = wish.dead_time_us.is_none() && wish.flow_percent.is_some();
        let place = if for_flow { hi } else { 0.5 * (lo + hi) };
        let off = |i: usize| (self.widths[self.candidates[i].width] - place).abs();
        let middle = (0..self.candidates.len())
            .min_by(|a, b| off(*a).total_cmp(&off(*b)))
            .unwrap_or(0);
        let width = self.candidates[middle].width;
        let levels: Vec<usize> = (0..self.candidates.len())
            .filter(|i| self.candidates[*i].width == width)
            .collect();
        let enough = levels
            .iter()
            .rev()
            .find(|i| self.candidates[**i].delivered >= CONTROL_READING * self.noise.0);
        // Levels fall: the second is half a vessel.
        let half = levels.get(1).filter(|_| !for_flow);
        let most = half.or(levels.first()).copied().unwrap_or(middle);
        enough.copied().map_or(most, |i| i.max(most))
    }

    /// What the bench file's type B doubts leave whatever is read.
    fn floors(&self, request: &Request, rig: &Rig) -> (f64, f64) {
        let scale = rig.instrument.scale_uncertainty.unwrap_or(0.0);
        let gauge = rig
            .bench
            .pressure
            .as_ref()
            .and_then(|p| p.uncertainty)
            .map_or(0.0, |u| ASSUMED_EXPONENT * u / self.pressure_kpa);
        // As in the fit, only where several voltages tell how X follows the voltage.
        let volts = rig.bench.supply.as_ref().and_then(|s| s.uncertainty);
        let per_volt = if request.voltages_v.len() > 1 {
            let at = |v| expected_dead_time(request, v);
            match (at(self.voltage_v - 0.5), at(self.voltage_v + 0.5)) {
                (Ok(lo), Ok(hi)) => hi - lo,
                _ => 0.0,
            }
        } else {
            0.0
        };
        (
            scale.hypot(gauge),
            volts.map_or(0.0, |u| (u * per_volt).abs()),
        )
    }

    /// The cells of a design.
    pub fn cells(&self, counts: &[u32]) -> Vec<DesignCell> {
        self.candidates
            .iter()
            .zip(counts)
            .filter(|(_, count)| **count > 0)
            .map(|(c, count)| DesignCell {
                width: c.width,
                pulses: c.pulses,
                delivered: c.delivered,
                count: f64::from(*count),
                extra_variance: 0.0,
            })
            .collect()
    }

    /// Whether a design has what every run must have: three control readings, each
    /// required width, and ten readings in all.
    pub fn acceptable(&self, counts: &[u32]) -> bool {
        let read = |width: usize| {
            self.candidates
                .iter()
                .zip(counts)
                .any(|(c, count)| *count > 0 && c.width == width)
        };
        counts.iter().sum::<u32>() >= FEWEST_READINGS
            && counts[self.control] >= 3
            && self.required.iter().all(|w| read(*w))
    }

    /// The least that is acceptable: the cheapest level of each required width, once
    /// or twice, and the control.
    pub fn least(&self) -> Vec<u32> {
        let mut counts = vec![0; self.candidates.len()];
        counts[self.control] = 3;
        for width in self.required.iter().cycle() {
            if counts.iter().sum::<u32>() >= FEWEST_READINGS && self.acceptable(&counts) {
                break;
            }
            let cheapest = (0..self.candidates.len())
                .filter(|i| self.candidates[*i].width == *width)
                .min_by(|a, b| {
                    let cost = |i: &usize| self.candidates[*i].cost_s;
                    cost(a).total_cmp(&cost(b))
                });
            if let Some(i) = cheapest {
                counts[i] += 1;
            }
        }
        counts
    }

    /// Costs of the candidates, s.
    pub fn costs(&self) -> Vec<f64> {
        self.candidates.iter().map(|c| c.cost_s).collect()
    }
}

/// 95 % half-widths: of the dead time, µs, and of the flow, percent.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Halves {
    pub dead_time_us: f64,
    pub flow_percent: f64,
}

impl Halves {
    /// Of what the readings leave, times a factor each, and the floors.
    pub fn of(doubt: &DesignDoubt, factors: (f64, f64), floors: (f64, f64)) -> Self {
        Self {
            dead_time_us: 1000.0 * NORMAL_95 * (factors.0 * doubt.dead_time_ms).hypot(floors.1),
            flow_percent: 100.0 * NORMAL_95 * (factors.1 * doubt.slope).hypot(floors.0),
        }
    }
}

/// Pulse widths to choose from: even steps of the logarithm past the dead time,
/// and both ends of the line range.
fn widths(dead_time: f64, shortest: f64, lo: f64, longest: f64) -> Vec<f64> {
    let (a, b) = ((shortest - dead_time).ln(), (longest - dead_time).ln());
    let mut widths: Vec<f64> = (0..WIDTHS)
        .map(|k| settable(dead_time + (a + (b - a) * k as f64 / (WIDTHS - 1) as f64).exp()))
        // Widths that nearly coincide with an end of the range say nothing of their own.
        .filter(|w| (w - lo).abs() > 0.12 && longest - w > 0.3 && w - shortest > 0.12)
        .collect();
    widths.extend([shortest, lo, longest]);
    widths.sort_by(f64::total_cmp);
    widths.dedup();
    widths.retain(|w| *w <= longest);
    widths
}

fn required(widths: &[f64], lo: f64) -> Vec<usize> {
    let at_lo = widths.iter().position(|w| *w == lo).unwrap_or(0);
    let mut required = vec![0, 1, at_lo, at_lo + 1, widths.len() - 1];
    required.sort_unstable();
    required.dedup();
    required
}

/// Pulse widths between two others, in even steps of the logarithm.
pub(super) fn widths_between(first: f64, last: f64) -> Vec<f64> {
    let (a, b) = (first.ln(), last.ln());
    (1..WIDTHS - 1)
        .map(|k| settable((a + (b - a) * k as f64 / (WIDTHS - 1) as f64).exp()))
        .filter(|w| *w > first && *w < last)
        .collect()
}
