//! Texts with stars in them, as mapping files write them.

/// A text in which `*` stands for anything. Letter case and the number of blanks do not count.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Pattern(Vec<char>);

impl Pattern {
    /// Takes a pattern as written.
    pub fn new(text: &str) -> Self {
        Self(folded(text))
    }

    /// How many stars it has.
    pub fn stars(&self) -> usize {
        self.0.iter().filter(|c| **c == '*').count()
    }

    /// Whether a cell is such a text. An empty cell never is.
    pub fn fits(&self, cell: &str) -> bool {
        let text = folded(cell);
        if text.is_empty() {
            return false;
        }
        // Where the last star stood, and how much of the text it stands for so far.
        let (mut at, mut of_pattern) = (0, 0);
        let mut star = None;
        while at < text.len() {
            match self.0.get(of_pattern) {
                Some('*') => {
                    star = Some((of_pattern, at));
                    of_pattern += 1;
                }
                Some(c) if *c == text[at] => {
                    at += 1;
                    of_pattern += 1;
                }
                _ => {
                    let Some((star_at, taken)) = star else {
                        return false;
                    };
                    star = Some((star_at, taken + 1));
                    at = taken + 1;
                    of_pattern = star_at + 1;
                }
            }
        }
        self.0[of_pattern..].iter().all(|c| *c == '*')
    }

    /// What the only star stands for in a cell; `None` where the cell does not fit or nothing is left.
    pub fn star<'c>(&self, cell: &'c str) -> Option<&'c str> {
        let at = self.0.iter().position(|c| *c == '*')?;
        if !self.fits(cell) {
            return None;
        }
        let cell = cell.trim();
        let head = skip(cell.chars(), &self.0[..at])?;
        let tail: Vec<char> = self.0[at + 1..].iter().rev().copied().collect();
        let rest = &cell[head..];
        let tail = skip(rest.chars().rev(), &tail)?;
        let value = rest[..rest.len() - tail].trim();
        (!value.is_empty()).then_some(value)
    }
}

/// Bytes that the characters of a pattern take up at an end of a text.
fn skip(text: impl Iterator<Item = char> + Clone, pattern: &[char]) -> Option<usize> {
    let (mut text, mut bytes) = (text.peekable(), 0);
    for wanted in pattern {
        let c = text.next()?;
        bytes += c.len_utf8();
        if *wanted == ' ' {
            while let Some(more) = text.next_if(|c| c.is_whitespace()) {
                bytes += more.len_utf8();
            }
        }
    }
    Some(bytes)
}

/// Lower case, one blank between words. As many characters as the words have.
fn folded(text: &str) -> Vec<char> {
    let mut folded = Vec::new();
    for word in text.split_whitespace() {
        if !folded.is_empty() {
            folded.push(' ');
        }
        folded.extend(word.chars().map(|c| c.to_lowercase().next().unwrap_or(c)));
    }
    folded
}

/// Whether two texts are the same but for letter case and blanks.
pub(super) fn alike(a: &str, b: &str) -> bool {
    folded(a) == folded(b)
}

/// A text on one line, with one blank between words.
pub(super) fn one_line(text: &str) -> String {
    text.split_whitespace().collect::<Vec<_>>().join(" ")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_star_stands_for_anything() {
        for (pattern, cell, fits) in [
            ("Average*", "average of three", true),
            ("Average*", "An average", false),
            ("*mean*", "the mean", true),
            ("Mittel", "  mittel ", true),
            ("a*b*c", "a-b-b-c", true),
            ("a*b*c", "a-c-b", false),
            ("*", "", false),
            ("*", "x", true),
            ("", "x", false),
        ] {
            assert_eq!(Pattern::new(pattern).fits(cell), fits, "{pattern} {cell}");
        }
    }

    #[test]
    fn what_a_star_stands_for_is_kept_as_written() {
        for (pattern, cell, value) in [
            ("Injector: *", " INJECTOR:   Ä1 b ", Some("Ä1 b")),
            ("Supply * (mean)", "supply 13,5 V (Mean)", Some("13,5 V")),
            ("Injector*", "Injector", None),
            ("Düse *", "düse 0413", Some("0413")),
            ("İ*x", "İyx", Some("y")),
        ] {
            assert_eq!(Pattern::new(pattern).star(cell), value, "{pattern} {cell}");
        }
    }
}
