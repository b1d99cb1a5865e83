//! What the bytes of a file are, and whether unpacking them is safe.

use std::io::{self, BufReader, Cursor, Read};

use workbook_xml::events::{BytesStart, Event};
use workbook_xml::{Reader as XmlReader, XmlVersion};
use zip::ZipArchive;

use super::fault::Fault;
use super::grid::Merged;

/// What a file holds, judged by its bytes; its name says nothing reliable.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Content {
    /// Anything else: read as text.
    Text,
    /// A zip archive with an Office Open XML workbook.
    Xlsx,
    /// A zip archive with an OpenDocument spreadsheet.
    Ods,
    /// A compound file: the older binary workbook, or an encrypted one.
    Compound,
    /// A zip archive with something else.
    OtherZip,
}

/// Bytes of all parts together, unpacked: a sheet of 1,048,576 rows and eight columns
/// takes up to half of it.
const MOST_UNPACKED: u64 = 1 << 30;
/// Bytes of a part that is no sheet; these are held in memory as a whole.
const MOST_UNPACKED_PART: u64 = 1 << 27;
/// Unpacked over packed size; real sheets stay below 50, the format allows 1032.
const MOST_RATIO: u64 = 200;
/// Below this size the ratio does not matter: empty sheets pack well.
const ALWAYS_UNPACKED: u64 = 1 << 26;
/// Parts of an archive.
const MOST_PARTS: usize = 10_000;
/// Shared formulas of a sheet; their number is used as an index by the reader.
const MOST_SHARED_FORMULAS: u64 = 1_048_576;
/// Cells of a sheet; more than a flow bench writes in a lifetime.
pub(super) const MOST_CELLS: u64 = 32_000_000;

const COMPOUND: &[u8] = &[0xD0, 0xCF, 0x11, 0xE0, 0xA1, 0xB1, 0x1A, 0xE1];

/// Judges by the first bytes and, in an archive, by the names of its parts.
pub(super) fn content(bytes: &[u8]) -> Content {
    if bytes.starts_with(COMPOUND) {
        return Content::Compound;
    }
    if !bytes.starts_with(b"PK\x03\x04") {
        return Content::Text;
    }
    let Ok(archive) = ZipArchive::new(Cursor::new(bytes)) else {
        return Content::OtherZip;
    };
    let has = |name: &[u8]| archive.file_names_raw().any(|part| part == name);
    if has(b"xl/workbook.xml") {
        Content::Xlsx
    } else if has(b"content.xml") && has(b"mimetype") {
        Content::Ods
    } else {
        Content::OtherZip
    }
}

/// Merged cells of each sheet of an OpenDocument file, in the order of the sheets.
pub(super) type MergedBySheet = Vec<(String, Vec<Merged>)>;

/// Unpacks every part into nothing and counts: sizes that an archive states about itself
/// prove nothing. Returns merged cells, which only the OpenDocument format states here.
///
/// # Errors
/// A fault where the archive is damaged or would grow beyond the limits.
pub(super) fn examine(bytes: &[u8], kind: Content) -> Result<MergedBySheet, Box<Fault>> {
    let damaged = |what: &dyn std::fmt::Display| Box::new(damaged(what));
    let mut archive = ZipArchive::new(Cursor::new(bytes)).map_err(|e| damaged(&e))?;
    if archive.len() > MOST_PARTS {
        return Err(Box::new(too_large(&format!("{} parts", archive.len()))));
    }
    let mut merged = Vec::new();
    let mut total = 0;
    for index in 0..archive.len() {
        let part = archive.by_index(index).map_err(|e| damaged(&e))?;
        if part.encrypted() {
            return Err(Box::new(encrypted()));
        }
        let name = String::from_utf8_lossy(part.name_raw()).into_owned();
        let packed = part.compressed_size();
        let sheet = name.starts_with("xl/worksheets/") || name == "content.xml";
        let limit = if sheet {
            MOST_UNPACKED
        } else {
            MOST_UNPACKED_PART
        };
        let by_ratio = (packed.saturating_mul(MOST_RATIO)).max(ALWAYS_UNPACKED);
        let limit = limit.min(by_ratio).min(MOST_UNPACKED - total);
        let mut counted = Counted {
            inner: part,
            count: 0,
            limit,
        };
        let read = if !name.ends_with(".xml") {
            io::copy(&mut counted, &mut io::sink()).map(|_| ())
        } else if kind == Content::Ods && name == "content.xml" {
            merged = examine_ods(&mut counted)?;
            io::copy(&mut counted, &mut io::sink()).map(|_| ())
        } else {
            examine_xlsx(&mut counted)?;
            io::copy(&mut counted, &mut io::sink()).map(|_| ())
        };
        if counted.count > limit {
            let size = format!("more than {} MB unpacked in {name}", limit >> 20);
            return Err(Box::new(too_large(&size)));
        }
        read.map_err(|e| damaged(&e))?;
        total += counted.count;
    }
    Ok(merged)
}

/// A workbook that cannot be read.
pub(super) fn damaged(what: &dyn std::fmt::Display) -> Fault {
    Fault::whole(
        format!("a damaged workbook ({what})"),
        "a workbook that a spreadsheet program can open",
    )
    .hint("open it and save it again, or save the sheet as CSV UTF-8")
}

