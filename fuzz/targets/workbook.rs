//! Any bytes as a workbook; and any XML as the one sheet of a sound workbook, since chance
//! seldom finds its way through the checksums of an archive.
#![no_main]

use std::io::{Cursor, Write};
use std::panic;

use libfuzzer_sys::fuzz_target;
use meniscus::capture::{Bench, CaptureFile, SetPoints, check_captures, read_stock_file};
use zip::write::SimpleFileOptions;
use zip::{CompressionMethod, ZipWriter};

const TYPES: &str = r#"<?xml version="1.0"?><Types xmlns="http://schemas.openxmlformats.org/package/2006/content-types"><Default Extension="rels" ContentType="application/vnd.openxmlformats-package.relationships+xml"/><Default Extension="xml" ContentType="application/xml"/></Types>"#;
const WORKBOOK: &str = r#"<?xml version="1.0"?><workbook xmlns="http://schemas.openxmlformats.org/spreadsheetml/2006/main" xmlns:r="http://schemas.openxmlformats.org/officeDocument/2006/relationships"><sheets><sheet name="S" sheetId="1" r:id="rId1"/></sheets></workbook>"#;
const LINKS: &str = r#"<?xml version="1.0"?><Relationships xmlns="http://schemas.openxmlformats.org/package/2006/relationships"><Relationship Id="rId1" Type="http://schemas.openxmlformats.org/officeDocument/2006/relationships/worksheet" Target="worksheets/sheet1.xml"/></Relationships>"#;

fn archive(parts: &[(&str, &[u8])]) -> Vec<u8> {
    let mut zip = ZipWriter::new(Cursor::new(Vec::new()));
    let stored = SimpleFileOptions::default().compression_method(CompressionMethod::Stored);
    for (name, bytes) in parts {
        zip.start_file(*name, stored).expect("memory takes it");
        zip.write_all(bytes).expect("memory takes it");
    }
    zip.finish().expect("memory takes it").into_inner()
}

/// A panic over a damaged workbook is caught by the program and told as a fault.
fn let_readers_panic() {
    let usual = panic::take_hook();
    panic::set_hook(Box::new(move |info| {
        if !info.location().is_some_and(|at| at.file().contains("calamine")) {
            usual(info);
        }
    }));
}

fuzz_target!(init: let_readers_panic(), |bytes: &[u8]| {
    let Some((kind, rest)) = bytes.split_first() else {
        return;
    };
    let bytes = match kind {
        b'x' => archive(&[
            ("[Content_Types].xml", TYPES.as_bytes()),
            ("xl/workbook.xml", WORKBOOK.as_bytes()),
            ("xl/_rels/workbook.xml.rels", LINKS.as_bytes()),
            ("xl/worksheets/sheet1.xml", rest),
        ]),
        b'o' => archive(&[
            ("mimetype", b"application/vnd.oasis.opendocument.spreadsheet"),
            ("META-INF/manifest.xml", br#"<?xml version="1.0"?><manifest:manifest xmlns:manifest="urn:oasis:names:tc:opendocument:xmlns:manifest:1.0"/>"#),
            ("content.xml", rest),
        ]),
        _ => bytes.to_vec(),
    };
    let file = CaptureFile::new("run", bytes);
    if file.is_workbook() {
        check_captures(std::slice::from_ref(&file), Bench::default(), SetPoints::default());
        let _ = read_stock_file(&file);
    }
});
