//! How a foreign sheet lies: turned or not, which rows name the columns, which rows are readings.

use super::meaning::{Meaning, What, meaning, unit};
use super::pattern::{alike, one_line};
use super::view::View;
use crate::capture::fault::Fault;
use crate::capture::grid::{Grid, Kind};
use crate::capture::names::Role;

/// Rows within which the names of the columns are looked for.
const HEADER_ROWS: usize = 200;
/// Columns of which the names are looked at to tell that row: a long sheet that is looked at
/// turned has as many columns as rows.
const HEADER_COLUMNS: usize = 1024;
/// Cells of data that a named column must hold to count: a title line has one, and a unit. A
/// sheet in which no row has as many may be a table of one line.
const FEWEST_CELLS: [usize; 2] = [2, 1];

/// A foreign sheet, looked at.
pub(super) struct Shape<'g> {
    /// Its cells, turned where that reads better.
    pub view: View<'g>,
    /// Whether it is turned.
    pub turned: bool,
    /// Rows that name the columns; empty where none does.
    pub header: Vec<usize>,
    /// What stands above the names, line by line.
    pub titles: Vec<usize>,
    /// Rows that are readings.
    pub body: Vec<usize>,
    /// Rows that say what holds for the rows below.
    pub label_rows: Vec<usize>,
    /// Texts by which rows are passed over.
    pub pass_over: Vec<String>,
    /// Text at which the readings end.
    pub ends_at: Option<String>,
}

/// A column, named and understood.
#[derive(Debug, Clone)]
pub(super) struct Column {
    /// Its index.
    pub at: usize,
    /// How a mapping names it.
    pub name: String,
    /// What its name says, its unit also from the row of units or from its cells.
    pub meaning: Meaning,
    /// What stands above its name, from the left: a group of columns.
    pub group: String,
    /// The cells of its readings.
    pub cells: Vec<String>,
    /// How many of them are numbers.
    pub numbers: usize,
}

impl<'g> Shape<'g> {
    /// Looks at a sheet.
    ///
    /// # Errors
    /// A fault of the whole file where merged cells cover more than a sheet of readings has.
    pub fn of(grid: &'g Grid) -> Result<Self, Box<Fault>> {
        let upright = View::new(grid, false)?;
        let across = View::new(grid, true)?;
        let best = |fewest| (best_header(&upright, fewest), best_header(&across, fewest));
        let tried = FEWEST_CELLS.map(best).into_iter();
        let (up, over) = tried
            .into_iter()
            .find(|found| *found != (None, None))
            .unwrap_or_default();
        let turned = over.is_some_and(|(_, roles)| up.is_none_or(|(_, other)| roles > other));
        let (view, found) = if turned {
            (across, over)
        } else {
            (upright, up)
        };
        let mut shape = Self {
            view,
            turned,
            header: Vec::new(),
            titles: Vec::new(),
            body: Vec::new(),
            label_rows: Vec::new(),
            pass_over: Vec::new(),
            ends_at: None,
        };
        shape.take_header(found.map(|(row, _)| row));
        shape.sort_rows();
        Ok(shape)
    }

    fn take_header(&mut self, found: Option<usize>) {
        let Some(row) = found else { return };
        let view = &self.view;
        let above = row.checked_sub(1).filter(|above| {
            let adjacent = view.number(*above) + 1 == view.number(row);
            adjacent && is_group_row(view, *above, row)
        });
        self.header.extend(above);
        self.header.push(row);
        let mut below = (row + 1..view.height()).filter(|r| !view.is_blank_row(*r));
        let mut next = below.next();
        if let Some(names) = next.filter(|r| is_lower_name_row(view, row, *r)) {
            self.header.push(names);
            next = below.next();
        }
        self.header.extend(next.filter(|r| is_unit_row(view, *r)));
    }

    fn sort_rows(&mut self) {
        let first = self.header.first().copied().unwrap_or(0);
        self.titles = (0..first).collect();
        let start = self.header.last().map_or(0, |last| last + 1);
        let rows: Vec<usize> = (start..self.view.height())
            .filter(|row| !self.view.is_blank_row(*row))
            .collect();
        for (at, row) in rows.iter().copied().enumerate() {
            let view = &self.view;
            let repeats = self.header.iter().any(|names| {
                (0..view.width()).all(|c| alike(view.text(row, c), view.text(*names, c)))
            });
            if repeats {
                continue;
            }
            let cells: Vec<&str> = (0..view.width())
                .filter(|c| !view.is_blank(row, *c))
                .map(|c| view.text(row, c))
                .collect();
            let numbers = (0..view.width())
                .filter(|c| is_number_cell(view, row, *c))
                .count();
            if let Some(text) = cells.iter().find(|text| starts_with_computed(text)) {
                self.pass_over.push(first_word_pattern(text));
            } else if is_label_row(view, row, cells.len()) {
                self.label_rows.push(row);
            } else if numbers > 0 || self.header.is_empty() {
                self.body.push(row);
            } else {
                let more = rows[at + 1..]
                    .iter()
                    .any(|later| (0..view.width()).any(|c| is_number_cell(view, *later, c)));
                if cells.len() > 1 && more && !self.body.is_empty() && names_columns(&cells) {
                    self.ends_at = cells.first().map(|text| one_line(text));
                    break;
                }
                self.pass_over
                    .extend(cells.first().map(|text| literal(text)));
            }
        }
        self.pass_over.sort();
        self.pass_over.dedup();
    }

