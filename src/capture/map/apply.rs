//! From the cells of a foreign sheet to plain rows, each cell with the place it came from.

use csv::StringRecord;

use super::file::{Entry, From, Mapping};
use super::meaning::same_unit;
use super::pattern::{Pattern, alike};
use super::view::View;
use crate::capture::fault::{Fault, Faults};
use crate::capture::grid::{Grid, Kind, letters};
use crate::capture::names::{NAMES, near_miss};
use crate::capture::number::groups_of_three;

/// A cell of a plain row: its text, what it was, and where it stands.
#[derive(Debug, Clone)]
struct Cell {
    text: String,
    kind: Kind,
    place: Option<(u64, usize)>,
}

/// Where the cells of an entry come from, found in a sheet.
enum Source<'m> {
    Columns(Vec<usize>),
    Label(&'m Pattern, Option<Cell>),
    Constants(&'m [String]),
}

/// The plain rows of a foreign sheet.
pub(in crate::capture) struct MappedRows<'m> {
    mapping: &'m Mapping,
    view: View<'m>,
    header: Vec<usize>,
    sources: Vec<Source<'m>>,
    /// Last text of each entry that is filled down.
    above: Vec<Option<Cell>>,
    /// Columns that nothing is said about.
    unsaid: Vec<usize>,
    next: usize,
    /// Which reading of the row comes next.
    reading: usize,
    /// What each cell of the last row was.
    pub kinds: Vec<Kind>,
    /// Where each cell of the last row stands.
    pub places: Vec<Option<(u64, usize)>>,
    /// Rows of the sheet that were read.
    pub rows: u64,
}

impl<'m> MappedRows<'m> {
    /// Finds the columns; what the mapping names and the sheet does not have goes to `faults`.
    pub fn new(grid: &'m Grid, mapping: &'m Mapping, faults: &mut Faults) -> Option<Self> {
        let view = match View::new(grid, mapping.transposed) {
            Ok(view) => view,
            Err(fault) => {
                faults.push(*fault);
                return None;
            }
        };
        let header: Vec<usize> = (0..view.height())
            .filter(|row| view.number(*row) > mapping.skip && !view.is_blank_row(*row))
            .take(mapping.header)
            .collect();
        let mut finder = Finder {
            names: (0..view.width()).map(|c| view.name(&header, c)).collect(),
            view: &view,
            mapping,
            faults,
            taken: Vec::new(),
        };
        // Every name that is not found is told, not only the first.
        let sources: Vec<Option<Source<'m>>> =
            mapping.entries.iter().map(|e| finder.source(e)).collect();
        let (names, taken) = (finder.names, finder.taken);
        let ignored = |column: usize| {
            let by = |text: &str| mapping.ignore.iter().any(|pattern| pattern.fits(text));
            by(&names[column]) || by(&view.column_name(column))
        };
        let unsaid = (0..view.width()).filter(|c| !taken.contains(c) && !ignored(*c));
        let unsaid = unsaid.collect();
        let after_names = match header.last() {
            Some(last) => last + 1,
            None => (0..view.height())
                .find(|row| view.number(*row) > mapping.skip)
                .unwrap_or(view.height()),
        };
        let mut rows = Self {
            mapping,
            header,
            sources: sources.into_iter().collect::<Option<_>>()?,
            above: vec![None; mapping.entries.len()],
            unsaid,
            next: after_names,
            reading: mapping.readings,
            kinds: Vec::new(),
            places: Vec::new(),
            rows: 0,
            view,
        };
        for row in (0..after_names)
            .filter(|row| !rows.header.contains(row))
            .collect::<Vec<_>>()
        {
            rows.take_labels(row);
        }
        Some(rows)
    }

