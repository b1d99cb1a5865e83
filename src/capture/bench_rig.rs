//! The section `[rig]` of a bench file: what the rig can run and how long things take.

use super::bench::StatedRig;
use super::bench_text::{BenchReader, Section, Sign, path, shown};
use super::fault::Fault;
use crate::units::Quantity;

const KEYS: &[&str] = &[
    "shortest_period",
    "longest_period",
    "coil_on",
    "voltage_time",
    "pressure_time",
];

impl BenchReader {
    pub(super) fn rig(&mut self, section: &Section<'_>) -> StatedRig {
        self.check_keys(section, KEYS);
        let period = Quantity::Time;
        let rig = StatedRig {
            shortest_period_ms: self.quantity(section, "shortest_period", period, Sign::AboveZero),
            longest_period_ms: self.quantity(section, "longest_period", period, Sign::AboveZero),
            coil_on_percent: self.quantity(section, "coil_on", Quantity::Percent, Sign::AboveZero),
            voltage_time_s: self.time(section, "voltage_time"),
            pressure_time_s: self.time(section, "pressure_time"),
        };
        let crossed = rig
            .shortest_period_ms
            .zip(rig.longest_period_ms)
            .is_some_and(|(shortest, longest)| shortest > longest);
        let more_than_all = rig.coil_on_percent.is_some_and(|share| share > 100.0);
        for (wrong, key, expected) in [
            (
                crossed,
                "longest_period",
                "no less than the shortest period",
            ),
            (more_than_all, "coil_on", "at most 100 %"),
        ] {
            if wrong && let Some((line, value)) = self.value(section, key) {
                let place = path(section, key);
                self.push(Fault::cell(line, &place, &shown(value), expected));
            }
        }
        rig
    }

    /// How long something takes at the bench, s.
    pub(super) fn time(&mut self, section: &Section<'_>, key: &str) -> Option<f64> {
        self.quantity(section, key, Quantity::Duration, Sign::NotBelowZero)
    }
}
