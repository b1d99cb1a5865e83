//! The mapping file: TOML text to a [`Mapping`], or every fault of it.

use csv::StringRecord;
use toml::Spanned;
use toml::de::{DeTable, DeValue};

use super::pattern::Pattern;
use crate::capture::bench_text::{BenchReader, Section, path, shown};
use crate::capture::fault::{Fault, Faults};
use crate::capture::grid::Kind;
use crate::capture::header::{Layout, complaint, read_header};
use crate::capture::names::{NAMES, Role, find, folded};
use crate::capture::number::Marks;
use crate::capture::read::SetPoints;
use crate::capture::reading::MappingUsed;
use crate::capture::row::{Cells, RowReader};

/// Largest mapping file, bytes: a list of all columns that a sheet can have is a tenth of it.
const LARGEST_MAPPING: usize = 1 << 20;
/// Most readings of one line: columns of a sheet that are looked at.
const MOST_READINGS: usize = 1024;
/// Most rows of column names.
const MOST_HEADER_ROWS: u64 = 8;

/// What may stand at the top of the file.
const TOP: &[&str] = &[
    "sheet",
    "transposed",
    "separator",
    "decimal",
    "thousands",
    "skip",
    "header",
    "columns",
    "labels",
    "constants",
    "fill_down",
    "pass_over",
    "ends_at",
    "ignore",
];

/// How a foreign sheet is read.
#[derive(Debug)]
pub struct Mapping {
    /// File name as shown to the user.
    pub(super) name: String,
    /// Which file it is, for the results.
    pub(in crate::capture) used: MappingUsed,
    /// Sheet of a workbook.
    pub(super) sheet: Option<String>,
    /// Whether what stands in columns elsewhere stands in rows here.
    pub(super) transposed: bool,
    /// What parts the cells of a text.
    pub(super) separator: Option<u8>,
    /// Decimal mark of numbers that are text.
    pub(super) decimal: Option<char>,
    /// Thousands separator of numbers that are text.
    pub(super) thousands: Option<char>,
    /// Lines above the column names.
    pub(super) skip: u64,
    /// Rows of column names.
    pub(super) header: usize,
    /// Rows that are no readings, by one of their cells.
    pub(super) pass_over: Vec<Pattern>,
    /// The row at which the readings end, by one of its cells.
    pub(super) ends_at: Vec<Pattern>,
    /// Columns that are not read.
    pub(super) ignore: Vec<Pattern>,
    /// What is said about each column of the capture format.
    pub(super) entries: Vec<Entry>,
    /// Readings of a line.
    pub(super) readings: usize,
    /// What the entries say together.
    pub(in crate::capture) layout: Layout,
}

/// A column of the capture format and where its cells come from.
#[derive(Debug, Clone)]
pub(super) struct Entry {
    /// Its name in the capture format, with the unit.
    pub name: String,
    /// What it says.
    pub role: Role,
    /// Line of the mapping file.
    pub line: u64,
    /// Key with its section, as `columns.pulses`.
    pub key: String,
    /// Where the cells come from.
    pub from: From,
    /// Whether an empty cell repeats the one above.
    pub fill_down: bool,
}

/// Where the cells of a column come from.
#[derive(Debug, Clone)]
pub(super) enum From {
    /// Columns of the sheet: one for all readings of a line, or one for each.
    Columns(Vec<String>),
    /// A label beside the table or between its rows; it holds from there on down.
    Label(Pattern),
    /// The mapping file itself: one for all readings of a line, or one for each.
    Constants(Vec<String>),
}

impl Entry {
    /// Whether it is the quantity that was read.
    pub fn is_amount(&self) -> bool {
        matches!(
            self.role,
            Role::Volume | Role::Mass | Role::VolumeStart | Role::MassStart
        )
    }

    /// Whether its cells are numbers.
    pub fn is_number(&self) -> bool {
        let units = NAMES[self.role as usize].units;
        !units.is_empty() || matches!(self.role, Role::Pulses | Role::Repeat)
    }
}

