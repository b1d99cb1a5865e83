//! A foreign sheet as rows and columns, whichever way it is turned.

use std::collections::{HashMap, HashSet};

use csv::StringRecord;

use super::file::Mapping;
use super::pattern::one_line;
use crate::capture::CaptureFile;
use crate::capture::container::too_large;
use crate::capture::dialect::{Dialect, Rows, decode};
use crate::capture::fault::Fault;
use crate::capture::grid::{Grid, Kind, letters};
use crate::capture::sheet::named;
use crate::capture::workbook::Workbook;

/// Cells that merged ones may cover; more is no sheet of readings.
const MOST_MERGED: u64 = 1_000_000;

/// A foreign file as cells, with what only a text has.
pub(in crate::capture) struct Foreign {
    /// Its cells.
    pub grid: Grid,
    /// Whether it was read as Windows-1252.
    pub windows_1252: bool,
    /// Whether a comma can be a decimal mark where the mapping does not say.
    pub decimal_comma: bool,
    /// What parts the cells of a text.
    pub separator: Option<u8>,
    /// Sheets that could have been meant.
    pub other_sheets: Vec<String>,
}

/// Reads a foreign file: of a workbook the sheet that is named, else the fullest one.
///
/// # Errors
/// A fault of the whole file.
pub(in crate::capture) fn foreign_grid(
    file: &CaptureFile,
    mapping: Option<&Mapping>,
) -> Result<Foreign, Box<Fault>> {
    let Some(mut book) = Workbook::open(&file.bytes)? else {
        return foreign_text(&file.bytes, mapping.and_then(|m| m.separator));
    };
    let wanted = file.sheet.as_deref();
    let wanted = wanted.or_else(|| mapping.and_then(|m| m.sheet.as_deref()));
    let mut other_sheets = Vec::new();
    let grid = match wanted {
        Some(wanted) => {
            let name = named(&book, wanted)?;
            book.read(&name, u64::MAX)?
        }
        None => {
            let mut fullest: Option<(usize, Grid)> = None;
            for (name, shown) in book.sheets.clone() {
                if !shown && book.sheets.iter().any(|(_, shown)| *shown) {
                    continue;
                }
                let grid = book.read(&name, u64::MAX)?;
                let full = numbers(&grid);
                if full > 0 {
                    other_sheets.push(name);
                }
                if fullest.as_ref().is_none_or(|(most, _)| full > *most) {
                    fullest = Some((full, grid));
                }
            }
            let Some((_, grid)) = fullest else {
                return Err(Box::new(Fault::whole("no sheet", "a sheet of readings")));
            };
            other_sheets.retain(|name| Some(name) != grid.sheet.as_ref());
            grid
        }
    };
    Ok(Foreign {
        grid,
        windows_1252: false,
        decimal_comma: true,
        separator: None,
        other_sheets,
    })
}

fn numbers(grid: &Grid) -> usize {
    let row = |row| (0..grid.width(row)).filter(move |c| grid.kind(row, *c) == Kind::Number);
    (0..grid.height()).map(|r| row(r).count()).sum()
}

fn foreign_text(bytes: &[u8], separator: Option<u8>) -> Result<Foreign, Box<Fault>> {
    let (text, windows_1252) = decode(bytes)?;
    let dialect = match separator {
        Some(separator) => Dialect::parted_by(&text, separator),
        None => Dialect::parted_by(&text, likely_separator(&text)),
    };
    let mut rows = Rows::without_comments(&text, dialect);
    let mut record = StringRecord::new();
    let mut grid = Grid::default();
    while let Some(line) = rows.next(&mut record) {
        grid.start_row(line);
        for cell in &record {
            grid.push(cell, Kind::Text);
        }
    }
    if let Some(line) = rows.open_quote {
        let fault = Fault::row(line, "a quote that is never closed", "a closing quote");
        return Err(Box::new(
            fault.hint("the rest of the file was taken as one cell"),
        ));
    }
    Ok(Foreign {
        grid,
        windows_1252,
        decimal_comma: dialect.decimal_comma(),
        separator: Some(dialect.separator),
        other_sheets: Vec::new(),
    })
}

/// Of the usual separators the one that parts the most lines alike: a title line may hold any of them.
fn likely_separator(text: &str) -> u8 {
    let alike = |separator: u8| {
        let mut lines: HashMap<usize, usize> = HashMap::new();
        for line in text.lines().take(1000) {
            let mut quoted = false;
            let parts = line.bytes().filter(|byte| {
                quoted ^= *byte == b'"';
                *byte == separator && !quoted
            });
            *lines.entry(parts.count()).or_default() += 1;
        }
        lines.remove(&0);
        // Many lines parted alike; of equally many, into more cells.
        let best = lines.into_iter().map(|(parts, count)| (count, parts)).max();
        best.unwrap_or_default()
    };
    // On a tie the first: the comma also stands in numbers.
    let usual = [b'\t', b';', b'|', b','];
    let best = usual.map(alike).into_iter().max().unwrap_or_default();
    usual
        .into_iter()
        .find(|s| alike(*s) == best)
        .unwrap_or(b',')
}

