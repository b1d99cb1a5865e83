//! The closed list of quantities, their units and how text becomes a number.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use thiserror::Error;

/// What a delivered quantity was read in. The two are never mixed in a sweep.
#[derive(
    Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, JsonSchema,
)]
#[serde(rename_all = "snake_case")]
pub enum Basis {
    /// Read as a volume, kept in mm³.
    Volume,
    /// Read as a mass, kept in mg.
    Mass,
}

impl Basis {
    /// The unit of one delivered quantity.
    pub fn amount_unit(self) -> Unit {
        match self {
            Basis::Volume => Unit::CubicMillimetre,
            Basis::Mass => Unit::Milligram,
        }
    }

    /// The unit of flow per millisecond of pulse width.
    pub fn flow_unit(self) -> Unit {
        match self {
            Basis::Volume => Unit::CubicMillimetrePerMillisecond,
            Basis::Mass => Unit::MilligramPerMillisecond,
        }
    }
}

/// A unit, written in words in every file.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[allow(missing_docs)]
pub enum Unit {
    #[serde(rename = "ms")]
    Millisecond,
    #[serde(rename = "us")]
    Microsecond,
    #[serde(rename = "s")]
    Second,
    #[serde(rename = "mm3/ms")]
    CubicMillimetrePerMillisecond,
    #[serde(rename = "mg/ms")]
    MilligramPerMillisecond,
    #[serde(rename = "cc/min")]
    CubicCentimetrePerMinute,
    #[serde(rename = "lb/h")]
    PoundPerHour,
    #[serde(rename = "g/s")]
    GramPerSecond,
    #[serde(rename = "mm3")]
    CubicMillimetre,
    #[serde(rename = "mg")]
    Milligram,
    #[serde(rename = "ml")]
    Millilitre,
    #[serde(rename = "g")]
    Gram,
    #[serde(rename = "g/ml")]
    GramPerMillilitre,
    #[serde(rename = "percent")]
    Percent,
    #[serde(rename = "kPa")]
    Kilopascal,
    #[serde(rename = "V")]
    Volt,
    #[serde(rename = "kW")]
    Kilowatt,
    #[serde(rename = "ratio")]
    Ratio,
}

impl Unit {
    /// The word used in files.
    pub fn word(self) -> &'static str {
        match self {
            Unit::Millisecond => "ms",
            Unit::Microsecond => "us",
            Unit::Second => "s",
            Unit::CubicMillimetrePerMillisecond => "mm3/ms",
            Unit::MilligramPerMillisecond => "mg/ms",
            Unit::CubicCentimetrePerMinute => "cc/min",
            Unit::PoundPerHour => "lb/h",
            Unit::GramPerSecond => "g/s",
            Unit::CubicMillimetre => "mm3",
            Unit::Milligram => "mg",
            Unit::Millilitre => "ml",
            Unit::Gram => "g",
            Unit::GramPerMillilitre => "g/ml",
            Unit::Percent => "percent",
            Unit::Kilopascal => "kPa",
            Unit::Volt => "V",
            Unit::Kilowatt => "kW",
            Unit::Ratio => "ratio",
        }
    }

    /// The sign printed for a person to read.
    pub fn sign(self) -> &'static str {
        sign_of(self.word())
    }
}

/// The sign printed for the word of a unit; a word of no unit is its own.
pub fn sign_of(word: &str) -> &str {
    match word {
        "us" => "µs",
        "mm3/ms" => "mm³/ms",
        "mm3" => "mm³",
        "percent" => "%",
        other => other,
    }
}

/// The units in which flow is shown on request.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum FlowUnit {
    /// Cubic centimetres per minute, by volume.
    CcPerMin,
    /// Pounds per hour, by mass.
    LbPerHour,
    /// Grams per second, by mass.
    GramPerSecond,
    /// mm³ per millisecond, by volume.
    Mm3PerMs,
    /// mg per millisecond, by mass.
    MgPerMs,
}

/// Grams in a pound: exact by definition (NIST SP 811, appendix B).
const GRAMS_PER_POUND: f64 = 453.592_37;

