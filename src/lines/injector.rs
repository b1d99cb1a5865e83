//! From the rows of one injector to its lines.

use super::LinesRequest;
use crate::capture::{Capture, CaptureStream, Setting, StreamRow, Sweep, join_conditions};
use crate::characterisation::{NotFinite, write_line};
use crate::fit::{SweepLine, fit_capture, lines_of_injector};
use crate::units::Basis;

/// Lines of JSON and their number.
#[derive(Debug, Default)]
pub(super) struct Text {
    pub bytes: Vec<u8>,
    pub lines: u64,
}

/// Voltage, V, and pressure, kPa, of a row.
pub(super) type Condition = (Option<f64>, Option<f64>);

/// The rows of one injector in the order of the stream.
#[derive(Debug)]
pub(super) struct Run {
    pub injector: String,
    /// Line of the first row.
    pub first_line: u64,
    /// Line of the last row.
    pub last_line: u64,
    conditions: Vec<Condition>,
    /// Index of the condition, setting, delivered quantity.
    rows: Vec<(u32, Setting, f64)>,
}

impl Run {
    /// A run that begins at a line; `injector` is UTF-8.
    pub fn new(injector: &[u8], line: u64) -> Self {
        Self {
            injector: String::from_utf8_lossy(injector).into_owned(),
            first_line: line,
            last_line: line,
            conditions: Vec::new(),
            rows: Vec::new(),
        }
    }

    /// The same with room for so many readings.
    pub fn with_room(mut self, readings: usize) -> Self {
        self.rows.reserve(readings);
        self
    }

    /// Number of readings.
    pub fn readings(&self) -> usize {
        self.rows.len()
    }

    /// The same so many lines later.
    pub fn moved(mut self, lines: u64) -> Self {
        self.first_line += lines;
        self.last_line += lines;
        self
    }

    /// Adds a row of this injector.
    pub fn add_row(&mut self, row: &StreamRow<'_>, line: u64) {
        self.add(
            (row.voltage_v, row.pressure_kpa),
            row.setting,
            row.delivered,
        );
        self.last_line = line;
    }

    /// Adds a reading.
    pub fn add(&mut self, condition: Condition, setting: Setting, delivered: f64) {
        let latest = self.rows.last().map(|(index, _, _)| *index);
        let index = match latest.filter(|i| self.conditions[*i as usize] == condition) {
            Some(index) => index,
            None => index_of(&mut self.conditions, condition),
        };
        self.rows.push((index, setting, delivered));
    }

    /// Adds the rows that follow in the next block, `lines` lines later.
    pub fn append(&mut self, later: Run) {
        let places: Vec<u32> = later
            .conditions
            .iter()
            .map(|condition| index_of(&mut self.conditions, *condition))
            .collect();
        let rows = later.rows.into_iter();
        self.rows
            .extend(rows.map(|(i, s, d)| (places[i as usize], s, d)));
        self.last_line = later.last_line;
    }

    /// Writes the lines of the injector.
    pub fn write(
        &self,
        stream: &CaptureStream,
        basis: Basis,
        request: &LinesRequest,
        text: &mut Text,
    ) -> Result<(), NotFinite> {
        let sweeps = self.sweeps(basis);
        match lines_of_injector(&sweeps, stream.name(), &request.fit) {
            Some(figures) => {
                for figure in &figures {
                    write_line(&figure.line(&self.injector), &mut text.bytes)?;
                    text.lines += 1;
                }
                Ok(())
            }
            None => write_capture(&stream.capture(sweeps), request, text),
        }
    }

    /// The sweeps, in order.
    fn sweeps(&self, basis: Basis) -> Vec<Sweep> {
        let mut counts = vec![0; self.conditions.len()];
        for (index, _, _) in &self.rows {
            counts[*index as usize] += 1;
        }
        let (joined, place) = join_conditions(&self.conditions, &counts);
        let mut sizes = vec![0; joined.len()];
        for (at, count) in place.iter().zip(&counts) {
            sizes[*at] += count;
        }
        let sweep = |((voltage_v, pressure_kpa), size)| Sweep {
            injector: self.injector.clone(),
            stage: None,
            voltage_v,
            pressure_kpa,
            basis,
            readings: Vec::with_capacity(size),
        };
        let mut sweeps: Vec<Sweep> = joined.into_iter().zip(sizes).map(sweep).collect();
        // Rows of one condition mostly stand together.
        for rows in self.rows.chunk_by(|a, b| a.0 == b.0) {
            let readings = &mut sweeps[place[rows[0].0 as usize]].readings;
            readings.extend(rows.iter().map(|(_, setting, d)| setting.reading(*d)));
        }
        sweeps
    }
}

fn index_of(conditions: &mut Vec<Condition>, condition: Condition) -> u32 {
    let at = conditions.iter().position(|c| *c == condition);
    let at = at.unwrap_or_else(|| {
        conditions.push(condition);
        conditions.len() - 1
    });
    u32::try_from(at).expect("an injector has fewer than 2³² conditions")
}

/// Writes the lines of a capture by the whole fit.
pub(super) fn write_capture(
    capture: &Capture,
    request: &LinesRequest,
    text: &mut Text,
) -> Result<(), NotFinite> {
    for injector in fit_capture(capture, &request.fit).injectors {
        for fit in &injector.sweeps {
            write_line(&SweepLine::of(&injector.id, fit), &mut text.bytes)?;
            text.lines += 1;
        }
    }
    Ok(())
}