/// Rows and columns of a grid, or its columns and rows.
pub(super) struct View<'g> {
    grid: &'g Grid,
    turned: bool,
    height: usize,
    width: usize,
    /// Cells that a merged one covers: line and column to those of its first cell.
    covered: Covered,
    /// First cells of merged ones.
    covering: HashSet<(u64, usize)>,
}

impl<'g> View<'g> {
    /// Looks at a grid.
    ///
    /// # Errors
    /// A fault where merged cells cover more than a sheet of readings has.
    pub fn new(grid: &'g Grid, turned: bool) -> Result<Self, Box<Fault>> {
        let width = (0..grid.height()).map(|row| grid.width(row)).max();
        let width = width.unwrap_or(0);
        let (height, width) = match turned {
            false => (grid.height(), width),
            true => (width, grid.height()),
        };
        let covered = covered(grid)?;
        let covering = covered.values().copied().collect();
        Ok(Self {
            grid,
            turned,
            height,
            width,
            covered,
            covering,
        })
    }

    /// Number of rows.
    pub fn height(&self) -> usize {
        self.height
    }

    /// Number of columns.
    pub fn width(&self) -> usize {
        self.width
    }

    /// Line of the file that a row stands on; of a turned sheet the number of its column, from 1.
    pub fn number(&self, row: usize) -> u64 {
        match self.turned {
            false => self.grid.line(row),
            true => row as u64 + 1,
        }
    }

    /// What people call a column: by its letters, or of a turned sheet by its row.
    pub fn column_name(&self, column: usize) -> String {
        match self.turned {
            false => format!("column {}", letters(column)),
            true => format!("row {}", self.grid.line(column)),
        }
    }

    /// Line and column in the file, column from 0.
    pub fn place(&self, row: usize, column: usize) -> (u64, usize) {
        let (r, c) = self.cell(row, column);
        (self.grid.line(r), c)
    }

    /// Text of a cell without blanks around it.
    pub fn text(&self, row: usize, column: usize) -> &'g str {
        let (r, c) = self.cell(row, column);
        self.grid.text(r, c).trim()
    }

    /// Kind of a cell.
    pub fn kind(&self, row: usize, column: usize) -> Kind {
        let (r, c) = self.cell(row, column);
        self.grid.kind(r, c)
    }

    /// Whether a cell holds nothing.
    pub fn is_blank(&self, row: usize, column: usize) -> bool {
        let (r, c) = self.cell(row, column);
        self.grid.is_blank(r, c)
    }

    /// Whether a row holds nothing.
    pub fn is_blank_row(&self, row: usize) -> bool {
        (0..self.width).all(|column| self.is_blank(row, column))
    }

    /// A cell as people see it: one that a merged cell covers says what that says.
    pub fn seen(&self, row: usize, column: usize) -> (&'g str, Kind) {
        let own = (self.text(row, column), self.kind(row, column));
        if !own.0.is_empty() {
            return own;
        }
        let Some(&(line, c)) = self.covered.get(&self.place(row, column)) else {
            return own;
        };
        match self.grid.row_at(line) {
            Some(r) => (self.grid.text(r, c).trim(), self.grid.kind(r, c)),
            None => own,
        }
    }

    /// Whether a cell is a part of a merged one.
    pub fn is_merged(&self, row: usize, column: usize) -> bool {
        let place = self.place(row, column);
        self.covered.contains_key(&place) || self.covering.contains(&place)
    }

    /// The name of a column: what stands in it in the rows of names, from top to bottom.
    pub fn name(&self, header: &[usize], column: usize) -> String {
        let parts: Vec<&str> = header.iter().map(|row| self.seen(*row, column).0).collect();
        one_line(&parts.join(" "))
    }

    fn cell(&self, row: usize, column: usize) -> (usize, usize) {
        match self.turned {
            false => (row, column),
            true => (column, row),
        }
    }
}

type Covered = HashMap<(u64, usize), (u64, usize)>;

fn covered(grid: &Grid) -> Result<Covered, Box<Fault>> {
    let mut covered = HashMap::new();
    let mut cells = 0u64;
    for region in &grid.merged {
        let [top, bottom] = region.lines;
        let [left, right] = region.columns;
        let across = (right.saturating_sub(left) as u64).saturating_add(1);
        let down = bottom.saturating_sub(top).saturating_add(1);
        cells = cells.saturating_add(across.saturating_mul(down));
        if cells > MOST_MERGED {
            return Err(Box::new(too_large("too many merged cells")));
        }
        for line in top..=bottom {
            for column in left..=right {
                if (line, column) != (top, left) {
                    covered.insert((line, column), (top, left));
                }
            }
        }
    }
    Ok(covered)
}