    /// The columns that hold anything.
    pub fn columns(&self) -> Vec<Column> {
        let mut group = String::new();
        let mut columns = Vec::new();
        let name_row = self.name_row();
        for at in 0..self.view.width() {
            let texts = |row: usize| self.view.seen(row, at).0;
            let top = self.header.first().copied();
            let top = top.filter(|top| Some(*top) < name_row);
            if let Some(text) = top.map(texts).filter(|text| !text.is_empty()) {
                group = one_line(text);
            }
            let name = self.view.name(&self.header, at);
            let cells: Vec<String> = self
                .body
                .iter()
                .filter(|row| !self.view.is_blank(**row, at))
                .map(|row| self.view.text(*row, at).to_owned())
                .collect();
            if name.is_empty() && cells.is_empty() {
                continue;
            }
            let numbers = self
                .body
                .iter()
                .filter(|row| is_number_cell(&self.view, **row, at));
            let numbers = numbers.count();
            let named = name_row.map_or("", texts);
            // A column without a lower name is none of a group.
            let upper = top.map(texts).filter(|_| named.is_empty());
            if upper.is_some() {
                group.clear();
            }
            let mut meaning = meaning(upper.unwrap_or(named));
            let below = self.header.iter().filter(|row| Some(**row) > name_row);
            let in_rows = below.filter_map(|row| unit(texts(*row))).next();
            meaning.unit = meaning.unit.or(in_rows).or_else(|| unit_of_cells(&cells));
            columns.push(Column {
                at,
                name,
                meaning,
                group: group.clone(),
                cells,
                numbers,
            });
        }
        // A name that stands twice, or that reads like a place, names nothing.
        let names: Vec<String> = columns.iter().map(|column| column.name.clone()).collect();
        let places: Vec<String> = columns
            .iter()
            .map(|c| self.view.column_name(c.at))
            .collect();
        for (column, place) in columns.iter_mut().zip(&places) {
            let count = |list: &[String]| list.iter().filter(|n| alike(n, &column.name)).count();
            if column.name.is_empty() || count(&names) > 1 || count(&places) > 0 {
                column.name.clone_from(place);
            }
        }
        columns
    }

    /// Row of names proper, between that of groups and that of units.
    pub fn name_row(&self) -> Option<usize> {
        let named = |row: &&usize| !is_unit_row(&self.view, **row);
        self.header.iter().rfind(named).copied()
    }

    /// Lines above the names.
    pub fn skip(&self) -> u64 {
        match self.header.first() {
            Some(row) => self.view.number(*row) - 1,
            None => self
                .body
                .first()
                .map_or(0, |row| self.view.number(*row) - 1),
        }
    }
}

/// The row that says the most, and how many columns it names.
fn best_header(view: &View<'_>, fewest: usize) -> Option<(usize, usize)> {
    let rows = 0..view.height().min(HEADER_ROWS);
    let scored = rows.map(|row| (row, roles_named(view, row, fewest), filled(view, row)));
    scored
        .filter(|(_, roles, _)| *roles > 0)
        .max_by(|a, b| (a.1, a.2).cmp(&(b.1, b.2)).then(b.0.cmp(&a.0)))
        .map(|(row, roles, _)| (row, roles))
}

fn filled(view: &View<'_>, row: usize) -> usize {
    (0..view.width())
        .filter(|c| !view.is_blank(row, *c))
        .count()
}

/// How many different things the names of a row say, of columns that hold several cells.
fn roles_named(view: &View<'_>, row: usize, fewest: usize) -> usize {
    let mut said: Vec<What> = Vec::new();
    for column in 0..view.width().min(HEADER_COLUMNS) {
        if view.kind(row, column) != Kind::Text {
            continue;
        }
        let Some(what) = meaning(view.text(row, column)).what else {
            continue;
        };
        if matches!(what, What::Computed | What::RowNumber) || said.contains(&what) {
            continue;
        }
        // What is a name or a unit itself is no data.
        let is_data = |r: &usize| {
            let text = view.text(*r, column);
            !text.is_empty() && unit(text).is_none() && meaning(text).what.is_none()
        };
        let below = (row + 1..view.height()).take(HEADER_ROWS);
        if below.filter(is_data).take(fewest).count() == fewest {
            said.push(what);
        }
    }
    said.len()
}

