//! Workbooks written by other programs, and workbooks that mean harm.

use std::fs;
use std::io::{Cursor, Write};
use std::path::{Path, PathBuf};

use meniscus::capture::{
    Bench, Capture, CaptureFile, Checked, SetPoints, Sweep, check_captures, fault_lines,
    looks_like_capture, read_stock_file,
};
use zip::ZipWriter;
use zip::write::SimpleFileOptions;

fn folder() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("tests")
}

fn check(name: &str, bytes: Vec<u8>) -> Checked {
    check_file(CaptureFile::new(name, bytes))
}

fn check_file(file: CaptureFile) -> Checked {
    let defaults = SetPoints {
        voltage_v: Some(14.0),
        pressure_kpa: Some(300.0),
    };
    check_captures(&[file], Bench::default(), defaults)
}

/// Name, extension and bytes of the workbooks whose names begin so.
fn workbooks(start: &str) -> Vec<(String, Vec<u8>)> {
    let mut found: Vec<_> = fs::read_dir(folder().join("workbooks"))
        .unwrap()
        .map(|entry| entry.unwrap().path())
        .map(|path| (path.file_name().unwrap().to_str().unwrap().to_owned(), path))
        .filter(|(name, _)| name.starts_with(start))
        .map(|(name, path)| (name, fs::read(path).unwrap()))
        .collect();
    found.sort();
    assert!(!found.is_empty());
    found
}

/// The readings without what tells where they stand: all else must agree to the bit.
fn bare(capture: &Capture) -> Vec<Sweep> {
    let mut sweeps = capture.sweeps.clone();
    for reading in sweeps.iter_mut().flat_map(|sweep| &mut sweep.readings) {
        reading.line = 0;
    }
    sweeps
}

#[test]
fn what_other_programs_write_gives_the_readings_of_the_text_to_the_bit() {
    let text = |name: &str| {
        let bytes = fs::read(folder().join("good-captures").join(name)).unwrap();
        let checked = check(name, bytes);
        assert_eq!(checked.faults, [], "{name}");
        bare(&checked.capture)
    };
    let (plain, wide) = (text("plain.csv"), text("wide.csv"));
    let books = workbooks("good-");
    for ending in ["xlsx", "ods", "xls"] {
        let count = books.iter().filter(|(name, _)| name.ends_with(ending));
        assert!(count.count() >= 3, "{ending}");
    }
    for (name, bytes) in books {
        let checked = check(&name, bytes);
        assert_eq!(fault_lines(&checked.faults, 9), "", "{name}");
        let expected = if name.contains("wide") { &wide } else { &plain };
        assert_eq!(&bare(&checked.capture), expected, "{name}");
        assert_eq!(
            checked.capture.sources[0].rows,
            if name.contains("wide") { 5 } else { 10 }
        );
    }
}

#[test]
fn an_encrypted_binary_workbook_is_said_to_be_one() {
    let path = folder().join("workbooks/good-libreoffice-plain.xls");
    let mut bytes = fs::read(path).unwrap();
    // The record of the code page (0x0042, two bytes) becomes one of encryption (FILEPASS,
    // 0x002F, MS-XLS 2.4.117), whose first two bytes say which.
    let code_page = [0x42, 0x00, 0x02, 0x00];
    let at = bytes.windows(4).position(|part| part == code_page).unwrap();
    bytes[at] = 0x2F;
    let faults = check("locked.xls", bytes).faults;
    assert_eq!(faults.len(), 1);
    assert_eq!(faults[0].found, "an encrypted workbook");
}

#[test]
fn every_bad_workbook_has_its_complaint() {
    for (name, bytes) in workbooks("bad-") {
        let checked = check(&name, bytes);
        assert!(!checked.faults.is_empty(), "{name}");
        let mut settings = insta::Settings::clone_current();
        settings.set_snapshot_path("../workbooks/complaints");
        settings.set_prepend_module_to_snapshot(false);
        settings.set_omit_expression(true);
        let text = fault_lines(&checked.faults, 50);
        settings.bind(|| insta::assert_snapshot!(name.replace('.', "-"), text));
    }
}

