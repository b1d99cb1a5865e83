//! The door: bytes of files in, a checked capture or every fault out.

use std::collections::HashMap;
use std::fmt::Write as _;

use csv::StringRecord;
use serde::Serialize;
use sha2::{Digest, Sha256};

use super::Bench;
use super::dialect::{self, Dialect, Rows};
use super::doubts::{self, FileNotes};
use super::fault::{Fault, Faults};
use super::header::{self, Layout};
use super::number::Marks;
use super::reading::{Capture, Source};
use super::row::{Outcome, RowReader};
use super::sweeps::Groups;
use crate::finding::Finding;

/// The bytes of a capture file with the name shown to the user.
#[derive(Debug, Clone)]
pub struct CaptureFile {
    /// File name without its folder; `-` for standard input.
    pub name: String,
    /// The whole file.
    pub bytes: Vec<u8>,
}

/// Set points stated on the command line, for captures and bench files that state none.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct SetPoints {
    /// Supply voltage, V.
    pub voltage_v: Option<f64>,
    /// Differential pressure, kPa.
    pub pressure_kpa: Option<f64>,
}

impl SetPoints {
    /// What holds where a row states nothing: the bench file first.
    pub(super) fn below(self, bench: &Bench) -> Self {
        let (supply, pressure) = (&bench.supply, &bench.pressure);
        let volts = supply.as_ref().and_then(|s| s.nominal);
        let kilopascals = pressure.as_ref().and_then(|p| p.nominal);
        Self {
            voltage_v: volts.or(self.voltage_v),
            pressure_kpa: kilopascals.or(self.pressure_kpa),
        }
    }
}

/// What was read and every fault that was found, whether or not there are any.
#[derive(Debug, Clone, PartialEq)]
pub struct Checked {
    /// What could be read; complete only where there are no faults.
    pub capture: Capture,
    /// Faults of all files, in the order of files and lines.
    pub faults: Vec<Fault>,
}

/// The outcome of a check as a machine reads it.
#[derive(Debug, Clone, Serialize)]
pub struct CheckReport<'a> {
    /// The files with their numbers of rows.
    pub files: Vec<FileCount<'a>>,
    /// Every fault.
    pub errors: &'a [Fault],
    /// Every doubt.
    pub findings: &'a [Finding],
}

/// A file and its rows.
#[derive(Debug, Clone, Serialize)]
pub struct FileCount<'a> {
    /// File name.
    pub name: &'a str,
    /// Data rows.
    pub rows: u64,
    /// Rows of which at least one reading is used.
    pub rows_used: u64,
}

impl Checked {
    /// The outcome as a machine reads it.
    pub fn report(&self) -> CheckReport<'_> {
        let files = self.capture.sources.iter().map(|source| FileCount {
            name: &source.name,
            rows: source.rows,
            rows_used: source.rows_used,
        });
        CheckReport {
            files: files.collect(),
            errors: &self.faults,
            findings: &self.capture.findings,
        }
    }
}

/// Reads and checks capture files; a set point is that of its column, else of the
/// bench file, else of `defaults`.
///
/// # Errors
/// Every fault of every file, where there is at least one.
pub fn read_captures(
    files: &[CaptureFile],
    bench: Bench,
    defaults: SetPoints,
) -> Result<Capture, Vec<Fault>> {
    let checked = check_captures(files, bench, defaults);
    if checked.faults.is_empty() {
        Ok(checked.capture)
    } else {
        Err(checked.faults)
    }
}

/// Reads and checks capture files as [`read_captures`] does, and keeps what could be
/// read beside the faults. Doubts about the readings are raised only where there is no fault.
pub fn check_captures(files: &[CaptureFile], bench: Bench, defaults: SetPoints) -> Checked {
    let unstated = defaults.below(&bench);
    let mut groups = Groups::default();
    let mut seen: HashMap<String, &str> = HashMap::new();
    let (mut sources, mut notes, mut faults) = (Vec::new(), Vec::new(), Vec::new());
    for (index, file) in files.iter().enumerate() {
        let mut reading = FileReading::new(index, file, unstated, &mut groups);
        let same = seen.insert(reading.source.sha256.clone(), &file.name);
        match same {
            Some(first) => {
                let found = format!("the same bytes as {first}");
                reading
                    .faults
                    .push(Fault::whole(found, "each capture once"));
            }
            None => reading.read(&file.bytes),
        }
        sources.push(reading.source);
        notes.push(reading.notes);
        faults.push(reading.faults.finish());
    }
    let sorted = groups.finish();
    for (source, fault) in sorted.faults.iter() {
        faults[*source].push(fault.clone().of(&files[*source].name));
    }
    let mut capture = Capture {
        sources,
        bench,
        sweeps: Vec::new(),
        findings: Vec::new(),
    };
    capture.findings = doubts::of_files(&capture.sources, &notes);
    let faulty = faults.iter().any(|list| !list.is_empty());
    capture.sweeps = sorted.sweeps;
    if !faulty {
        capture.findings.extend(doubts::of_set_points(
            &capture,
            defaults,
            &sorted.merged_voltages,
            &sorted.merged_pressures,
        ));
        let (findings, judged) = doubts::of_sweeps(&capture, &notes);
        capture.findings.extend(findings);
        for (source, fault) in judged {
            faults[source].push(fault.of(&files[source].name));
        }
    }
    for list in &mut faults {
        // The summary of faults not kept has no line and stays last.
        list.sort_by_key(|fault| fault.line.unwrap_or(u64::MAX));
    }
    Checked {
        capture,
        faults: faults.concat(),
    }
}

