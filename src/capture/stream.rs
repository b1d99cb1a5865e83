//! A capture read part by part: the header once, then blocks of whole lines.

use csv::StringRecord;

use super::dialect::{self, Dialect, Rows};
use super::doubts::{self, FileNotes};
use super::fault::{Fault, Faults};
use super::header::{self, Layout};
use super::number::Marks;
use super::plain::{PlainLayout, StreamRow};
use super::read::{SetPoints, refuse_length, unclear_marks};
use super::reading::{Capture, Reading, Source, Sweep};
use super::row::{Cells, RowReader, RowReading};
use super::sweeps::Groups;
use super::{Bench, Setting};
use crate::units::Basis;

/// A capture after its header was read.
#[derive(Debug)]
pub struct CaptureStream {
    name: String,
    bench: Bench,
    unstated: SetPoints,
    dialect: Dialect,
    layout: Layout,
    plain: Option<PlainLayout>,
    notes: FileNotes,
    marks: Marks,
    foreign_utf8: bool,
    foreign_other: bool,
}

/// A reading with all that its row says.
pub struct WholeRow<'a>(RowReading<'a>);

impl WholeRow<'_> {
    /// Injector id.
    pub fn injector(&self) -> &str {
        self.0.injector
    }

    /// Line of the row.
    pub fn line(&self) -> u64 {
        self.0.reading.line
    }
}

/// The rows of one injector as they come.
#[derive(Default)]
pub struct InjectorRows {
    groups: Groups,
}

impl CaptureStream {
    /// Reads the header of a capture from its first block.
    ///
    /// Returns the capture, the bytes of the block that were used and their lines.
    ///
    /// # Errors
    /// The faults of the header.
    pub fn open(
        name: &str,
        block: &[u8],
        bench: Bench,
        defaults: SetPoints,
    ) -> Result<(Self, usize, u64), Vec<Fault>> {
        let mut faults = Faults::new(name);
        let whole = |fault: Fault| vec![fault.of(name)];
        if block.contains(&b'\r') && !block.contains(&b'\n') {
            let fault = Fault::whole("lines that end in a lone carriage return", "line feeds");
            return Err(whole(fault.hint("without --lines such a file is read")));
        }
        let (text, windows_1252) = dialect::decode(block).map_err(|fault| whole(*fault))?;
        let dialect = Dialect::of(&text);
        let mut rows = Rows::new(&text, dialect);
        let mut record = StringRecord::new();
        let Some(line) = rows.next(&mut record) else {
            let expected = "a header row of column names and rows of readings";
            let fault = Fault::whole("no text but blanks and comments", expected);
            return Err(whole(fault));
        };
        let broken: usize = record.iter().map(|cell| cell.matches('\n').count()).sum();
        let lines = line + broken as u64;
        let layout = header::read_header(&record, line, &mut faults);
        let (true, Some(layout)) = (faults.is_empty(), layout) else {
            return Err(faults.finish());
        };
        let unstated = defaults.below(&bench);
        let usable = dialect.separator == b',' && bench == Bench::default();
        let plain = PlainLayout::of(&layout).filter(|_| usable);
        let mut notes = FileNotes::default();
        notes.keep_amount_columns(&layout);
        let used = bytes_of_lines(block, lines);
        let foreign = block[..used].iter().any(|b| !b.is_ascii());
        let stream = Self {
            name: name.to_owned(),
            bench,
            unstated,
            dialect: dialect.continued(),
            layout,
            plain,
            notes,
            marks: Marks::default(),
            foreign_utf8: foreign && !windows_1252,
            foreign_other: windows_1252 && foreign,
        };
        Ok((stream, used, lines))
    }

    /// The name shown to the user.
    pub fn name(&self) -> &str {
        &self.name
    }

    /// The bench of the capture.
    pub fn bench(&self) -> &Bench {
        &self.bench
    }

