//! A stock of injectors as a plain table: `injector`, one column per operating
//! point, `u_…` for the standard uncertainty of the column it names.

use std::collections::BTreeMap;

use csv::StringRecord;

use super::CaptureFile;
use super::dialect::{Dialect, Rows, decode};
use super::fault::{Fault, Places};
use super::guard::unguarded;
use super::names::{folded, known_stem, near_miss};
use super::number::{Marks, number};
use super::sheet::readings_sheet;
use super::workbook::Workbook;
use crate::units::{magnitude_words, within_magnitudes};

/// One row of the table.
#[derive(Debug, Clone, PartialEq)]
pub struct StockRow {
    /// Injector id.
    pub injector: String,
    /// Amounts by operating point; `None` where the cell is empty.
    pub amounts: Vec<Option<f64>>,
    /// Standard uncertainties by operating point; `None` where none is stated.
    pub uncertainties: Vec<Option<f64>>,
    /// Dead time, ms, from a column `dead_time_ms` or `dead_time_us`.
    pub dead_time_ms: Option<f64>,
}

/// The table. Its unit is its writer's own.
#[derive(Debug, Clone, PartialEq)]
pub struct StockFile {
    /// Names of the operating points, as the columns are called.
    pub points: Vec<String>,
    /// Rows in order.
    pub rows: Vec<StockRow>,
}

/// What a column holds.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Column {
    Injector,
    Amount(usize),
    Uncertainty(usize),
    /// Factor to ms.
    DeadTime(f64),
    Ignored,
}

/// Whether a table has the columns of a capture rather than those of a stock.
pub fn looks_like_capture(file: &CaptureFile) -> bool {
    if file.is_workbook() {
        return !matches!(sheet_as_text(file), Ok(Some(_)));
    }
    let Ok((text, _)) = decode(&file.bytes) else {
        return false;
    };
    let mut record = StringRecord::new();
    Rows::new(&text, Dialect::of(&text))
        .next(&mut record)
        .is_some_and(|_| {
            record.iter().any(|cell| {
                let name = folded(cell);
                name == "pulses" || name.starts_with("pulse_width")
            })
        })
}

/// The stock table of a workbook as tab-separated text with a line per row of its sheet,
/// and where its columns stand; `None` where the bytes are text or hold a capture.
fn sheet_as_text(file: &CaptureFile) -> Result<Option<(String, Places)>, Box<Fault>> {
    let Some(mut book) = Workbook::open(&file.bytes)? else {
        return Ok(None);
    };
    if readings_sheet(&mut book, file.sheet.as_deref()).is_ok() {
        return Ok(None);
    }
    for (name, _) in book.sheets.clone() {
        let grid = book.read(&name, u64::MAX)?;
        let header = (0..grid.height().min(50)).find(|row| {
            let mut cells = grid.texts(*row);
            cells.any(|cell| folded(cell.trim()) == "injector")
        });
        let Some(header) = header else { continue };
        let columns = grid
            .texts(header)
            .map(folded)
            .zip((0..).map(Some))
            .collect();
        let places = Places {
            sheet: grid.sheet.clone(),
            columns,
            row: Vec::new(),
        };
        let mut text = String::new();
        let mut line = 1;
        for row in header..grid.height() {
            while line < grid.line(row) {
                text.push('\n');
                line += 1;
            }
            // No cell may end the line or part it.
            let cells: Vec<String> = grid
                .texts(row)
                .map(|cell| cell.replace(|c: char| c.is_control() || c == '"', " "))
                .collect();
            text.push_str(&cells.join("\t"));
        }
        return Ok(Some((text, places)));
    }
    Ok(None)
}