impl FlowUnit {
    /// All of them, with the words that name them.
    pub const ALL: [(&'static str, FlowUnit); 5] = [
        ("cc/min", FlowUnit::CcPerMin),
        ("lb/h", FlowUnit::LbPerHour),
        ("g/s", FlowUnit::GramPerSecond),
        ("mm3/ms", FlowUnit::Mm3PerMs),
        ("mg/ms", FlowUnit::MgPerMs),
    ];

    /// The basis on which this unit counts.
    pub fn basis(self) -> Basis {
        match self {
            FlowUnit::CcPerMin | FlowUnit::Mm3PerMs => Basis::Volume,
            FlowUnit::LbPerHour | FlowUnit::GramPerSecond | FlowUnit::MgPerMs => Basis::Mass,
        }
    }

    /// The unit word for files.
    pub fn unit(self) -> Unit {
        match self {
            FlowUnit::CcPerMin => Unit::CubicCentimetrePerMinute,
            FlowUnit::LbPerHour => Unit::PoundPerHour,
            FlowUnit::GramPerSecond => Unit::GramPerSecond,
            FlowUnit::Mm3PerMs => Unit::CubicMillimetrePerMillisecond,
            FlowUnit::MgPerMs => Unit::MilligramPerMillisecond,
        }
    }

    /// How many of this unit make one mm³/ms (or mg/ms).
    pub fn per_inner(self) -> f64 {
        match self {
            // 1 mm³/ms = 1 cm³/s = 60 cm³/min
            FlowUnit::CcPerMin => 60.0,
            // 1 mg/ms = 1 g/s = 3600 g/h
            FlowUnit::LbPerHour => 3600.0 / GRAMS_PER_POUND,
            FlowUnit::GramPerSecond | FlowUnit::Mm3PerMs | FlowUnit::MgPerMs => 1.0,
        }
    }
}

/// What a text is expected to state; each has one inner unit.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Quantity {
    /// Time, ms.
    Time,
    /// Time at the bench, s.
    Duration,
    /// Voltage, V.
    Voltage,
    /// Pressure (differential unless said otherwise), kPa.
    Pressure,
    /// Volume, mm³.
    Volume,
    /// Mass, mg.
    Mass,
    /// Density, g/mL (the same number in mg/mm³).
    Density,
    /// Flow by volume, mm³/ms.
    VolumeFlow,
    /// Flow by mass, mg/ms.
    MassFlow,
    /// Temperature, °C.
    Temperature,
    /// A share in percent.
    Percent,
    /// Current, A.
    Current,
    /// Resistance, Ω.
    Resistance,
    /// Power, kW.
    Power,
    /// Brake-specific fuel consumption, g/kWh.
    SpecificConsumption,
    /// Engine speed, 1/min.
    Speed,
    /// Relative expansion per kelvin, 1/K.
    Expansion,
}

/// Pascals in a pound-force per square inch, from the exact definitions of
/// pound, inch and standard gravity (NIST SP 811, appendix B).
const KPA_PER_PSI: f64 = 6.894_757_293_168_361;
/// Kilowatts in a mechanical horsepower (550 ft·lbf/s; NIST SP 811).
const KW_PER_HP: f64 = 0.745_699_871_582_270_2;

/// Magnitudes in inner units that are computed with, other than 0. Squares, ratios of squares
/// and fourth powers of such numbers stay far from the ends of double precision (10^±308), and no
/// bench comes near: a thousand cubic metres is 1e12 mm³, a picosecond 1e-9 ms.
const MAGNITUDES: std::ops::RangeInclusive<f64> = 1e-9..=1e12;

/// Whether a number in its inner unit is 0 or of a magnitude from 1e-9 to 1e12.
pub fn within_magnitudes(value: f64) -> bool {
    value == 0.0 || MAGNITUDES.contains(&value.abs())
}

/// The limits of [`within_magnitudes`] in words.
pub fn magnitude_words() -> String {
    format!(
        "0, or from {:e} to {:e} in ms, V, kPa, mm3 or mg",
        MAGNITUDES.start(),
        MAGNITUDES.end()
    )
}

/// Why a text is not the quantity that was expected.
#[derive(Debug, Clone, PartialEq, Eq, Error)]
pub enum QuantityError {
    /// The number itself cannot be read.
    #[error("`{text}` does not start with a number")]
    NoNumber {
        /// The text as found.
        text: String,
    },
    /// The number is not finite.
    #[error("`{text}` is not a finite number")]
    NotFinite {
        /// The text as found.
        text: String,
    },
    /// The number is finite, but no quantity of a bench.
    #[error("`{text}` is beyond what is computed with: {}", magnitude_words())]
    BeyondMagnitudes {
        /// The text as found.
        text: String,
    },
    /// The unit is missing where it cannot be guessed.
    #[error("`{text}` has no unit; write one of {accepted}")]
    NoUnit {
        /// The text as found.
        text: String,
        /// What would be accepted.
        accepted: String,
    },
    /// The unit does not fit the quantity.
    #[error("`{unit}` is no unit for this; write one of {accepted}")]
    WrongUnit {
        /// The unit as found.
        unit: String,
        /// What would be accepted.
        accepted: String,
    },
}

