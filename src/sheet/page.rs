//! The sheet as an HTML page for printing, with boxes for a pen.

use askama::Template;

use super::grid::{Cell, Column, Fill, Grid, Holds, lay_out};
use super::words::{CAUTIONS, instructions};
use super::{Layout, Run, SheetError};
use crate::finding::visible;

/// Room for boxes across a landscape page beside the planned columns, mm: 297 − 2·10
/// of A4 less about eight planned columns; Letter is 18 mm shorter and still fits.
const ROOM_MM: f64 = 165.0;
/// Width of a box for one reading, mm: five digits by hand.
const BOX_MM: f64 = 22.0;
/// Width of a box for words, mm.
const WORDS_MM: f64 = 34.0;

/// Writes the sheet as one self-contained HTML page for A4 or Letter paper: no
/// script, no outside address. Boxes are 22 mm wide and 10 mm high. A wide sheet
/// of many injectors is parted into several tables.
///
/// # Errors
/// [`SheetError`] where the run is empty, a row cannot be run or is planned twice.
pub fn page(run: &Run, layout: Layout) -> Result<String, SheetError> {
    let grid = lay_out(run, layout)?;
    let parts = parts(&grid);
    let landscape = parts
        .iter()
        .any(|p| p.heads.len() > 10 || p.heads.iter().filter(|h| h.kind == "box").count() > 4);
    let page = Page {
        title: visible(&run.title),
        remarks: run.remarks.iter().map(|r| visible(r)).collect(),
        instructions: instructions(run),
        cautions: CAUTIONS.to_vec(),
        orientation: if landscape { "landscape" } else { "portrait" },
        parts,
    };
    page.render().map_err(|e| SheetError::Writer(e.to_string()))
}

/// The page; the template is checked against it when compiled and escapes all text.
#[derive(Template)]
#[template(path = "sheet.html")]
struct Page {
    title: String,
    remarks: Vec<String>,
    instructions: Vec<String>,
    cautions: Vec<&'static str>,
    orientation: &'static str,
    parts: Vec<Part>,
}

/// A table that fits across the paper.
struct Part {
    caption: String,
    heads: Vec<Head>,
    rows: Vec<Vec<PaperCell>>,
}

struct Head {
    words: String,
    injector: String,
    kind: &'static str,
    style: String,
}

struct PaperCell {
    text: String,
    kind: &'static str,
}

/// Which columns stand in which table: the planned ones and those of the whole row
/// in each, the injectors' own shared out.
fn parts(grid: &Grid) -> Vec<Part> {
    let mut injectors: Vec<&str> = Vec::new();
    for id in grid.columns.iter().filter_map(|c| c.injector.as_deref()) {
        if !injectors.contains(&id) {
            injectors.push(id);
        }
    }
    if injectors.is_empty() {
        return vec![part(grid, String::new(), |_| true)];
    }
    let own = |c: &&Column| c.injector.as_deref() == injectors.first().copied();
    let each: f64 = grid.columns.iter().filter(own).map(box_mm).sum();
    let at_once = ((ROOM_MM / each).floor() as usize).max(1);
    let count = injectors.len();
    injectors
        .chunks(at_once)
        .enumerate()
        .map(|(i, here)| {
            let caption = if count > at_once {
                let first = i * at_once + 1;
                let last = first + here.len() - 1;
                format!("Injectors {first} to {last} of {count}")
            } else {
                String::new()
            };
            part(grid, caption, |c: &Column| {
                c.injector.as_deref().is_none_or(|id| here.contains(&id))
            })
        })
        .collect()
}

fn box_mm(column: &Column) -> f64 {
    match column.holds {
        Holds::Planned => 12.0,
        Holds::Fill(Fill::Note | Fill::Exclude) => WORDS_MM,
        Holds::Fill(_) => BOX_MM,
    }
}

fn part(grid: &Grid, caption: String, stands: impl Fn(&Column) -> bool) -> Part {
    let places: Vec<usize> = (0..grid.columns.len())
        .filter(|i| stands(&grid.columns[*i]))
        .collect();
    let head = |i: &usize| {
        let column = &grid.columns[*i];
        let filled = matches!(column.holds, Holds::Fill(_));
        Head {
            words: column.words.clone(),
            injector: column.injector.as_deref().map(visible).unwrap_or_default(),
            kind: if filled { "box" } else { "planned" },
            style: if filled {
                format!("min-width: {}mm", box_mm(column))
            } else {
                String::new()
            },
        }
    };
    let cell = |cell: &Cell| match cell {
        Cell::Number(x) => PaperCell {
            text: x.to_string(),
            kind: "number",
        },
        Cell::Text(text) => PaperCell {
            text: visible(text),
            kind: "text",
        },
        Cell::Box => PaperCell {
            text: String::new(),
            kind: "box",
        },
        Cell::Blank => PaperCell {
            text: "–".to_owned(),
            kind: "none",
        },
    };
    Part {
        caption,
        heads: places.iter().map(head).collect(),
        rows: grid
            .rows
            .iter()
            .map(|row| places.iter().map(|i| cell(&row[*i])).collect())
            .collect(),
    }
}
