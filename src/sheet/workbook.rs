//! The sheet as a workbook: instructions first, then the readings.

use rust_xlsxwriter::{
    DataValidation, DataValidationRule, DocProperties, ExcelDateTime, Format, FormatAlign,
    FormatBorder, Workbook, Worksheet, XlsxError,
};

use super::grid::{Cell, Column, Fill, Grid, Holds, lay_out};
use super::words::{CAUTIONS, hint, instructions};
use super::{Layout, Run, SheetError};
use crate::capture::guarded;

/// Name of the sheet that holds the readings.
const READINGS: &str = "Readings";
/// The most that any vessel holds, in whatever unit; a number beyond it is a slip.
const MOST_READ: f64 = 1e9;

/// Writes the sheet as a workbook (XLSX): a first sheet with instructions and
/// cautions, a second with the readings, its header frozen, numbers checked as
/// they are typed. The same bytes for the same run.
///
/// # Errors
/// [`SheetError`] where the run is empty, a row cannot be run or is planned twice,
/// or a text is longer than a cell.
pub fn workbook(run: &Run, layout: Layout) -> Result<Vec<u8>, SheetError> {
    let grid = lay_out(run, layout)?;
    build(run, &grid).map_err(|e| SheetError::Writer(e.to_string()))
}

fn build(run: &Run, grid: &Grid) -> Result<Vec<u8>, XlsxError> {
    let mut book = Workbook::new();
    // A date of its own would make other bytes each time.
    let day = ExcelDateTime::from_ymd(2000, 1, 1)?;
    book.set_properties(
        &DocProperties::new()
            .set_title(&run.title)
            .set_creation_datetime(&day),
    );
    guide(book.add_worksheet(), run)?;
    readings(book.add_worksheet(), run, grid)?;
    book.save_to_buffer()
}

fn guide(sheet: &mut Worksheet, run: &Run) -> Result<(), XlsxError> {
    let head = Format::new().set_bold();
    let body = Format::new().set_text_wrap().set_align(FormatAlign::Top);
    sheet.set_name("Read me first")?;
    sheet.set_column_width(0, 95)?;
    let mut row = 0;
    let mut line = |text: &str, format: &Format| -> Result<(), XlsxError> {
        sheet.write_string_with_format(row, 0, text, format)?;
        row += 1;
        Ok(())
    };
    line(&run.title, &head)?;
    for remark in &run.remarks {
        line(remark, &body)?;
    }
    line("", &body)?;
    line("How to fill in the sheet Readings", &head)?;
    for text in instructions(run) {
        line(&text, &body)?;
    }
    line(
        "Leave the header row as it is: it says what each column holds, and its unit.",
        &body,
    )?;
    line(
        "Save, and give the file to `meniscus match` or `meniscus fit`.",
        &body,
    )?;
    line("", &body)?;
    line("Cautions", &head)?;
    for text in CAUTIONS {
        line(text, &body)?;
    }
    Ok(())
}

fn readings(sheet: &mut Worksheet, run: &Run, grid: &Grid) -> Result<(), XlsxError> {
    let head = Format::new()
        .set_bold()
        .set_text_wrap()
        .set_align(FormatAlign::Top)
        .set_border_bottom(FormatBorder::Medium);
    let plain = Format::new().set_align(FormatAlign::Top);
    // To be filled in: a border and a light ground, so that it shows on paper too.
    let open = Format::new()
        .set_border(FormatBorder::Thin)
        .set_background_color("#FFF8DC");
    sheet.set_name(READINGS)?;
    for (at, column) in grid.columns.iter().enumerate() {
        let at = at as u16;
        sheet.write_string_with_format(0, at, &column.name, &head)?;
        sheet.set_column_width(at, width(column))?;
        if let Some(check) = check(column)? {
            sheet.add_data_validation(1, at, grid.rows.len() as u32, at, &check)?;
        }
    }
    for (down, cells) in grid.rows.iter().enumerate() {
        let down = down as u32 + 1;
        for (at, cell) in cells.iter().enumerate() {
            let at = at as u16;
            match cell {
                Cell::Number(x) => sheet.write_number_with_format(down, at, *x, &plain)?,
                Cell::Text(text) => {
                    sheet.write_string_with_format(down, at, guarded(text), &plain)?
                }
                Cell::Box => sheet.write_blank(down, at, &open)?,
                Cell::Blank => sheet,
            };
        }
    }
    sheet.set_freeze_panes(1, 0)?;
    sheet.set_landscape();
    sheet.set_repeat_rows(0, 0)?;
    sheet.set_print_fit_to_pages(1, 0);
    sheet.set_header(format!("&L{}&RPage &P of &N", run.title.replace('&', "&&")));
    Ok(())
}

fn width(column: &Column) -> f64 {
    let least = match column.holds {
        Holds::Fill(Fill::Note | Fill::Exclude) => 26.0,
        Holds::Fill(_) => 13.0,
        Holds::Planned => 9.0,
    };
    (column.name.chars().count() as f64 + 2.0).clamp(least, 30.0)
}

/// What a cell of the column accepts.
fn check(column: &Column) -> Result<Option<DataValidation>, XlsxError> {
    let Holds::Fill(fill) = column.holds else {
        return Ok(None);
    };
    let number = |rule| DataValidation::new().allow_decimal_number(rule);
    let rule = match fill {
        Fill::Reading(_) | Fill::Pressure => number(DataValidationRule::Between(0.0, MOST_READ)),
        Fill::Start(_) => number(DataValidationRule::Between(-MOST_READ, MOST_READ)),
        Fill::Temperature => number(DataValidationRule::Between(-40.0, 150.0)),
        Fill::Voltage => number(DataValidationRule::Between(1.0, 60.0)),
        Fill::Note | Fill::Exclude => {
            DataValidation::new().allow_text_length(DataValidationRule::LessThanOrEqualTo(500))
        }
    };
    let words = hint(column).unwrap_or_default();
    Ok(Some(
        rule.set_input_message(words.clone())?
            .set_error_title("not what this column holds")?
            .set_error_message(words)?,
    ))
}