/// Whether a row stands over groups of the columns below it.
fn is_group_row(view: &View<'_>, above: usize, names: usize) -> bool {
    let filled: Vec<usize> = (0..view.width())
        .filter(|c| !view.is_blank(above, *c))
        .collect();
    let texts: Vec<&str> = (0..view.width()).map(|c| view.text(names, c)).collect();
    let twice = texts
        .iter()
        .enumerate()
        .any(|(at, text)| !text.is_empty() && texts[..at].iter().any(|other| alike(other, text)));
    filled.len() > 1 && twice && filled.iter().all(|c| !texts[*c].is_empty())
}

/// Whether a row names columns that the row above it leaves without a name.
fn is_lower_name_row(view: &View<'_>, names: usize, row: usize) -> bool {
    let filled: Vec<usize> = (0..view.width())
        .filter(|c| !view.is_blank(row, *c))
        .collect();
    let numbers = filled.iter().any(|c| is_number_cell(view, row, *c));
    filled.len() > 1
        && !numbers
        && filled.iter().any(|c| view.is_blank(names, *c))
        && filled.iter().all(|c| unit(view.text(row, *c)).is_none())
}

fn is_unit_row(view: &View<'_>, row: usize) -> bool {
    let cells: Vec<&str> = (0..view.width())
        .filter(|c| !view.is_blank(row, *c))
        .map(|c| view.text(row, c))
        .collect();
    let units = cells.iter().filter(|text| unit(text).is_some()).count();
    let dashes = cells
        .iter()
        .filter(|text| matches!(**text, "-" | "--" | "[-]" | "(-)" | "#" | "[]" | "1"))
        .count();
    units > 0 && units + dashes == cells.len()
}

/// Whether a cell is a number in some writing, a unit behind it or not.
pub(super) fn is_number_cell(view: &View<'_>, row: usize, column: usize) -> bool {
    match view.kind(row, column) {
        Kind::Number => true,
        Kind::Text => is_number(view.text(row, column)),
        Kind::Date | Kind::Error | Kind::Uncomputed | Kind::Refused => false,
    }
}

/// Whether a text is a number in some writing, a unit behind it or not.
pub(super) fn is_number(text: &str) -> bool {
    let (number, tail) = parted(text);
    !number.is_empty() && (tail.is_empty() || unit(tail).is_some())
}

/// The number at the head of a text and what stands behind it; the number is empty where there is none.
pub(super) fn parted(text: &str) -> (&str, &str) {
    let text = text.trim();
    let in_number =
        |c: char| c.is_ascii_digit() || ".,'\u{2019}+-".contains(c) || c.is_whitespace();
    let end = text.find(|c| !in_number(c)).unwrap_or(text.len());
    let number = text[..end].trim_end();
    let plain = number.trim_start_matches(['+', '-']);
    let well = plain.starts_with(|c: char| c.is_ascii_digit() || c == '.' || c == ',')
        && plain.ends_with(|c: char| c.is_ascii_digit() || c == '.')
        && !plain.contains(['+', '-'])
        && plain.contains(|c: char| c.is_ascii_digit());
    if well {
        (number, text[end..].trim())
    } else {
        ("", text)
    }
}

/// The unit that all cells of a column carry.
fn unit_of_cells(cells: &[String]) -> Option<&'static str> {
    let mut units = cells.iter().map(|text| unit(parted(text).1));
    let first = units.next()??;
    units.all(|other| other == Some(first)).then_some(first)
}

fn starts_with_computed(text: &str) -> bool {
    if is_number(text) {
        return false;
    }
    let word = text
        .split(|c: char| !c.is_alphanumeric())
        .find(|word| !word.is_empty());
    word.is_some_and(|word| matches!(meaning(word).what, Some(What::Computed)))
}

/// Whether a row says one thing for the rows below it, as `Injector: A1`.
fn is_label_row(view: &View<'_>, row: usize, cells: usize) -> bool {
    if cells > 3 {
        return false;
    }
    let first = (0..view.width()).find(|c| !view.is_blank(row, *c));
    let Some(first) = first.filter(|c| view.kind(row, *c) == Kind::Text) else {
        return false;
    };
    let text = view.text(row, first);
    let said = meaning(text);
    let is_label = matches!(
        said.what,
        Some(What::Is(
            Role::Injector
                | Role::Voltage
                | Role::Pressure
                | Role::PulseWidth
                | Role::Pulses
                | Role::Stage
        ))
    );
    is_label && (cells > 1 || !said.rest.is_empty())
}

fn names_columns(cells: &[&str]) -> bool {
    cells
        .iter()
        .filter(|text| meaning(text).what.is_some())
        .count()
        > 1
}

/// `Average of 3` becomes `Average*`.
fn first_word_pattern(text: &str) -> String {
    let text = one_line(text);
    let end = text
        .find(|c: char| !c.is_alphanumeric())
        .unwrap_or(text.len());
    match end {
        0 => literal(&text),
        end => format!("{}*", &text[..end]),
    }
}

/// A text as a pattern: up to a colon, where there is one.
fn literal(text: &str) -> String {
    let text = one_line(text);
    match text.find(':') {
        Some(at) => format!("{}*", &text[..=at]),
        None => text,
    }
}
