//! The plain case of a capture, byte by byte: cells separated by commas, no quotes, no comments,
//! unsigned decimal numbers. Whatever is not plain is left to the careful reader; this one
//! never complains and never guesses.

use super::header::{Column, Layout};
use super::names::{NAMES, Role};
use super::number::is_rfc3339;
use super::row::MOST_PULSES;
use crate::units::{Basis, within_magnitudes};

/// A row of a long capture whose columns say nothing but who, at what, and how much.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct StreamRow<'a> {
    /// Injector id, UTF-8.
    pub injector: &'a [u8],
    /// Supply voltage set point, V.
    pub voltage_v: Option<f64>,
    /// Differential pressure set point, kPa.
    pub pressure_kpa: Option<f64>,
    /// How it was fired.
    pub setting: Setting,
    /// Delivered by the whole train, mm³ or mg.
    pub delivered: f64,
}

/// How an injector was fired for one reading.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct Setting {
    /// Pulse width, ms.
    pub pulse_width_ms: f64,
    /// Number of pulses.
    pub pulses: f64,
    /// Period, ms.
    pub period_ms: Option<f64>,
}

/// What a cell is for.
#[derive(Debug, Clone)]
enum Slot {
    Injector,
    PulseWidth(Column),
    Pulses,
    Amount(Column),
    Voltage(Column),
    Pressure(Column),
    Period(Column),
    Frequency(Column),
    /// A whole number that no fit uses.
    Whole,
    Time,
    Ignored,
}

/// The columns of a capture that can be read byte by byte.
#[derive(Debug, Clone)]
pub(super) struct PlainLayout {
    slots: Vec<Slot>,
    /// What the quantity column holds.
    pub basis: Basis,
}

impl PlainLayout {
    /// The layout as this reader takes it; `None` where a column means more than a [`StreamRow`] holds.
    pub fn of(layout: &Layout) -> Option<Self> {
        let [columns] = layout.trains.as_slice() else {
            return None;
        };
        columns.get(Role::Injector)?;
        let mut slots = vec![Slot::Ignored; layout.cells];
        let mut basis = None;
        for role in NAMES.iter().map(|name| name.role) {
            let Some(column) = columns.get(role) else {
                continue;
            };
            let own = column.clone();
            slots[column.index] = match role {
                Role::Injector => Slot::Injector,
                Role::PulseWidth => Slot::PulseWidth(own),
                Role::Pulses => Slot::Pulses,
                Role::Voltage => Slot::Voltage(own),
                Role::Pressure => Slot::Pressure(own),
                Role::Period => Slot::Period(own),
                Role::Frequency if columns.get(Role::Period).is_none() => Slot::Frequency(own),
                Role::Repeat => Slot::Whole,
                Role::Time => Slot::Time,
                Role::Note => Slot::Ignored,
                Role::Volume | Role::Mass if basis.is_none() => {
                    let volume = role == Role::Volume;
                    basis = Some(if volume { Basis::Volume } else { Basis::Mass });
                    Slot::Amount(own)
                }
                _ => return None,
            };
        }
        Some(Self {
            slots,
            basis: basis?,
        })
    }

    /// Reads a block of whole rows separated by commas; returns how many lines it has, or `None`
    /// where anything is not plain: what was given to `each` is then to be forgotten.
    pub fn read<'a>(&self, block: &'a [u8], mut each: impl FnMut(StreamRow<'a>)) -> Option<u64> {
        let mut rest = block;
        let mut lines = 0;
        let mut latest: &[u8] = b"";
        while !rest.is_empty() {
            let row;
            (row, rest) = self.row(rest, latest)?;
            latest = row.injector;
            each(row);
            lines += 1;
        }
        Some(lines)
    }