fn hexadecimal(bytes: &[u8]) -> String {
    let mut text = String::with_capacity(2 * bytes.len());
    for byte in bytes {
        write!(text, "{byte:02x}").expect("writing to a string cannot fail");
    }
    text
}

/// One file while it is read.
struct FileReading<'a> {
    index: usize,
    unstated: SetPoints,
    source: Source,
    notes: FileNotes,
    groups: &'a mut Groups,
    faults: Faults,
}

impl<'a> FileReading<'a> {
    fn new(index: usize, file: &CaptureFile, unstated: SetPoints, groups: &'a mut Groups) -> Self {
        Self {
            index,
            unstated,
            source: Source {
                name: file.name.clone(),
                sha256: hexadecimal(&Sha256::digest(&file.bytes)),
                rows: 0,
                rows_used: 0,
            },
            notes: FileNotes::default(),
            groups,
            faults: Faults::new(&file.name),
        }
    }

    fn read(&mut self, bytes: &[u8]) {
        let (text, windows_1252) = match dialect::decode(bytes) {
            Ok(decoded) => decoded,
            Err(fault) => return self.faults.push(*fault),
        };
        self.notes.windows_1252 = windows_1252;
        let dialect = Dialect::of(&text);
        let mut rows = Rows::new(&text, dialect);
        let mut record = StringRecord::new();
        let Some(header_line) = rows.next(&mut record) else {
            let expected = "a header row of column names and rows of readings";
            return self
                .faults
                .push(Fault::whole("no text but blanks and comments", expected));
        };
        let Some(layout) = header::read_header(&record, header_line, &mut self.faults) else {
            return;
        };
        rows.set_header_cells(record.len());
        let marks = self.read_rows(&layout, &mut rows, dialect);
        if let Some(line) = rows.open_quote {
            let fault = Fault::row(line, "a quote that is never closed", "a closing quote");
            self.faults
                .push(fault.hint("the rest of the file was taken as one cell"));
        }
        if self.source.rows == 0 {
            let fault = Fault::row(header_line, "a header and no rows", "rows of readings");
            self.faults.push(fault);
        }
        if let Some(fault) = unclear_marks(marks) {
            self.faults.start_row();
            self.faults.push(fault);
        }
        self.notes.comment_readings = rows.comment_readings;
        self.notes.first_comment_reading = rows.first_comment_reading;
        self.notes.keep_amount_columns(&layout);
    }

    fn read_rows(&mut self, layout: &Layout, rows: &mut Rows<'_>, dialect: Dialect) -> Marks {
        let mut record = StringRecord::new();
        let mut marks = Marks::default();
        while let Some(line) = rows.next(&mut record) {
            self.source.rows += 1;
            self.faults.start_row();
            if let Some(fault) = refuse_length(&record, layout, line, dialect) {
                self.faults.push(fault);
                continue;
            }
            let mut reader = RowReader {
                source: self.index,
                decimal_comma: dialect.decimal_comma(),
                marks,
                faults: &mut self.faults,
            };
            let mut used = false;
            for columns in &layout.trains {
                if let Outcome::Read(mut row) = reader.read(&record, columns, line) {
                    row.voltage_v = row.voltage_v.or(self.unstated.voltage_v);
                    row.pressure_kpa = row.pressure_kpa.or(self.unstated.pressure_kpa);
                    used |= row.reading.exclude.is_none();
                    self.groups.add(*row);
                }
            }
            marks = reader.marks;
            self.source.rows_used += u64::from(used);
        }
        marks
    }
}

/// Complains about a row that is shorter than the header or longer.
pub(super) fn refuse_length(
    record: &StringRecord,
    layout: &Layout,
    line: u64,
    dialect: Dialect,
) -> Option<Fault> {
    let surplus = record
        .iter()
        .skip(layout.cells)
        .any(|cell| !cell.trim().is_empty());
    if record.len() >= layout.cells && !surplus {
        return None;
    }
    let found = if record.len() == 1 {
        "1 cell".to_owned()
    } else {
        format!("{} cells", record.len())
    };
    let expected = format!("{} cells, as in the header", layout.cells);
    let decimal_commas = record.len() > layout.cells
        && !dialect.decimal_comma()
        && !record.iter().any(|cell| cell.contains('.'));
    Some(Fault::row(line, found, expected).hint(if decimal_commas {
        "decimal commas are understood where cells are separated by semicolons or tabs; \
         put a cell with a comma in quotes"
    } else if record.len() > layout.cells {
        "put a cell that holds the separator in quotes"
    } else {
        "leave a cell empty rather than out"
    }))
}

/// `1,234` beside `0.5` may be a thousand or one: better to ask.
pub(super) fn unclear_marks(marks: Marks) -> Option<Fault> {
    let (line, found) = if marks.unclear_comma > 0 && (marks.point || marks.unclear_point > 0) {
        (
            marks.unclear_comma,
            "a number as 1,234 in a file that has decimal points",
        )
    } else if marks.unclear_point > 0 && marks.comma {
        (
            marks.unclear_point,
            "a number as 1.234 in a file that has decimal commas",
        )
    } else {
        return None;
    };
    let expected = "one decimal mark and no thousands separator";
    Some(Fault::row(line, found, expected))
}