#[test]
fn a_fault_is_told_by_sheet_and_cell_for_people_and_machines() {
    let (_, bytes) = workbooks("bad-libreoffice-cells.xls").remove(0);
    let faults = check("run.xls", bytes).faults;
    let fault = &faults[0];
    assert!(
        fault
            .to_string()
            .starts_with("run.xls: Readings!H2: column volume_ml: found \"#DIV/0!\"")
    );
    let json = serde_json::to_value(fault).unwrap();
    assert_eq!(
        (&json["sheet"], &json["cell"]),
        (&"Readings".into(), &"H2".into())
    );
    assert_eq!(
        (&json["line"], &json["column"]),
        (&2.into(), &"volume_ml".into())
    );
}

#[test]
fn the_sheet_is_chosen_by_name_where_several_fit() {
    let (name, bytes) = workbooks("bad-two-sheets").remove(0);
    for (sheet, fits) in [("Monday", true), ("tuesday's", true), ("Friday", false)] {
        let mut file = CaptureFile::new(&name, bytes.clone());
        file.sheet = Some(sheet.to_owned());
        let checked = check_file(file);
        assert_eq!(checked.faults.is_empty(), fits, "{:?}", checked.faults);
        if !fits {
            let told = checked.faults[0].to_string();
            assert!(told.contains("\"Monday\", \"Tuesday's\""), "{told}");
        }
    }
}

#[test]
fn the_name_of_a_file_says_nothing_about_what_it_holds() {
    let (_, bytes) = workbooks("good-openpyxl-plain").remove(0);
    assert_eq!(check("run.csv", bytes.clone()).faults, []);
    assert_eq!(check("run.ods", bytes).faults, []);
    let text = fs::read(folder().join("good-captures/plain.csv")).unwrap();
    assert_eq!(check("run.xlsx", text).faults, []);
    for (bytes, said) in [
        (
            archive(&[("word/document.xml", b"<x/>".to_vec())]),
            "a zip archive without a sheet",
        ),
        (
            b"PK\x03\x04 and then nothing".to_vec(),
            "a zip archive without a sheet",
        ),
        (
            b"\xD0\xCF\x11\xE0\xA1\xB1\x1A\xE1 and then nothing".to_vec(),
            "a damaged workbook",
        ),
    ] {
        let told = check("run.xlsx", bytes).faults[0].to_string();
        assert!(told.contains(said), "{told}");
    }
}

/// A zip archive of named parts.
fn archive(parts: &[(&str, Vec<u8>)]) -> Vec<u8> {
    let mut zip = ZipWriter::new(Cursor::new(Vec::new()));
    for (name, bytes) in parts {
        zip.start_file(*name, SimpleFileOptions::default()).unwrap();
        zip.write_all(bytes).unwrap();
    }
    zip.finish().unwrap().into_inner()
}

/// A workbook of one sheet with this inside its `sheetData`.
fn xlsx(rows: &str) -> Vec<u8> {
    let sheet = format!("<worksheet><sheetData>{rows}</sheetData></worksheet>");
    archive(&[
        ("[Content_Types].xml", b"<Types/>".to_vec()),
        (
            "_rels/.rels",
            b"<Relationships><Relationship Id=\"r1\" Type=\"http://schemas.openxmlformats.org/officeDocument/2006/relationships/officeDocument\" Target=\"xl/workbook.xml\"/></Relationships>".to_vec(),
        ),
        (
            "xl/workbook.xml",
            b"<workbook xmlns:r=\"http://schemas.openxmlformats.org/officeDocument/2006/relationships\"><sheets><sheet name=\"S\" sheetId=\"1\" r:id=\"r1\"/></sheets></workbook>".to_vec(),
        ),
        (
            "xl/_rels/workbook.xml.rels",
            b"<Relationships><Relationship Id=\"r1\" Type=\"http://schemas.openxmlformats.org/officeDocument/2006/relationships/worksheet\" Target=\"worksheets/sheet1.xml\"/></Relationships>".to_vec(),
        ),
        ("xl/worksheets/sheet1.xml", sheet.into_bytes()),
    ])
}

