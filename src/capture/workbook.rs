//! A workbook's sheets as grids of text cells, whichever of three formats it is in.

use std::io::Cursor;
use std::panic::{self, AssertUnwindSafe};

use calamine::{
    Data, DataRef, Dimensions, ExcelDateTime, Ods, OdsError, Reader, SheetType, SheetVisible, Xls,
    XlsError, Xlsx, XlsxError,
};

use super::compound;
use super::container::{
    self, Content, MOST_CELLS, MergedBySheet, damaged, encrypted, examine, too_large,
};
use super::fault::Fault;
use super::grid::{Grid, Kind, Merged};
use super::header::MOST_COLUMNS;

/// An opened workbook.
pub(super) struct Workbook<'b> {
    book: Book<'b>,
    /// Names of the sheets in their order, and whether each is shown.
    pub sheets: Vec<(String, bool)>,
    merged: MergedBySheet,
}

enum Book<'b> {
    Xlsx(Box<Xlsx<Cursor<&'b [u8]>>>),
    Ods(Box<Ods<Cursor<&'b [u8]>>>),
    Xls(Box<Xls<Cursor<Vec<u8>>>>),
}

impl<'b> Workbook<'b> {
    /// Opens a workbook; `None` where the bytes are text.
    ///
    /// # Errors
    /// A fault of the whole file: damaged, encrypted, too large, an archive of something else.
    pub fn open(bytes: &'b [u8]) -> Result<Option<Self>, Box<Fault>> {
        guarded(|| Self::open_any(bytes))
    }

    fn open_any(bytes: &'b [u8]) -> Result<Option<Self>, Box<Fault>> {
        let content = container::content(bytes);
        let mut merged = Vec::new();
        if matches!(content, Content::Xlsx | Content::Ods) {
            merged = examine(bytes, content)?;
        }
        let reader = Cursor::new(bytes);
        let book = match content {
            Content::Text => return Ok(None),
            Content::OtherZip => {
                let fault = Fault::whole("a zip archive without a sheet", "a capture")
                    .hint("workbooks are read as .xlsx, .ods or .xls; unpack anything else first");
                return Err(Box::new(fault));
            }
            Content::Xlsx => match Xlsx::new(reader) {
                Ok(book) => Book::Xlsx(Box::new(book)),
                Err(XlsxError::Password) => return Err(Box::new(encrypted())),
                Err(e) => return Err(Box::new(damaged(&e))),
            },
            Content::Ods => match Ods::new(reader) {
                Ok(book) => Book::Ods(Box::new(book)),
                Err(OdsError::Password) => return Err(Box::new(encrypted())),
                Err(e) => return Err(Box::new(damaged(&e))),
            },
            Content::Compound => match Xls::new(Cursor::new(compound::workbook_alone(bytes)?)) {
                Ok(book) => Book::Xls(Box::new(book)),
                Err(XlsError::Password) => return Err(Box::new(encrypted())),
                Err(e) => return Err(Box::new(damaged(&e))),
            },
        };
        let metadata = match &book {
            Book::Xlsx(book) => book.sheets_metadata(),
            Book::Ods(book) => book.sheets_metadata(),
            Book::Xls(book) => book.sheets_metadata(),
        };
        let sheets = metadata
            .iter()
            .filter(|sheet| sheet.typ == SheetType::WorkSheet)
            .map(|sheet| (sheet.name.clone(), sheet.visible == SheetVisible::Visible))
            .collect();
        Ok(Some(Self {
            book,
            sheets,
            merged,
        }))
    }

    /// Reads a sheet, or its first rows.
    ///
    /// # Errors
    /// A fault of the whole file where the sheet is damaged or too large.
    pub fn read(&mut self, name: &str, rows: u64) -> Result<Grid, Box<Fault>> {
        guarded(|| self.read_any(name, rows))
    }

    fn read_any(&mut self, name: &str, rows: u64) -> Result<Grid, Box<Fault>> {
        let mut grid = match &mut self.book {
            Book::Xlsx(book) => read_xlsx(book, name, rows)?,
            Book::Ods(book) => {
                let range = book.worksheet_range(name).map_err(|e| damaged(&e));
                read_range(name, &range?, rows)?
            }
            Book::Xls(book) => {
                let range = book.worksheet_range(name).map_err(|e| damaged(&e));
                read_range(name, &range?, rows)?
            }
        };
        grid.merged = match &mut self.book {
            Book::Xlsx(book) => book
                .merge_cells_by_sheet_name(name)
                .map_err(|e| damaged(&e))?
                .iter()
                .map(merged)
                .collect(),
            Book::Xls(book) => {
                let regions = book.merge_cells_by_sheet_name(name);
                regions.unwrap_or_default().iter().map(merged).collect()
            }
            Book::Ods(_) => {
                let of_sheet = self.merged.iter().find(|(sheet, _)| sheet == name);
                of_sheet.map_or_else(Vec::new, |(_, merged)| merged.clone())
            }
        };
        Ok(grid)
    }
}

/// The reader of the binary format panics on some damaged files (changing the bytes of a
/// small `.xls` one by one shows it): such a file is damaged, the program is not.
fn guarded<T>(work: impl FnOnce() -> Result<T, Box<Fault>>) -> Result<T, Box<Fault>> {
    panic::catch_unwind(AssertUnwindSafe(work))
        .unwrap_or_else(|_| Err(Box::new(damaged(&"it contradicts itself"))))
}

fn merged(region: &Dimensions) -> Merged {
    Merged {
        lines: [region.start.0, region.end.0].map(|row| u64::from(row) + 1),
        columns: [region.start.1, region.end.1].map(|column| column as usize),
    }
}

/// Reads cell by cell, so that a large sheet is held once, in the grid.
fn read_xlsx(book: &mut Xlsx<Cursor<&[u8]>>, name: &str, rows: u64) -> Result<Grid, Box<Fault>> {
    let broken = |e: XlsxError| Box::new(damaged(&e));
    let mut cells = book.worksheet_cells_reader(name).map_err(broken)?;
    let mut gatherer = Gatherer::new(name, rows);
    while let Some(cell) = cells.next_cell_with_formula_metadata().map_err(broken)? {
        let value = match cell.value {
            DataRef::Empty if cell.formula.is_some() => Value::Uncomputed,
            DataRef::Empty => continue,
            DataRef::Int(number) => Value::Number(number as f64),
            DataRef::Float(number) => Value::Number(number),
            DataRef::String(ref text) => Value::Text(text),
            DataRef::SharedString(text) => Value::Text(text),
            DataRef::Bool(truth) => Value::Text(if truth { "TRUE" } else { "FALSE" }),
            DataRef::DateTime(date) => Value::Date(date_text(date)),
            DataRef::DateTimeIso(ref text) | DataRef::DurationIso(ref text) => {
                Value::Date(text.clone())
            }
            DataRef::Error(error) => Value::Error(error.to_string()),
        };
        if !gatherer.add(cell.pos, &value)? {
            break;
        }
    }
    Ok(gatherer.grid)
}

fn read_range(name: &str, range: &calamine::Range<Data>, rows: u64) -> Result<Grid, Box<Fault>> {
    let mut gatherer = Gatherer::new(name, rows);
    let (top, left) = range.start().unwrap_or_default();
    for (row, column, data) in range.used_cells() {
        let value = match data {
            Data::Empty => continue,
            Data::Int(number) => Value::Number(*number as f64),
            Data::Float(number) => Value::Number(*number),
            // The OpenDocument reader hands over failed formulas as their text.
            Data::String(text) if is_error_text(text) => Value::Error(text.clone()),
            Data::String(text) => Value::Text(text),
            Data::Bool(truth) => Value::Text(if *truth { "TRUE" } else { "FALSE" }),
            Data::DateTime(date) => Value::Date(date_text(*date)),
            Data::DateTimeIso(text) | Data::DurationIso(text) => Value::Date(text.clone()),
            Data::Error(error) => Value::Error(error.to_string()),
        };
        let position = (top + row as u32, left + column as u32);
        if !gatherer.add(position, &value)? {
            break;
        }
    }
    Ok(gatherer.grid)
}

/// Whether a text is what spreadsheets show for a failed formula.
fn is_error_text(text: &str) -> bool {
    const ERRORS: [&str; 7] = [
        "#DIV/0!", "#N/A", "#NAME?", "#NULL!", "#NUM!", "#REF!", "#VALUE!",
    ];
    ERRORS.contains(&text)
        || text
            .strip_prefix("Err:")
            .is_some_and(|code| code.len() == 3 && code.bytes().all(|b| b.is_ascii_digit()))
}

/// A cell that holds something.
enum Value<'v> {
    Text(&'v str),
    Number(f64),
    Date(String),
    Error(String),
    Uncomputed,
}

/// Builds a grid from cells in the order of rows and columns.
struct Gatherer {
    grid: Grid,
    rows: u64,
    last: Option<(u32, u32)>,
}

impl Gatherer {
    fn new(name: &str, rows: u64) -> Self {
        Self {
            grid: Grid::of_sheet(name),
            rows,
            last: None,
        }
    }

    /// Adds a cell; returns false where it lies beyond the rows that are wanted.
    fn add(&mut self, (row, column): (u32, u32), value: &Value<'_>) -> Result<bool, Box<Fault>> {
        if u64::from(row) >= self.rows {
            return Ok(false);
        }
        if let Value::Text(text) = value
            && text.trim().is_empty()
        {
            return Ok(true);
        }
        if self.last.is_some_and(|last| last >= (row, column)) {
            return Err(Box::new(damaged(&"cells out of order")));
        }
        if column as usize >= MOST_COLUMNS {
            let found = format!(
                "cells beyond column {}",
                super::grid::letters(MOST_COLUMNS - 1)
            );
            return Err(Box::new(too_large(&found)));
        }
        let filled = match self.last {
            Some((last, before)) if last == row => before + 1,
            _ => {
                self.grid.start_row(u64::from(row) + 1);
                0
            }
        };
        for _ in filled..column {
            self.grid.push("", Kind::Text);
        }
        self.last = Some((row, column));
        match value {
            Value::Text(text) => self.grid.push(text, Kind::Text),
            Value::Number(number) => self.grid.push_number(*number),
            Value::Date(text) => self.grid.push(text, Kind::Date),
            Value::Error(text) => self.grid.push(text, Kind::Error),
            Value::Uncomputed => self.grid.push("", Kind::Uncomputed),
        }
        if self.grid.stored() as u64 > MOST_CELLS {
            return Err(Box::new(too_large("too many cells")));
        }
        Ok(true)
    }
}

/// A date as `2026-03-14T09:26:53`, without a time zone since a sheet has none; a
/// duration as hours.
fn date_text(date: ExcelDateTime) -> String {
    if date.is_duration() {
        return format!("{} h", crate::units::significant(24.0 * date.as_f64(), 6));
    }
    let (year, month, day, hour, minute, second, milli) = date.to_ymd_hms_milli();
    let mut text = format!("{year:04}-{month:02}-{day:02}");
    if (hour, minute, second, milli) != (0, 0, 0, 0) {
        text.push_str(&format!("T{hour:02}:{minute:02}:{second:02}"));
        if milli > 0 {
            text.push_str(&format!(".{milli:03}"));
        }
    }
    text
}
