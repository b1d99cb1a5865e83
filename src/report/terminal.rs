//! The report as text for a terminal of any width.

use anstyle::{AnsiColor, Style as Ansi};
use comfy_table::{CellAlignment, ContentArrangement, Table, TableComponent, presets};

use super::notes::{Note, gather, severity_word};
use super::statements::{self, Condition, Set, Statements, next_step, prepare};
use super::{ReportError, Style};
use crate::characterisation::Characterisation;
use crate::characterisation::Source;
use crate::characterisation::{SetMatch, Verdict};
use crate::finding::{Finding, Severity};
use crate::plots::{columns, shortened, visible};
use crate::words::Voice;

/// Below this many columns nothing readable can be laid out.
const NARROWEST: usize = 20;
/// Columns that a deviation with its doubt needs in the table of the set.
const DEVIATION_COLUMNS: usize = 15;

/// Writes the report as text: a table for each condition, the set, what makes
/// the doubt, the findings, and one line on what to do next. Ends in a newline.
///
/// User text is shown with control characters escaped. Lines keep to the width,
/// words longer than it are broken.
///
/// # Errors
/// [`ReportError`] where the unit of flow needs a density that is not stated.
pub fn terminal(document: &Characterisation, style: &Style) -> Result<String, ReportError> {
    let said = prepare(document, style)?;
    let mut page = Page::new(style);
    for line in &said.origin {
        page.paragraph(line, 0, Ansi::new());
    }
    page.paragraph(style.voice().words.plus_minus, 0, Ansi::new());
    for condition in &said.conditions {
        page.condition(condition);
    }
    if let Some(set) = &said.set {
        page.set(set);
    }
    page.doubts(&said);
    page.notes(&said.notes);
    page.next(&said.next);
    Ok(page.text)
}

/// Writes the score of a set alone: the table, the verdict, its findings and
/// one line on what to do next.
pub fn set_text(set: &SetMatch, style: &Style) -> String {
    let mut document = Characterisation::blank(Vec::new());
    document.set_match = Some(set.clone());
    let v = style.voice();
    let notes = gather(&document, v);
    let mut page = Page::new(style);
    page.paragraph(style.voice().words.plus_minus, 0, Ansi::new());
    page.set(&statements::set(set, v));
    page.notes(&notes);
    page.next(&next_step(&document, &notes, v));
    page.text
}

/// Writes what reading and checking said of the files: rows and findings.
pub fn check_text(sources: &[Source], findings: &[Finding], style: &Style) -> String {
    let mut document = Characterisation::blank(sources.to_vec());
    document.findings = findings.to_vec();
    let mut page = Page::new(style);
    for source in sources {
        let line = format!(
            "{}: {} rows, {} used",
            visible(&source.name),
            source.rows,
            source.rows_used
        );
        page.paragraph(&line, 2, Ansi::new());
    }
    page.notes(&gather(&document, style.voice()));
    page.text
}

/// The text so far, and how it is laid out.
struct Page {
    text: String,
    width: usize,
    colour: bool,
    voice: Voice,
}

impl Page {
    fn new(style: &Style) -> Self {
        Self {
            text: String::new(),
            width: style.width.max(NARROWEST),
            colour: style.colour,
            voice: style.voice(),
        }
    }

    /// The one line on what to do next.
    fn next(&mut self, words: &str) {
        self.blank();
        self.paragraph(&format!("Next: {words}."), 6, Ansi::new().bold());
    }

    fn blank(&mut self) {
        self.text.push('\n');
    }

    /// Wrapped text; lines after the first are indented.
    fn paragraph(&mut self, words: &str, indent: usize, look: Ansi) {
        let words = without_endless_words(words);
        for line in wrapped(&words, self.width, indent) {
            if self.colour && look != Ansi::new() {
                self.text.push_str(&format!("{look}{line}{look:#}\n"));
            } else {
                self.text.push_str(&line);
                self.blank();
            }
        }
    }

    fn heading(&mut self, words: &str) {
        self.blank();
        self.paragraph(words, 2, Ansi::new().bold());
    }

