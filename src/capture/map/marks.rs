//! Decimal marks and thousands separators of numbers that are text.

use super::shape::parted;
use crate::capture::number::groups_of_three;

/// How the numbers of a sheet are written.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub(super) struct Writing {
    /// Decimal mark, where one is beyond doubt.
    pub decimal: Option<char>,
    /// Thousands separator, where one is beyond doubt.
    pub thousands: Option<char>,
    /// A mark of which only numbers as `1,234` are known, or which stands both ways.
    pub unclear: Option<char>,
}

/// Judges by all numbers; those of `counts` are whole, so a mark in them parts thousands.
pub(super) fn writing<'t>(
    numbers: impl Iterator<Item = &'t str>,
    counts: impl Iterator<Item = &'t str>,
) -> Writing {
    let mut writing = Writing::default();
    let mut unclear = Vec::new();
    for text in numbers {
        writing.look_at(text, false, &mut unclear);
    }
    for text in counts {
        writing.look_at(text, true, &mut unclear);
    }
    for mark in unclear {
        match (writing.decimal, writing.thousands) {
            (Some(decimal), _) if decimal == mark => {}
            (Some(_), None) => writing.thousands = Some(mark),
            (None, Some(thousands)) if thousands != mark => writing.decimal = Some(mark),
            (_, Some(_)) => {}
            (None, None) => writing.unclear = Some(mark),
        }
    }
    if let Some(mark) = writing.decimal
        && writing.thousands == Some(mark)
    {
        writing = Writing {
            unclear: Some(mark),
            ..Writing::default()
        };
    }
    writing
}

impl Writing {
    fn look_at(&mut self, text: &str, is_count: bool, unclear: &mut Vec<char>) {
        let number = parted(text).0;
        if number.contains(char::is_whitespace) {
            self.thousands = Some(' ');
        } else if number.contains(['\'', '\u{2019}']) {
            self.thousands = Some('\'');
        }
        let last = number
            .rfind(['.', ','])
            .and_then(|at| number[at..].chars().next());
        let Some(last) = last else { return };
        let other = if last == ',' { '.' } else { ',' };
        let times = number.matches(last).count();
        if number.contains(other) {
            self.decimal = Some(last);
            self.thousands = Some(other);
        } else if times > 1 {
            self.thousands = Some(last);
        } else if !groups_of_three(number.as_bytes(), last as u8) {
            self.decimal = Some(last);
        } else if is_count {
            self.thousands = Some(last);
        } else {
            unclear.push(last);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn of(numbers: &[&str], counts: &[&str]) -> (Option<char>, Option<char>, Option<char>) {
        let found = writing(numbers.iter().copied(), counts.iter().copied());
        (found.decimal, found.thousands, found.unclear)
    }

    #[test]
    fn marks_are_told_apart_or_asked_about() {
        assert_eq!(
            of(&["82.5", "83"], &["12,000"]),
            (Some('.'), Some(','), None)
        );
        assert_eq!(of(&["82,5"], &["12.000"]), (Some(','), Some('.'), None));
        assert_eq!(of(&["1.234,5"], &[]), (Some(','), Some('.'), None));
        assert_eq!(of(&["1,234", "2,345"], &["500"]), (None, None, Some(',')));
        assert_eq!(of(&["1,234", "0,5"], &[]), (Some(','), None, None));
        assert_eq!(of(&["1,234"], &["12,000"]), (None, Some(','), None));
        assert_eq!(of(&["82"], &["12 000"]), (None, Some(' '), None));
        assert_eq!(of(&["82"], &["12'000"]), (None, Some('\''), None));
        assert_eq!(of(&["82 ml", "7"], &[]), (None, None, None));
        assert_eq!(of(&["1.5", "2.5"], &["1.234"]), (None, None, Some('.')));
        assert_eq!(of(&["1.5", "1.234.567"], &[]), (None, None, Some('.')));
    }
}