impl Quantity {
    /// Unit words with the factor to the inner unit; the first is the one
    /// shown in advice. Temperature in °F is handled by [`parse`].
    pub fn units(self) -> &'static [(&'static str, f64)] {
        match self {
            Quantity::Time => &[("ms", 1.0), ("us", 1e-3), ("µs", 1e-3), ("s", 1e3)],
            Quantity::Duration => &[("s", 1.0), ("min", 60.0), ("h", 3600.0)],
            Quantity::Voltage => &[("v", 1.0), ("mv", 1e-3)],
            Quantity::Pressure => &[
                ("kpa", 1.0),
                ("bar", 100.0),
                ("psi", KPA_PER_PSI),
                ("mpa", 1e3),
                ("pa", 1e-3),
                ("mbar", 0.1),
            ],
            Quantity::Volume => &[
                ("ml", 1e3),
                ("cc", 1e3),
                ("cm3", 1e3),
                ("ul", 1.0),
                ("µl", 1.0),
                ("mm3", 1.0),
                ("mm³", 1.0),
                ("l", 1e6),
            ],
            Quantity::Mass => &[("g", 1e3), ("mg", 1.0), ("kg", 1e6)],
            Quantity::Density => &[
                ("g/ml", 1.0),
                ("g/cc", 1.0),
                ("g/cm3", 1.0),
                ("kg/l", 1.0),
                ("kg/m3", 1e-3),
                ("g/l", 1e-3),
            ],
            Quantity::VolumeFlow => &[
                ("cc/min", 1.0 / 60.0),
                ("ml/min", 1.0 / 60.0),
                ("cm3/min", 1.0 / 60.0),
                ("mm3/ms", 1.0),
                ("l/h", 1e6 / 3.6e6),
                ("l/min", 1e6 / 6e4),
            ],
            Quantity::MassFlow => &[
                ("g/s", 1.0),
                ("mg/ms", 1.0),
                ("g/min", 1.0 / 60.0),
                ("lb/h", GRAMS_PER_POUND / 3600.0),
                ("lb/hr", GRAMS_PER_POUND / 3600.0),
                ("kg/h", 1.0 / 3.6),
            ],
            Quantity::Temperature => &[("c", 1.0), ("°c", 1.0), ("f", 1.0), ("°f", 1.0)],
            Quantity::Percent => &[("%", 1.0), ("percent", 1.0)],
            Quantity::Current => &[("a", 1.0), ("ma", 1e-3)],
            Quantity::Resistance => &[
                ("ohm", 1.0),
                ("Ω", 1.0),
                ("ω", 1.0),
                ("kohm", 1e3),
                ("mohm", 1e6),
            ],
            Quantity::Power => &[
                ("kw", 1.0),
                ("w", 1e-3),
                ("hp", KW_PER_HP),
                ("ps", 0.735_498_75),
            ],
            Quantity::SpecificConsumption => &[
                ("g/kwh", 1.0),
                ("lb/hp/h", GRAMS_PER_POUND / KW_PER_HP),
                ("lb/hph", GRAMS_PER_POUND / KW_PER_HP),
            ],
            Quantity::Speed => &[("rpm", 1.0), ("1/min", 1.0)],
            Quantity::Expansion => &[("1/k", 1.0), ("1/c", 1.0), ("/k", 1.0)],
        }
    }

    fn accepted(self) -> String {
        let words: Vec<_> = self.units().iter().map(|(word, _)| *word).collect();
        words.join(", ")
    }
}