    /// The first row and what follows it; `latest` is the injector of the row before.
    fn row<'a>(&self, bytes: &'a [u8], latest: &'a [u8]) -> Option<(StreamRow<'a>, &'a [u8])> {
        let mut row = StreamRow {
            injector: b"",
            voltage_v: None,
            pressure_kpa: None,
            setting: Setting {
                pulse_width_ms: 0.0,
                pulses: 0.0,
                period_ms: None,
            },
            delivered: 0.0,
        };
        if bytes[0] == b'#' {
            return None;
        }
        let mut rest = bytes;
        for (index, slot) in self.slots.iter().enumerate() {
            if index > 0 {
                rest = rest.strip_prefix(b",")?;
            }
            let length = match slot {
                Slot::Injector => match rest.strip_prefix(latest) {
                    Some([b',', ..]) if !latest.is_empty() => {
                        row.injector = latest;
                        latest.len()
                    }
                    _ => {
                        let length = text_length(rest)?;
                        row.injector = word(&rest[..length])?;
                        length
                    }
                },
                Slot::PulseWidth(column) => {
                    let (value, length) = above_zero(rest, column)?;
                    row.setting.pulse_width_ms = value;
                    length
                }
                Slot::Pulses => {
                    let number = decimal(rest)?;
                    let pulses = number.digits as f64;
                    if number.decimals > 0 || !(1.0..=MOST_PULSES).contains(&pulses) {
                        return None;
                    }
                    row.setting.pulses = pulses;
                    number.length
                }
                Slot::Amount(column) => {
                    let (value, length) = number(rest, column)?;
                    row.delivered = value;
                    length
                }
                Slot::Voltage(column) => {
                    let (value, length) = above_zero(rest, column)?;
                    row.voltage_v = Some(value);
                    length
                }
                Slot::Pressure(column) => {
                    let (value, length) = above_zero(rest, column)?;
                    row.pressure_kpa = Some(value);
                    length
                }
                Slot::Period(column) => {
                    let (value, length) = above_zero(rest, column)?;
                    row.setting.period_ms = Some(value);
                    length
                }
                Slot::Frequency(column) => {
                    let (value, length) = above_zero(rest, column)?;
                    row.setting.period_ms = Some(1000.0 / value).filter(|p| p.is_finite());
                    row.setting.period_ms?;
                    length
                }
                Slot::Whole => {
                    let number = decimal(rest)?;
                    if number.decimals > 0 || number.digits > u64::from(u32::MAX) {
                        return None;
                    }
                    number.length
                }
                Slot::Time => {
                    let length = text_length(rest)?;
                    let text = std::str::from_utf8(&rest[..length]).ok()?;
                    if !text.is_empty() && !is_rfc3339(text) {
                        return None;
                    }
                    length
                }
                Slot::Ignored => text_length(rest)?,
            };
            rest = &rest[length..];
        }
        if row
            .setting
            .period_ms
            .is_some_and(|period| row.setting.pulse_width_ms >= period)
        {
            return None;
        }
        Some((row, line_end(rest)?))
    }
}

/// What follows the end of a row.
fn line_end(bytes: &[u8]) -> Option<&[u8]> {
    match bytes {
        [] => Some(bytes),
        [b'\n', rest @ ..] | [b'\r', b'\n', rest @ ..] => Some(rest),
        _ => None,
    }
}

/// How long the cell of plain text is with which `rest` begins.
fn text_length(rest: &[u8]) -> Option<usize> {
    let mut length = 0;
    while let Some(byte) = rest.get(length) {
        match byte {
            b',' | b'\n' | b'\r' => break,
            b'"' => return None,
            b' '..=b'~' => length += 1,
            _ => return None,
        }
    }
    Some(length)
}

/// A cell of plain text that means what it says: nothing to trim, no apostrophe before it.
fn word(cell: &[u8]) -> Option<&[u8]> {
    let blank = |byte: Option<&u8>| byte.is_none_or(|b| *b == b' ');
    let apostrophe = cell.first() == Some(&b'\'');
    let plain = !(blank(cell.first()) || blank(cell.last()) || apostrophe);
    plain.then_some(cell)
}

/// Most digits of a number that is read here: as a whole number they are exact in f64.
const MOST_DIGITS: usize = 15;

/// Powers of ten that are exact in f64.
const POWERS: [f64; MOST_DIGITS + 1] = [
    1e0, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8, 1e9, 1e10, 1e11, 1e12, 1e13, 1e14, 1e15,
];

/// An unsigned decimal number.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
struct Decimal {
    /// Its digits as a whole number.
    digits: u64,
    /// How many of them are decimals.
    decimals: usize,
    /// Bytes of its cell.
    length: usize,
}

/// The number of the cell with which `rest` begins.
#[inline(always)]
fn decimal(rest: &[u8]) -> Option<Decimal> {
    match rest.first_chunk().and_then(short_decimal) {
        Some(number) => Some(number),
        None => any_decimal(rest),
    }
}

/// The same byte in each of eight.
const fn eight(byte: u8) -> u64 {
    u64::from_le_bytes([byte; 8])
}