    /// Columns of the sheet by name, for faults that show when all readings are known.
    pub fn columns(&self) -> Vec<(String, Option<usize>)> {
        let column = |source: &Source<'_>| match source {
            Source::Columns(list) if list.len() == 1 && !self.mapping.transposed => Some(list[0]),
            _ => None,
        };
        let entries = self.mapping.entries.iter().zip(&self.sources);
        entries
            .map(|(entry, source)| (entry.name.clone(), column(source)))
            .collect()
    }

    /// Reads the next reading into `record`; returns the line it stands on.
    pub fn next(&mut self, record: &mut StringRecord, faults: &mut Faults) -> Option<u64> {
        loop {
            if self.reading >= self.mapping.readings {
                self.next_row(faults)?;
                self.reading = 0;
            }
            let row = self.next - 1;
            let at = self.reading;
            self.reading += 1;
            if self.fill(row, at, record, faults) {
                return Some(self.view.number(row));
            }
        }
    }

    /// Moves to the next row of readings.
    fn next_row(&mut self, faults: &mut Faults) -> Option<()> {
        while self.next < self.view.height() {
            let row = self.next;
            self.next += 1;
            let any = |patterns: &[Pattern]| {
                let mut cells = (0..self.view.width()).map(|c| self.view.text(row, c));
                !patterns.is_empty() && cells.any(|cell| patterns.iter().any(|p| p.fits(cell)))
            };
            if any(&self.mapping.ends_at) {
                self.next = self.view.height();
                return None;
            }
            let passed = self.view.is_blank_row(row)
                || any(&self.mapping.pass_over)
                || self.repeats_names(row)
                || self.take_labels(row);
            if !passed {
                self.refuse_unsaid(row, faults);
                self.rows += 1;
                return Some(());
            }
        }
        None
    }

    /// Blocks one under another repeat the names of the columns.
    fn repeats_names(&self, row: usize) -> bool {
        self.header.iter().any(|names| {
            (0..self.view.width())
                .all(|c| alike(self.view.seen(row, c).0, self.view.seen(*names, c).0))
        })
    }

    /// Takes what labels in a row say; returns whether there was one.
    fn take_labels(&mut self, row: usize) -> bool {
        let mut found = false;
        for source in &mut self.sources {
            let Source::Label(pattern, value) = source else {
                continue;
            };
            for column in 0..self.view.width() {
                let text = self.view.text(row, column);
                if !pattern.fits(text) {
                    continue;
                }
                // The value stands for the star, or in the next cell that holds anything.
                let here = pattern.star(text).map(|text| (column, text, Kind::Text));
                let beside = || {
                    let c =
                        (column + 1..self.view.width()).find(|c| !self.view.is_blank(row, *c))?;
                    Some((c, self.view.text(row, c), self.view.kind(row, c)))
                };
                if let Some((c, text, kind)) = here.or_else(beside) {
                    *value = Some(Cell {
                        text: text.to_owned(),
                        kind,
                        place: Some(self.view.place(row, c)),
                    });
                    found = true;
                    break;
                }
            }
        }
        if found {
            // A new block says anew what its empty cells repeat.
            self.above.fill(None);
        }
        found
    }

    /// Fills a plain row; returns false where the reading was not made.
    fn fill(
        &mut self,
        row: usize,
        at: usize,
        record: &mut StringRecord,
        faults: &mut Faults,
    ) -> bool {
        record.clear();
        self.kinds.clear();
        self.places.clear();
        let (mut amounts, mut blank_amounts) = (0, 0);
        for (index, entry) in self.mapping.entries.iter().enumerate() {
            let mut cell = match &self.sources[index] {
                Source::Columns(columns) => {
                    let column = columns.get(at).or(columns.first()).copied().unwrap_or(0);
                    if entry.is_amount() && self.view.is_merged(row, column) {
                        let (line, c) = self.view.place(row, column);
                        let text = self.view.seen(row, column).0;
                        let mut fault = Fault::cell(
                            line,
                            &entry.name,
                            text,
                            "one cell, not merged with others",
                        );
                        fault.cell = Some(format!("{}{line}", letters(c)));
                        faults.push(fault.hint("part the merged cells and fill in each"));
                    }
                    let (text, kind) = match entry.is_amount() {
                        true => (self.view.text(row, column), self.view.kind(row, column)),
                        false => self.view.seen(row, column),
                    };
                    Cell {
                        text: text.to_owned(),
                        kind,
                        place: Some(self.view.place(row, column)),
                    }
                }
                Source::Label(_, Some(cell)) => cell.clone(),
                Source::Label(_, None) => Cell {
                    text: String::new(),
                    kind: Kind::Text,
                    place: None,
                },
                Source::Constants(list) => Cell {
                    text: list.get(at).or(list.first()).cloned().unwrap_or_default(),
                    kind: Kind::Number,
                    place: None,
                },
            };
            if entry.fill_down {
                if cell.text.is_empty() {
                    cell = self.above[index].clone().unwrap_or(cell);
                } else {
                    self.above[index] = Some(cell.clone());
                }
            }
            if entry.is_amount() {
                amounts += 1;
                blank_amounts += usize::from(cell.text.is_empty() && cell.kind != Kind::Uncomputed);
            }
            if entry.is_number() && cell.kind == Kind::Text {
                self.plain_number(entry, &mut cell, faults);
            }
            record.push_field(&cell.text);
            self.kinds.push(cell.kind);
            self.places.push(cell.place);
        }
        // Of several readings on a line any may be missing, as in a wide capture.
        self.mapping.readings == 1 || blank_amounts < amounts
    }

    /// Writes a number as the capture format does: a point, no thousands separator, no
    /// unit where it is the one that the mapping states.
    fn plain_number(&self, entry: &Entry, cell: &mut Cell, faults: &mut Faults) {
        let unit = NAMES[entry.role as usize].units.iter().find(|unit| {
            let rest = entry.name.strip_suffix(**unit);
            rest.is_some_and(|rest| rest.ends_with('_'))
        });
        let mut text = cell.text.as_str();
        let digits = text
            .rfind(|c: char| c.is_ascii_digit())
            .map_or(0, |at| at + 1);
        let (number, tail) = text.split_at(digits);
        if let Some(unit) = unit
            && !number.is_empty()
            && same_unit(tail, unit)
        {
            text = number;
        }
        if self.mapping.decimal.is_none() && self.mapping.thousands.is_none() {
            cell.text = text.to_owned();
            return;
        }
        // A label is written by hand, with whatever mark; only a thousand would be doubtful.
        let by_hand = matches!(entry.from, From::Label(_))
            && text.parse::<f64>().is_ok()
            && !groups_of_three(text.as_bytes(), b'.');
        if let Some(plain) = self.by_marks(text) {
            cell.text = plain;
            cell.kind = Kind::Number;
        } else if by_hand {
            cell.text = text.to_owned();
        } else if let Some((line, c)) = cell.place
            && text.contains(['.', ',', '\'', '\u{2019}'])
            && !number.is_empty()
        {
            let named = |what: &str, mark: Option<char>| mark.map(|m| format!("{what} = \"{m}\""));
            let decimal = named("decimal", self.mapping.decimal);
            let said: Vec<String> = decimal
                .into_iter()
                .chain(named("thousands", self.mapping.thousands))
                .collect();
            let expected = format!("a number as the mapping says: {}", said.join(", "));
            let mut fault = Fault::cell(line, &entry.name, &cell.text, expected);
            fault.cell = Some(format!("{}{line}", letters(c)));
            faults.push(fault);
            cell.kind = Kind::Refused;
        }
    }

    /// A number by the marks of the mapping, with a point; `None` where it is none.
    fn by_marks(&self, text: &str) -> Option<String> {
        let (decimal, thousands) = (self.mapping.decimal, self.mapping.thousands);
        // Where only the thousands separator is said, the other mark is the decimal one.
        let decimal = decimal.or(match thousands {
            Some('.') => Some(','),
            Some(_) => Some('.'),
            None => None,
        });
        let (whole, fraction) = match decimal.and_then(|mark| text.rsplit_once(mark)) {
            Some((whole, fraction)) => (whole, Some(fraction)),
            None => (text, None),
        };
        let whole = ungrouped(whole, thousands)?;
        if whole.contains(['.', ',']) {
            return None;
        }
        let plain = match fraction {
            Some(fraction) => format!("{whole}.{fraction}"),
            None => whole,
        };
        plain.parse::<f64>().is_ok().then_some(plain)
    }

    /// A column that nothing is said about may hold what matters: it is told once.
    fn refuse_unsaid(&mut self, row: usize, faults: &mut Faults) {
        let filled = |c: &usize| !self.view.is_blank(row, *c);
        let told: Vec<usize> = self.unsaid.iter().copied().filter(filled).collect();
        for column in &told {
            let (line, c) = self.view.place(row, *column);
            let name = self.view.name(&self.header, *column);
            let name = match name.is_empty() {
                true => self.view.column_name(*column),
                false => name,
            };
            let expected = format!("a column that {} speaks of", self.mapping.name);
            let mut fault = Fault::cell(line, &name, self.view.text(row, *column), expected);
            fault.cell = Some(format!("{}{line}", letters(c)));
            faults.push(fault.hint(format!("state it in [columns], or add {name:?} to ignore")));
        }
        self.unsaid.retain(|column| !told.contains(column));
    }
}

