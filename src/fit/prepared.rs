//! One sweep as the fits take it: numbers, the instrument behind them, and
//! which readings count.

use std::cmp::Ordering;

use super::{FitOptions, Instrument};
use crate::capture::{Bench, DUTY_LIMIT, Reading, Sweep, apparent_division};
use crate::fluid::{ASSUMED_EXPONENT, ASSUMED_EXPONENT_UNCERTAINTY};
use crate::units::Basis;

/// Relative standard uncertainty of dX/dV taken from neighbouring set points: a
/// chord stands for the tangent of a convex curve.
const SENSITIVITY_UNCERTAINTY: f64 = 0.2;

/// Temperature that readings are carried to where the density's own is not
/// stated, °C: that to which glass vessels are adjusted (ISO 1:2016, from memory).
const REFERENCE_C: f64 = 20.0;
/// Relative standard uncertainty of that correction: it leaves out viscosity and
/// the vessel's own expansion. Assumed.
const TEMPERATURE_LAW_UNCERTAINTY: f64 = 0.3;

/// Whether the fit may rest on a reading.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) enum Standing {
    /// It may.
    Used,
    /// Held open: static flow.
    Static,
    /// Not, for this reason.
    LeftOut(String),
}

/// A sweep ready to be fitted. Lists have the length of `sweep.readings`.
#[derive(Debug, Clone)]
pub(super) struct Prepared<'a> {
    pub sweep: &'a Sweep,
    /// Capture file.
    pub source: &'a str,
    pub instrument: Instrument,
    pub standing: Vec<Standing>,
    /// Delivered by the train, carried to the set points, mm³ or mg.
    pub delivered: Vec<f64>,
    /// Variance that carrying adds.
    pub carrying_variance: Vec<f64>,
    /// What one standard uncertainty of carrying the readings to one temperature
    /// does to all of them, relative and signed; `None` where none was carried.
    pub temperature_doubt: Option<f64>,
    /// Line range of the condition, ms; `None` where no width is usable.
    pub line_range: Option<[f64; 2]>,
    /// Indices of the usable readings by pulse width, then by pulses, then by what was delivered.
    pub by_width: Vec<usize>,
    /// Their distinct pulse widths, rising, ms.
    pub widths: Vec<f64>,
    /// Those inside the line range, in the same order.
    pub in_line_range: Vec<usize>,
}

impl<'a> Prepared<'a> {
    pub fn new(
        sweep: &'a Sweep,
        source: &'a str,
        bench: &Bench,
        line_range: Option<[f64; 2]>,
        options: &FitOptions,
    ) -> Self {
        let division = apparent_division(&sweep.readings);
        let standing: Vec<Standing> = sweep
            .readings
            .iter()
            .map(|r| standing(r, source, options))
            .collect();
        let width = |i: usize| sweep.readings[i].pulse_width_ms;
        let by_width = by_width(&sweep.readings, &standing);
        let mut widths = Vec::with_capacity(by_width.len());
        widths.extend(by_width.iter().map(|i| width(*i)));
        widths.dedup();
        let mut in_line_range = by_width.clone();
        in_line_range.retain(|i| holds(line_range, width(*i)));
        let mut prepared = Self {
            sweep,
            source,
            instrument: Instrument::of(bench, &sweep.readings, sweep.basis, division),
            standing,
            delivered: sweep.readings.iter().map(|r| r.delivered).collect(),
            carrying_variance: vec![0.0; sweep.readings.len()],
            temperature_doubt: None,
            line_range,
            by_width,
            widths,
            in_line_range,
        };
        prepared.carry_pressure();
        prepared.carry_temperature(bench);
        prepared
    }

    /// Carries readings taken off the pressure set point to it by the orifice law.
    ///
    /// *Method*: docs/methods.md M23: times (P_set/P_actual)^n, n = 0.5.
    fn carry_pressure(&mut self) {
        let Some(set) = self.sweep.pressure_kpa else {
            return;
        };
        for (i, reading) in self.sweep.readings.iter().enumerate() {
            if let Some(actual) = reading.pressure_actual_kpa {
                let log_ratio = (set / actual).ln();
                self.delivered[i] *= (ASSUMED_EXPONENT * log_ratio).exp();
                self.carrying_variance[i] +=
                    (self.delivered[i] * log_ratio * ASSUMED_EXPONENT_UNCERTAINTY).powi(2);
            }
        }
    }

