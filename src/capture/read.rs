//! The door: bytes of files in, a checked capture or every fault out.

mod mapped;
mod text;

use std::collections::HashMap;
use std::sync::Arc;

use csv::StringRecord;
use serde::Serialize;

use super::Bench;
use super::container::{self, Content};
use super::dialect::Dialect;
use super::doubts::{self, FileNotes};
use super::fault::{Fault, Faults, Places};
use super::grid::{Grid, letters};
use super::header::{self, Layout};
use super::map::Mapping;
use super::number::Marks;
use super::reading::{Capture, Source, digest};
use super::row::{Cells, RowReader};
use super::sheet::{Merges, SheetRows, readings_sheet};
use super::sweeps::Groups;
use super::workbook::Workbook;
use crate::finding::Finding;

/// The bytes of a capture file with the name shown to the user, and how to read it.
#[derive(Debug, Clone)]
pub struct CaptureFile {
    /// File name without its folder; `-` for standard input.
    pub name: String,
    /// The whole file: a text, or a workbook (`.xlsx`, `.ods`, `.xls`), told apart by content.
    pub bytes: Vec<u8>,
    /// Sheet of a workbook; `None`: the one that has a header.
    pub sheet: Option<String>,
    /// How a foreign layout is read; `None`: the file is in the capture format.
    pub mapping: Option<Arc<Mapping>>,
}

impl CaptureFile {
    /// A file in the capture format, or a workbook with one sheet in it.
    pub fn new(name: impl Into<String>, bytes: Vec<u8>) -> Self {
        Self {
            name: name.into(),
            bytes,
            sheet: None,
            mapping: None,
        }
    }

    /// Whether it is a characterisation file, which is JSON, rather than a capture.
    pub fn is_document(&self) -> bool {
        self.bytes.trim_ascii_start().starts_with(b"{")
    }

    /// Whether the bytes are those of a workbook rather than of a text.
    pub fn is_workbook(&self) -> bool {
        container::content(&self.bytes) != Content::Text
    }
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
            None => reading.read(file),
        }
        sources.push(reading.source);
        notes.push(reading.notes);
        faults.push(reading.faults.finish());
    }
    let sorted = groups.finish();
    for (source, fault) in sorted.faults.iter() {
        let fault = notes[*source].places.locate(fault.clone());
        faults[*source].push(fault.of(&files[*source].name));
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
            let fault = notes[source].places.locate(fault);
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
                sha256: digest(&file.bytes),
                mapping: file.mapping.as_ref().map(|mapping| mapping.used.clone()),
                rows: 0,
                rows_used: 0,
            },
            notes: FileNotes::default(),
            groups,
            faults: Faults::new(&file.name),
        }
    }

    fn read(&mut self, file: &CaptureFile) {
        if let Some(mapping) = &file.mapping {
            return self.read_mapped(file, mapping);
        }
        match Workbook::open(&file.bytes) {
            Ok(None) => self.read_text(&file.bytes),
            Ok(Some(mut book)) => match readings_sheet(&mut book, file.sheet.as_deref()) {
                Ok((grid, header)) => self.read_sheet(&grid, header),
                Err(fault) => self.faults.push(*fault),
            },
            Err(fault) => self.faults.push(*fault),
        }
    }

    /// Reads the rows below a row of column names.
    fn read_sheet(&mut self, grid: &Grid, header: usize) {
        let header_line = grid.line(header);
        let places = sheet_places(grid, header);
        self.notes.places = places.clone();
        self.faults.places = Some(places);
        let names = sheet_header(grid, header);
        let Some(layout) = header::read_header(&names, header_line, &mut self.faults) else {
            return;
        };
        let unnamed: Vec<usize> = (0..names.len()).filter(|c| &names[*c] == UNNAMED).collect();
        let mut rows = SheetRows::below(grid, header, layout.cells);
        let mut merges = Merges::below(grid, header);
        let mut record = StringRecord::new();
        let mut marks = Marks::default();
        while let Some(line) = rows.next(&mut record) {
            self.start_row();
            let beyond = layout.cells..record.len();
            for column in unnamed.iter().copied().chain(beyond) {
                self.refuse_unnamed(&record[column], column, line);
            }
            let row = &mut record;
            for fault in merges.complete(grid, &layout, line, row, &mut rows.kinds) {
                self.faults.push(fault);
            }
            let row = Cells::new(&record, &rows.kinds, line);
            self.read_row(&layout, row, true, &mut marks);
        }
        self.refuse_no_rows(header_line);
        self.refuse_unclear_cells(marks);
        self.notes.comment_readings = rows.comment_readings;
        self.notes.first_comment_reading = rows.first_comment_reading;
        self.notes.keep_amount_columns(&layout);
        self.faults.places = None;
    }

    fn start_row(&mut self) {
        self.source.rows += 1;
        self.faults.start_row();
    }

    /// Reads what a row says about each injector.
    fn read_row(
        &mut self,
        layout: &Layout,
        row: Cells<'_>,
        decimal_comma: bool,
        marks: &mut Marks,
    ) {
        let mut reader = RowReader {
            source: self.index,
            decimal_comma,
            marks: *marks,
            faults: &mut self.faults,
        };
        let used = reader.read_into(self.groups, row, layout, self.unstated);
        *marks = reader.marks;
        self.source.rows_used += u64::from(used);
    }

    fn refuse_no_rows(&mut self, header_line: u64) {
        if self.source.rows == 0 {
            let fault = Fault::row(header_line, "a header and no rows", "rows of readings");
            self.faults.push(fault);
        }
    }

    /// A number beside the table would be missed without a word.
    fn refuse_unnamed(&mut self, text: &str, column: usize, line: u64) {
        if text.trim().is_empty() {
            return;
        }
        let name = format!("{} without a name", letters(column));
        let expected = "nothing, since the header has no name for this column";
        let mut fault = Fault::cell(line, &name, text.trim(), expected);
        fault.cell = Some(format!("{}{line}", letters(column)));
        let hint = "name the column; one that starts with x_ is ignored";
        self.faults.push(fault.hint(hint));
    }

    /// In a sheet a text as `1,234` may be a thousand or one unless other texts have decimal commas.
    fn refuse_unclear_cells(&mut self, marks: Marks) {
        if marks.unclear_comma > 0 && !marks.comma && !marks.point {
            let line = marks.unclear_comma;
            let found = "a text as 1,234, which may be a thousand or one";
            let fault = Fault::row(line, found, "a number cell")
                .hint("write the number into the cell again, so that the sheet knows it as one");
            self.faults.start_row();
            self.faults.push(fault);
        } else if let Some(fault) = unclear_marks(marks) {
            self.faults.start_row();
            self.faults.push(fault);
        }
    }
}

/// Name of a column whose header cell is blank; the capture format ignores it.
const UNNAMED: &str = "x_";

/// The header of a sheet: blank cells ignored, since a table need not start at column A.
fn sheet_header(grid: &Grid, header: usize) -> StringRecord {
    let last = (0..grid.width(header)).rfind(|column| !grid.is_blank(header, *column));
    (0..last.map_or(0, |last| last + 1))
        .map(|column| match grid.text(header, column).trim() {
            "" => UNNAMED,
            name => name,
        })
        .collect()
}

fn sheet_places(grid: &Grid, header: usize) -> Places {
    let names = grid.texts(header).enumerate();
    Places {
        sheet: grid.sheet.clone(),
        columns: names
            .filter(|(_, name)| !name.trim().is_empty())
            .map(|(column, name)| (name.trim().to_owned(), Some(column)))
            .collect(),
        row: Vec::new(),
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
