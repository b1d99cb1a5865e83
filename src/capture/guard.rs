//! Text that a spreadsheet would take for a formula, or a reader for a comment, behind an apostrophe.

use std::borrow::Cow;

/// What a text must not begin with in a cell: formulas of spreadsheets, the blanks that some of them
/// skip before one, and the mark of a comment.
const RISKY: [char; 7] = ['=', '+', '-', '@', '#', '\t', '\r'];

/// Whether a text begins with something risky, behind any number of apostrophes.
fn is_risky(text: &str) -> bool {
    text.trim_start_matches('\'').starts_with(RISKY)
}

/// The text as it is written into a cell of CSV or of a workbook: with one apostrophe before it
/// where it is risky. [`unguarded`] gives back the same text.
pub fn guarded(text: &str) -> Cow<'_, str> {
    if is_risky(text) {
        Cow::Owned(format!("'{text}"))
    } else {
        Cow::Borrowed(text)
    }
}

/// The text that a cell means.
pub fn unguarded(cell: &str) -> &str {
    match cell.strip_prefix('\'') {
        Some(text) if is_risky(text) => text,
        _ => cell,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_text_comes_back_and_none_begins_as_a_formula() {
        for text in [
            "", "A1", "'", "''", "'A1", "O'Hara", "=1+1", "'=1", "''=1", "+1", "-1", "@x", "#1",
            "\t=1", "\r=1", "''", "'#",
        ] {
            let cell = guarded(text);
            assert_eq!(unguarded(&cell), text);
            assert!(!cell.starts_with(RISKY), "{cell}");
        }
        assert_eq!(guarded("A1"), "A1");
        assert_eq!(guarded("=1"), "'=1");
    }
}
