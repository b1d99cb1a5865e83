//! Sheets to write readings on: a capture whose readings are still to be made.
//!
//! In: a [`Run`], the readings that are planned, in the order in which they are
//! to be made. Out: a capture with empty boxes as CSV text ([`csv()`]), as a
//! workbook ([`workbook()`]) or as an HTML page for printing ([`page()`]). Filled
//! in, CSV and workbook are captures. This module chooses no pulse width and no
//! count, and knows no files.

mod grid;
mod page;
mod text;
mod words;
mod workbook;

use std::collections::HashSet;

use thiserror::Error;

pub use page::page;
pub use text::{Dialect, csv};
pub use workbook::workbook;

/// One reading that is to be made: what stands on its row before it is made.
#[derive(Debug, Clone, PartialEq)]
pub struct PlannedReading {
    /// Injector id or serial number.
    pub injector: String,
    /// Stage, as `as_received`.
    pub stage: Option<String>,
    /// Supply voltage set point, V.
    pub voltage_v: Option<f64>,
    /// Differential pressure set point, kPa.
    pub pressure_kpa: Option<f64>,
    /// Commanded pulse width, ms.
    pub pulse_width_ms: f64,
    /// Pulses of the train.
    pub pulses: u64,
    /// Period of the train, ms.
    pub period_ms: Option<f64>,
    /// Vessel, as the bench file names it.
    pub vessel: Option<String>,
    /// Number of the repeat, from 1.
    pub repeat: u64,
}

/// The unit in which a reading is written down.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum ReadingUnit {
    /// A volume in mL.
    #[default]
    Millilitre,
    /// A volume in cc (the same as mL).
    CubicCentimetre,
    /// A volume in µL.
    Microlitre,
    /// A volume in mm³ (the same as µL).
    CubicMillimetre,
    /// A mass in g.
    Gram,
    /// A mass in mg.
    Milligram,
}

impl ReadingUnit {
    /// All of them, with the words that end a column's name.
    pub const ALL: [(&'static str, ReadingUnit); 6] = [
        ("ml", ReadingUnit::Millilitre),
        ("cc", ReadingUnit::CubicCentimetre),
        ("ul", ReadingUnit::Microlitre),
        ("mm3", ReadingUnit::CubicMillimetre),
        ("g", ReadingUnit::Gram),
        ("mg", ReadingUnit::Milligram),
    ];

    /// `volume` or `mass`, as columns are named.
    fn stem(self) -> &'static str {
        match self {
            ReadingUnit::Gram | ReadingUnit::Milligram => "mass",
            _ => "volume",
        }
    }

    /// The word that ends a column's name.
    fn suffix(self) -> &'static str {
        Self::ALL
            .iter()
            .find(|(_, unit)| *unit == self)
            .map_or("ml", |(word, _)| word)
    }

    /// The unit as people write it.
    fn shown(self) -> &'static str {
        match self {
            ReadingUnit::Millilitre => "mL",
            ReadingUnit::Microlitre => "µL",
            ReadingUnit::CubicMillimetre => "mm³",
            other => other.suffix(),
        }
    }
}

/// What is to be written down beside the reading itself.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Beside {
    /// What stands in the vessel before the train; it is subtracted.
    pub start: bool,
    /// Temperature of the fluid, °C.
    pub temperature: bool,
    /// Supply voltage as measured, V.
    pub voltage: bool,
    /// Differential pressure as measured, kPa.
    pub pressure: bool,
}

/// Rows and columns of the sheet.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Layout {
    /// A row per reading.
    #[default]
    Long,
    /// A row per train, a column per injector.
    Wide,
}

/// A run that is still to be made.
#[derive(Debug, Clone, PartialEq)]
pub struct Run {
    /// Heading, as `Monday's set`.
    pub title: String,
    /// The readings, in the order in which they are to be made.
    pub rows: Vec<PlannedReading>,
    /// Unit of the readings.
    pub unit: ReadingUnit,
    /// What else is to be written down.
    pub beside: Beside,
    /// Sentences about this run, shown above the rows; each is one line.
    pub remarks: Vec<String>,
}

/// Why no sheet can be made of a run.
#[derive(Debug, Clone, PartialEq, Error)]
pub enum SheetError {
    /// No row.
    #[error("no reading is planned")]
    Empty,
    /// A row that no bench can run.
    #[error("row {row}: {what}")]
    Row {
        /// Row, from 1.
        row: usize,
        /// What is wrong with it.
        what: String,
    },
    /// The same reading twice.
    #[error(
        "row {row} plans the same reading as row {first}: injector {injector}, repeat {repeat}"
    )]
    Twice {
        /// Row, from 1.
        row: usize,
        /// The row before it.
        first: usize,
        /// Injector.
        injector: String,
        /// Repeat.
        repeat: u64,
    },
    /// More rows than a sheet holds.
    #[error("{rows} rows are more than a sheet holds ({most})")]
    TooLong {
        /// Rows of the run.
        rows: usize,
        /// The most that fit.
        most: usize,
    },
    /// The writer of the workbook or of the page refused.
    #[error("the sheet cannot be written: {0}")]
    Writer(String),
}

/// The most rows: nobody writes on more, and a workbook ends at 1 048 576.
const MOST_ROWS: usize = 100_000;

