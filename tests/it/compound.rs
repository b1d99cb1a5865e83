//! The older binary workbook where it means harm: chains in circles, sheets within sheets,
//! cells that the format does not have. The records are laid out by MS-XLS 2.4, the header by
//! MS-CFB 2.2.

use std::fs;
use std::io::{Cursor, Write};
use std::path::Path;
use std::time::{Duration, Instant};

use meniscus::capture::{Bench, CaptureFile, SetPoints, check_captures};

fn record(kind: u16, data: &[u8]) -> Vec<u8> {
    let length = u16::try_from(data.len()).unwrap();
    [&kind.to_le_bytes(), &length.to_le_bytes(), data].concat()
}

fn beginning() -> Vec<u8> {
    let mut data = [0; 16];
    data[..4].copy_from_slice(&[0x00, 0x06, 0x10, 0x00]);
    record(0x0809, &data)
}

fn end() -> Vec<u8> {
    record(0x000A, &[])
}

/// A cell with a number.
fn number(row: u16, column: u16) -> Vec<u8> {
    let place = [row.to_le_bytes(), column.to_le_bytes(), [0, 0]].concat();
    record(0x0203, &[&place[..], &1.5f64.to_le_bytes()].concat())
}

/// A compound file with a workbook of these sheets; `offset` says where the header claims
/// that a sheet begins, given where it does.
fn workbook(sheets: &[Vec<u8>], offset: impl Fn(usize, usize) -> usize) -> Vec<u8> {
    let entry = |position: usize, name: usize| {
        let position = u32::try_from(position).unwrap().to_le_bytes();
        let name = format!("S{name}");
        let length = [u8::try_from(name.len()).unwrap(), 0];
        record(
            0x0085,
            &[&position[..], &[0, 0], &length, name.as_bytes()].concat(),
        )
    };
    let head: usize = beginning().len()
        + (0..sheets.len()).map(|i| entry(0, i).len()).sum::<usize>()
        + end().len();
    let mut stream = beginning();
    let mut position = head;
    for (i, sheet) in sheets.iter().enumerate() {
        stream.extend(entry(offset(i, position), i));
        position += sheet.len();
    }
    stream.extend(end());
    stream.extend(sheets.concat());
    let mut file = cfb::CompoundFile::create(Cursor::new(Vec::new())).unwrap();
    file.create_stream("/Workbook")
        .unwrap()
        .write_all(&stream)
        .unwrap();
    file.into_inner().into_inner()
}

fn sheet(cells: &[Vec<u8>]) -> Vec<u8> {
    [beginning(), cells.concat(), end()].concat()
}

/// What is found in the file; within seconds, or something goes in circles.
fn complaint(bytes: Vec<u8>) -> String {
    let start = Instant::now();
    let file = CaptureFile::new("run.xls", bytes);
    let checked = check_captures(&[file], Bench::default(), SetPoints::default());
    assert!(start.elapsed() < Duration::from_secs(20));
    checked
        .faults
        .first()
        .map(|fault| fault.found.clone())
        .unwrap_or_default()
}

fn as_it_is(_: usize, position: usize) -> usize {
    position
}

#[test]
fn sheets_and_cells_of_the_format_are_read() {
    let sound = workbook(&[sheet(&[number(0, 0), number(3, 255)])], as_it_is);
    // It is no capture, but it is a workbook.
    assert!(!complaint(sound).contains("damaged"));
}

#[test]
fn cells_beyond_the_last_column_are_refused_wherever_sectors_split_them() {
    for filler in 0..50 {
        let mut cells = vec![number(0, 0); filler];
        cells.push(number(0, 256));
        let found = complaint(workbook(&[sheet(&cells)], as_it_is));
        assert!(
            found.contains("cells beyond the last row or column"),
            "{found}"
        );
    }
}

#[test]
fn sheets_that_share_their_records_are_refused() {
    let sheets = vec![sheet(&[number(0, 0), number(65_535, 10)]); 3];
    let first = std::cell::Cell::new(None);
    let one = workbook(&sheets, |_, position| {
        first.set(first.get().or(Some(position)));
        first.get().unwrap()
    });
    let found = complaint(one);
    assert!(found.contains("sheets that overlap"), "{found}");
}

#[test]
fn a_few_cells_far_apart_on_many_sheets_are_too_many() {
    let far = sheet(&[number(0, 0), number(65_535, 255)]);
    let found = complaint(workbook(&[far.clone(), far], as_it_is));
    assert!(found.contains("more cells in all sheets"), "{found}");
}

/// Position of a word in the header of a compound file, and sectors of 512 bytes behind it.
const DIRECTORY: usize = 48;
const TABLE_OF_TABLES: usize = 68;
const FIRST_TABLE: usize = 76;

fn word(bytes: &[u8], at: usize) -> u32 {
    u32::from_le_bytes(*bytes[at..].first_chunk().unwrap())
}

fn sector(id: u32) -> usize {
    512 * (id as usize + 1)
}

#[test]
fn chains_in_circles_end() {
    let path = "tests/workbooks/good-libreoffice-plain.xls";
    let sound = fs::read(Path::new(env!("CARGO_MANIFEST_DIR")).join(path)).unwrap();
    assert_eq!(complaint(sound.clone()), "");

    let mut directory = sound.clone();
    let id = word(&sound, DIRECTORY);
    let entry = sector(word(&sound, FIRST_TABLE)) + 4 * id as usize;
    directory[entry..entry + 4].copy_from_slice(&id.to_le_bytes());
    let found = complaint(directory);
    assert!(found.contains("damaged workbook"), "{found}");

    let mut tables = sound.clone();
    tables[TABLE_OF_TABLES..TABLE_OF_TABLES + 4].copy_from_slice(&0u32.to_le_bytes());
    let last = sector(0) + 508;
    tables[last..last + 4].copy_from_slice(&0u32.to_le_bytes());
    let found = complaint(tables);
    assert!(found.contains("damaged workbook"), "{found}");
}
