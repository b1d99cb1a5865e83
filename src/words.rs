//! In which words and figures pictures and reports speak.
//!
//! In: numbers and names. Out: text for people. Every sentence of a picture or a
//! report stands in one catalogue (`english`); a second language is a second
//! constant of the same struct, and the compiler tells what it still misses. It
//! must not know what is said where.

mod english;

pub(crate) use english::Words;

/// How numbers and dates are written; the words stay English until there is
/// another catalogue.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub enum Locale {
    /// 1.5 and 2 March 2026.
    #[default]
    En,
    /// 1.5 and March 2, 2026.
    EnUs,
    /// 1,5 and 02.03.2026.
    De,
    /// 1,5 and 02/03/2026.
    Fr,
    /// 1,5 and 2026-03-02.
    Sv,
}

impl Locale {
    /// All of them, with the tags that name them.
    pub const ALL: [(&'static str, Locale); 5] = [
        ("en", Locale::En),
        ("en-US", Locale::EnUs),
        ("de", Locale::De),
        ("fr", Locale::Fr),
        ("sv", Locale::Sv),
    ];

    /// Whether decimals stand behind a comma.
    pub fn decimal_comma(self) -> bool {
        matches!(self, Locale::De | Locale::Fr | Locale::Sv)
    }
}

/// Words and the way of writing numbers, handed to whatever speaks.
#[derive(Debug, Clone, Copy)]
pub struct Voice {
    locale: Locale,
    pub(crate) words: &'static Words,
}

impl Default for Voice {
    fn default() -> Self {
        Self::new(Locale::default())
    }
}

impl Voice {
    /// English, with numbers and dates of `locale`.
    pub fn new(locale: Locale) -> Self {
        Self {
            locale,
            words: &english::ENGLISH,
        }
    }

    /// Whether decimals stand behind a comma.
    pub(crate) fn decimal_comma(self) -> bool {
        self.locale.decimal_comma()
    }

    /// Turns the decimal point of figures that hold no text into the mark of the locale.
    pub(crate) fn figure(self, text: &str) -> String {
        if self.locale.decimal_comma() {
            text.replace('.', ",")
        } else {
            text.to_owned()
        }
    }

    /// Turns points between digits of a sentence that holds no text of the user.
    pub(crate) fn sentence(self, text: &str) -> String {
        if !self.locale.decimal_comma() {
            return text.to_owned();
        }
        let letters: Vec<char> = text.chars().collect();
        let digit = |i: Option<usize>| {
            i.and_then(|i| letters.get(i))
                .is_some_and(char::is_ascii_digit)
        };
        letters
            .iter()
            .enumerate()
            .map(|(i, c)| match c {
                '.' if digit(i.checked_sub(1)) && digit(Some(i + 1)) => ',',
                c => *c,
            })
            .collect()
    }

    /// A number to at most three decimals without trailing zeros.
    pub(crate) fn plain(self, value: f64) -> String {
        let text = format!("{value:.3}");
        let text = text.trim_end_matches('0').trim_end_matches('.');
        self.figure(if text == "-0" { "0" } else { text })
    }

    /// A number with a true minus sign and so many decimals.
    pub(crate) fn signed(self, value: f64, places: usize, plus: bool) -> String {
        let text = format!("{:.places$}", value.abs());
        let zero = text.chars().all(|c| c == '0' || c == '.');
        let text = self.figure(&text);
        match (zero, value < 0.0, plus) {
            (false, true, _) => format!("\u{2212}{text}"),
            (false, false, true) => format!("+{text}"),
            _ => text,
        }
    }

    /// A supply voltage, or that none is stated.
    pub(crate) fn voltage(self, volts: Option<f64>) -> String {
        volts.map_or_else(
            || self.words.no_voltage.to_owned(),
            |v| format!("{} V", self.plain(v)),
        )
    }

    /// A differential pressure, or that none is stated.
    pub(crate) fn pressure(self, kpa: Option<f64>) -> String {
        kpa.map_or_else(
            || self.words.no_pressure.to_owned(),
            |kpa| format!("{} kPa", self.plain((10.0 * kpa).round() / 10.0)),
        )
    }

    /// A date written as year-month-day in the way of the locale; any other text as it stands.
    pub(crate) fn date(self, text: &str) -> String {
        let parts: Vec<&str> = text.split('-').collect();
        let number = |part: &str, digits: usize| {
            (part.len() == digits && part.bytes().all(|b| b.is_ascii_digit()))
                .then(|| part.parse::<usize>().ok())
                .flatten()
        };
        let [Some(year), Some(month), Some(day)] = (match parts[..] {
            [y, m, d] => [number(y, 4), number(m, 2), number(d, 2)],
            _ => [None; 3],
        }) else {
            return text.to_owned();
        };
        let Some(name) = month
            .checked_sub(1)
            .and_then(|m| self.words.months().nth(m))
        else {
            return text.to_owned();
        };
        match self.locale {
            Locale::En => format!("{day} {name} {year:04}"),
            Locale::EnUs => format!("{name} {day}, {year:04}"),
            Locale::De => format!("{day:02}.{month:02}.{year:04}"),
            Locale::Fr => format!("{day:02}/{month:02}/{year:04}"),
            Locale::Sv => text.to_owned(),
        }
    }
}

/// Puts values into the places `{0}`, `{1}` of a sentence, in one pass: braces in
/// the values stay what they are.
pub(crate) fn fill(sentence: &str, values: &[&str]) -> String {
    let mut filled = String::with_capacity(sentence.len() + 32);
    let mut rest = sentence;
    while let Some(at) = rest.find('{') {
        filled.push_str(&rest[..at]);
        let inside = &rest[at + 1..];
        let place = inside.split_once('}').and_then(|(number, tail)| {
            let value = values.get(number.parse::<usize>().ok()?)?;
            Some((value, tail))
        });
        match place {
            Some((value, tail)) => {
                filled.push_str(value);
                rest = tail;
            }
            None => {
                filled.push('{');
                rest = inside;
            }
        }
    }
    filled.push_str(rest);
    filled
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_carry_true_signs_and_zero_has_none() {
        let v = Voice::default();
        assert_eq!(v.signed(-0.004, 2, true), "0.00");
        assert_eq!(v.signed(-0.4, 2, true), "\u{2212}0.40");
        assert_eq!(v.signed(0.4, 1, true), "+0.4");
        assert_eq!(v.plain(13.5), "13.5");
        assert_eq!(v.plain(-0.0001), "0");
    }

    #[test]
    fn a_locale_moves_the_decimal_mark_and_the_date() {
        let v = Voice::new(Locale::De);
        assert_eq!(v.plain(13.5), "13,5");
        assert_eq!(
            v.sentence("at 1.5 ms. Next 2. then"),
            "at 1,5 ms. Next 2. then"
        );
        assert_eq!(v.date("2026-03-02"), "02.03.2026");
        let date = |l| Voice::new(l).date("2026-03-02");
        assert_eq!(date(Locale::En), "2 March 2026");
        assert_eq!(date(Locale::EnUs), "March 2, 2026");
        assert_eq!(date(Locale::Fr), "02/03/2026");
        for odd in ["2026-13-02", "2026-00-02", "last Tuesday", "2026-3-2", ""] {
            assert_eq!(v.date(odd), odd);
        }
    }

    #[test]
    fn values_are_put_in_once() {
        assert_eq!(fill("{1} of {0}", &["{1}", "two"]), "two of {1}");
        assert_eq!(fill("a { b {7}", &["x"]), "a { b {7}");
    }
}