/// Reads a stock, from a text or a workbook.
///
/// # Errors
/// Every fault of the file: no `injector` or no other column, a `u_…` column that
/// names none, a name or id that stands twice, text where a number is expected, an
/// amount not above zero, an uncertainty below zero.
pub fn read_stock_file(file: &CaptureFile) -> Result<StockFile, Vec<Fault>> {
    let named = |faults: Vec<Fault>| {
        faults
            .into_iter()
            .map(|f| f.of(&file.name))
            .collect::<Vec<_>>()
    };
    let sheet = sheet_as_text(file).map_err(|fault| named(vec![*fault]))?;
    let bytes = sheet
        .as_ref()
        .map_or(file.bytes.as_slice(), |(text, _)| text.as_bytes());
    let places = sheet
        .as_ref()
        .map(|(_, places)| places.clone())
        .unwrap_or_default();
    let named = |faults: Vec<Fault>| named(faults.into_iter().map(|f| places.locate(f)).collect());
    let (text, _) = decode(bytes).map_err(|fault| named(vec![*fault]))?;
    let dialect = Dialect::of(&text);
    let mut rows = Rows::new(&text, dialect);
    let mut record = StringRecord::new();
    let Some(line) = rows.next(&mut record) else {
        return Err(named(vec![Fault::whole(
            "an empty file",
            "a header and a row per injector",
        )]));
    };
    let header: Vec<String> = record.iter().map(folded).collect();
    let (columns, points, mut faults) = read_header(&header, line);
    if !faults.is_empty() {
        return Err(named(faults));
    }
    let mut table = StockFile {
        points,
        rows: Vec::new(),
    };
    let mut first_line: BTreeMap<String, u64> = BTreeMap::new();
    let mut reader = RowReader {
        header: &header,
        columns: &columns,
        decimal_comma: dialect.decimal_comma(),
        marks: Marks::default(),
    };
    while let Some(line) = rows.next(&mut record) {
        let row = reader.read(&record, line, table.points.len(), &mut faults);
        if let Some(first) = first_line
            .get(&row.injector)
            .filter(|_| !row.injector.is_empty())
        {
            let expected = format!("each injector once; it stands first in line {first}");
            faults.push(Fault::cell(line, "injector", &row.injector, expected));
        }
        first_line.entry(row.injector.clone()).or_insert(line);
        table.rows.push(row);
    }
    if table.rows.is_empty() {
        faults.push(Fault::whole("a header without rows", "a row per injector"));
    }
    if faults.is_empty() {
        Ok(table)
    } else {
        Err(named(faults))
    }
}

/// Says what each column holds.
fn read_header(header: &[String], line: u64) -> (Vec<Column>, Vec<String>, Vec<Fault>) {
    let mut faults = Vec::new();
    let points: Vec<String> = header
        .iter()
        .filter(|name| is_point(name))
        .cloned()
        .collect();
    if !header.iter().any(|name| name == "injector") {
        let fault = Fault::row(
            line,
            format!("columns {}", header.join(", ")),
            "a column injector",
        );
        let near = near_miss("injector", header.iter().cloned());
        faults.push(match near {
            Some(near) => fault.hint(format!("is {near} meant?")),
            None => fault.hint("name the column that holds the ids injector"),
        });
    }
    if points.is_empty() {
        faults.push(
            Fault::row(
                line,
                "no column of amounts",
                "one column per operating point beside injector",
            )
            .hint("as injector,idle_mm3,cruise_mm3"),
        );
    }
    let columns = header
        .iter()
        .enumerate()
        .map(|(at, name)| {
            if name.is_empty() || header[..at].contains(name) {
                faults.push(Fault::cell(
                    line,
                    name,
                    name,
                    "a name of its own for each column",
                ));
            }
            match name.as_str() {
                "injector" => Column::Injector,
                "dead_time_ms" => Column::DeadTime(1.0),
                "dead_time_us" => Column::DeadTime(1e-3),
                "note" | "stage" | "cylinder" => Column::Ignored,
                _ if name.starts_with("x_") => Column::Ignored,
                _ => match name.strip_prefix("u_") {
                    Some("dead_time_ms" | "dead_time_us") => Column::Ignored,
                    Some(of) => points.iter().position(|p| p == of).map_or_else(
                        || {
                            let fault = Fault::cell(
                                line,
                                name,
                                name,
                                format!("a column {of} that it belongs to"),
                            );
                            faults.push(match near_miss(of, points.iter().cloned()) {
                                Some(near) => fault.hint(format!("is u_{near} meant?")),
                                None => fault,
                            });
                            Column::Ignored
                        },
                        Column::Uncertainty,
                    ),
                    None => points
                        .iter()
                        .position(|p| p == name)
                        .map_or(Column::Ignored, Column::Amount),
                },
            }
        })
        .collect();
    (columns, points, faults)
}

/// Every other column is an operating point.
fn is_point(name: &str) -> bool {
    let known = matches!(
        name,
        "" | "injector" | "dead_time_ms" | "dead_time_us" | "note" | "stage" | "cylinder"
    );
    !known && !name.starts_with("u_") && !name.starts_with("x_")
}

struct RowReader<'a> {
    header: &'a [String],
    columns: &'a [Column],
    decimal_comma: bool,
    marks: Marks,
}

