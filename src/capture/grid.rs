//! Cells with their places: what a sheet and a text have in common before anyone knows columns.

use std::fmt::Write as _;

/// What a cell was before it became text.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Kind {
    /// Text: of a CSV file, or a text cell of a sheet.
    Text,
    /// A number cell of a sheet: its decimal mark is beyond doubt.
    Number,
    /// A date, a time of day or a duration.
    Date,
    /// A formula that failed, as `#DIV/0!`.
    Error,
    /// A formula whose value was never stored.
    Uncomputed,
    /// A cell that was complained about when a mapping turned it.
    Refused,
}

/// One row of a grid.
#[derive(Debug, Clone, Copy)]
struct Row {
    /// Line of the text or row of the sheet, from 1.
    line: u64,
    /// Index of its first cell.
    start: usize,
}

/// Rows of cells, blank rows left out.
///
/// All texts lie in one string: a sheet of a million rows would otherwise be as many
/// small pieces of memory.
#[derive(Debug, Clone, Default)]
pub(super) struct Grid {
    /// Name of the sheet; `None` for a text.
    pub sheet: Option<String>,
    text: String,
    /// End of each cell in the text, and its kind.
    cells: Vec<(usize, Kind)>,
    rows: Vec<Row>,
    /// Merged cells: first row and column, last row and column; rows from 1, columns from 0.
    pub merged: Vec<Merged>,
}

/// Cells that are one on the sheet.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Merged {
    /// First and last row, from 1.
    pub lines: [u64; 2],
    /// First and last column, from 0.
    pub columns: [usize; 2],
}

impl Grid {
    /// An empty grid of a sheet.
    pub fn of_sheet(name: &str) -> Self {
        Self {
            sheet: Some(name.to_owned()),
            ..Self::default()
        }
    }

    /// Begins a row.
    pub fn start_row(&mut self, line: u64) {
        self.rows.push(Row {
            line,
            start: self.cells.len(),
        });
    }

    /// Adds a cell to the last row.
    pub fn push(&mut self, text: &str, kind: Kind) {
        self.text.push_str(text);
        self.cells.push((self.text.len(), kind));
    }

    /// Adds a number cell to the last row: the shortest text that reads back to the same bits.
    pub fn push_number(&mut self, value: f64) {
        write!(self.text, "{value}").expect("writing to a string cannot fail");
        self.cells.push((self.text.len(), Kind::Number));
    }

    /// Cells stored so far.
    pub fn stored(&self) -> usize {
        self.cells.len()
    }

    /// Number of rows.
    pub fn height(&self) -> usize {
        self.rows.len()
    }

    /// Line or sheet row of a row.
    pub fn line(&self, row: usize) -> u64 {
        self.rows[row].line
    }

    /// The row of a line, if it holds anything.
    pub fn row_at(&self, line: u64) -> Option<usize> {
        self.rows.binary_search_by_key(&line, |row| row.line).ok()
    }

    /// Cells of a row.
    pub fn width(&self, row: usize) -> usize {
        self.end(row) - self.rows[row].start
    }

    /// Text of a cell; empty beyond the row's last.
    pub fn text(&self, row: usize, column: usize) -> &str {
        match self.index(row, column) {
            Some(index) => {
                let start = index
                    .checked_sub(1)
                    .map_or(0, |before| self.cells[before].0);
                &self.text[start..self.cells[index].0]
            }
            None => "",
        }
    }

    /// Kind of a cell.
    pub fn kind(&self, row: usize, column: usize) -> Kind {
        self.index(row, column)
            .map_or(Kind::Text, |index| self.cells[index].1)
    }

    /// Whether a cell holds nothing but blanks.
    pub fn is_blank(&self, row: usize, column: usize) -> bool {
        self.text(row, column).trim().is_empty() && self.kind(row, column) != Kind::Uncomputed
    }

    /// The texts of a row.
    pub fn texts(&self, row: usize) -> impl Iterator<Item = &str> {
        (0..self.width(row)).map(move |column| self.text(row, column))
    }

    fn end(&self, row: usize) -> usize {
        self.rows
            .get(row + 1)
            .map_or(self.cells.len(), |next| next.start)
    }

    fn index(&self, row: usize, column: usize) -> Option<usize> {
        let index = self.rows.get(row)?.start + column;
        (index < self.end(row)).then_some(index)
    }
}

/// Letters of a column as spreadsheets write them: 0 is `A`, 26 is `AA`.
pub(super) fn letters(column: usize) -> String {
    let mut letters = Vec::new();
    let mut rest = column + 1;
    while rest > 0 {
        letters.push(b'A' + ((rest - 1) % 26) as u8);
        rest = (rest - 1) / 26;
    }
    letters.reverse();
    String::from_utf8(letters).expect("A to Z are UTF-8")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn columns_have_the_letters_of_spreadsheets() {
        for (column, text) in [(0, "A"), (25, "Z"), (26, "AA"), (701, "ZZ"), (702, "AAA")] {
            assert_eq!(letters(column), text);
        }
    }

    #[test]
    fn a_number_reads_back_to_the_same_bits() {
        let mut grid = Grid::of_sheet("S");
        grid.start_row(1);
        for value in [0.1 + 0.2, 82.5, 1e-7, 1e21, 8.3, -0.0] {
            grid.push_number(value);
            let text = grid.text(0, grid.width(0) - 1);
            assert_eq!(text.parse::<f64>().unwrap().to_bits(), value.to_bits());
        }
    }
}