    /// Carries readings whose fluid temperature is written down to the one of the
    /// stated density, where the fluid's expansion is stated.
    ///
    /// *Method*: docs/methods.md M23a: volume by an orifice goes as 1/√ρ, mass as
    /// √ρ, and ρ falls by β per kelvin.
    fn carry_temperature(&mut self, bench: &Bench) {
        let Some(fluid) = &bench.fluid else { return };
        let Some(expansion) = fluid.expansion_per_k.filter(|e| *e > 0.0) else {
            return;
        };
        let reference = fluid.density_temperature_c.unwrap_or(REFERENCE_C);
        let power = match self.sweep.basis {
            Basis::Volume => -0.5,
            Basis::Mass => 0.5,
        };
        let mut steps = Vec::new();
        for (i, reading) in self.sweep.readings.iter().enumerate() {
            if let Some(actual) = reading.fluid_temp_c {
                let step = power * expansion * (actual - reference);
                self.delivered[i] *= step.exp();
                steps.push(step);
            }
        }
        // In which order rows stand must not move a digit.
        steps.sort_by(f64::total_cmp);
        let mean = steps.iter().sum::<f64>() / steps.len() as f64;
        self.temperature_doubt =
            (mean.is_finite() && mean != 0.0).then_some(TEMPERATURE_LAW_UNCERTAINTY * mean);
    }

    /// Carries readings taken off the voltage set point to it, given the slope
    /// per ms and how the dead time moves in ms/V. Returns whether any was.
    ///
    /// *Method*: docs/methods.md M23: plus N·S·(dX/dV)·(V_actual − V_set).
    pub fn carry_voltage(&mut self, slope: f64, per_volt: f64) -> bool {
        let Some(set) = self.sweep.voltage_v else {
            return false;
        };
        let mut carried = false;
        for (i, reading) in self.sweep.readings.iter().enumerate() {
            if let Some(actual) = reading.voltage_actual_v
                && !reading.is_static()
            {
                let step = reading.pulses * slope * per_volt * (actual - set);
                self.delivered[i] += step;
                self.carrying_variance[i] += (step * SENSITIVITY_UNCERTAINTY).powi(2);
                carried |= step != 0.0;
            }
        }
        carried
    }

    /// Indices of the readings that the fit may rest on, in the order of [`Self::by_width`].
    pub fn used(&self) -> impl Iterator<Item = usize> + '_ {
        self.by_width.iter().copied()
    }

    /// Delivered quantity per pulse of reading `i`.
    pub fn per_pulse(&self, i: usize) -> f64 {
        self.delivered[i] / self.sweep.readings[i].pulses
    }

    /// Standard uncertainty of one reading of the vessel for reading `i`, mm³ or
    /// mg: twice in variance where a start reading was subtracted.
    pub fn reading_uncertainty(&self, i: usize) -> f64 {
        let u = self
            .instrument
            .reading_uncertainty
            .max(self.instrument.reading_floor);
        if self.sweep.readings[i].start_subtracted {
            u * 2f64.sqrt()
        } else {
            u
        }
    }
}

/// The readings that the fit may rest on by width, count and what was read, down to what was
/// read beside it: in which order rows stand must not move a digit.
fn by_width(readings: &[Reading], standing: &[Standing]) -> Vec<usize> {
    let setting = |i: &usize| {
        let reading = &readings[*i];
        (reading.pulse_width_ms, reading.pulses)
    };
    let by_setting = |i: &usize, j: &usize| {
        let (a, b) = (setting(i), setting(j));
        a.0.total_cmp(&b.0).then_with(|| a.1.total_cmp(&b.1))
    };
    let mut order = Vec::with_capacity(standing.len());
    order.extend((0..standing.len()).filter(|i| standing[*i] == Standing::Used));
    // Rows mostly stand by width: then only repeats are left to sort.
    if !order.is_sorted_by(|i, j| by_setting(i, j).is_le()) {
        order.sort_by(by_setting);
    }
    let read = |i: &usize| {
        let reading = &readings[*i];
        let beside = [
            reading.pressure_actual_kpa,
            reading.voltage_actual_v,
            reading.fluid_temp_c,
        ];
        (reading.delivered, beside)
    };
    for repeats in order.chunk_by_mut(|i, j| setting(i) == setting(j)) {
        repeats.sort_by(|i, j| {
            let (a, b) = (read(i), read(j));
            // All of them are finite.
            a.partial_cmp(&b).unwrap_or(Ordering::Equal)
        });
    }
    order
}

/// Whether a pulse width lies in a line range, ms.
pub(super) fn holds(line_range: Option<[f64; 2]>, width: f64) -> bool {
    line_range.is_some_and(|[lo, hi]| {
        let slack = 1e-9 * hi;
        width >= lo - slack && width <= hi + slack
    })
}

fn standing(reading: &Reading, source: &str, options: &FitOptions) -> Standing {
    if options
        .dropped
        .iter()
        .any(|d| d.line == reading.line && d.names(source))
    {
        Standing::LeftOut("left out by --drop".to_owned())
    } else if let Some(reason) = &reading.exclude {
        Standing::LeftOut(reason.clone())
    } else if reading.is_static() {
        Standing::Static
    } else if reading.duty().is_some_and(|duty| duty >= DUTY_LIMIT) {
        Standing::LeftOut(format!("duty cycle above {:.0} %", 100.0 * DUTY_LIMIT))
    } else {
        Standing::Used
    }
}