    /// A table; the columns in `right` are aligned to the right.
    fn table(
        &mut self,
        header: Vec<String>,
        rows: Vec<Vec<String>>,
        right: std::ops::Range<usize>,
    ) {
        let (names, cells) = (header.clone(), rows.clone());
        // Each column needs its longest word; held figures count as one.
        let longest = |at: usize| {
            let cells = rows.iter().chain([&header]).filter_map(|row| row.get(at));
            let words = cells.flat_map(|cell| cell.split(' '));
            1 + words.map(width).max().unwrap_or(0)
        };
        let needed: usize = (0..header.len()).map(longest).sum();
        let mut table = Table::new();
        table
            .load_preset(presets::NOTHING)
            .set_style(TableComponent::HeaderLines, '─')
            .set_style(TableComponent::MiddleHeaderIntersections, '─')
            .set_content_arrangement(ContentArrangement::Dynamic)
            .set_width(self.width.try_into().unwrap_or(u16::MAX))
            .set_header(header)
            .add_rows(rows);
        for (index, column) in table.column_iter_mut().enumerate() {
            column.set_padding((0, 1));
            if right.contains(&index) {
                column.set_cell_alignment(CellAlignment::Right);
            }
        }
        // Held together while columns were made narrow; plain blanks for the reader.
        let lines: Vec<String> = table
            .lines()
            .map(|line| line.replace('\u{a0}', " ").trim_end().to_owned())
            .collect();
        // A table that would break words or figures apart goes down the page.
        if needed > self.width {
            return self.list(&names, &cells);
        }
        for line in lines {
            self.text.push_str(&line);
            self.blank();
        }
    }

    /// A table as a list: the first cell of each row, then the others with their names.
    fn list(&mut self, names: &[String], rows: &[Vec<String>]) {
        for row in rows {
            for (at, (name, cell)) in names.iter().zip(row).enumerate() {
                let cell = cell.replace('\u{a0}', " ");
                if cell.is_empty() {
                    continue;
                }
                let (line, indent) = if at == 0 {
                    (cell, 1)
                } else {
                    (format!("  {name}: {cell}"), 4)
                };
                self.paragraph(&line, indent, Ansi::new());
            }
        }
    }

    /// An id in the room that a table has for it: both ends of a long one.
    fn id(&self, injector: &str) -> String {
        shortened(injector, (self.width / 5).max(8))
    }

    fn condition(&mut self, condition: &Condition) {
        self.heading(&condition.heading);
        self.paragraph(&condition.common.join("; "), 0, Ansi::new());
        let notes = condition.rows.iter().any(|r| !r.notes.is_empty());
        let mut header = vec!["injector".to_owned()];
        if condition.ranges_differ {
            header.push("line range, ms".to_owned());
        }
        header.push(format!("flow, {}", condition.flow_unit));
        header.push("dead time, ms".to_owned());
        header.push("linear flow range, ms".to_owned());
        let right = 1..header.len();
        if notes {
            header.push("notes".to_owned());
        }
        let rows = condition
            .rows
            .iter()
            .map(|row| {
                let mut cells = vec![self.id(&row.injector)];
                if condition.ranges_differ {
                    cells.push(row.line_range.clone());
                }
                cells.extend([&row.flow, &row.dead_time, &row.linear_range].map(|cell| held(cell)));
                if notes {
                    cells.push(row.notes.clone());
                }
                cells
            })
            .collect();
        self.table(header, rows, right);
    }

    fn set(&mut self, set: &Set) {
        self.heading(&format!(
            "{}: deviation from the set mean, %",
            capital(&set.heading)
        ));
        let widest = set
            .rows
            .iter()
            .map(|r| width(&r.injector))
            .max()
            .unwrap_or(0);
        let needed = widest.min(20) + set.points.len() * DEVIATION_COLUMNS + 18;
        if needed <= self.width {
            let mut header = vec!["injector".to_owned()];
            header.extend(set.points.iter().cloned());
            header.push("largest effect".to_owned());
            let rows = set.rows.iter().map(|row| {
                let mut cells = vec![self.id(&row.injector)];
                cells.extend(row.deviations.iter().map(|cell| held(cell)));
                cells.push(held(&row.mixture));
                cells
            });
            self.table(header, rows.collect(), 1..set.points.len() + 1);
        } else {
            // Too many operating points for one line: they go down instead.
            let header = ["operating point", "injector", "deviation"].map(str::to_owned);
            let mut rows = Vec::new();
            for (i, point) in set.points.iter().enumerate() {
                for (k, row) in set.rows.iter().enumerate() {
                    let point = if k == 0 { point.clone() } else { String::new() };
                    rows.push(vec![
                        point,
                        self.id(&row.injector),
                        held(&row.deviations[i]),
                    ]);
                }
            }
            self.table(header.to_vec(), rows, 2..3);
        }
        if set.rows.iter().any(|r| r.mixture.ends_with('?')) {
            self.paragraph("? cannot be told from the set mean", 2, Ansi::new());
        }
        for fact in &set.facts {
            self.paragraph(&capital(fact), 2, Ansi::new());
        }
        let look = match set.verdict {
            Some(Verdict::Matched) => AnsiColor::Green.on_default().bold(),
            Some(Verdict::NotMatched) => AnsiColor::Red.on_default().bold(),
            Some(Verdict::Undecided) => AnsiColor::Yellow.on_default().bold(),
            None => Ansi::new(),
        };
        self.paragraph(&capital(&set.verdict_words), 2, look);
    }