/// A whole number without its thousands separators; `None` where they stand amiss.
fn ungrouped(text: &str, separator: Option<char>) -> Option<String> {
    let Some(separator) = separator else {
        return Some(text.to_owned());
    };
    let parts_here = |c: char| match separator {
        ' ' => c.is_whitespace(),
        '\'' => matches!(c, '\'' | '\u{2019}'),
        mark => c == mark,
    };
    let parts: Vec<&str> = text.split(parts_here).collect();
    if let [one] = parts[..] {
        return Some(one.to_owned());
    }
    let digits = |part: &str| part.bytes().all(|b| b.is_ascii_digit());
    let first = parts[0].trim_start_matches(['+', '-']);
    let well = (1..=3).contains(&first.len())
        && digits(first)
        && parts[1..]
            .iter()
            .all(|part| part.len() == 3 && digits(part));
    well.then(|| parts.concat())
}

/// Finds the columns of a sheet that a mapping names.
struct Finder<'f, 'm> {
    names: Vec<String>,
    view: &'f View<'m>,
    mapping: &'m Mapping,
    faults: &'f mut Faults,
    taken: Vec<usize>,
}

impl<'m> Finder<'_, 'm> {
    fn source(&mut self, entry: &'m Entry) -> Option<Source<'m>> {
        Some(match &entry.from {
            From::Columns(names) => {
                let found: Vec<Option<usize>> =
                    names.iter().map(|name| self.column(entry, name)).collect();
                Source::Columns(found.into_iter().collect::<Option<_>>()?)
            }
            From::Label(pattern) => Source::Label(pattern, None),
            From::Constants(list) => Source::Constants(list),
        })
    }

    /// The column of a name, or one named by its letters (of a turned sheet by its row).
    fn column(&mut self, entry: &Entry, wanted: &str) -> Option<usize> {
        let named: Vec<usize> = (0..self.names.len())
            .filter(|c| alike(&self.names[*c], wanted))
            .collect();
        let by_place =
            || (0..self.view.width()).find(|c| alike(&self.view.column_name(*c), wanted));
        let found = match named[..] {
            [] => by_place(),
            [one] => Some(one),
            _ => {
                let places: Vec<String> = named
                    .iter()
                    .map(|c| format!("{:?}", self.view.column_name(*c)))
                    .collect();
                let found = format!("{wanted:?}, which is the name of {} columns", named.len());
                let fault = self.fault(entry, found, "a name that only one column has");
                let hint = format!("name them by place: {}", places.join(", "));
                self.faults.push(fault.hint(hint));
                return None;
            }
        };
        let Some(column) = found else {
            let fault = self.not_found(entry, wanted);
            self.faults.push(fault);
            return None;
        };
        if self.taken.contains(&column) {
            let found = format!("{wanted:?}, which is read as something else already");
            let fault = self.fault(entry, found, "each column once");
            self.faults.push(fault);
            return None;
        }
        self.taken.push(column);
        Some(column)
    }

    fn fault(&self, entry: &Entry, found: String, expected: &str) -> Fault {
        Fault::row(entry.line, found, expected)
            .in_key()
            .in_column(&entry.key)
            .of(&self.mapping.name)
    }

    fn not_found(&self, entry: &Entry, wanted: &str) -> Fault {
        let found = format!("{wanted:?}, which no column is called");
        let fault = self.fault(
            entry,
            found,
            "the name of a column as it stands in the sheet",
        );
        // Titles above the table come and go.
        let elsewhere = (0..self.view.height())
            .find(|row| (0..self.view.width()).any(|c| alike(self.view.seen(*row, c).0, wanted)));
        if let Some(row) = elsewhere {
            let line = self.view.number(row);
            let what = match self.mapping.transposed {
                false => "line",
                true => "column number",
            };
            return fault.hint(format!(
                "it stands in {what} {line}: say skip = {}, and in header how many rows name the columns",
                line - 1
            ));
        }
        let there = || self.names.iter().filter(|name| !name.is_empty()).cloned();
        if let Some(near) = near_miss(wanted, there()) {
            return fault.hint(format!("did you mean {near:?}?"));
        }
        let list: Vec<String> = there().take(12).map(|name| format!("{name:?}")).collect();
        fault.hint(match list.is_empty() {
            true => "no column has a name here; name it by place, as \"column C\"".to_owned(),
            false => format!("columns here: {}", list.join(", ")),
        })
    }
}
