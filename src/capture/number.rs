//! What a cell says: numbers and times, strictly.

/// Why a cell is not the number that was expected.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum NotANumber {
    /// Not a number at all.
    Text,
    /// NaN, infinite or beyond the range of a number.
    NotFinite,
    /// Thousands separators, as in `1,234.5`.
    Grouped,
    /// A decimal comma where the comma separates cells.
    DecimalComma,
    /// A number followed by a unit.
    WithUnit,
}

impl NotANumber {
    /// What to do about it.
    pub fn hint(self) -> Option<&'static str> {
        match self {
            NotANumber::Text => None,
            NotANumber::NotFinite => {
                Some("leave out a reading that was not made, or write why in the exclude column")
            }
            NotANumber::Grouped => Some("write numbers without thousands separators"),
            NotANumber::DecimalComma => Some(
                "decimal commas are understood where cells are separated by semicolons or tabs",
            ),
            NotANumber::WithUnit => Some("the unit stands in the header, not in the cell"),
        }
    }
}

/// Which decimal marks a file uses, to notice `1,234` where the comma cannot be told from a
/// thousands separator. Lines count from 1; 0 is none.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub(super) struct Marks {
    /// A point that can only be a decimal point stands in the file.
    pub point: bool,
    /// A comma that can only be a decimal comma stands in the file.
    pub comma: bool,
    /// Line of the first number like `1.234`.
    pub unclear_point: u64,
    /// Line of the first number like `1,234`.
    pub unclear_comma: u64,
}

impl Marks {
    /// Of this part of a file and the part below it.
    pub fn and(self, below: Self) -> Self {
        Self {
            point: self.point | below.point,
            comma: self.comma | below.comma,
            unclear_point: first_line(self.unclear_point, below.unclear_point),
            unclear_comma: first_line(self.unclear_comma, below.unclear_comma),
        }
    }
}

/// The line of this part of a file or, where it has none, of the part below it; 0 is none.
pub(super) fn first_line(above: u64, below: u64) -> u64 {
    if above == 0 { below } else { above }
}

/// Reads a trimmed cell as a finite number with a decimal point, or a decimal
/// comma where `decimal_comma` says that one may stand.
pub(super) fn number(
    text: &str,
    decimal_comma: bool,
    marks: &mut Marks,
    line: u64,
) -> Result<f64, NotANumber> {
    let bytes = text.as_bytes();
    let numeric = |b: &u8| matches!(b, b'0'..=b'9' | b'+' | b'-' | b'.' | b',' | b'e' | b'E');
    if !bytes.iter().all(numeric) {
        return Err(refusal(text));
    }
    let commas = bytes.iter().filter(|b| **b == b',').count();
    let points = bytes.iter().filter(|b| **b == b'.').count();
    if commas + points > 1 {
        let digits = bytes.iter().any(u8::is_ascii_digit);
        return Err(if digits {
            NotANumber::Grouped
        } else {
            NotANumber::Text
        });
    }
    let value = if commas == 0 {
        text.parse::<f64>()
    } else if decimal_comma {
        text.replace(',', ".").parse()
    } else if groups_of_three(bytes, b',') {
        return Err(NotANumber::Grouped);
    } else {
        let would_be = text.replace(',', ".").parse::<f64>();
        return Err(would_be.map_or(NotANumber::Text, |_| NotANumber::DecimalComma));
    };
    let value = value.map_err(|_| NotANumber::Text)?;
    if !value.is_finite() {
        return Err(NotANumber::NotFinite);
    }
    if decimal_comma {
        note_marks(bytes, commas, points, marks, line);
    }
    Ok(value)
}

fn note_marks(bytes: &[u8], commas: usize, points: usize, marks: &mut Marks, line: u64) {
    let first = |old: u64| first_line(old, line);
    match (commas, points) {
        (1, _) if groups_of_three(bytes, b',') => marks.unclear_comma = first(marks.unclear_comma),
        (1, _) => marks.comma = true,
        (_, 1) if groups_of_three(bytes, b'.') => marks.unclear_point = first(marks.unclear_point),
        (_, 1) => marks.point = true,
        _ => {}
    }
}

/// Whether a number has the shape `1,234`: one to three digits (not a lone zero), the mark, three digits.
pub(super) fn groups_of_three(bytes: &[u8], mark: u8) -> bool {
    let unsigned = match bytes.first() {
        Some(b'+' | b'-') => &bytes[1..],
        _ => bytes,
    };
    let Some(at) = unsigned.iter().position(|b| *b == mark) else {
        return false;
    };
    let (head, tail) = (&unsigned[..at], &unsigned[at + 1..]);
    (1..=3).contains(&head.len())
        && head[0] != b'0'
        && tail.len() == 3
        && head.iter().chain(tail).all(u8::is_ascii_digit)
}