/// Reads a mapping file; `name` is what the faults call it.
///
/// # Errors
/// Every fault: TOML that cannot be read, unknown keys, columns that the capture format
/// does not have or that it needs and nothing states, lists that do not go together.
pub fn read_mapping(name: &str, text: &str) -> Result<Mapping, Vec<Fault>> {
    match parse(name, text) {
        (Some(mapping), faults) if faults.is_empty() => Ok(mapping),
        (_, faults) => Err(faults),
    }
}

/// Reads a mapping file as far as it can be read: a proposal has gaps.
pub(super) fn parse(name: &str, text: &str) -> (Option<Mapping>, Vec<Fault>) {
    let mut reader = BenchReader::new(name, text);
    reader.what = "a key of the mapping file";
    if text.len() > LARGEST_MAPPING {
        let found = format!("{} bytes", text.len());
        let most = format!("a mapping file of at most {LARGEST_MAPPING} bytes");
        reader.push(Fault::whole(found, most).hint("`meniscus map` writes one"));
        return (None, reader.faults.finish());
    }
    let document = reader.document(text, "names are text in quotes, as pulses = \"Count\"");
    if !reader.faults.is_empty() {
        return (None, reader.faults.finish());
    }
    let used = MappingUsed::of(name, text);
    let mapping = reader.mapping(name, used, document.get_ref());
    (mapping, reader.faults.finish())
}