/// A workbook that asks for a password.
pub(super) fn encrypted() -> Fault {
    Fault::whole("an encrypted workbook", "one without a password")
        .hint("open it with its password and save it without, or save the sheet as CSV UTF-8")
}

/// A workbook beyond the limits.
pub(super) fn too_large(found: &str) -> Fault {
    Fault::whole(
        format!("a workbook of {found}"),
        format!(
            "at most {} MB unpacked and {MOST_CELLS} cells a sheet",
            MOST_UNPACKED >> 20
        ),
    )
    .hint("save the sheet with the readings as CSV UTF-8")
}

/// Counts what is read and ends one byte beyond the limit.
struct Counted<R> {
    inner: R,
    count: u64,
    limit: u64,
}

impl<R: Read> Read for Counted<R> {
    fn read(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
        if self.count > self.limit {
            return Ok(0);
        }
        let read = self.inner.read(buffer)?;
        self.count += read as u64;
        Ok(read)
    }
}

fn attribute(element: &BytesStart<'_>, name: &str) -> Option<String> {
    let mut attributes = element.attributes();
    let found = attributes
        .with_checks(false)
        .flatten()
        .find(|attribute| attribute.key.as_ref() == name)?;
    let value = found.normalized_value(XmlVersion::Implicit1_0).ok()?;
    Some(value.into_owned())
}

fn number(element: &BytesStart<'_>, name: &str) -> Option<u64> {
    attribute(element, name)?.trim().parse().ok()
}

/// Refuses indices of shared formulas that no sheet can need.
fn examine_xlsx(part: &mut impl Read) -> Result<(), Box<Fault>> {
    let mut reader = XmlReader::from_reader(BufReader::new(part));
    reader.config_mut().check_end_names = false;
    let mut buffer = Vec::new();
    loop {
        buffer.clear();
        match reader.read_event_into(&mut buffer) {
            Ok(Event::Start(e) | Event::Empty(e)) if e.local_name().as_ref() == "f" => {
                let Some(text) = attribute(&e, "si") else {
                    continue;
                };
                let index = text.trim().parse::<u64>();
                if index.is_ok_and(|index| index > MOST_SHARED_FORMULAS) {
                    return Err(Box::new(too_large("more shared formulas than cells")));
                }
            }
            // What is no XML here is found out by whoever needs the part.
            Ok(Event::Eof) | Err(_) => return Ok(()),
            Ok(_) => {}
        }
    }
}

/// Counts the cells that repetitions stand for, and finds the merged ones.
fn examine_ods(part: &mut impl Read) -> Result<MergedBySheet, Box<Fault>> {
    let mut reader = XmlReader::from_reader(BufReader::new(part));
    reader.config_mut().check_end_names = false;
    let mut buffer = Vec::new();
    let mut sheets: MergedBySheet = Vec::new();
    let (mut cells, mut line, mut repeated, mut column) = (0u64, 1u64, 1u64, 0u64);
    let mut filled = 0u64;
    loop {
        buffer.clear();
        let event = match reader.read_event_into(&mut buffer) {
            Ok(Event::Eof) | Err(_) => return Ok(sheets),
            Ok(event) => event,
        };
        let ended_empty = matches!(event, Event::Empty(_));
        match event {
            Event::Start(e) | Event::Empty(e) => match e.name().as_ref() {
                "table:table" => {
                    sheets.push((attribute(&e, "table:name").unwrap_or_default(), Vec::new()));
                    (cells, line) = (0, 1);
                }
                "table:table-row" => {
                    repeated = number(&e, "table:number-rows-repeated").unwrap_or(1);
                    (column, filled) = (0, 0);
                    if ended_empty {
                        line = line.saturating_add(repeated);
                    }
                }
                "table:table-cell" | "table:covered-table-cell" => {
                    let across = number(&e, "table:number-columns-repeated").unwrap_or(1);
                    let span = |name| number(&e, name).unwrap_or(1).max(1);
                    let spans = [
                        span("table:number-rows-spanned"),
                        span("table:number-columns-spanned"),
                    ];
                    if spans != [1, 1]
                        && let Some((_, merged)) = sheets.last_mut()
                    {
                        merged.push(Merged {
                            lines: [line, line.saturating_add(spans[0] - 1)],
                            columns: [column, column.saturating_add(spans[1] - 1)]
                                .map(|c| usize::try_from(c).unwrap_or(usize::MAX)),
                        });
                    }
                    column = column.saturating_add(across);
                    if attribute(&e, "office:value-type").is_some()
                        || attribute(&e, "table:formula").is_some()
                    {
                        filled = column;
                    }
                    if cells.saturating_add(filled.saturating_mul(repeated)) > MOST_CELLS {
                        return Err(Box::new(too_large("too many repeated cells")));
                    }
                }
                _ => {}
            },
            Event::End(e) if e.name().as_ref() == "table:table-row" => {
                cells = cells.saturating_add(filled.saturating_mul(repeated));
                line = line.saturating_add(repeated);
            }
            _ => {}
        }
    }
}
