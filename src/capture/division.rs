//! How finely a reading was read: the stated division, or the steps of the readings themselves.

use std::collections::BTreeMap;

use super::reading::{Capture, Reading, Sweep};
use super::{Bench, Vessel};
use crate::units::Basis;

/// Different readings needed to judge their step. With n readings on a scale of
/// step d, chance makes all of them multiples of 2·d in 1 of 2ⁿ cases.
const FEWEST_READINGS: usize = 5;
/// Steps are looked for down to this share of the largest reading; a balance of
/// 200 g that shows milligrams needs 5·10⁻⁶.
const SMALLEST_SHARE: f64 = 1e-7;
/// How far a reading may lie from a multiple of the step, in steps: decimal fractions
/// and the conversion to mm³ leave about 10⁻⁹ at 10⁷ steps.
const OFF_STEP: f64 = 1e-4;

/// Estimates the division from the readings: the largest step of the series 1, 2, 5
/// of which all are multiples, in mm³ or mg.
///
/// Excluded readings and those of nothing do not count. `None` where fewer than five
/// different readings are left or no step fits, as with readings that were calculated.
pub fn apparent_division<'a>(readings: impl IntoIterator<Item = &'a Reading>) -> Option<f64> {
    let readings = readings.into_iter();
    let mut amounts = Vec::with_capacity(readings.size_hint().0);
    amounts.extend(
        readings
            .filter(|reading| reading.exclude.is_none() && reading.delivered != 0.0)
            .map(|reading| reading.delivered.abs()),
    );
    let mut different = Vec::with_capacity(FEWEST_READINGS);
    for amount in &amounts {
        if different.len() < FEWEST_READINGS && !different.contains(amount) {
            different.push(*amount);
        }
    }
    if different.len() < FEWEST_READINGS {
        return None;
    }
    let largest = amounts.iter().copied().fold(0.0, f64::max);
    let top = largest.log10().floor() as i32;
    let steps = (top - 8..=top).rev().flat_map(|power| {
        [5.0, 2.0, 1.0].map(|mantissa| {
            // A negative power of ten is not exact; dividing by the positive one rounds once.
            if power < 0 {
                mantissa / 10f64.powi(-power)
            } else {
                mantissa * 10f64.powi(power)
            }
        })
    });
    steps
        .filter(|step| (SMALLEST_SHARE * largest..=largest).contains(step))
        .find(|step| {
            amounts.iter().all(|amount| {
                let steps = amount / step;
                // Cut off after a half was added: below 10⁷ that rounds, and takes no call.
                (steps - (steps + 0.5) as i64 as f64).abs() < OFF_STEP
            })
        })
}

/// Divisions that the readings of each file show, by file and basis.
pub(super) struct Divisions<'a> {
    bench: &'a Bench,
    apparent: BTreeMap<(usize, Basis), f64>,
}

impl<'a> Divisions<'a> {
    /// Looks at all readings of a capture.
    pub fn of(capture: &'a Capture) -> Self {
        let mut sweeps: BTreeMap<(usize, Basis), Vec<&Sweep>> = BTreeMap::new();
        for sweep in &capture.sweeps {
            if let Some(first) = sweep.readings.first() {
                sweeps
                    .entry((first.source, sweep.basis))
                    .or_default()
                    .push(sweep);
            }
        }
        let apparent = sweeps.into_iter().filter_map(|(key, sweeps)| {
            let readings = sweeps.iter().flat_map(|sweep| &sweep.readings);
            Some((key, apparent_division(readings)?))
        });
        Self {
            bench: &capture.bench,
            apparent: apparent.collect(),
        }
    }

    /// The vessel of a reading, where the bench file states it.
    pub fn vessel(&self, reading: &Reading) -> Option<&'a Vessel> {
        self.bench.vessel(reading.vessel.as_deref())
    }

    /// Division of the vessel of a reading, stated or apparent, mm³ or mg.
    pub fn division(&self, reading: &Reading, basis: Basis) -> Option<f64> {
        let stated = self.vessel(reading).and_then(|vessel| vessel.division);
        stated.or_else(|| self.apparent.get(&(reading.source, basis)).copied())
    }

    /// Standard uncertainty of the delivered quantity from reading the scale, mm³ or mg.
    ///
    /// The stated one, but not below division/√12 (a rectangle of one division: JCGM 100, 4.3.7);
    /// √2 of it where a start reading was subtracted. `None` where neither is known.
    pub fn reading_uncertainty(&self, reading: &Reading, basis: Basis) -> Option<f64> {
        let stated = self
            .vessel(reading)
            .and_then(|vessel| vessel.reading_uncertainty);
        let rounding = self
            .division(reading, basis)
            .map(|division| division / 12f64.sqrt());
        let once = match (stated, rounding) {
            (Some(a), Some(b)) => a.max(b),
            (a, b) => a.or(b)?,
        };
        Some(if reading.start_subtracted {
            once * 2f64.sqrt()
        } else {
            once
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn reading(delivered: f64) -> Reading {
        Reading {
            source: 0,
            line: 1,
            pulse_width_ms: 2.0,
            pulses: 1000.0,
            delivered,
            start_subtracted: false,
            voltage_actual_v: None,
            pressure_actual_kpa: None,
            period_ms: None,
            open_time_s: None,
            fluid_temp_c: None,
            vessel: None,
            repeat: None,
            time: None,
            note: None,
            exclude: None,
        }
    }

    fn division(texts: &[&str], factor: f64) -> Option<f64> {
        let readings: Vec<_> = texts
            .iter()
            .map(|text| reading(text.parse::<f64>().unwrap() * factor))
            .collect();
        apparent_division(&readings)
    }

    #[test]
    fn step_of_the_readings_is_found_whatever_their_unit() {
        let halves = ["33.5", "29", "12.5", "77.0", "50.5", "8"];
        assert_eq!(division(&halves, 1e3), Some(500.0));
        assert_eq!(division(&halves, 1.0), Some(0.5));
        let fifths = ["33.2", "29.4", "12.6", "77.0", "50.2"];
        assert_eq!(division(&fifths, 1e3), Some(200.0));
        let balance = ["182.431", "12.002", "0.107", "55.555", "91.300"];
        assert_eq!(division(&balance, 1e3), Some(1.0));
    }

    #[test]
    fn few_or_calculated_readings_show_no_step() {
        assert_eq!(division(&["30", "40", "50", "30"], 1e3), None);
        let calculated = [
            "33.2718281",
            "29.4314159",
            "12.6141421",
            "77.0173205",
            "50.2223606",
        ];
        assert_eq!(division(&calculated, 1e3), None);
        assert_eq!(division(&["0", "0", "0", "0", "0"], 1e3), None);
    }
}
