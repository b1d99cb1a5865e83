//! An answer as typed, understood.

use thiserror::Error;

use super::Topic;
use crate::units::{Quantity, parse};

/// What a question came to.
#[derive(Debug, Clone, PartialEq)]
pub struct Answered {
    /// What it is about.
    pub topic: Topic,
    /// Keys of the bench file with their values, as they will stand there. Empty:
    /// not known, and left out.
    pub values: Vec<(&'static str, String)>,
    /// Whether the person at the bench said it, or it was assumed.
    pub assumed: bool,
}

/// Why an answer is not understood.
#[derive(Debug, Clone, PartialEq, Eq, Error)]
pub enum AnswerError {
    /// A part that says nothing here.
    #[error("`{part}` is not understood; write it as: {expected}")]
    Part {
        /// The part as typed.
        part: String,
        /// What fits.
        expected: &'static str,
    },
    /// Two parts say the same.
    #[error("`{part}` says something that was said already")]
    Twice {
        /// The part as typed.
        part: String,
    },
    /// Something needed is missing.
    #[error("{0} is missing")]
    Missing(&'static str),
    /// A number that cannot be.
    #[error("`{part}` must be {expected}")]
    Size {
        /// The part as typed.
        part: String,
        /// What it must be.
        expected: &'static str,
    },
}

/// Understands an answer: parts with commas between them, in any order that tells
/// them apart. `±x` states limits of error (for a gauge, x/√3 becomes its standard
/// uncertainty; for a vessel, x its tolerance).
///
/// # Errors
/// [`AnswerError`] where a part is not understood, stands twice, or is missing.
pub fn understand(topic: Topic, text: &str) -> Result<Vec<(&'static str, String)>, AnswerError> {
    let parts: Vec<&str> = text
        .split(',')
        .map(str::trim)
        .filter(|p| !p.is_empty())
        .collect();
    if parts.is_empty() {
        return Err(AnswerError::Missing("an answer"));
    }
    match topic {
        Topic::Vessel => vessel(&parts),
        Topic::Fluid => fluid(&parts),
        Topic::Pressure => set_point(&parts, Quantity::Pressure, false),
        Topic::Supply => set_point(&parts, Quantity::Voltage, true),
        Topic::Driver => driver(&parts),
    }
}

/// A quantity above zero, as typed and in the inner unit.
fn amount(kind: Quantity, part: &str) -> Option<Result<f64, AnswerError>> {
    let value = parse(kind, part).ok()?;
    Some(if value.is_finite() && value > 0.0 {
        Ok(value)
    } else {
        Err(AnswerError::Size {
            part: part.to_owned(),
            expected: "above zero",
        })
    })
}

/// `±0.5 mL` and `+-0.5 mL` without their sign.
fn limits(part: &str) -> Option<&str> {
    ["±", "+-", "+/-"]
        .iter()
        .find_map(|sign| part.strip_prefix(sign))
        .map(str::trim)
}

type Values = Vec<(&'static str, String)>;

fn put(values: &mut Values, key: &'static str, part: &str) -> Result<(), AnswerError> {
    if values.iter().any(|(known, _)| *known == key) {
        return Err(AnswerError::Twice {
            part: part.to_owned(),
        });
    }
    values.push((key, part.to_owned()));
    Ok(())
}

fn not_understood(part: &str, expected: &'static str) -> AnswerError {
    AnswerError::Part {
        part: part.to_owned(),
        expected,
    }
}

fn vessel(parts: &[&str]) -> Result<Values, AnswerError> {
    const EXPECTED: &str = "cylinder, 100 mL, 1 mL; or balance, 0.1 g";
    let mut values = Values::new();
    let mut sizes: Vec<(f64, &str)> = Vec::new();
    for part in parts {
        let word = part.to_lowercase().replace(['-', '_'], " ");
        let kind = match word.as_str() {
            "cylinder" | "graduated cylinder" | "glass" => Some("graduated cylinder"),
            "burette" => Some("burette"),
            "balance" | "scale" | "scales" => Some("balance"),
            _ => None,
        };
        if let Some(kind) = kind {
            put(&mut values, "kind", kind)?;
        } else if let Some(bare) = limits(part) {
            size(bare).ok_or_else(|| not_understood(part, EXPECTED))??;
            put(&mut values, "tolerance", bare)?;
        } else {
            let found = size(part).ok_or_else(|| not_understood(part, EXPECTED))??;
            sizes.push((found, part));
        }
    }
    let kind = values.iter().find(|(key, _)| *key == "kind");
    let balance = match kind {
        Some((_, kind)) => kind == "balance",
        None => {
            return Err(AnswerError::Missing(
                "the kind (cylinder, burette or balance)",
            ));
        }
    };
    // A balance weighs: its amounts are masses, those of the others volumes.
    let fits = if balance {
        Quantity::Mass
    } else {
        Quantity::Volume
    };
    let tolerance = values.iter().find(|(key, _)| *key == "tolerance");
    let texts = sizes
        .iter()
        .map(|(_, part)| *part)
        .chain(tolerance.map(|(_, text)| text.as_str()));
    for text in texts {
        if parse(fits, text).is_err() {
            let expected = if balance {
                "a mass, for a balance"
            } else {
                "a volume, for a vessel"
            };
            return Err(AnswerError::Size {
                part: text.to_owned(),
                expected,
            });
        }
    }
    sizes.sort_by(|a, b| b.0.total_cmp(&a.0));
    match sizes[..] {
        [(_, division)] if balance => put(&mut values, "division", division)?,
        [(capacity, whole), (division, part)] if capacity > division => {
            put(&mut values, "capacity", whole)?;
            put(&mut values, "division", part)?;
        }
        [_, (_, part)] => {
            return Err(AnswerError::Size {
                part: part.to_owned(),
                expected: "a division smaller than the capacity",
            });
        }
        [_, _, (_, part), ..] => return Err(not_understood(part, EXPECTED)),
        _ => return Err(AnswerError::Missing("capacity and smallest division")),
    }
    Ok(values)
}

/// A volume or a mass above zero, in mm³ or mg.
fn size(part: &str) -> Option<Result<f64, AnswerError>> {
    amount(Quantity::Volume, part).or_else(|| amount(Quantity::Mass, part))
}

fn fluid(parts: &[&str]) -> Result<Values, AnswerError> {
    const EXPECTED: &str = "n-heptane, 0.684 g/mL, 20 C";
    let mut values = Values::new();
    for part in parts {
        if let Some(density) = amount(Quantity::Density, part) {
            density?;
            put(&mut values, "density", part)?;
        } else if parse(Quantity::Temperature, part).is_ok() {
            put(&mut values, "density_temperature", part)?;
        } else if part.starts_with(|c: char| c.is_ascii_digit()) {
            // A number with a unit that fits nothing is no name.
            return Err(not_understood(part, EXPECTED));
        } else {
            put(&mut values, "name", part)?;
        }
    }
    Ok(values)
}

fn set_point(parts: &[&str], kind: Quantity, place_too: bool) -> Result<Values, AnswerError> {
    let (expected, missing) = if place_too {
        ("14 V, ±0.1 V, injector", "the voltage")
    } else {
        ("300 kPa, ±5 kPa", "the pressure")
    };
    let mut values = Values::new();
    for part in parts {
        let word = part.to_lowercase();
        if place_too && (word == "injector" || word == "supply") {
            put(&mut values, "measured_at", &word)?;
        } else if let Some(bare) = limits(part) {
            let half = amount(kind, bare).ok_or_else(|| not_understood(part, expected))??;
            put(&mut values, "uncertainty", &from_limits(kind, half))?;
        } else {
            amount(kind, part).ok_or_else(|| not_understood(part, expected))??;
            let stated = values.iter().any(|(key, _)| *key == "nominal");
            put(
                &mut values,
                if stated { "uncertainty" } else { "nominal" },
                part,
            )?;
        }
    }
    match values.iter().any(|(key, _)| *key == "nominal") {
        true => Ok(values),
        false => Err(AnswerError::Missing(missing)),
    }
}

/// Standard uncertainty of a rectangle of this half-width, as text. *Source*: GUM 4.3.7.
fn from_limits(kind: Quantity, half: f64) -> String {
    let (unit, per) = match kind {
        Quantity::Voltage => ("V", 1.0),
        _ => ("kPa", 1.0),
    };
    let u = crate::units::significant(half / 3f64.sqrt() / per, 3);
    format!("{u} {unit}")
}

fn driver(parts: &[&str]) -> Result<Values, AnswerError> {
    const EXPECTED: &str = "saturated; or peak-and-hold, 4 A, 1 A";
    let mut values = Values::new();
    let mut currents: Vec<(f64, &str)> = Vec::new();
    for part in parts {
        let word = part.to_lowercase().replace(['-', '_', '&'], " ");
        let word = word.split_whitespace().collect::<Vec<_>>().join(" ");
        match word.as_str() {
            "saturated" => put(&mut values, "kind", "saturated")?,
            "peak and hold" | "peak hold" => put(&mut values, "kind", "peak-and-hold")?,
            _ => {
                let amps = amount(Quantity::Current, part)
                    .ok_or_else(|| not_understood(part, EXPECTED))??;
                currents.push((amps, part));
            }
        }
    }
    let peak_and_hold = match values.first() {
        Some((_, kind)) => kind == "peak-and-hold",
        None => {
            return Err(AnswerError::Missing(
                "the kind (saturated or peak-and-hold)",
            ));
        }
    };
    currents.sort_by(|a, b| b.0.total_cmp(&a.0));
    match currents[..] {
        [] => {}
        [(_, peak), (_, hold)] if peak_and_hold => {
            put(&mut values, "peak_current", peak)?;
            put(&mut values, "hold_current", hold)?;
        }
        [(_, part), ..] => return Err(not_understood(part, EXPECTED)),
    }
    Ok(values)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn said(topic: Topic, text: &str) -> String {
        let values = understand(topic, text).unwrap();
        let words: Vec<String> = values.iter().map(|(k, v)| format!("{k}={v}")).collect();
        words.join(" ")
    }

    #[test]
    fn parts_are_told_apart_by_what_they_are() {
        assert_eq!(
            said(Topic::Vessel, "1 mL, 100mL, Cylinder, ±0.5 mL"),
            "kind=graduated cylinder tolerance=0.5 mL capacity=100mL division=1 mL"
        );
        assert_eq!(
            said(Topic::Vessel, "balance, 0.1 g"),
            "kind=balance division=0.1 g"
        );
        assert_eq!(
            said(Topic::Fluid, "20 C, 0.684 g/mL, n-heptane"),
            "density_temperature=20 C density=0.684 g/mL name=n-heptane"
        );
        assert_eq!(said(Topic::Pressure, "3bar"), "nominal=3bar");
        assert_eq!(
            said(Topic::Pressure, "300 kPa, 1 kPa"),
            "nominal=300 kPa uncertainty=1 kPa"
        );
        assert_eq!(
            said(Topic::Supply, "injector, 14 V"),
            "measured_at=injector nominal=14 V"
        );
        assert_eq!(
            said(Topic::Driver, "Peak & Hold, 1 A, 4 A"),
            "kind=peak-and-hold peak_current=4 A hold_current=1 A"
        );
    }

    #[test]
    fn limits_of_error_become_a_standard_uncertainty() {
        // 6/√3 = 3.4641; 0.1 bar = 10 kPa, 10/√3 = 5.7735
        assert_eq!(
            said(Topic::Pressure, "300 kPa, ±6 kPa"),
            "nominal=300 kPa uncertainty=3.46 kPa"
        );
        assert_eq!(
            said(Topic::Pressure, "3 bar, +-0.1 bar"),
            "nominal=3 bar uncertainty=5.77 kPa"
        );
    }

    #[test]
    fn what_is_not_understood_is_said() {
        for (topic, text, words) in [
            (Topic::Vessel, "bucket, 100 mL, 1 mL", "`bucket`"),
            (Topic::Vessel, "100 mL, 1 mL", "the kind"),
            (Topic::Vessel, "cylinder, 100 mL", "division is missing"),
            (Topic::Vessel, "cylinder, 1 g, 0.1 g", "a volume"),
            (Topic::Vessel, "balance, 1 mL", "a mass"),
            (Topic::Vessel, "cylinder, 1 mL, 1 mL", "smaller"),
            (Topic::Vessel, "cylinder, 100 mL, -1 mL", "above zero"),
            (Topic::Vessel, "cylinder, burette, 100 mL, 1 mL", "already"),
            (
                Topic::Vessel,
                "cylinder, 100 mL, 1 mL, 2 mL",
                "not understood",
            ),
            (Topic::Fluid, "0.684", "not understood"),
            (Topic::Fluid, "a, b", "already"),
            (Topic::Pressure, "±5 kPa", "the pressure is missing"),
            (Topic::Pressure, "300", "not understood"),
            (Topic::Supply, "14 kPa", "not understood"),
            (Topic::Driver, "saturated, 4 A, 1 A", "not understood"),
            (Topic::Driver, "4 A, 1 A", "the kind"),
            (Topic::Driver, " ", "an answer is missing"),
        ] {
            let error = understand(topic, text).unwrap_err().to_string();
            assert!(error.contains(words), "{text}: {error}");
        }
    }

    #[test]
    fn every_assumed_answer_and_example_is_understood() {
        for question in super::super::QUESTIONS {
            let bare = |t: &str| t.split(" (").next().unwrap_or(t).trim().to_owned();
            for text in question
                .examples
                .split('|')
                .map(bare)
                .chain([question.assumed.to_owned()])
            {
                understand(question.topic, &text).unwrap();
            }
        }
    }
}
