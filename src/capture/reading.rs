//! One reading, one sweep, one capture.

use std::fmt::Write;
use std::path::Path;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use sha2::{Digest, Sha256};

use super::Bench;
use crate::finding::{Finding, Place};
use crate::units::Basis;

/// Duty cycle above which an injector may not close between pulses: such readings
/// are shown, not fitted. Common practice, no source.
pub const DUTY_LIMIT: f64 = 0.85;

/// A capture file as it was read.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Source {
    /// File name as shown to the user, without its folder; `-` for standard input.
    pub name: String,
    /// SHA-256 of the bytes, in hexadecimal.
    pub sha256: String,
    /// Mapping file by which a foreign layout was read; absent for a file in the capture format.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub mapping: Option<MappingUsed>,
    /// Data rows (a wide row counts once).
    pub rows: u64,
    /// Rows of which at least one reading is used.
    pub rows_used: u64,
}

/// The mapping file that a capture was read with.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct MappingUsed {
    /// File name as shown to the user.
    pub name: String,
    /// SHA-256 of its text, in hexadecimal.
    pub sha256: String,
}

impl MappingUsed {
    /// The mapping file of this name, its folder left out, and text.
    pub(super) fn of(name: &str, text: &str) -> Self {
        let file = Path::new(name).file_name();
        Self {
            name: file.map_or_else(
                || name.to_owned(),
                |file| file.to_string_lossy().into_owned(),
            ),
            sha256: digest(text.as_bytes()),
        }
    }
}

/// SHA-256 in hexadecimal.
pub(super) fn digest(bytes: &[u8]) -> String {
    let mut text = String::with_capacity(64);
    for byte in Sha256::digest(bytes) {
        write!(text, "{byte:02x}").expect("writing to a string cannot fail");
    }
    text
}

/// One reading: an injector fired a train of pulses and the delivered quantity was read once.
///
/// Checked when made: finite, pulse width above zero and below the period, a
/// whole number of pulses.
#[derive(Debug, Clone, PartialEq)]
pub struct Reading {
    /// Index into [`Capture::sources`].
    pub source: usize,
    /// Line of the file, from 1.
    pub line: u64,
    /// Commanded pulse width, ms; 0 for a static-flow reading.
    pub pulse_width_ms: f64,
    /// Number of pulses; 0 for a static-flow reading.
    pub pulses: f64,
    /// Delivered by the whole train, mm³ or mg, start reading subtracted.
    pub delivered: f64,
    /// Whether a start reading was subtracted (the reading uncertainty then counts twice).
    pub start_subtracted: bool,
    /// Measured supply voltage, V.
    pub voltage_actual_v: Option<f64>,
    /// Measured differential pressure, kPa.
    pub pressure_actual_kpa: Option<f64>,
    /// Period, ms.
    pub period_ms: Option<f64>,
    /// Time held open, s (static-flow readings only).
    pub open_time_s: Option<f64>,
    /// Fluid temperature, °C.
    pub fluid_temp_c: Option<f64>,
    /// Vessel name, or the wide column's injector where none is stated.
    pub vessel: Option<String>,
    /// Number of the repeat, as written.
    pub repeat: Option<u32>,
    /// Time as written (RFC 3339).
    pub time: Option<String>,
    /// Note as written.
    pub note: Option<String>,
    /// Reason for leaving the reading out of the fits.
    pub exclude: Option<String>,
}

impl Reading {
    /// Whether this is a static-flow reading: held open for a time.
    pub fn is_static(&self) -> bool {
        self.open_time_s.is_some()
    }

    /// Duty cycle, 0 to 1; `None` where the period is not stated.
    pub fn duty(&self) -> Option<f64> {
        self.period_ms.map(|period| self.pulse_width_ms / period)
    }
}

/// The readings of one injector, stage, voltage and pressure set point in one run.
#[derive(Debug, Clone, PartialEq)]
pub struct Sweep {
    /// Injector id.
    pub injector: String,
    /// Stage, as `as_received`; in order of first appearance.
    pub stage: Option<String>,
    /// Supply voltage set point, V; `None` = not stated.
    pub voltage_v: Option<f64>,
    /// Differential pressure set point, kPa; `None` = not stated.
    pub pressure_kpa: Option<f64>,
    /// Volume or mass.
    pub basis: Basis,
    /// Readings in the order of the file, excluded ones included.
    pub readings: Vec<Reading>,
}

impl Sweep {
    /// Where findings about this sweep point to.
    pub fn place(&self, source: &str) -> Place {
        Place {
            source: Some(source.to_owned()),
            injector: Some(self.injector.clone()),
            stage: self.stage.clone(),
            voltage_v: self.voltage_v,
            pressure_kpa: self.pressure_kpa,
            ..Place::default()
        }
    }
}

/// Everything that was read: the door to the fits.
#[derive(Debug, Clone, PartialEq)]
pub struct Capture {
    /// The files.
    pub sources: Vec<Source>,
    /// The bench they were run on.
    pub bench: Bench,
    /// Sweeps, ordered by injector (first appearance), stage (first appearance),
    /// pressure, voltage, run (file).
    pub sweeps: Vec<Sweep>,
    /// Doubts from reading.
    pub findings: Vec<Finding>,
}
