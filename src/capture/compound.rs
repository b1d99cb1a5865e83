//! The older binary workbook: taken out of its compound file and looked through, before a
//! reader trusts what it says of itself.
//!
//! *Source*: the records and their numbers are those of the published file format, MS-XLS 2.3;
//! the streams those of MS-CFB.

use std::io::{self, Cursor, Read, Write};

use cfb::{CompoundFile, Version};

use super::container::{damaged, encrypted, too_large};
use super::fault::Fault;

/// Streams that hold the workbook, the newer name first.
const WORKBOOK: [&str; 2] = ["/Workbook", "/Book"];
/// Stream of an Office Open XML workbook with a password.
const ENCRYPTED: &str = "/EncryptedPackage";

/// Rows and columns of a sheet of this format.
const ROWS: u64 = 65_536;
const COLUMNS: u64 = 256;
/// Cells of all sheets, from the first to the last used row and column of each: one full
/// sheet. The reader holds them all.
const MOST_CELLS_OF_ALL: u64 = ROWS * COLUMNS;

// Records.
const BEGINNING: u16 = 0x0809;
const END: u16 = 0x000A;
const SHEET: u16 = 0x0085;
const DIMENSIONS: u16 = 0x0200;
const SEVERAL_NUMBERS: u16 = 0x00BD;
/// One cell each: number, text, rich text, truth value, short number, shared text, formula.
const CELLS: [u16; 7] = [0x0203, 0x0204, 0x00D6, 0x0205, 0x027E, 0x00FD, 0x0006];

/// The compound file that holds this one's workbook and nothing else: its chains of sectors
/// are new, and its sheets have no more cells than the format.
///
/// # Errors
/// A fault of the whole file: chains that lead nowhere or in circles, no workbook, a password,
/// sheets that overlap or cells beyond the format's last row or column, too many cells.
pub(super) fn workbook_alone(bytes: &[u8]) -> Result<Vec<u8>, Box<Fault>> {
    let broken = |error: io::Error| Box::new(damaged(&error));
    let mut file = CompoundFile::open(Cursor::new(bytes)).map_err(broken)?;
    if file.exists(ENCRYPTED) {
        return Err(Box::new(encrypted()));
    }
    let Some(name) = WORKBOOK.into_iter().find(|name| file.is_stream(name)) else {
        return Err(Box::new(damaged(&"no workbook in it")));
    };
    let mut stream = Vec::new();
    let most = bytes.len() as u64;
    let held = file.open_stream(name).map_err(broken)?;
    held.take(most).read_to_end(&mut stream).map_err(broken)?;
    look_through(&stream)?;
    let mut alone =
        CompoundFile::create_with_version(Version::V3, Cursor::new(Vec::new())).map_err(broken)?;
    let mut copy = alone.create_stream(name).map_err(broken)?;
    copy.write_all(&stream).map_err(broken)?;
    drop(copy);
    alone.flush().map_err(broken)?;
    Ok(alone.into_inner().into_inner())
}

/// Goes through the records of every sheet.
fn look_through(stream: &[u8]) -> Result<(), Box<Fault>> {
    let mut sheets: Vec<usize> = Records::of(stream)
        .take_while(|(_, kind, _)| *kind != END)
        .filter(|(_, kind, _)| *kind == SHEET)
        .filter_map(|(_, _, data)| Some(u32::from_le_bytes(*data.first_chunk()?) as usize))
        .collect();
    sheets.sort_unstable();
    let mut cells = 0;
    for (i, from) in sheets.iter().enumerate() {
        let to = sheets.get(i + 1).copied().unwrap_or(usize::MAX);
        let sheet = stream.get(*from..).unwrap_or_default();
        cells += cells_of(sheet, to - from)?;
        if cells > MOST_CELLS_OF_ALL {
            let found = "more cells in all sheets than one full sheet has";
            return Err(Box::new(too_large(found)));
        }
    }
    Ok(())
}

/// Cells between the first and the last used row and column of a sheet that ends before `to`.
fn cells_of(sheet: &[u8], to: usize) -> Result<u64, Box<Fault>> {
    // First and last row, first and last column.
    let mut used: Option<[u64; 4]> = None;
    let mut depth = 0;
    for (at, kind, data) in Records::of(sheet) {
        if at >= to {
            return Err(Box::new(damaged(&"sheets that overlap")));
        }
        let word = |i: usize| data.get(2 * i..).and_then(|d| d.first_chunk());
        let word = |i: usize| u64::from(u16::from_le_bytes(*word(i).unwrap_or(&[0, 0])));
        match kind {
            BEGINNING => depth += 1,
            END if depth <= 1 => break,
            END => depth -= 1,
            DIMENSIONS => {
                let (rows, columns) = match data.len() {
                    10 => (word(1), word(3)),
                    _ => (word(2) + (word(3) << 16), word(5)),
                };
                if rows > ROWS || columns > COLUMNS {
                    return Err(beyond());
                }
            }
            // Charts on the sheet have cells of their own; what they add to the box is little.
            _ if CELLS.contains(&kind) || kind == SEVERAL_NUMBERS => {
                let last = if kind == SEVERAL_NUMBERS {
                    word((data.len() / 2).saturating_sub(1))
                } else {
                    word(1)
                };
                if last >= COLUMNS || word(1) > last {
                    return Err(beyond());
                }
                let [top, bottom, left, right] = used.unwrap_or([word(0), word(0), word(1), last]);
                used = Some([
                    top.min(word(0)),
                    bottom.max(word(0)),
                    left.min(word(1)),
                    right.max(last),
                ]);
            }
            _ => {}
        }
    }
    Ok(used.map_or(0, |[top, bottom, left, right]| {
        (bottom - top + 1) * (right - left + 1)
    }))
}

fn beyond() -> Box<Fault> {
    Box::new(damaged(&"cells beyond the last row or column"))
}

/// The records of a stream: where each begins, its kind and its data. Ends where a record is cut off.
struct Records<'s> {
    stream: &'s [u8],
    at: usize,
}

impl<'s> Records<'s> {
    fn of(stream: &'s [u8]) -> Self {
        Self { stream, at: 0 }
    }
}

impl<'s> Iterator for Records<'s> {
    type Item = (usize, u16, &'s [u8]);

    fn next(&mut self) -> Option<Self::Item> {
        let at = self.at;
        let [kind, length] = [0, 2].map(|i| {
            let word = self.stream.get(at + i..)?.first_chunk()?;
            Some(u16::from_le_bytes(*word))
        });
        let data = self.stream.get(at + 4..)?.get(..usize::from(length?))?;
        self.at += 4 + data.len();
        Some((at, kind?, data))
    }
}
