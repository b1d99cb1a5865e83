//! Why a file cannot be read: where, what was found, what was expected.

use std::fmt;

use serde::Serialize;

use super::grid::letters;
use crate::finding::visible;

/// Faults kept per file; a file in a wrong format would otherwise fill memory
/// with one complaint per cell. The rest are counted.
const KEPT_PER_FILE: usize = 1000;
/// Characters of a cell that are shown.
const SHOWN_CHARACTERS: usize = 60;

/// One fault of a capture or bench file.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Fault {
    /// File name as shown to the user.
    pub file: String,
    /// Line of that file, from 1; absent where the whole file is meant.
    pub line: Option<u64>,
    /// Column name (capture) or key (bench file); absent where the whole line is meant.
    pub column: Option<String>,
    /// The text found, or what was found in words.
    pub found: String,
    /// What was expected.
    pub expected: String,
    /// What to do about it, where something can be said.
    pub hint: Option<String>,
    /// Sheet of a workbook; then `line` is a row of it.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub sheet: Option<String>,
    /// Cell as spreadsheets name it, as `D14`, in a workbook or a file read with a mapping.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub cell: Option<String>,
    /// Whether `found` is text of the file, to be shown in quotes.
    #[serde(skip)]
    quoted: bool,
    /// What `column` is called: `column` or `key`.
    #[serde(skip)]
    place_word: &'static str,
}

impl Fault {
    /// A fault in the text of a cell or header.
    pub(super) fn cell(line: u64, column: &str, found: &str, expected: impl Into<String>) -> Self {
        let found = shortened(found);
        Self {
            column: Some(shortened(column)),
            quoted: !found.is_empty(),
            found: if found.is_empty() {
                "nothing".to_owned()
            } else {
                found
            },
            ..Self::row(line, "", expected)
        }
    }

    /// A fault of a whole line, `found` in words.
    pub(super) fn row(line: u64, found: impl Into<String>, expected: impl Into<String>) -> Self {
        Self {
            line: Some(line),
            ..Self::whole(found, expected)
        }
    }

    /// A fault of the whole file, `found` in words.
    pub(super) fn whole(found: impl Into<String>, expected: impl Into<String>) -> Self {
        Self {
            file: String::new(),
            line: None,
            column: None,
            found: found.into(),
            expected: expected.into(),
            hint: None,
            sheet: None,
            cell: None,
            quoted: false,
            place_word: "column",
        }
    }

    /// A file that cannot be read at all; `found` in words.
    pub(crate) fn unreadable(
        file: &str,
        found: String,
        expected: &str,
        hint: Option<&str>,
    ) -> Self {
        Self {
            hint: hint.map(str::to_owned),
            ..Self::whole(found, expected).of(file)
        }
    }

    /// Names the column of a fault that is told in words.
    pub(super) fn in_column(mut self, column: &str) -> Self {
        self.column = Some(shortened(column));
        self
    }

    /// Says that the place is a key of a bench file.
    pub(super) fn in_key(mut self) -> Self {
        self.place_word = "key";
        self
    }

    /// Adds what to do about it.
    pub(super) fn hint(mut self, hint: impl Into<String>) -> Self {
        self.hint = Some(hint.into());
        self
    }

    /// Moves the fault of a part to its line of the file.
    pub(super) fn moved(mut self, lines: u64) -> Self {
        self.line = self.line.map(|line| line + lines);
        self
    }

    /// Names the file.
    pub(super) fn of(mut self, file: &str) -> Self {
        self.file = file.to_owned();
        self
    }
}

impl fmt::Display for Fault {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&visible(&self.file))?;
        match (&self.sheet, self.line, &self.cell) {
            (Some(sheet), _, Some(cell)) => write!(f, ": {}!{cell}", quoted_sheet(sheet))?,
            (Some(sheet), Some(line), None) => write!(f, ": {} row {line}", quoted_sheet(sheet))?,
            (Some(sheet), None, None) => write!(f, ": {}", quoted_sheet(sheet))?,
            (None, Some(line), Some(cell)) => write!(f, ":{line} ({cell})")?,
            (None, Some(line), None) => write!(f, ":{line}")?,
            (None, None, _) => {}
        }
        f.write_str(": ")?;
        if let Some(column) = &self.column {
            write!(f, "{} {}: ", self.place_word, visible(column))?;
        }
        if self.quoted {
            write!(f, "found {:?}, expected {}", self.found, self.expected)?;
        } else {
            write!(
                f,
                "found {}, expected {}",
                visible(&self.found),
                self.expected
            )?;
        }
        if let Some(hint) = &self.hint {
            write!(f, "\n  hint: {hint}")?;
        }
        Ok(())
    }
}

impl std::error::Error for Fault {}

/// Writes the first `most` faults, one or two lines each, and how many more there are.
pub fn fault_lines(faults: &[Fault], most: usize) -> String {
    let mut text = String::new();
    for fault in faults.iter().take(most) {
        text.push_str(&fault.to_string());
        text.push('\n');
    }
    let more = faults.len().saturating_sub(most);
    if more > 0 {
        text.push_str(&format!("and {more} more\n"));
    }
    text
}

