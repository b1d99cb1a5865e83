//! The plain case of a capture, byte by byte: cells separated by commas, no quotes, no comments,
//! unsigned decimal numbers. Whatever is not plain is left to the careful reader; this one
//! never complains and never guesses.

use std::ops::RangeInclusive;

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
    Number(Number, Column),
    Time,
    Ignored,
}

/// Which number a cell holds.
#[derive(Debug, Clone, Copy)]
enum Number {
    PulseWidth,
    Pulses,
    Amount,
    Voltage,
    Pressure,
    Period,
    Frequency,
    /// A whole number that no fit uses.
    Whole,
}

/// How many of them there are.
const NUMBERS: usize = Number::Whole as usize + 1;

/// The numbers of a row by [`Number`]; 0 where it has none.
type Numbers = [f64; NUMBERS];

/// The columns of a capture that can be read byte by byte.
#[derive(Debug, Clone)]
pub(super) struct PlainLayout {
    slots: Vec<Slot>,
    /// Which numbers a row holds, by [`Number`].
    held: [bool; NUMBERS],
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
            let number = |number| Slot::Number(number, column.clone());
            slots[column.index] = match role {
                Role::Injector => Slot::Injector,
                Role::PulseWidth => number(Number::PulseWidth),
                Role::Pulses => number(Number::Pulses),
                Role::Voltage => number(Number::Voltage),
                Role::Pressure => number(Number::Pressure),
                Role::Period => number(Number::Period),
                Role::Frequency if columns.get(Role::Period).is_none() => number(Number::Frequency),
                Role::Repeat => number(Number::Whole),
                Role::Time => Slot::Time,
                Role::Note => Slot::Ignored,
                Role::Volume | Role::Mass if basis.is_none() => {
                    let volume = role == Role::Volume;
                    basis = Some(if volume { Basis::Volume } else { Basis::Mass });
                    number(Number::Amount)
                }
                _ => return None,
            };
        }
        let mut held = [false; NUMBERS];
        for slot in &slots {
            if let Slot::Number(number, _) = slot {
                held[*number as usize] = true;
            }
        }
        Some(Self {
            slots,
            held,
            basis: basis?,
        })
    }

    /// Reads a block of whole rows separated by commas; returns how many lines it has, or `None`
    /// where anything is not plain: what was given to `each` is then to be forgotten.
    ///
    /// Rows of one injector that follow each other are given the same slice of the block as injector.
    pub fn read<'a>(&self, block: &'a [u8], mut each: impl FnMut(StreamRow<'a>)) -> Option<u64> {
        let mut cells: Vec<Cell<'_>> = self.slots.iter().map(Cell::new).collect();
        cells.last_mut()?.last = true;
        let mut injector: &[u8] = b"";
        let mut rest = block;
        let mut lines = 0;
        while let Some(first) = rest.first() {
            if *first == b'#' {
                return None;
            }
            let mut numbers = Numbers::default();
            for cell in &mut cells {
                rest = cell.next(rest, &mut injector, &mut numbers)?;
            }
            each(self.row(injector, &numbers)?);
            lines += 1;
        }
        Some(lines)
    }

    /// The row of an injector with these numbers.
    #[inline(always)]
    fn row<'a>(&self, injector: &'a [u8], numbers: &Numbers) -> Option<StreamRow<'a>> {
        let number = |which: Number| numbers[which as usize];
        let stated = |which: Number| self.held[which as usize].then_some(number(which));
        let setting = Setting {
            pulse_width_ms: number(Number::PulseWidth),
            pulses: number(Number::Pulses),
            period_ms: stated(Number::Period).or(stated(Number::Frequency)),
        };
        let shut = |period: f64| setting.pulse_width_ms < period;
        setting.period_ms.is_none_or(shut).then_some(StreamRow {
            injector,
            voltage_v: stated(Number::Voltage),
            pressure_kpa: stated(Number::Pressure),
            setting,
            delivered: number(Number::Amount),
        })
    }
}