const NAMES: [&str; 4] = ["injector", "pulse_width_ms", "pulses", "volume_ml"];

fn xlsx_header() -> String {
    let cells = NAMES.map(|name| format!("<c t=\"inlineStr\"><is><t>{name}</t></is></c>"));
    format!("<row>{}</row>", cells.concat())
}

fn ods(rows: &str) -> Vec<u8> {
    let content = format!(
        "<office:document-content><office:body><office:spreadsheet><table:table table:name=\"S\">{rows}\
         </table:table></office:spreadsheet></office:body></office:document-content>"
    );
    archive(&[
        (
            "mimetype",
            b"application/vnd.oasis.opendocument.spreadsheet".to_vec(),
        ),
        ("META-INF/manifest.xml", b"<manifest:manifest/>".to_vec()),
        ("content.xml", content.into_bytes()),
    ])
}

fn ods_header() -> String {
    let cells = NAMES.map(|name| {
        format!("<table:table-cell office:value-type=\"string\"><text:p>{name}</text:p></table:table-cell>")
    });
    format!("<table:table-row>{}</table:table-row>", cells.concat())
}

const ODS_ROW: &str = "<table:table-row><table:table-cell office:value-type=\"string\"><text:p>A1</text:p></table:table-cell>\
    <table:table-cell office:value-type=\"float\" office:value=\"2\"/><table:table-cell office:value-type=\"float\" office:value=\"1000\"/>\
    <table:table-cell office:value-type=\"float\" office:value=\"10.5\"/></table:table-row>";
const XLSX_ROW: &str = "<row><c t=\"inlineStr\"><is><t>A1</t></is></c><c><v>2</v></c><c><v>1000</v></c><c><v>10.5</v></c></row>";

#[test]
fn workbooks_that_would_grow_without_limit_are_refused() {
    // The harmless frames are read, so that what is refused is the harm.
    assert_eq!(
        check("a.xlsx", xlsx(&(xlsx_header() + XLSX_ROW))).faults,
        []
    );
    assert_eq!(check("a.ods", ods(&(ods_header() + ODS_ROW))).faults, []);
    let blanks = |millions: usize| " ".repeat(millions << 20);
    let repeated = |columns: u64, rows: u64| {
        format!(
            "{}<table:table-row table:number-rows-repeated=\"{rows}\"><table:table-cell table:number-columns-repeated=\"{columns}\" \
             office:value-type=\"float\" office:value=\"1\"/></table:table-row>",
            ods_header()
        )
    };
    let shared = "<row><c><f t=\"shared\" si=\"4294967295\" ref=\"A1:A2\">1</f><v>2</v></c></row>";
    let bombs = [
        (
            "blanks of 80 MB",
            xlsx(&(xlsx_header() + XLSX_ROW + &blanks(80))),
        ),
        (
            "blanks of 80 MB",
            ods(&(ods_header() + ODS_ROW + &blanks(80))),
        ),
        ("repeated cells", ods(&repeated(16_384, 1_048_576))),
        (
            "repeated cells in one row each",
            ods(&repeated(16_384, 1).repeat(3000)),
        ),
        (
            "a repetition beyond all numbers",
            ods(&repeated(u64::MAX, u64::MAX)),
        ),
        ("a shared formula's index", xlsx(&(xlsx_header() + shared))),
        (
            "a cell far to the right",
            xlsx(&(xlsx_header() + "<row r=\"2\"><c r=\"XFD2\"><v>1</v></c></row>")),
        ),
    ];
    for (what, bytes) in bombs {
        assert!(bytes.len() < 2_000_000, "{what}: {}", bytes.len());
        let told = fault_lines(&check("bomb", bytes).faults, 5);
        assert!(told.contains("found a workbook of"), "{what}: {told}");
    }
}

