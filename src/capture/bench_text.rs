//! Values of a bench or mapping file: sections, words and quantities, each with the line it stands on.

use toml::Spanned;
use toml::de::{DeTable, DeValue};

use super::fault::{Fault, Faults};
use super::names::near_miss;
use crate::units::{Quantity, QuantityError, magnitude_words, parse};

/// Which numbers a quantity may have.
#[derive(Clone, Copy, PartialEq, Eq)]
pub(super) enum Sign {
    AboveZero,
    NotBelowZero,
    Any,
}

/// One table of the file with the keys it may have.
pub(super) struct Section<'t> {
    pub name: &'static str,
    pub line: u64,
    pub table: &'t DeTable<'t>,
}

pub(super) struct BenchReader {
    /// Offsets of the line feeds.
    line_feeds: Vec<usize>,
    /// What a key at the top of the file should be.
    pub what: &'static str,
    pub faults: Faults,
}

impl BenchReader {
    pub fn new(name: &str, text: &str) -> Self {
        Self {
            line_feeds: text.match_indices('\n').map(|(at, _)| at).collect(),
            what: "a section of the bench file",
            faults: Faults::new(name),
        }
    }

    pub fn line(&self, offset: usize) -> u64 {
        1 + self.line_feeds.partition_point(|at| *at < offset) as u64
    }

    /// The text as TOML; what is none is complained about.
    pub fn document<'t>(&mut self, text: &'t str, hint: &str) -> Spanned<DeTable<'t>> {
        let (document, errors) = DeTable::parse_recoverable(text);
        for error in errors {
            let line = self.line(error.span().map_or(0, |span| span.start));
            let found = error.message().lines().next().unwrap_or("an error");
            self.push(Fault::row(line, found, "TOML").hint(hint));
        }
        document
    }

    pub fn push(&mut self, fault: Fault) {
        self.faults.start_row();
        self.faults.push(fault.in_key());
    }

    /// The tables of a name: one `[name]`, or `[[name]]` where several may stand.
    pub fn sections<'t>(
        &mut self,
        document: &'t DeTable<'t>,
        name: &'static str,
        several: bool,
    ) -> Vec<Section<'t>> {
        let Some((key, value)) = document.get_key_value(name) else {
            return Vec::new();
        };
        let key_line = self.line(key.span().start);
        let mut tables = Vec::new();
        match value.get_ref() {
            DeValue::Table(table) => tables.push(Section {
                name,
                line: key_line,
                table,
            }),
            DeValue::Array(array) if several => {
                for item in array.iter() {
                    let line = self.line(item.span().start);
                    match item.get_ref() {
                        DeValue::Table(table) => tables.push(Section { name, line, table }),
                        other => self.push(not_a_table(line, name, other)),
                    }
                }
            }
            other => self.push(not_a_table(key_line, name, other)),
        }
        tables
    }

    pub fn only<'t>(
        &mut self,
        document: &'t DeTable<'t>,
        name: &'static str,
    ) -> Option<Section<'t>> {
        self.sections(document, name, false).pop()
    }

    pub fn check_keys(&mut self, section: &Section<'_>, known: &[&str]) {
        for (key, _) in section.table.iter() {
            let word: &str = key.get_ref();
            if known.contains(&word) {
                continue;
            }
            let line = self.line(key.span().start);
            let place = if section.name.is_empty() {
                self.what.to_owned()
            } else {
                format!("a key of [{}]", section.name)
            };
            let fault = Fault::cell(line, &path(section, word), word, place);
            let near = near_miss(&word.to_lowercase(), known.iter().map(|k| (*k).to_owned()));
            self.push(match near {
                Some(near) => fault.hint(format!("did you mean {near}?")),
                None => fault.hint(format!("known here: {}", known.join(", "))),
            });
        }
    }

    /// The value of a key with its line.
    pub fn value<'t>(&self, section: &Section<'t>, key: &str) -> Option<(u64, &'t DeValue<'t>)> {
        let value: &Spanned<DeValue<'t>> = section.table.get(key)?;
        Some((self.line(value.span().start), value.get_ref()))
    }

    /// Text; a whole number or a date, as for a cylinder or a day, is taken as written.
    pub fn words(&mut self, section: &Section<'_>, key: &str) -> Option<String> {
        let (line, value) = self.value(section, key)?;
        match value {
            DeValue::String(text) if !text.trim().is_empty() => Some(text.trim().to_owned()),
            DeValue::Integer(number) => Some(number.to_string()),
            DeValue::Datetime(date) => Some(date.to_string()),
            other => {
                let fault = Fault::cell(line, &path(section, key), &shown(other), "text in quotes");
                self.push(fault);
                None
            }
        }
    }

    /// One of several words; hyphens, underscores and blanks are the same.
    pub fn choice<T: Copy>(
        &mut self,
        section: &Section<'_>,
        key: &str,
        choices: &[(&str, T)],
    ) -> Option<T> {
        let text = self.words(section, key)?;
        let plain = |word: &str| word.to_lowercase().replace(['-', '_'], " ");
        let found = choices.iter().find(|(word, _)| plain(word) == plain(&text));
        if found.is_none() {
            let words: Vec<_> = choices.iter().map(|(word, _)| *word).collect();
            let line = self
                .value(section, key)
                .map_or(section.line, |(line, _)| line);
            let fault = Fault::cell(line, &path(section, key), &text, words.join(" or "));
            let near = near_miss(&plain(&text), words.iter().map(|w| (*w).to_owned()));
            self.push(match near {
                Some(near) => fault.hint(format!("did you mean {near}?")),
                None => fault,
            });
        }
        found.map(|(_, choice)| *choice)
    }

    /// A quantity in its inner unit.
    pub fn quantity(
        &mut self,
        section: &Section<'_>,
        key: &str,
        quantity: Quantity,
        sign: Sign,
    ) -> Option<f64> {
        let (line, value) = self.value(section, key)?;
        let place = path(section, key);
        let example = example(quantity);
        let DeValue::String(text) = value else {
            let fault = Fault::cell(
                line,
                &place,
                &shown(value),
                format!("text with a unit, as {example:?}"),
            );
            self.push(fault);
            return None;
        };
        let number = match parse(quantity, text) {
            Ok(number) => number,
            Err(error) => {
                let fault = Fault::cell(
                    line,
                    &place,
                    text,
                    format!("a number with a unit, as {example:?}"),
                );
                self.push(match error {
                    QuantityError::NoUnit { accepted, .. }
                    | QuantityError::WrongUnit { accepted, .. } => {
                        fault.hint(format!("units that fit: {accepted}"))
                    }
                    QuantityError::BeyondMagnitudes { .. } => {
                        Fault::cell(line, &place, text, magnitude_words())
                    }
                    QuantityError::NoNumber { .. } | QuantityError::NotFinite { .. } => fault,
                });
                return None;
            }
        };
        let refused = match sign {
            Sign::AboveZero => (number <= 0.0).then_some("a quantity above 0"),
            Sign::NotBelowZero => (number < 0.0).then_some("a quantity of at least 0"),
            Sign::Any => None,
        };
        if !number.is_finite() {
            self.push(Fault::cell(line, &place, text, "a finite quantity"));
            return None;
        }
        if let Some(expected) = refused {
            self.push(Fault::cell(line, &place, text, expected));
            return None;
        }
        Some(number)
    }
}