/// A column with what its cell in the row before held: most cells of a long capture say what the
/// one above says.
struct Cell<'l> {
    slot: &'l Slot,
    /// Whether the row ends with it.
    last: bool,
    /// Where its number goes.
    place: usize,
    /// The cell above with the byte that ended it, within `mask`: equal to none in the first row
    /// and below a cell that is longer than seven bytes.
    above: u64,
    mask: u64,
    /// The number of the cell above.
    value: f64,
    /// Its bytes, with what ended it.
    taken: usize,
}

impl<'l> Cell<'l> {
    fn new(slot: &'l Slot) -> Self {
        let place = match slot {
            Slot::Number(number, _) => *number,
            Slot::Injector | Slot::Time | Slot::Ignored => Number::Whole,
        };
        Self {
            slot,
            last: false,
            place: place as usize,
            above: 1,
            mask: 0,
            value: 0.0,
            taken: 0,
        }
    }

    /// Reads the cell with which `rest` begins; returns what follows it and what ends it.
    #[inline(always)]
    fn next<'a>(
        &mut self,
        rest: &'a [u8],
        injector: &mut &'a [u8],
        numbers: &mut Numbers,
    ) -> Option<&'a [u8]> {
        let eight = rest.first_chunk().copied().map(u64::from_le_bytes);
        if eight.is_none_or(|eight| eight & self.mask != self.above) {
            self.read(rest, eight, injector)?;
        }
        numbers[self.place] = self.value;
        rest.get(self.taken..)
    }

    /// Reads a cell that is another than the one above; `eight` are the first bytes of `rest`.
    fn read<'a>(
        &mut self,
        rest: &'a [u8],
        eight: Option<u64>,
        injector: &mut &'a [u8],
    ) -> Option<()> {
        let length = match self.slot {
            Slot::Number(number, column) => {
                let decimal = decimal(rest)?;
                self.value = number.of(decimal, column)?;
                decimal.length
            }
            Slot::Injector => match rest.strip_prefix(*injector) {
                Some([b',' | b'\n' | b'\r', ..]) if !injector.is_empty() => injector.len(),
                _ => {
                    let length = text_length(rest)?;
                    *injector = word(&rest[..length])?;
                    length
                }
            },
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
        let end = match (&rest[length..], self.last) {
            ([b',', ..], false) | ([b'\n', ..], true) => 1,
            ([b'\r', b'\n', ..], true) => 2,
            ([], true) => 0,
            _ => return None,
        };
        self.taken = length + end;
        (self.above, self.mask) = match eight {
            Some(eight) if self.taken <= 8 && end == 1 => {
                let mask = u64::MAX >> (8 * (8 - self.taken));
                (eight & mask, mask)
            }
            _ => (1, 0),
        };
        Some(())
    }
}

impl Number {
    /// The number in its inner unit; `None` where it is not one that may stand there. What lies
    /// beyond the limits is left to the careful reader, which says so.
    ///
    /// *Method*: two whole numbers that are exact in f64 are divided once, so the quotient is
    /// the double nearest to the decimal number, as the standard conversion gives it.
    /// *Source*: W. D. Clinger, PLDI 1990, the fast path; from memory.
    #[inline(always)]
    fn of(self, decimal: Decimal, column: &Column) -> Option<f64> {
        let digits = decimal.digits as f64;
        let whole = |range: RangeInclusive<f64>| {
            (decimal.decimals == 0 && range.contains(&digits)).then_some(digits)
        };
        match self {
            Self::Pulses => return whole(1.0..=MOST_PULSES),
            Self::Whole => return whole(0.0..=f64::from(u32::MAX)),
            _ => {}
        }
        let inner = column.to_inner(digits / POWERS[decimal.decimals]);
        let fits = match self {
            Self::Amount => within_magnitudes(inner),
            _ => inner > 0.0 && within_magnitudes(inner),
        };
        let value = match self {
            Self::Frequency => 1000.0 / inner,
            _ => inner,
        };
        (fits && value.is_finite()).then_some(value)
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