impl Run {
    /// Checks that each row can be run and none is planned twice.
    ///
    /// # Errors
    /// The first [`SheetError`] met.
    pub fn check(&self) -> Result<(), SheetError> {
        if self.rows.is_empty() {
            return Err(SheetError::Empty);
        }
        if self.rows.len() > MOST_ROWS {
            return Err(SheetError::TooLong {
                rows: self.rows.len(),
                most: MOST_ROWS,
            });
        }
        let mut seen: Vec<(&PlannedReading, usize)> = Vec::with_capacity(self.rows.len());
        let mut keys = HashSet::new();
        for (at, reading) in self.rows.iter().enumerate() {
            if let Some(what) = reading.fault() {
                return Err(SheetError::Row { row: at + 1, what });
            }
            if keys.insert(reading.key()) {
                seen.push((reading, at));
                continue;
            }
            let first = seen.iter().find(|(r, _)| r.key() == reading.key());
            return Err(SheetError::Twice {
                row: at + 1,
                first: first.map_or(at, |(_, first)| first + 1),
                injector: reading.injector.clone(),
                repeat: reading.repeat,
            });
        }
        Ok(())
    }
}

impl PlannedReading {
    /// What no bench can run.
    fn fault(&self) -> Option<String> {
        let above = |x: f64| x.is_finite() && x > 0.0;
        if self.injector.trim().is_empty() {
            return Some("an injector without an id".to_owned());
        }
        let words = [
            Some(&self.injector),
            self.stage.as_ref(),
            self.vessel.as_ref(),
        ];
        if words
            .into_iter()
            .flatten()
            .any(|text| text.trim().contains(char::is_control))
        {
            return Some(
                "an id, stage or vessel with line breaks or control characters".to_owned(),
            );
        }
        if !above(self.pulse_width_ms) {
            return Some("a pulse width that is not above zero".to_owned());
        }
        if self.pulses == 0 || self.repeat == 0 {
            return Some("pulses and repeats count from 1".to_owned());
        }
        if self
            .period_ms
            .is_some_and(|period| !above(period) || period <= self.pulse_width_ms)
        {
            return Some(format!(
                "a pulse of {} ms does not fit into its period",
                self.pulse_width_ms
            ));
        }
        let off = |x: Option<f64>| x.is_some_and(|x| !above(x));
        (off(self.voltage_v) || off(self.pressure_kpa))
            .then(|| "voltage and pressure must be above zero".to_owned())
    }

    /// What makes two readings the same one; numbers by their bits.
    fn key(&self) -> (&str, Train<'_>) {
        (self.injector.trim(), self.train())
    }

    /// What the readings of one train share.
    fn train(&self) -> Train<'_> {
        Train {
            stage: self.stage.as_deref(),
            numbers: [
                self.voltage_v.map(f64::to_bits),
                self.pressure_kpa.map(f64::to_bits),
                Some(self.pulse_width_ms.to_bits()),
                self.period_ms.map(f64::to_bits),
            ],
            pulses: self.pulses,
            repeat: self.repeat,
        }
    }
}

/// Condition of a train, as a key.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
struct Train<'r> {
    stage: Option<&'r str>,
    numbers: [Option<u64>; 4],
    pulses: u64,
    repeat: u64,
}

/// Every combination that a bench runs, in the order in which it is run.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct EveryOne {
    /// Injector ids, in the order of the bench.
    pub injectors: Vec<String>,
    /// Vessel of each injector; empty where none is named.
    pub vessels: Vec<String>,
    /// Stage.
    pub stage: Option<String>,
    /// Supply voltages, V; empty where none is stated.
    pub voltages_v: Vec<f64>,
    /// Differential pressures, kPa; empty where none is stated.
    pub pressures_kpa: Vec<f64>,
    /// Pulse widths, ms, each with the pulses of its train.
    pub widths: Vec<(f64, u64)>,
    /// Period of the trains, ms.
    pub period_ms: Option<f64>,
    /// How often each is run.
    pub repeats: u64,
}

impl EveryOne {
    /// Lists the readings: by pressure, then voltage, then repeat, then pulse
    /// width, then injector. Every second repeat runs the widths backwards, so that
    /// a bench which drifts does not look like one that bends.
    pub fn readings(&self) -> Vec<PlannedReading> {
        let stated = |list: &[f64]| -> Vec<Option<f64>> {
            if list.is_empty() {
                vec![None]
            } else {
                list.iter().map(|x| Some(*x)).collect()
            }
        };
        let mut rows = Vec::new();
        for pressure_kpa in stated(&self.pressures_kpa) {
            for voltage_v in stated(&self.voltages_v) {
                for repeat in 1..=self.repeats {
                    let mut widths = self.widths.clone();
                    if repeat % 2 == 0 {
                        widths.reverse();
                    }
                    for (pulse_width_ms, pulses) in widths {
                        for (at, injector) in self.injectors.iter().enumerate() {
                            rows.push(PlannedReading {
                                injector: injector.clone(),
                                stage: self.stage.clone(),
                                voltage_v,
                                pressure_kpa,
                                pulse_width_ms,
                                pulses,
                                period_ms: self.period_ms,
                                vessel: self.vessels.get(at).cloned(),
                                repeat,
                            });
                        }
                    }
                }
            }
        }
        rows
    }
}
