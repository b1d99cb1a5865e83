//! Where the readings stand in a workbook: the sheet, its header, its rows.

use csv::StringRecord;

use super::dialect::looks_like_readings;
use super::fault::Fault;
use super::grid::{Grid, Kind, Merged};
use super::header::{Layout, header_score};
use super::names::Role;
use super::workbook::Workbook;

/// Rows within which the header is looked for.
const HEADER_ROWS: u64 = 200;
/// Column names a row needs to count as a header: of injector, pulse width, pulses, quantity.
const FEWEST_NAMES: usize = 2;

/// Reads the sheet that holds the readings.
///
/// # Errors
/// No sheet of that name, no sheet with a header, or several.
pub(super) fn readings_sheet(
    book: &mut Workbook<'_>,
    wanted: Option<&str>,
) -> Result<(Grid, usize), Box<Fault>> {
    let name = match wanted {
        Some(wanted) => named(book, wanted)?,
        None => found_by_header(book)?,
    };
    let grid = book.read(&name, u64::MAX)?;
    match header_row(&grid) {
        Some((row, _)) => Ok((grid, row)),
        None => Err(Box::new(
            Fault::whole(
                format!("no header row in the sheet {name:?}"),
                "a row of column names, as injector, pulse_width_ms, pulses, volume_ml",
            )
            .hint(OTHER_LAYOUT),
        )),
    }
}

/// What helps where no header is found.
const OTHER_LAYOUT: &str = "name the columns as the capture format does, or let `meniscus map --from FILE` propose how to read them";

/// The sheet of a name, else the one whose name differs only in letter case.
pub(super) fn named(book: &Workbook<'_>, wanted: &str) -> Result<String, Box<Fault>> {
    let names = || book.sheets.iter().map(|(name, _)| name);
    let folded = wanted.to_lowercase();
    names()
        .find(|name| *name == wanted)
        .or_else(|| names().find(|name| name.to_lowercase() == folded))
        .cloned()
        .ok_or_else(|| {
            let expected = format!("one of the sheets {}", list(names()));
            Box::new(Fault::whole(
                format!("no sheet {wanted:?}, which --sheet names"),
                expected,
            ))
        })
}

fn list<'n>(names: impl Iterator<Item = &'n String>) -> String {
    let quoted: Vec<String> = names.map(|name| format!("{name:?}")).collect();
    quoted.join(", ")
}

/// The only sheet with the best header; hidden sheets count where no shown one has any.
fn found_by_header(book: &mut Workbook<'_>) -> Result<String, Box<Fault>> {
    for shown in [true, false] {
        let mut found: Vec<(usize, String)> = Vec::new();
        for (name, visible) in book.sheets.clone() {
            if visible != shown {
                continue;
            }
            if let Some((_, score)) = header_row(&book.read(&name, HEADER_ROWS)?) {
                found.push((score, name));
            }
        }
        let best = found.iter().map(|(score, _)| *score).max();
        found.retain(|(score, _)| Some(*score) == best);
        match found.len() {
            0 => {}
            1 => return Ok(found.remove(0).1),
            _ => {
                let names = list(found.iter().map(|(_, name)| name));
                return Err(Box::new(
                    Fault::whole(
                        format!("{} sheets with readings: {names}", found.len()),
                        "one sheet",
                    )
                    .hint("choose one with --sheet NAME"),
                ));
            }
        }
    }
    let names = list(book.sheets.iter().map(|(name, _)| name));
    Err(Box::new(
        Fault::whole(
            format!("no sheet with a header row among {names}"),
            "a row of column names, as injector, pulse_width_ms, pulses, volume_ml",
        )
        .hint(OTHER_LAYOUT),
    ))
}

/// The row that names the most columns, and how many.
fn header_row(grid: &Grid) -> Option<(usize, usize)> {
    let rows = (0..grid.height()).take_while(|row| grid.line(*row) <= HEADER_ROWS);
    rows.map(|row| (row, header_score(grid.texts(row))))
        .filter(|(_, score)| *score >= FEWEST_NAMES)
        // Of equal rows the first: a header may be repeated further down.
        .max_by(|a, b| a.1.cmp(&b.1).then(b.0.cmp(&a.0)))
}

