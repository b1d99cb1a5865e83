//! The sheet as CSV.

use super::grid::{Cell, Grid, lay_out};
use super::{Layout, Run, SheetError};
use crate::capture::guarded;

/// How numbers and cells are parted.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Dialect {
    /// Comma between cells, decimal point.
    #[default]
    Comma,
    /// Semicolon between cells, decimal comma, as spreadsheets of many countries write it.
    Semicolon,
}

/// Writes the sheet as CSV in UTF-8 with lines that end in LF.
///
/// The comment lines on top hold neither commas, semicolons nor quotes, so that a
/// spreadsheet gives them back as it found them.
///
/// # Errors
/// [`SheetError`] where the run is empty, a row cannot be run or is planned twice.
pub fn csv(run: &Run, layout: Layout, dialect: Dialect) -> Result<String, SheetError> {
    let grid = lay_out(run, layout)?;
    let mut text = String::new();
    let title = std::iter::once(&run.title).filter(|t| !t.trim().is_empty());
    for line in title.chain(&run.remarks) {
        text.push_str(&comment(line));
    }
    let fill = grid
        .columns
        .iter()
        .filter(|c| matches!(c.holds, super::grid::Holds::Fill(_)))
        .count();
    text.push_str(&comment(&format!(
        "Fill in the last {fill} columns (note and exclude only where needed). Lines like this one are not read."
    )));
    text.push_str(&rows(&grid, dialect)?);
    Ok(text)
}

/// One comment line without anything that a spreadsheet would quote or part.
fn comment(line: &str) -> String {
    let plain: String = line
        .chars()
        .filter(|c| *c != '"')
        .map(|c| match c {
            ',' | ';' => ' ',
            c if c.is_control() => ' ',
            c => c,
        })
        .collect();
    let words: Vec<&str> = plain.split_whitespace().collect();
    format!("# {}\n", words.join(" "))
}

fn rows(grid: &Grid, dialect: Dialect) -> Result<String, SheetError> {
    let failed = |e: &dyn std::fmt::Display| SheetError::Writer(e.to_string());
    let delimiter = match dialect {
        Dialect::Comma => b',',
        Dialect::Semicolon => b';',
    };
    let mut writer = csv::WriterBuilder::new()
        .delimiter(delimiter)
        .from_writer(Vec::new());
    let header: Vec<&str> = grid.columns.iter().map(|c| c.name.as_str()).collect();
    writer.write_record(&header).map_err(|e| failed(&e))?;
    for row in &grid.rows {
        let cells: Vec<String> = row.iter().map(|cell| shown(cell, dialect)).collect();
        writer.write_record(&cells).map_err(|e| failed(&e))?;
    }
    let bytes = writer.into_inner().map_err(|e| failed(&e))?;
    String::from_utf8(bytes).map_err(|e| failed(&e))
}

fn shown(cell: &Cell, dialect: Dialect) -> String {
    match cell {
        Cell::Number(x) if dialect == Dialect::Semicolon => x.to_string().replace('.', ","),
        Cell::Number(x) => x.to_string(),
        Cell::Text(text) => guarded(text).into_owned(),
        Cell::Box | Cell::Blank => String::new(),
    }
}