impl BenchReader {
    fn mapping<'t>(
        &mut self,
        name: &str,
        used: MappingUsed,
        document: &'t DeTable<'t>,
    ) -> Option<Mapping> {
        let top = Section {
            name: "",
            line: 1,
            table: document,
        };
        self.check_keys(&top, TOP);
        let mut entries = self.entries(document);
        for (line, filled) in self.texts(&top, "fill_down") {
            match entries.iter_mut().find(|entry| entry.name == filled) {
                Some(entry) if matches!(entry.from, From::Columns(_)) => entry.fill_down = true,
                _ => {
                    let expected = "a key of [columns]";
                    self.push(Fault::cell(line, "fill_down", &filled, expected));
                }
            }
        }
        let readings = self.readings(&entries);
        let layout = self.layout(&entries)?;
        self.check_constants(&entries, readings);
        let patterns = |list: Vec<(u64, String)>| -> Vec<Pattern> {
            list.iter().map(|(_, text)| Pattern::new(text)).collect()
        };
        let decimal = self.mark(&top, "decimal", &['.', ',']);
        let thousands = self.mark(&top, "thousands", &['.', ',', ' ', '\'']);
        if let (Some((line, mark)), Some((_, other))) = (thousands, decimal)
            && mark == other
        {
            let expected = "another mark than the decimal mark";
            self.push(Fault::cell(line, "thousands", &mark.to_string(), expected));
        }
        Some(Mapping {
            name: name.to_owned(),
            used,
            sheet: self.words(&top, "sheet"),
            transposed: self.truth(&top, "transposed"),
            separator: self.separator(&top),
            decimal: decimal.map(|(_, mark)| mark),
            thousands: thousands.map(|(_, mark)| mark),
            skip: self.count(&top, "skip", u64::from(u32::MAX)).unwrap_or(0),
            header: self.count(&top, "header", MOST_HEADER_ROWS).unwrap_or(1) as usize,
            pass_over: patterns(self.texts(&top, "pass_over")),
            ends_at: patterns(self.texts(&top, "ends_at")),
            ignore: patterns(self.texts(&top, "ignore")),
            entries,
            readings,
            layout,
        })
    }

    /// What the three sections say about the columns of the capture format.
    fn entries<'t>(&mut self, document: &'t DeTable<'t>) -> Vec<Entry> {
        let mut entries: Vec<Entry> = Vec::new();
        for (which, name) in ["columns", "labels", "constants"].into_iter().enumerate() {
            let Some(section) = self.only(document, name) else {
                continue;
            };
            // The order of the table is that of the alphabet; that of the file reads better.
            let mut keys: Vec<_> = section.table.iter().collect();
            keys.sort_by_key(|(key, _)| key.span().start);
            for (key, _) in keys {
                let word: &str = key.get_ref();
                let place = path(&section, word);
                let line = self.line(key.span().start);
                let Some((known, unit)) = find(&folded(word)) else {
                    let (fault, _) = complaint(word, line);
                    self.push(fault.in_column(&place));
                    continue;
                };
                let values = self.texts(&section, word);
                let values: Vec<String> = values.into_iter().map(|(_, text)| text).collect();
                let Some(first) = values.first() else {
                    continue;
                };
                let from = match which {
                    0 => From::Columns(values),
                    1 if values.len() == 1 && Pattern::new(first).stars() <= 1 => {
                        From::Label(Pattern::new(first))
                    }
                    1 => {
                        let expected = "one text with one * for the value, or with none where \
                                        the value stands in the next cell";
                        self.push(Fault::cell(line, &place, first, expected));
                        continue;
                    }
                    _ => From::Constants(values),
                };
                if let Some(first) = entries.iter().find(|entry| entry.role == known.role) {
                    let found = format!("{place} beside {}", first.key);
                    let expected = format!("{} once", known.stem);
                    self.push(Fault::row(line, found, expected).in_column(&place));
                    continue;
                }
                let separator = if unit.is_empty() { "" } else { "_" };
                entries.push(Entry {
                    name: format!("{}{separator}{unit}", known.stem),
                    role: known.role,
                    line,
                    key: place,
                    from,
                    fill_down: false,
                });
            }
        }
        entries
    }

    /// Readings of a line: lists must be equally long.
    fn readings(&mut self, entries: &[Entry]) -> usize {
        let length = |entry: &Entry| match &entry.from {
            From::Columns(list) | From::Constants(list) => list.len(),
            From::Label(_) => 1,
        };
        let lists: Vec<&Entry> = entries.iter().filter(|entry| length(entry) > 1).collect();
        let Some(first) = lists.first() else {
            return 1;
        };
        let readings = length(first);
        if readings > MOST_READINGS {
            let found = format!("a list of {readings}");
            let fault = Fault::row(first.line, found, format!("at most {MOST_READINGS}"));
            self.push(fault.in_column(&first.key));
        }
        for other in &lists {
            if length(other) != readings {
                let found = format!("a list of {}", length(other));
                let expected = format!("{readings} entries, as {} has, or one for all", first.key);
                let fault = Fault::row(other.line, found, expected).in_column(&other.key);
                self.push(fault.hint("the lists of a mapping go side by side: one reading each"));
            }
        }
        readings
    }

    /// What the entries say together; the complaints are those of a header row.
    fn layout(&mut self, entries: &[Entry]) -> Option<Layout> {
        if entries.is_empty() {
            if self.faults.is_empty() {
                let expected = "[columns] with at least one column";
                let fault = Fault::whole("no column", expected);
                self.push(
                    fault.hint("as pulse_width_ms = \"On time\"; `meniscus map` proposes a file"),
                );
            }
            return None;
        }
        let names: StringRecord = entries.iter().map(|entry| entry.name.as_str()).collect();
        let mut faults = Faults::new("");
        let known_fault = !self.faults.is_empty();
        let layout = read_header(&names, 0, &mut faults);
        // A misspelt column would be reported missing as well.
        for mut fault in faults.finish() {
            if !known_fault {
                fault.line = None;
                let hint = "state it in [columns], [labels] or [constants]";
                self.push(fault.hint(hint));
            }
        }
        layout
    }

    /// Checks what the file itself states as a row would be checked.
    fn check_constants(&mut self, entries: &[Entry], readings: usize) {
        let constants: Vec<(&Entry, &[String])> = entries
            .iter()
            .filter_map(|entry| match &entry.from {
                From::Constants(list) => Some((entry, list.as_slice())),
                _ => None,
            })
            .collect();
        let names: StringRecord = constants.iter().map(|(e, _)| e.name.as_str()).collect();
        // What is missing among the constants alone is no fault.
        let Some(layout) = read_header(&names, 0, &mut Faults::new("")) else {
            return;
        };
        let mut faults = Faults::new("");
        let kinds = vec![Kind::Number; constants.len()];
        for at in 0..readings {
            let record: StringRecord = constants
                .iter()
                .map(|(_, list)| list.get(at).or(list.first()).map_or("", String::as_str))
                .collect();
            let mut reader = RowReader {
                source: 0,
                decimal_comma: false,
                marks: Marks::default(),
                faults: &mut faults,
            };
            let row = Cells::new(&record, &kinds, 0);
            reader.read_each(row, &layout, SetPoints::default(), |_| ());
        }
        for mut fault in faults.finish() {
            let named = fault.column.clone().unwrap_or_default();
            if let Some((entry, _)) = constants.iter().find(|(entry, _)| entry.name == named) {
                fault.line = Some(entry.line);
                self.push(fault.in_column(&entry.key));
            }
        }
    }

    /// The texts of a key, one or a list, each with its line; numbers and dates as written.
    fn texts<'t>(&mut self, section: &Section<'t>, key: &str) -> Vec<(u64, String)> {
        let Some(value) = section.table.get(key) else {
            return Vec::new();
        };
        let items: Vec<&Spanned<DeValue<'t>>> = match value.get_ref() {
            DeValue::Array(array) => array.iter().collect(),
            _ => vec![value],
        };
        let mut texts = Vec::new();
        for item in items {
            let line = self.line(item.span().start);
            match item.get_ref() {
                DeValue::String(text) if !text.trim().is_empty() => {
                    texts.push((line, text.trim().to_owned()));
                }
                DeValue::Integer(_) | DeValue::Float(_) | DeValue::Datetime(_) => {
                    texts.push((line, shown(item.get_ref())));
                }
                other => {
                    let place = path(section, key);
                    let fault = Fault::cell(line, &place, &shown(other), "text in quotes");
                    self.push(fault);
                }
            }
        }
        if texts.is_empty() && matches!(value.get_ref(), DeValue::Array(a) if a.is_empty()) {
            let line = self.line(value.span().start);
            let place = path(section, key);
            if section.name.is_empty() {
                return texts;
            }
            self.push(Fault::cell(line, &place, "[]", "at least one entry"));
        }
        texts
    }

    fn count(&mut self, section: &Section<'_>, key: &str, most: u64) -> Option<u64> {
        let (line, value) = self.value(section, key)?;
        let number = match value {
            DeValue::Integer(number) => number.to_string().parse().ok(),
            _ => None,
        };
        let number = number.filter(|n| *n <= most);
        if number.is_none() {
            let expected = format!("a whole number from 0 to {most}");
            self.push(Fault::cell(line, key, &shown(value), expected));
        }
        number
    }

    fn truth(&mut self, section: &Section<'_>, key: &str) -> bool {
        match self.value(section, key) {
            Some((_, DeValue::Boolean(truth))) => *truth,
            Some((line, value)) => {
                self.push(Fault::cell(line, key, &shown(value), "true or false"));
                false
            }
            None => false,
        }
    }

    /// One of some marks, each in quotes.
    fn mark(&mut self, section: &Section<'_>, key: &str, marks: &[char]) -> Option<(u64, char)> {
        let (line, value) = self.value(section, key)?;
        let found = match value {
            DeValue::String(text) => marks.iter().find(|mark| text.chars().eq([**mark])),
            _ => None,
        };
        if found.is_none() {
            let words: Vec<String> = marks.iter().map(|mark| format!("\"{mark}\"")).collect();
            self.push(Fault::cell(line, key, &shown(value), words.join(" or ")));
        }
        found.map(|mark| (line, *mark))
    }

    fn separator(&mut self, section: &Section<'_>) -> Option<u8> {
        let (line, value) = self.value(section, "separator")?;
        let found = match value {
            DeValue::String(text) => match text.as_bytes() {
                [byte]
                    if byte.is_ascii()
                        && !byte.is_ascii_alphanumeric()
                        && !b"\"\r\n".contains(byte) =>
                {
                    Some(*byte)
                }
                _ => None,
            },
            _ => None,
        };
        if found.is_none() {
            let expected = "one character, as \",\" or \";\" or \"\\t\"";
            self.push(Fault::cell(line, "separator", &shown(value), expected));
        }
        found
    }
}