/// Reads a number with a unit, as `3bar`, `0.684 g/mL` or `2,5 ms`.
///
/// Letter case does not matter, except that `MPa` and `mPa` are both read as
/// megapascal. Returns the number in the inner unit of `quantity`. A decimal
/// comma is understood where no point is present.
///
/// # Errors
/// [`QuantityError`] where the number or the unit cannot be understood; a bare
/// number is refused for every quantity.
pub fn parse(quantity: Quantity, text: &str) -> Result<f64, QuantityError> {
    let trimmed = text.trim();
    let split = number_length(trimmed);
    let (number, unit) = trimmed.split_at(split);
    let number = if number.contains('.') {
        number.to_owned()
    } else {
        number.replace(',', ".")
    };
    let value: f64 = number.trim().parse().map_err(|_| QuantityError::NoNumber {
        text: text.to_owned(),
    })?;
    if !value.is_finite() {
        return Err(QuantityError::NotFinite {
            text: text.to_owned(),
        });
    }
    let unit = unit.trim().to_lowercase();
    if unit.is_empty() {
        return Err(QuantityError::NoUnit {
            text: text.to_owned(),
            accepted: quantity.accepted(),
        });
    }
    let factor = quantity
        .units()
        .iter()
        .find(|(word, _)| *word == unit)
        .map(|(_, f)| *f);
    let inner = match (quantity, unit.as_str(), factor) {
        (Quantity::Temperature, "f" | "°f", _) => (value - 32.0) / 1.8,
        (_, _, Some(factor)) => value * factor,
        _ => {
            return Err(QuantityError::WrongUnit {
                unit,
                accepted: quantity.accepted(),
            });
        }
    };
    // A temperature may lie as near to zero as it likes.
    if quantity != Quantity::Temperature && !within_magnitudes(inner) || inner.abs() > 1e12 {
        return Err(QuantityError::BeyondMagnitudes {
            text: text.to_owned(),
        });
    }
    Ok(inner)
}

/// As [`parse`], but a bare number is taken in the first unit of
/// [`Quantity::units`] (ms, V, kPa, percent): for command-line options, whose
/// help says so.
///
/// # Errors
/// As [`parse`], without [`QuantityError::NoUnit`].
pub fn parse_bare(quantity: Quantity, text: &str) -> Result<f64, QuantityError> {
    match parse(quantity, text) {
        Err(QuantityError::NoUnit { .. }) => parse(
            quantity,
            &format!("{}{}", text.trim(), quantity.units()[0].0),
        ),
        other => other,
    }
}

/// Length in bytes of the leading number of a text.
fn number_length(text: &str) -> usize {
    let bytes = text.as_bytes();
    let mut end = 0;
    while end < bytes.len() {
        let c = bytes[end];
        let exponent_sign =
            (c == b'+' || c == b'-') && end > 0 && matches!(bytes[end - 1], b'e' | b'E');
        let exponent = matches!(c, b'e' | b'E')
            && end > 0
            && bytes
                .get(end + 1)
                .is_some_and(|n| n.is_ascii_digit() || *n == b'-' || *n == b'+');
        let leading_sign = end == 0 && (c == b'+' || c == b'-');
        if c.is_ascii_digit() || c == b'.' || c == b',' || exponent || exponent_sign || leading_sign
        {
            end += 1;
        } else {
            break;
        }
    }
    end
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn units_agree_with_exact_definitions() {
        // 8896443230521/1290320000 Pa from the exact pound, inch and g_n.
        let psi = 8_896_443_230_521.0 / 1_290_320_000.0 / 1000.0;
        assert!((parse(Quantity::Pressure, "1 psi").unwrap() - psi).abs() < 1e-14 * psi);
        assert_eq!(parse(Quantity::Pressure, "3bar"), Ok(300.0));
        assert_eq!(parse(Quantity::Density, "0.684 g/mL"), Ok(0.684));
        assert_eq!(parse(Quantity::Time, "2,5ms"), Ok(2.5));
        assert!((parse(Quantity::Temperature, "68F").unwrap() - 20.0).abs() < 1e-12);
        // 1 lb/h = 0.1259978805555556 g/s (computed from the exact pound)
        assert!((1.0 / FlowUnit::LbPerHour.per_inner() - 0.125_997_880_555_555_6).abs() < 1e-16);
    }

    #[test]
    fn a_bare_number_or_a_foreign_unit_is_refused() {
        assert!(matches!(
            parse(Quantity::Pressure, "300"),
            Err(QuantityError::NoUnit { .. })
        ));
        assert!(matches!(
            parse(Quantity::Pressure, "3 V"),
            Err(QuantityError::WrongUnit { .. })
        ));
        assert!(matches!(
            parse(Quantity::Time, "ms"),
            Err(QuantityError::NoNumber { .. })
        ));
        assert!(matches!(
            parse(Quantity::Time, "1e999ms"),
            Err(QuantityError::NotFinite { .. })
        ));
        for absurd in ["1e300 s", "1e-300 ms", "1e12 s"] {
            let error = parse(Quantity::Time, absurd).unwrap_err();
            assert!(error.to_string().contains("from 1e-9 to 1e12"), "{error}");
        }
        assert_eq!(parse(Quantity::Time, "0 ms"), Ok(0.0));
    }
}