#[test]
fn encrypted_workbooks_are_named_as_such() {
    let part = "<manifest:file-entry manifest:full-path=\"content.xml\"><manifest:encryption-data/></manifest:file-entry>";
    let ods = archive(&[
        (
            "mimetype",
            b"application/vnd.oasis.opendocument.spreadsheet".to_vec(),
        ),
        (
            "META-INF/manifest.xml",
            format!("<manifest:manifest>{part}</manifest:manifest>").into_bytes(),
        ),
        ("content.xml", vec![0x5A; 400]),
    ]);
    let (_, xlsx) = workbooks("bad-encrypted").remove(0);
    for bytes in [ods, xlsx] {
        let told = check("run", bytes).faults[0].to_string();
        assert!(told.contains("an encrypted workbook"), "{told}");
    }
}

#[test]
fn a_sheet_of_as_many_rows_as_there_can_be_is_read() {
    let mut rows = xlsx_header();
    for row in 0..1_048_575u32 {
        let (tens, ones) = (10 + row % 7, row % 10);
        rows.push_str(&format!(
            "<row><c t=\"str\"><v>A{}</v></c><c><v>2</v></c><c><v>1000</v></c><c><v>{tens}.{ones}</v></c></row>",
            row % 2
        ));
    }
    let checked = check("big.xlsx", xlsx(&rows));
    assert_eq!(fault_lines(&checked.faults, 3), "");
    let capture = checked.capture;
    assert_eq!(capture.sources[0].rows, 1_048_575);
    let last = capture.sweeps[0].readings.last().unwrap();
    assert_eq!(
        (last.line, last.delivered),
        (1_048_576, 10_400.0 + 1000.0 * f64::from(1_048_574 % 7))
    );
}

#[test]
fn a_stock_is_read_from_a_sheet() {
    let cells = |texts: [&str; 3]| {
        let cells = texts.map(|text| match text.parse::<f64>() {
            Ok(_) => format!("<c><v>{text}</v></c>"),
            Err(_) => format!("<c t=\"inlineStr\"><is><t>{text}</t></is></c>"),
        });
        format!("<row>{}</row>", cells.concat())
    };
    let title = "<row><c t=\"inlineStr\"><is><t>shelf 3</t></is></c></row><row/>";
    let table = [
        ["injector", "idle", "cruise"],
        ["A", "4.1", "20"],
        ["B", "4", "21"],
    ]
    .map(cells);
    let file = CaptureFile::new("stock.xlsx", xlsx(&(title.to_owned() + &table.concat())));
    assert!(!looks_like_capture(&file));
    let stock = read_stock_file(&file).unwrap();
    assert_eq!(stock.points, ["idle", "cruise"]);
    assert_eq!(stock.rows[0].amounts, [Some(4.1), Some(20.0)]);
    let bad = cells(["C", "x", "1"]);
    let file = CaptureFile::new(
        "stock.xlsx",
        xlsx(&(title.to_owned() + &table.concat() + &bad)),
    );
    let told = read_stock_file(&file).unwrap_err()[0].to_string();
    assert!(told.starts_with("stock.xlsx: S!B6: column idle"), "{told}");
}

/// Damage never ends the program: each byte of small workbooks is changed in turn.
#[test]
fn damaged_workbooks_end_in_faults_or_readings() {
    for (name, bytes) in workbooks("good-libreoffice-plain") {
        let expected = bare(&check(&name, bytes.clone()).capture);
        let step = if name.ends_with("xls") { 7 } else { 43 };
        for at in (0..bytes.len()).step_by(step) {
            for change in [0xFF, 0x01] {
                let mut damaged = bytes.clone();
                damaged[at] ^= change;
                check(&name, damaged);
            }
        }
        for length in (0..bytes.len()).step_by(211) {
            let checked = check(&name, bytes[..length].to_vec());
            // What is cut off may lie behind the readings.
            let whole = checked.faults.is_empty() && bare(&checked.capture) == expected;
            assert!(
                whole || !checked.faults.is_empty(),
                "{name} cut at {length}"
            );
        }
    }
}