/// Says why a text with foreign characters is no number.
fn refusal(text: &str) -> NotANumber {
    let bare = text.trim_start_matches(['+', '-']).to_ascii_lowercase();
    if matches!(bare.as_str(), "nan" | "inf" | "infinity" | "∞") {
        return NotANumber::NotFinite;
    }
    let grouping = |c: char| {
        matches!(
            c,
            ' ' | '\'' | '’' | '_' | '\u{a0}' | '\u{202f}' | '\u{2009}'
        )
    };
    let without: String = text.chars().filter(|c| !grouping(*c)).collect();
    if without.len() < text.len() && without.replace(',', ".").parse::<f64>().is_ok() {
        return NotANumber::Grouped;
    }
    let length = text
        .rfind(|c: char| c.is_ascii_digit())
        .map_or(0, |last_digit| last_digit + 1);
    let (head, tail) = text.split_at(length);
    let unit = tail.trim();
    if head.replace(',', ".").parse::<f64>().is_ok()
        && unit
            .chars()
            .next()
            .is_some_and(|c| c.is_alphabetic() || "°%".contains(c))
        && unit.chars().count() <= 4
    {
        return NotANumber::WithUnit;
    }
    NotANumber::Text
}

/// Whether a text is a date and time of day as RFC 3339 (section 5.6) writes it,
/// as `2026-03-14T09:26:53Z` or with `+01:00`; a blank may stand for the `T`.
pub(super) fn is_rfc3339(text: &str) -> bool {
    let bytes = text.as_bytes();
    let digits = |range: std::ops::Range<usize>| -> Option<u32> {
        let part = bytes.get(range)?;
        part.iter().try_fold(0, |n, b| {
            b.is_ascii_digit().then(|| n * 10 + u32::from(b - b'0'))
        })
    };
    let mark = |at: usize, marks: &[u8]| bytes.get(at).is_some_and(|b| marks.contains(b));
    let (Some(year), Some(month), Some(day)) = (digits(0..4), digits(5..7), digits(8..10)) else {
        return false;
    };
    let (Some(hour), Some(minute), Some(second)) = (digits(11..13), digits(14..16), digits(17..19))
    else {
        return false;
    };
    let marked =
        mark(4, b"-") && mark(7, b"-") && mark(10, b"Tt ") && mark(13, b":") && mark(16, b":");
    let leap = year.is_multiple_of(4) && (!year.is_multiple_of(100) || year.is_multiple_of(400));
    let days = match month {
        4 | 6 | 9 | 11 => 30,
        2 if leap => 29,
        2 => 28,
        1..=12 => 31,
        _ => return false,
    };
    if !marked || !(1..=days).contains(&day) || hour > 23 || minute > 59 || second > 60 {
        return false;
    }
    let mut at = 19;
    if mark(at, b".") {
        let fraction = bytes[at + 1..]
            .iter()
            .take_while(|b| b.is_ascii_digit())
            .count();
        if fraction == 0 {
            return false;
        }
        at += 1 + fraction;
    }
    if mark(at, b"Zz") {
        return bytes.len() == at + 1;
    }
    mark(at, b"+-")
        && mark(at + 3, b":")
        && bytes.len() == at + 6
        && digits(at + 1..at + 3).is_some_and(|h| h < 24)
        && digits(at + 4..at + 6).is_some_and(|m| m < 60)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn read(text: &str, decimal_comma: bool) -> Result<f64, NotANumber> {
        number(text, decimal_comma, &mut Marks::default(), 1)
    }

    #[test]
    fn only_finite_plain_numbers_are_numbers() {
        assert_eq!(read("12.5", false), Ok(12.5));
        assert_eq!(read("1e3", false), Ok(1000.0));
        assert_eq!(read("12,5", true), Ok(12.5));
        assert_eq!(read("12,5", false), Err(NotANumber::DecimalComma));
        assert_eq!(read("1,234.5", true), Err(NotANumber::Grouped));
        assert_eq!(read("1,234", false), Err(NotANumber::Grouped));
        assert_eq!(read("1 234,5", true), Err(NotANumber::Grouped));
        assert_eq!(read("1e999", false), Err(NotANumber::NotFinite));
        assert_eq!(read("NaN", false), Err(NotANumber::NotFinite));
        assert_eq!(read("-inf", false), Err(NotANumber::NotFinite));
        assert_eq!(read("12 ml", false), Err(NotANumber::WithUnit));
        assert_eq!(read("12,x", true), Err(NotANumber::Text));
        assert_eq!(read("0x10", false), Err(NotANumber::Text));
        assert_eq!(read("-", false), Err(NotANumber::Text));
        assert_eq!(read("e", false), Err(NotANumber::Text));
    }

    #[test]
    fn times_are_rfc_3339() {
        for good in [
            "2026-03-14T09:26:53Z",
            "2024-02-29t00:00:60.25+05:30",
            "2026-03-14 09:26:53-00:00",
        ] {
            assert!(is_rfc3339(good), "{good}");
        }
        for bad in [
            "",
            "14.03.2026",
            "2026-02-29T00:00:00Z",
            "2026-03-14T09:26:53",
            "2026-03-14T24:00:00Z",
            "2026-03-14T09:26:53.Z",
            "2026-03-14T09:26:53Zx",
            "2026-03-14T09:26:53é",
        ] {
            assert!(!is_rfc3339(bad), "{bad}");
        }
    }
}