/// The number whose cell ends within eight bytes. `None` says nothing.
///
/// *Method*: the bytes side by side in one word; what is no digit is told by a carry into the
/// top bit of its byte, the point is closed up, and neighbours are joined to numbers of two,
/// four and eight digits.
/// *Source*: common practice, no source; held against [`any_decimal`].
#[inline(always)]
fn short_decimal(cell: &[u8; 8]) -> Option<Decimal> {
    let digits = u64::from_le_bytes(*cell) ^ eight(b'0');
    let others = (((digits & eight(0x7f)) + eight(0x80 - 10)) | digits) & eight(0x80);
    let place = |others: u64| (others.trailing_zeros() / 8) as usize;
    let whole = place(others);
    if whole == 0 || whole == 8 {
        return None;
    }
    let (mut end, mut decimals, mut joined) = (whole, 0, digits);
    if cell[whole] == b'.' {
        end = place(others & (others - 1));
        decimals = end - whole - 1;
        if decimals == 0 || end == 8 {
            return None;
        }
        let before = (1 << (8 * whole)) - 1;
        joined = (digits & before) | ((digits >> 8) & !before);
    }
    if !matches!(cell[end], b',' | b'\n' | b'\r') {
        return None;
    }
    // The first digit is the lowest byte: zeros come before it, what follows the last falls out.
    let ones = joined << (64 - 8 * (whole + decimals));
    let pairs = (ones.wrapping_mul(1 + (10 << 8)) >> 8) & 0x00ff_00ff_00ff_00ff;
    let fours = (pairs.wrapping_mul(1 + (100 << 16)) >> 16) & 0x0000_ffff_0000_ffff;
    Some(Decimal {
        digits: fours.wrapping_mul(1 + (10_000 << 32)) >> 32,
        decimals,
        length: end,
    })
}

/// The number of a cell of any length.
#[cold]
fn any_decimal(rest: &[u8]) -> Option<Decimal> {
    let mut length = rest.len();
    let mut value = 0u64;
    let mut point = None;
    for (at, byte) in rest.iter().enumerate() {
        let digit = byte.wrapping_sub(b'0');
        if digit < 10 {
            value = value.wrapping_mul(10).wrapping_add(u64::from(digit));
        } else if matches!(byte, b',' | b'\n' | b'\r') {
            length = at;
            break;
        } else if *byte == b'.' && point.is_none() {
            point = Some(at);
        } else {
            return None;
        }
    }
    let digits = length - usize::from(point.is_some());
    let decimals = point.map_or(0, |point| length - point - 1);
    // A point needs digits on both sides here; the careful reader takes `5.` and `.5` too.
    let whole = digits - decimals;
    let plain = whole > 0 && digits <= MOST_DIGITS && (point.is_none() || decimals > 0);
    plain.then_some(Decimal {
        digits: value,
        decimals,
        length,
    })
}

/// An unsigned number in the inner unit, and the bytes of its cell; what lies beyond the limits
/// is left to the careful reader, which says so.
///
/// *Method*: two whole numbers that are exact in f64 are divided once, so the quotient is
/// the double nearest to the decimal number, as the standard conversion gives it.
/// *Source*: W. D. Clinger, PLDI 1990, the fast path; from memory.
#[inline(always)]
fn number(rest: &[u8], column: &Column) -> Option<(f64, usize)> {
    let number = decimal(rest)?;
    let inner = column.to_inner(number.digits as f64 / POWERS[number.decimals]);
    within_magnitudes(inner).then_some((inner, number.length))
}

#[inline(always)]
fn above_zero(rest: &[u8], column: &Column) -> Option<(f64, usize)> {
    number(rest, column).filter(|(value, _)| *value > 0.0)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        /// Whatever eight bytes hold: the quick way says nothing or the same.
        #[test]
        fn eight_bytes_at_once_are_the_bytes_one_by_one(
            cell in prop_oneof![
                "[0-9]{0,7}\\.?[0-9]{0,7}[,\n\r0-9.]{8}",
                "[ -~]{8}",
                ".{8}",
            ]
        ) {
            let bytes = cell.as_bytes();
            let eight = bytes.first_chunk().unwrap();
            if let Some(quick) = short_decimal(eight) {
                prop_assert_eq!(Some(quick), any_decimal(bytes));
            } else if let Some(slow) = any_decimal(bytes) {
                prop_assert!(slow.length > 7, "{} is {:?}", cell, slow);
            }
        }
    }

    #[test]
    fn a_number_ends_where_its_cell_ends() {
        for (cell, expected) in [
            ("4000,7.28", Some((4000, 0, 4))),
            ("1.200,400", Some((1200, 3, 5))),
            ("0.5\r\n    ", Some((5, 1, 3))),
            ("1234567,", Some((1_234_567, 0, 7))),
            ("12.4567\n", Some((124_567, 4, 7))),
            ("12345678,", Some((12_345_678, 0, 8))),
            ("7", Some((7, 0, 1))),
            ("5.,      ", None),
            (".5,      ", None),
            ("1.2.3,   ", None),
            ("-1,      ", None),
            (",,,,,,,, ", None),
        ] {
            let expected = expected.map(|(digits, decimals, length)| Decimal {
                digits,
                decimals,
                length,
            });
            assert_eq!(decimal(cell.as_bytes()), expected, "{cell}");
        }
    }
}