    /// What is read where every row fits a [`StreamRow`]: then each is one, by whichever reader.
    pub fn plain_basis(&self) -> Option<Basis> {
        self.plain.as_ref().map(|plain| plain.basis)
    }

    /// Whether a row holds readings of several injectors.
    pub fn is_wide(&self) -> bool {
        self.layout.trains.iter().any(|train| train.id.is_some())
    }

    /// Reads a block of whole lines byte by byte; returns its lines, or `None` where anything in
    /// it is not plain: what was given to `each` is then to be forgotten.
    pub fn read_plain<'a>(
        &self,
        block: &'a [u8],
        mut each: impl FnMut(StreamRow<'a>),
    ) -> Option<u64> {
        let unstated = self.unstated;
        self.plain.as_ref()?.read(block, |mut row| {
            row.voltage_v = row.voltage_v.or(unstated.voltage_v);
            row.pressure_kpa = row.pressure_kpa.or(unstated.pressure_kpa);
            each(row);
        })
    }

    /// Reads a block of whole lines with the careful reader, as rows that fit a [`StreamRow`],
    /// with their lines.
    ///
    /// # Errors
    /// Every fault of the block.
    pub fn read_carefully(
        &mut self,
        block: &[u8],
        first_line: u64,
        mut each: impl FnMut(StreamRow<'_>, u64),
    ) -> Result<u64, Vec<Fault>> {
        self.read_rows(block, first_line, |row| {
            let plain = StreamRow {
                injector: row.injector.as_bytes(),
                voltage_v: row.voltage_v,
                pressure_kpa: row.pressure_kpa,
                setting: Setting {
                    pulse_width_ms: row.reading.pulse_width_ms,
                    pulses: row.reading.pulses,
                    period_ms: row.reading.period_ms,
                },
                delivered: row.reading.delivered,
            };
            each(plain, row.reading.line);
        })
    }

    /// Reads a block of whole lines with the careful reader, with all that the rows say.
    ///
    /// # Errors
    /// Every fault of the block.
    pub fn read_wholly(
        &mut self,
        block: &[u8],
        first_line: u64,
        mut each: impl FnMut(WholeRow<'_>),
    ) -> Result<u64, Vec<Fault>> {
        self.read_rows(block, first_line, |row| each(WholeRow(row)))
    }

    fn read_rows(
        &mut self,
        block: &[u8],
        first_line: u64,
        mut each: impl FnMut(RowReading<'_>),
    ) -> Result<u64, Vec<Fault>> {
        let mut faults = Faults::new(&self.name);
        let text = match dialect::decode(block) {
            Ok((text, other)) => {
                self.foreign_other |= other;
                self.foreign_utf8 |= !other && !block.is_ascii();
                text
            }
            Err(fault) => return Err(vec![fault.moved(first_line - 1).of(&self.name)]),
        };
        if self.foreign_other && self.foreign_utf8 {
            let found = "letters in UTF-8 and in Windows-1252 in one file";
            faults.push(Fault::row(first_line, found, "one of the two"));
        }
        let lines = text.bytes().filter(|b| *b == b'\n').count() as u64;
        let lines = lines + u64::from(!text.is_empty() && !text.ends_with('\n'));
        for (index, line) in text.split('\n').enumerate() {
            let quotes = line.bytes().filter(|b| *b == b'"').count();
            if quotes % 2 == 1 && !line.trim_start().starts_with('#') {
                let found = "a quote that is not closed on its line";
                let fault = Fault::row(first_line + index as u64, found, "a closing quote");
                faults.start_row();
                faults.push(fault.hint("with --lines a cell may not hold a line break"));
            }
        }
        if !faults.is_empty() {
            return Err(faults.finish());
        }
        let mut rows = Rows::new(&text, self.dialect).starting_at(first_line);
        rows.set_header_cells(self.layout.cells);
        let mut record = StringRecord::new();
        while let Some(line) = rows.next(&mut record) {
            faults.start_row();
            if let Some(fault) = refuse_length(&record, &self.layout, line, self.dialect) {
                faults.push(fault);
                continue;
            }
            let mut reader = RowReader {
                source: 0,
                decimal_comma: self.dialect.decimal_comma(),
                marks: self.marks,
                faults: &mut faults,
            };
            let row = Cells::new(&record, &[], line);
            reader.read_each(row, &self.layout, self.unstated, &mut each);
            self.marks = reader.marks;
        }
        if faults.is_empty() {
            Ok(lines)
        } else {
            Err(faults.finish())
        }
    }

    /// What only the whole stream can tell.
    ///
    /// # Errors
    /// A fault where decimal marks cannot be told from thousands separators.
    pub fn finish(&self) -> Result<(), Vec<Fault>> {
        match unclear_marks(self.marks) {
            Some(fault) => Err(vec![fault.of(&self.name)]),
            None => Ok(()),
        }
    }

    /// Says that nothing followed the header.
    pub fn no_rows(&self, header_line: u64) -> Fault {
        Fault::row(header_line, "a header and no rows", "rows of readings").of(&self.name)
    }

    /// The capture of one injector, from all its rows.
    ///
    /// # Errors
    /// Faults that only show when all readings are known.
    pub fn capture_of(&self, rows: InjectorRows) -> Result<Capture, Vec<Fault>> {
        let sorted = rows.groups.finish();
        let mut faults: Vec<(usize, Fault)> = sorted.faults;
        let capture = self.capture(sorted.sweeps);
        if faults.is_empty() {
            (_, faults) = doubts::of_sweeps(&capture, std::slice::from_ref(&self.notes));
        }
        if faults.is_empty() {
            return Ok(capture);
        }
        Err(faults.into_iter().map(|(_, f)| f.of(&self.name)).collect())
    }

    /// Sweeps of this stream as a capture, without its hash.
    pub fn capture(&self, sweeps: Vec<Sweep>) -> Capture {
        let source = Source {
            name: self.name.clone(),
            sha256: String::new(),
            mapping: None,
            rows: 0,
            rows_used: 0,
        };
        Capture {
            sources: vec![source],
            bench: self.bench.clone(),
            sweeps,
            findings: Vec::new(),
        }
    }
}

impl InjectorRows {
    /// Adds a reading.
    pub fn add(&mut self, row: WholeRow<'_>) {
        self.groups.add(row.0);
    }
}

impl Setting {
    /// A reading of this setting, without its line.
    pub fn reading(&self, delivered: f64) -> Reading {
        Reading {
            source: 0,
            line: 0,
            pulse_width_ms: self.pulse_width_ms,
            pulses: self.pulses,
            delivered,
            start_subtracted: false,
            voltage_actual_v: None,
            pressure_actual_kpa: None,
            period_ms: self.period_ms,
            open_time_s: None,
            fluid_temp_c: None,
            vessel: None,
            repeat: None,
            time: None,
            note: None,
            exclude: None,
        }
    }
}

/// Says that a line is too long to be one.
pub fn overlong_line(name: &str, line: u64) -> Fault {
    dialect::overlong(line).of(name)
}

/// Says that an injector comes back after its rows ended.
pub fn comes_again(name: &str, injector: &str, line: u64, ended: u64) -> Fault {
    let found = format!("injector {injector} again, whose rows ended at line {ended}");
    Fault::row(line, found, "the rows of an injector together")
        .in_column("injector")
        .hint("sort the rows by injector, or give --gather to hold all readings in memory")
        .of(name)
}

/// Bytes of the first `lines` lines.
fn bytes_of_lines(block: &[u8], lines: u64) -> usize {
    let mut at = 0;
    for _ in 0..lines {
        match block[at..].iter().position(|b| *b == b'\n') {
            Some(end) => at += end + 1,
            None => return block.len(),
        }
    }
    at
}