/// A sheet as spreadsheets write it before the `!`.
fn quoted_sheet(sheet: &str) -> String {
    let plain = |c: char| c.is_alphanumeric() || c == '_';
    if !sheet.is_empty() && sheet.chars().all(plain) {
        return sheet.to_owned();
    }
    let shown: String = sheet
        .chars()
        .flat_map(|c| {
            let control = c.is_control();
            let escaped = control.then(|| c.escape_default());
            escaped.into_iter().flatten().chain((!control).then_some(c))
        })
        .collect();
    format!("'{}'", shown.replace('\'', "''"))
}

/// Where the columns of a file stand in it, so that a fault can name the cell.
#[derive(Debug, Clone, Default)]
pub(super) struct Places {
    /// Sheet of a workbook.
    pub sheet: Option<String>,
    /// Name of each column, and its number in the file where that is the same in all rows.
    pub columns: Vec<(String, Option<usize>)>,
    /// Line and column of each cell of the row that is being read, where the rows do not
    /// stand as they are read.
    pub row: Vec<Option<(u64, usize)>>,
}

impl Places {
    /// Completes a fault by its place.
    pub fn locate(&self, mut fault: Fault) -> Fault {
        if !fault.file.is_empty() {
            return fault;
        }
        fault.sheet.clone_from(&self.sheet);
        let Some(name) = &fault.column else {
            return fault;
        };
        if fault.cell.is_some() {
            return fault;
        }
        let at = self.columns.iter().position(|(column, _)| column == name);
        let Some(at) = at else { return fault };
        if let Some((line, column)) = self.row.get(at).copied().flatten() {
            fault.line = Some(line);
            fault.cell = Some(format!("{}{line}", letters(column)));
        } else if let (Some(line), Some(column)) = (fault.line, self.columns[at].1) {
            fault.cell = Some(format!("{}{line}", letters(column)));
        }
        fault
    }
}

/// The faults of one file, gathered while it is read.
#[derive(Debug)]
pub(super) struct Faults {
    /// Where the columns stand; `None` in a plain text.
    pub places: Option<Places>,
    file: String,
    list: Vec<Fault>,
    row_start: usize,
    not_kept: u64,
}

impl Faults {
    /// An empty list for a file.
    pub fn new(file: &str) -> Self {
        Self {
            places: None,
            file: file.to_owned(),
            list: Vec::new(),
            row_start: 0,
            not_kept: 0,
        }
    }

    /// Begins a row: one cell is complained about once, however many injectors share it.
    pub fn start_row(&mut self) {
        self.row_start = self.list.len();
    }

    /// Adds a fault.
    pub fn push(&mut self, fault: Fault) {
        let fault = match &self.places {
            Some(places) => places.locate(fault),
            None => fault,
        };
        let known = self.list[self.row_start..]
            .iter()
            .any(|f| f.line == fault.line && f.column == fault.column && f.found == fault.found);
        if known {
            return;
        }
        if self.list.len() >= KEPT_PER_FILE {
            self.not_kept += 1;
        } else {
            // A mapping file's fault keeps its own.
            let named = !fault.file.is_empty();
            self.list.push(match named {
                true => fault,
                false => fault.of(&self.file),
            });
        }
    }

    /// Whether nothing was complained about.
    pub fn is_empty(&self) -> bool {
        self.list.is_empty()
    }

    /// The faults; the last says how many more there are, if any.
    pub fn finish(mut self) -> Vec<Fault> {
        if self.not_kept > 0 {
            let more = Fault::whole(
                format!("{} more faults", self.not_kept),
                format!("none; the first {KEPT_PER_FILE} are listed"),
            );
            self.list.push(more.of(&self.file));
        }
        self.list
    }
}

/// Cuts a text that is too long to show.
fn shortened(text: &str) -> String {
    match text.char_indices().nth(SHOWN_CHARACTERS) {
        Some((end, _)) => format!("{}…", &text[..end]),
        None => text.to_owned(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn fault_reads_as_place_found_expected_and_hint_on_its_own_line() {
        let fault = Fault::cell(14, "volume_ml", "12,x", "a number in ml")
            .hint("look at the sheet")
            .of("run.csv");
        assert_eq!(
            fault.to_string(),
            "run.csv:14: column volume_ml: found \"12,x\", expected a number in ml\n  hint: look at the sheet"
        );
        let json = serde_json::to_value(&fault).unwrap();
        let mut keys: Vec<_> = json.as_object().unwrap().keys().cloned().collect();
        keys.sort();
        assert_eq!(
            keys,
            ["column", "expected", "file", "found", "hint", "line"]
        );
    }

    #[test]
    fn faults_beyond_the_cap_are_counted() {
        let mut faults = Faults::new("run.csv");
        for line in 0..1234 {
            faults.start_row();
            faults.push(Fault::row(line, "3 cells", "4 cells"));
        }
        let list = faults.finish();
        assert_eq!(list.len(), KEPT_PER_FILE + 1);
        assert!(list[KEPT_PER_FILE].found.contains("234"));
        assert!(fault_lines(&list, 5).ends_with("and 996 more\n"));
    }
}
