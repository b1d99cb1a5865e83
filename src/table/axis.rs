//! Axis lists as typed: `8,9,10` or `6..16:1`.

use thiserror::Error;

use crate::units::{Quantity, QuantityError, parse, parse_bare};

/// More steps than this are a slip of the pen.
const MOST_STEPS: f64 = 2000.0;

/// Why a text is not a list of values.
#[derive(Debug, Clone, PartialEq, Error)]
pub enum AxisError {
    /// A value cannot be read.
    #[error(transparent)]
    Value(#[from] QuantityError),
    /// A range is not of the form `6..16:1`.
    #[error("`{text}`: write a range as 6..16:1 (from..to:step, step above zero, to above from)")]
    Range {
        /// The text as found.
        text: String,
    },
    /// A range of very many steps.
    #[error("`{text}` makes more than 2000 values")]
    TooMany {
        /// The text as found.
        text: String,
    },
}

/// Reads a list or range of values in the inner unit of `quantity`.
///
/// A bare number is in the first unit of the quantity, or in the unit that the
/// list's last value with a unit carries: `3,3.5,4bar`. A range includes its end
/// where a whole number of steps reaches it.
///
/// # Errors
/// [`AxisError`].
pub fn parse_axis(quantity: Quantity, text: &str) -> Result<Vec<f64>, AxisError> {
    if let Some((from, rest)) = text.split_once("..") {
        let wrong = || AxisError::Range {
            text: text.to_owned(),
        };
        let (to, step) = rest.split_once(':').ok_or_else(wrong)?;
        let values = parse_together(quantity, &[from, to, step])?;
        let (from, to, step) = (values[0], values[1], values[2]);
        if !(step > 0.0 && to >= from) {
            return Err(wrong());
        }
        let steps = (to - from) / step;
        if steps > MOST_STEPS {
            return Err(AxisError::TooMany {
                text: text.to_owned(),
            });
        }
        // 6..16:0.1 must reach 16 although 100·0.1 is not quite 10.
        let count = (steps + 1e-6).floor() as u32;
        return Ok((0..=count)
            .map(|i| tidy(from + f64::from(i) * step))
            .collect());
    }
    parse_together(quantity, &text.split(',').collect::<Vec<_>>())
}

/// 0.1 + 0.2 is shown as 0.3.
fn tidy(x: f64) -> f64 {
    (x * 1e9).round() / 1e9
}

fn parse_together(quantity: Quantity, parts: &[&str]) -> Result<Vec<f64>, AxisError> {
    let unit = parts
        .iter()
        .rev()
        .find(|part| parse(quantity, part).is_ok())
        .map(|part| {
            part.trim()
                .trim_start_matches(|c: char| c.is_ascii_digit() || "+-., ".contains(c))
        });
    parts
        .iter()
        .map(|part| match (parse(quantity, part), unit) {
            (Ok(value), _) => Ok(value),
            (Err(QuantityError::NoUnit { .. }), Some(unit)) => {
                Ok(parse(quantity, &format!("{}{unit}", part.trim()))?)
            }
            _ => Ok(parse_bare(quantity, part)?),
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lists_and_ranges_are_read() {
        let volts = |text| parse_axis(Quantity::Voltage, text);
        assert_eq!(volts("8,9,10").unwrap(), [8.0, 9.0, 10.0]);
        assert_eq!(volts("6..16:1").unwrap().len(), 11);
        assert_eq!(volts("6V..7V:0.1V").unwrap()[3], 6.3);
        assert_eq!(volts("14").unwrap(), [14.0]);
        let kpa = |text| parse_axis(Quantity::Pressure, text);
        assert_eq!(kpa("3,3.5,4bar").unwrap(), [300.0, 350.0, 400.0]);
        assert_eq!(kpa("250..350:50").unwrap(), [250.0, 300.0, 350.0]);
        assert!(matches!(volts("6..16"), Err(AxisError::Range { .. })));
        assert!(matches!(volts("16..6:1"), Err(AxisError::Range { .. })));
        assert!(matches!(volts("6..16:0"), Err(AxisError::Range { .. })));
        assert!(matches!(
            volts("6..16:0.0001"),
            Err(AxisError::TooMany { .. })
        ));
        assert!(matches!(volts("8,x"), Err(AxisError::Value(_))));
        assert!(matches!(volts("8,9kPa"), Err(AxisError::Value(_))));
    }
}
