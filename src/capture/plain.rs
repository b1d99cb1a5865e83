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
    /// Injector id.
    pub injector: &'a str,
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
        while !rest.is_empty() {
            let row;
            (row, rest) = self.row(rest)?;
            each(row);
            lines += 1;
        }
        Some(lines)
    }

    fn row<'a>(&self, bytes: &'a [u8]) -> Option<(StreamRow<'a>, &'a [u8])> {
        let mut row = StreamRow {
            injector: "",
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
        let mut at = 0;
        let last = self.slots.len() - 1;
        for (index, slot) in self.slots.iter().enumerate() {
            let end = match slot {
                Slot::Injector => {
                    let end = text_end(bytes, at)?;
                    row.injector = word(&bytes[at..end])?;
                    end
                }
                Slot::PulseWidth(column) => {
                    let (value, end) = above_zero(bytes, at, column)?;
                    row.setting.pulse_width_ms = value;
                    end
                }
                Slot::Pulses => {
                    let (digits, decimals, end) = decimal(bytes, at)?;
                    let pulses = digits as f64;
                    if decimals > 0 || !(1.0..=MOST_PULSES).contains(&pulses) {
                        return None;
                    }
                    row.setting.pulses = pulses;
                    end
                }
                Slot::Amount(column) => {
                    let (value, end) = number(bytes, at, column)?;
                    row.delivered = value;
                    end
                }
                Slot::Voltage(column) => {
                    let (value, end) = above_zero(bytes, at, column)?;
                    row.voltage_v = Some(value);
                    end
                }
                Slot::Pressure(column) => {
                    let (value, end) = above_zero(bytes, at, column)?;
                    row.pressure_kpa = Some(value);
                    end
                }
                Slot::Period(column) => {
                    let (value, end) = above_zero(bytes, at, column)?;
                    row.setting.period_ms = Some(value);
                    end
                }
                Slot::Frequency(column) => {
                    let (value, end) = above_zero(bytes, at, column)?;
                    row.setting.period_ms = Some(1000.0 / value).filter(|p| p.is_finite());
                    row.setting.period_ms?;
                    end
                }
                Slot::Whole => {
                    let (digits, decimals, end) = decimal(bytes, at)?;
                    if decimals > 0 || digits > u64::from(u32::MAX) {
                        return None;
                    }
                    end
                }
                Slot::Time => {
                    let end = text_end(bytes, at)?;
                    let text = std::str::from_utf8(&bytes[at..end]).ok()?;
                    if !text.is_empty() && !is_rfc3339(text) {
                        return None;
                    }
                    end
                }
                Slot::Ignored => text_end(bytes, at)?,
            };
            at = end;
            if index < last {
                if bytes.get(at) != Some(&b',') {
                    return None;
                }
                at += 1;
            }
        }
        if row
            .setting
            .period_ms
            .is_some_and(|period| row.setting.pulse_width_ms >= period)
        {
            return None;
        }
        Some((row, line_end(&bytes[at..])?))
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

/// Where a cell of plain text ends.
fn text_end(bytes: &[u8], from: usize) -> Option<usize> {
    let mut at = from;
    while let Some(byte) = bytes.get(at) {
        match byte {
            b',' | b'\n' | b'\r' => break,
            b'"' => return None,
            b' '..=b'~' => at += 1,
            _ => return None,
        }
    }
    Some(at)
}

/// A cell of text that means what it says: nothing to trim, no apostrophe before it.
fn word(cell: &[u8]) -> Option<&str> {
    let blank = |byte: Option<&u8>| byte.is_none_or(|b| *b == b' ');
    let apostrophe = cell.first() == Some(&b'\'');
    if blank(cell.first()) || blank(cell.last()) || apostrophe {
        return None;
    }
    std::str::from_utf8(cell).ok()
}

/// Most digits of a number that is read here: as a whole number they are exact in f64.
const MOST_DIGITS: usize = 15;

/// Powers of ten that are exact in f64.
const POWERS: [f64; MOST_DIGITS + 1] = [
    1e0, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8, 1e9, 1e10, 1e11, 1e12, 1e13, 1e14, 1e15,
];

/// Digits of an unsigned decimal number as a whole number, how many of them are decimals, and
/// where the cell ends.
fn decimal(bytes: &[u8], from: usize) -> Option<(u64, usize, usize)> {
    let mut at = from;
    let mut value = 0u64;
    let mut point = None;
    loop {
        match bytes.get(at) {
            Some(digit @ b'0'..=b'9') => value = value.wrapping_mul(10) + u64::from(digit - b'0'),
            Some(b'.') if point.is_none() => point = Some(at),
            None | Some(b',' | b'\n' | b'\r') => break,
            Some(_) => return None,
        }
        at += 1;
    }
    let digits = at - from - usize::from(point.is_some());
    let decimals = point.map_or(0, |point| at - point - 1);
    // A point needs digits on both sides here; the careful reader takes `5.` and `.5` too.
    let whole = digits - decimals;
    let plain = whole > 0 && digits <= MOST_DIGITS && (point.is_none() || decimals > 0);
    plain.then_some((value, decimals, at))
}

/// An unsigned number in the inner unit; what lies beyond the limits is left to the careful
/// reader, which says so.
///
/// *Method*: two whole numbers that are exact in f64 are divided once, so the quotient is
/// the double nearest to the decimal number, as the standard conversion gives it.
/// *Source*: W. D. Clinger, PLDI 1990, the fast path; from memory.
fn number(bytes: &[u8], from: usize, column: &Column) -> Option<(f64, usize)> {
    let (digits, decimals, end) = decimal(bytes, from)?;
    let inner = column.to_inner(digits as f64 / POWERS[decimals]);
    within_magnitudes(inner).then_some((inner, end))
}

fn above_zero(bytes: &[u8], from: usize, column: &Column) -> Option<(f64, usize)> {
    number(bytes, from, column).filter(|(value, _)| *value > 0.0)
}