/// The rows below the header of a sheet.
pub(super) struct SheetRows<'g> {
    grid: &'g Grid,
    header: usize,
    next: usize,
    cells: usize,
    /// What each cell of the last row was.
    pub kinds: Vec<Kind>,
    /// Comment rows that look like readings.
    pub comment_readings: u64,
    /// Row of the first of them.
    pub first_comment_reading: u64,
}

impl<'g> SheetRows<'g> {
    /// Starts below the header, which names `cells` columns.
    pub fn below(grid: &'g Grid, header: usize, cells: usize) -> Self {
        Self {
            grid,
            header,
            next: header + 1,
            cells,
            kinds: Vec::new(),
            comment_readings: 0,
            first_comment_reading: 0,
        }
    }

    /// A long table repeats its header on each page.
    fn repeats_header(&self, row: usize) -> bool {
        let width = self.grid.width(row).max(self.grid.width(self.header));
        (0..width).all(|column| {
            self.grid.text(row, column).trim() == self.grid.text(self.header, column).trim()
        })
    }

    /// Reads the next row that is neither blank, a comment nor the header again; returns its number.
    pub fn next(&mut self, record: &mut StringRecord) -> Option<u64> {
        while self.next < self.grid.height() {
            let row = self.next;
            self.next += 1;
            let width = self.grid.width(row);
            let first = (0..width).find(|column| !self.grid.is_blank(row, *column));
            let Some(first) = first else { continue };
            let line = self.grid.line(row);
            let comment = self.grid.kind(row, first) == Kind::Text
                && self.grid.text(row, first).trim_start().starts_with('#');
            if comment {
                let cells = (0..width).map(|column| self.grid.text(row, column));
                if self.cells >= 3 && looks_like_readings(cells, self.cells) {
                    if self.comment_readings == 0 {
                        self.first_comment_reading = line;
                    }
                    self.comment_readings += 1;
                }
                continue;
            }
            if self.repeats_header(row) {
                continue;
            }
            record.clear();
            self.kinds.clear();
            for column in 0..width.max(self.cells) {
                record.push_field(self.grid.text(row, column));
                self.kinds.push(self.grid.kind(row, column));
            }
            return Some(line);
        }
        None
    }
}

/// Cells that are one on the sheet, as its readings see them.
#[derive(Debug, Default)]
pub(super) struct Merges {
    /// Those that may still matter, by their first row.
    regions: Vec<Merged>,
}

impl Merges {
    /// Those below the header.
    pub fn below(grid: &Grid, header: usize) -> Self {
        let mut regions = grid.merged.clone();
        regions.retain(|region| region.lines[1] > grid.line(header));
        regions.sort_by_key(|region| (region.lines, region.columns));
        Self { regions }
    }

    /// Completes a row: what is said once for several rows counts for each of them. A
    /// quantity is never counted twice: a merged one is a fault of its first row.
    pub fn complete(
        &mut self,
        grid: &Grid,
        layout: &Layout,
        line: u64,
        record: &mut StringRecord,
        kinds: &mut [Kind],
    ) -> Vec<Fault> {
        // Rows come in ascending order: what ended above is done with.
        if self.regions.iter().any(|region| region.lines[1] < line) {
            self.regions.retain(|region| region.lines[1] >= line);
        }
        let mut faults = Vec::new();
        let mut filled: Option<Vec<String>> = None;
        for region in self.regions.iter().take_while(|r| r.lines[0] <= line) {
            let column = region.columns[0];
            let Some((name, role)) = layout.column_at(column) else {
                continue;
            };
            let across = (column + 1..=region.columns[1].min(layout.cells))
                .any(|other| layout.column_at(other).is_some());
            let amount = matches!(
                role,
                Role::Volume | Role::Mass | Role::VolumeStart | Role::MassStart
            );
            if amount || across {
                if line == region.lines[0] {
                    let found = record.get(column).unwrap_or("").trim();
                    let fault = Fault::cell(line, name, found, "one cell, not merged with others");
                    faults.push(fault.hint("part the merged cells and fill in each"));
                }
            } else if line > region.lines[0]
                && let Some(row) = grid.row_at(region.lines[0])
            {
                let cells =
                    filled.get_or_insert_with(|| record.iter().map(str::to_owned).collect());
                if let (Some(cell), Some(kind)) = (cells.get_mut(column), kinds.get_mut(column)) {
                    grid.text(row, column).clone_into(cell);
                    *kind = grid.kind(row, column);
                }
            }
        }
        if let Some(cells) = filled {
            *record = StringRecord::from(cells);
        }
        faults
    }
}