    /// What makes the doubt: once where all conditions say the same.
    fn doubts(&mut self, said: &Statements) {
        let known: Vec<&Condition> = said
            .conditions
            .iter()
            .filter(|c| !c.doubt.is_empty())
            .collect();
        let Some(first) = known.first() else { return };
        self.heading("What makes the doubt (largest standard uncertainties)");
        if known.iter().all(|c| c.doubt == first.doubt) {
            self.paragraph(&capital(&first.doubt), 2, Ansi::new());
            return;
        }
        for condition in known {
            self.paragraph(
                &format!("{}: {}", condition.heading, condition.doubt),
                2,
                Ansi::new(),
            );
        }
    }

    fn notes(&mut self, notes: &[Note]) {
        if notes.is_empty() {
            return;
        }
        self.heading("Notes");
        for note in notes {
            let look = match note.severity {
                Severity::Serious => AnsiColor::Red.on_default(),
                Severity::Doubt => AnsiColor::Yellow.on_default(),
                Severity::Note => Ansi::new(),
            };
            let mut line = format!(
                "{:>2} {}",
                note.number,
                severity_word(note.severity, self.voice)
            );
            if note.count > 1 {
                line.push_str(&format!(", {} times", note.count));
            }
            if !note.places.is_empty() {
                line.push_str(&format!(" ({})", note.places));
            }
            line.push_str(if note.figures_differ {
                ": for example, "
            } else {
                ": "
            });
            line.push_str(&note.text);
            self.paragraph(&line, 3, look);
            self.paragraph(&format!("   To do: {}", note.advice), 3, Ansi::new());
        }
    }
}

pub(super) fn capital(words: &str) -> String {
    let mut chars = words.chars();
    chars.next().map_or_else(String::new, |first| {
        first.to_uppercase().collect::<String>() + chars.as_str()
    })
}

/// Keeps a figure and its doubt on one line; words with a comma may break after it.
fn held(cell: &str) -> String {
    match cell.split_once(", ") {
        Some((figure, words)) => format!("{}, {words}", held(figure)),
        None => cell.replace(' ', "\u{a0}"),
    }
}

fn width(text: &str) -> usize {
    text.chars().map(columns).sum()
}

/// Words of more columns are no ids and no paths that anybody reads to their end.
const LONGEST_WORD: usize = 120;

/// Cuts words that would fill a screen in their middle.
fn without_endless_words(text: &str) -> String {
    let words = text.split(' ').map(|word| shortened(word, LONGEST_WORD));
    words.collect::<Vec<_>>().join(" ")
}

/// Breaks text into lines of at most `width` columns; leading blanks are kept.
fn wrapped(text: &str, limit: usize, indent: usize) -> Vec<String> {
    let lead: String = text.chars().take_while(|c| *c == ' ').collect();
    let mut lines = Vec::new();
    let mut line = lead;
    let mut empty = true;
    for word in text.split_whitespace() {
        let mut word = word.to_owned();
        let space = usize::from(!empty);
        if width(&line) + space + width(&word) > limit && !empty {
            lines.push(std::mem::replace(&mut line, " ".repeat(indent)));
            empty = true;
        }
        while width(&line) + width(&word) > limit && empty {
            let room = limit - width(&line);
            let mut used = 0;
            let cut = word
                .char_indices()
                .find(|(_, c)| {
                    used += columns(*c);
                    used > room
                })
                .map_or(word.len(), |(at, _)| at);
            let tail = word.split_off(cut);
            line.push_str(&word);
            lines.push(std::mem::replace(&mut line, " ".repeat(indent)));
            word = tail;
        }
        if !empty {
            line.push(' ');
        }
        line.push_str(&word);
        empty = false;
    }
    lines.push(line);
    lines
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lines_keep_to_the_width() {
        let text = "one two three four-hundred-and-fifty-six-thousand five";
        for line in wrapped(text, 12, 2) {
            assert!(width(&line) <= 12, "{line}");
        }
        assert_eq!(wrapped("a b", 12, 2), ["a b"]);
        assert_eq!(
            wrapped(" 1 note: abc def", 10, 3),
            [" 1 note:", "   abc def"]
        );
    }
}