fn not_a_table(line: u64, name: &str, value: &DeValue<'_>) -> Fault {
    Fault::cell(line, name, &shown(value), format!("a section [{name}]"))
}

/// Full name of a key, as `vessel.division`.
pub(super) fn path(section: &Section<'_>, key: &str) -> String {
    if section.name.is_empty() {
        key.to_owned()
    } else {
        format!("{}.{key}", section.name)
    }
}

/// A value as text for a complaint.
pub(super) fn shown(value: &DeValue<'_>) -> String {
    match value {
        DeValue::String(text) => text.to_string(),
        DeValue::Integer(number) => number.to_string(),
        DeValue::Float(number) => number.to_string(),
        DeValue::Boolean(truth) => truth.to_string(),
        DeValue::Datetime(date) => date.to_string(),
        DeValue::Array(_) => "a list".to_owned(),
        DeValue::Table(_) => "a section".to_owned(),
    }
}

/// How a quantity may be written.
fn example(quantity: Quantity) -> &'static str {
    match quantity {
        Quantity::Voltage => "14 V",
        Quantity::Pressure => "300 kPa",
        Quantity::Volume => "1 mL",
        Quantity::Mass => "0.1 g",
        Quantity::Density => "0.684 g/mL",
        Quantity::VolumeFlow => "0.1 mL/min",
        Quantity::Temperature => "20 C",
        Quantity::Current => "4 A",
        Quantity::Resistance => "12 ohm",
        Quantity::Expansion => "0.0012 1/K",
        Quantity::Time => "2.5 ms",
        Quantity::Duration => "20 s",
        Quantity::MassFlow => "1 g/s",
        Quantity::Percent => "2 %",
        Quantity::Power => "100 kW",
        Quantity::SpecificConsumption => "300 g/kWh",
        Quantity::Speed => "6000 rpm",
    }
}