impl RowReader<'_> {
    fn read(
        &mut self,
        record: &StringRecord,
        line: u64,
        points: usize,
        faults: &mut Vec<Fault>,
    ) -> StockRow {
        let mut row = StockRow {
            injector: String::new(),
            amounts: vec![None; points],
            uncertainties: vec![None; points],
            dead_time_ms: None,
        };
        if record.len() > self.columns.len() {
            let found = format!("{} cells", record.len());
            faults.push(Fault::row(
                line,
                found,
                format!("{} cells, as in the header", self.columns.len()),
            ));
        }
        for (at, column) in self.columns.iter().enumerate() {
            let cell = record.get(at).unwrap_or("").trim();
            match *column {
                Column::Injector => {
                    unguarded(cell).clone_into(&mut row.injector);
                    if cell.is_empty() {
                        faults.push(Fault::cell(
                            line,
                            "injector",
                            cell,
                            "an id or serial number",
                        ));
                    }
                }
                Column::Amount(p) => {
                    row.amounts[p] = self.cell(cell, at, line, faults, Bound::AboveZero)
                }
                Column::Uncertainty(p) => {
                    row.uncertainties[p] = self.cell(cell, at, line, faults, Bound::ZeroOrMore)
                }
                Column::DeadTime(factor) => {
                    row.dead_time_ms = self
                        .cell(cell, at, line, faults, Bound::Any)
                        .map(|v| v * factor);
                }
                Column::Ignored => {}
            }
        }
        row
    }

    /// An empty cell is unknown, not zero.
    fn cell(
        &mut self,
        cell: &str,
        at: usize,
        line: u64,
        faults: &mut Vec<Fault>,
        bound: Bound,
    ) -> Option<f64> {
        if cell.is_empty() {
            return None;
        }
        let name = &self.header[at];
        let expected = match bound {
            Bound::AboveZero => "a number above zero",
            Bound::ZeroOrMore => "a number, zero or above",
            Bound::Any => "a number",
        };
        match number(cell, self.decimal_comma, &mut self.marks, line) {
            Ok(value) if !within_magnitudes(value) => {
                faults.push(Fault::cell(line, name, cell, magnitude_words()));
                None
            }
            Ok(value) if bound.allows(value) => Some(value),
            Ok(_) => {
                faults.push(Fault::cell(line, name, cell, expected));
                None
            }
            Err(why) => {
                let fault = Fault::cell(line, name, cell, expected);
                let text = known_stem(name).is_none().then_some(()).and(why.hint());
                faults.push(match text {
                    Some(hint) => fault.hint(hint),
                    None => fault.hint("a column that is no operating point starts with x_"),
                });
                None
            }
        }
    }
}

#[derive(Debug, Clone, Copy)]
enum Bound {
    AboveZero,
    ZeroOrMore,
    Any,
}

impl Bound {
    fn allows(self, value: f64) -> bool {
        match self {
            Self::AboveZero => value > 0.0,
            Self::ZeroOrMore => value >= 0.0,
            Self::Any => true,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn read(text: &str) -> Result<StockFile, Vec<Fault>> {
        read_stock_file(&CaptureFile::new(
            "stock.csv".to_owned(),
            text.as_bytes().to_vec(),
        ))
    }

    #[test]
    fn amounts_doubts_and_dead_times_find_their_columns() {
        let stock = read(
            "Injector;idle;cruise;u_cruise;dead_time_us;x_shelf\nA;4,1;20;0,1;810;top\nB;;21;;;\n",
        )
        .unwrap();
        assert_eq!(stock.points, ["idle", "cruise"]);
        assert_eq!(stock.rows[0].amounts, [Some(4.1), Some(20.0)]);
        assert_eq!(stock.rows[0].uncertainties, [None, Some(0.1)]);
        assert!((stock.rows[0].dead_time_ms.unwrap() - 0.81).abs() < 1e-12);
        assert_eq!(stock.rows[1].amounts, [None, Some(21.0)]);
    }

    #[test]
    fn every_fault_is_told_with_its_place() {
        let faults = read("injector,idle,u_idel\nA,4,1\n").unwrap_err();
        assert!(faults[0].to_string().contains("u_idle"), "{}", faults[0]);
        let faults = read("injector,idle\nA,x\nA,-1\n,4 mm3\n").unwrap_err();
        let told: Vec<String> = faults.iter().map(ToString::to_string).collect();
        assert_eq!(told.len(), 5, "{told:?}");
        assert!(told[0].starts_with("stock.csv:2: column idle"), "{told:?}");
        assert!(
            read("serial,idle\nA,1\n").unwrap_err()[0]
                .to_string()
                .contains("a column injector")
        );
        assert!(read("").is_err() && read("injector,idle\n").is_err());
    }
}
