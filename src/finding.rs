//! What a stage doubted, how much it matters and where to look.
//!
//! A stage makes a [`Finding`] from a [`Kind`], a [`Place`] and the facts; the
//! words come from the one catalogue in `finding/wording.rs`. This module must
//! not know layouts, colours or who reads.

use std::collections::BTreeMap;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use serde_json::Value;

use crate::units::sign_of;

mod visible;
mod wording;

pub use visible::{visible, visible_lines};
pub use wording::Kind;

/// How much a finding matters for the figures.
#[derive(
    Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize, JsonSchema,
)]
#[serde(rename_all = "snake_case")]
pub enum Severity {
    /// Good to know.
    Note,
    /// A figure may be worse than it looks.
    Doubt,
    /// A figure should not be relied on before this is settled.
    Serious,
}

/// Where a finding points to; what does not apply is absent.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Place {
    /// Capture file.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub source: Option<String>,
    /// Line of that file, from 1.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub line: Option<u64>,
    /// Column name.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub column: Option<String>,
    /// Injector id.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub injector: Option<String>,
    /// Stage.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub stage: Option<String>,
    /// Voltage set point, V.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub voltage_v: Option<f64>,
    /// Differential pressure set point, kPa.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub pressure_kpa: Option<f64>,
    /// Pulse width, ms.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub pulse_width_ms: Option<f64>,
}

impl Place {
    /// A line of a capture.
    pub fn row(source: &str, line: u64) -> Self {
        Self {
            source: Some(source.to_owned()),
            line: Some(line),
            ..Self::default()
        }
    }

    /// Writes the place on one line, as `run.csv:14, injector A3, 14 V, 300 kPa`;
    /// empty where it points nowhere.
    pub fn to_line(&self) -> String {
        let mut parts = Vec::new();
        match (&self.source, self.line) {
            (Some(source), Some(line)) => parts.push(format!("{source}:{line}")),
            (Some(source), None) => parts.push(source.clone()),
            _ => {}
        }
        if let Some(column) = &self.column {
            parts.push(format!("column {column}"));
        }
        if let Some(injector) = &self.injector {
            parts.push(format!("injector {injector}"));
        }
        if let Some(stage) = &self.stage {
            parts.push(stage.clone());
        }
        if let Some(volts) = self.voltage_v {
            parts.push(format!("{volts} V"));
        }
        if let Some(kpa) = self.pressure_kpa {
            parts.push(format!("{} kPa", (kpa * 1000.0).round() / 1000.0));
        }
        if let Some(ms) = self.pulse_width_ms {
            parts.push(format!("{ms} ms"));
        }
        parts.join(", ")
    }
}

/// One doubt or remark, with what the user can do about it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Finding {
    /// What kind of doubt.
    pub kind: Kind,
    /// How much it matters.
    pub severity: Severity,
    /// Where it points to.
    pub place: Place,
    /// The numbers and names behind it.
    pub facts: BTreeMap<String, Value>,
    /// What was noticed, in words.
    pub text: String,
    /// What can be done.
    pub advice: String,
}

impl Finding {
    /// Words a doubt. Each fact fills its `{name}` in the catalogue's sentences;
    /// numbers are shown to four significant digits there and kept whole in `facts`.
    pub fn new(kind: Kind, place: Place, facts: &[(&str, Value)]) -> Self {
        let entry = kind.entry();
        let facts: BTreeMap<String, Value> = facts
            .iter()
            .map(|(name, value)| ((*name).to_owned(), value.clone()))
            .collect();
        Self {
            kind,
            severity: entry.severity,
            place,
            text: fill(entry.text, &facts, '.'),
            advice: fill(entry.advice, &facts, '.'),
            facts,
        }
    }

    /// Text and advice as the catalogue words them with these facts and another decimal mark.
    pub fn worded(&self, decimal_mark: char) -> [String; 2] {
        let entry = self.kind.entry();
        [entry.text, entry.advice].map(|sentence| fill(sentence, &self.facts, decimal_mark))
    }
}

/// Puts the facts into a sentence of the catalogue.
fn fill(sentence: &str, facts: &BTreeMap<String, Value>, mark: char) -> String {
    let mut filled = String::with_capacity(2 * sentence.len());
    let mut rest = sentence;
    while let Some((before, after)) = rest.split_once('{') {
        filled.push_str(before);
        let (name, after) = after
            .split_once('}')
            .expect("the catalogue closes every brace");
        match facts.get(name) {
            Some(value) => filled.push_str(&shown(name, value, mark)),
            None => filled.extend(["{", name, "}"]),
        }
        rest = after;
    }
    filled.push_str(rest);
    filled
}

/// A fact as a sentence shows it.
fn shown(name: &str, value: &Value, mark: char) -> String {
    match value {
        Value::Number(number) => match (number.as_i64(), number.as_f64()) {
            (Some(whole), _) => whole.to_string(),
            (None, Some(x)) => {
                trim_zeros(&crate::units::significant(x, 4)).replace('.', &mark.to_string())
            }
            (None, None) => number.to_string(),
        },
        Value::String(text) if matches!(name, "unit" | "usual") => sign_of(text).to_owned(),
        Value::String(text) => text.clone(),
        other => other.to_string(),
    }
}

fn trim_zeros(number: &str) -> String {
    if number.contains('.') {
        number
            .trim_end_matches('0')
            .trim_end_matches('.')
            .to_owned()
    } else {
        number.to_owned()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::json;

    #[test]
    fn every_sentence_can_be_filled_and_a_fact_is_no_sentence() {
        for kind in Kind::ALL {
            let entry = kind.entry();
            let finding = Finding::new(*kind, Place::default(), &[]);
            assert_eq!([finding.text, finding.advice], [entry.text, entry.advice]);
        }
        let spilt = [("reason", json!("{reason} at {line}")), ("line", json!(3))];
        let finding = Finding::new(Kind::RowExcluded, Place::default(), &spilt);
        assert_eq!(
            finding.text,
            "left out as the capture asks: {reason} at {line}"
        );
    }
}
