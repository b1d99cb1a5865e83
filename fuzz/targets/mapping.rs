//! Any text as a mapping file, before a line `===`, with what follows as the sheet: a result, or
//! faults with places. Of the sheet alone a mapping is proposed; where it asks nothing it reads the sheet.
#![no_main]

use std::sync::Arc;

use libfuzzer_sys::fuzz_target;
use meniscus::capture::{Bench, CaptureFile, SetPoints, check_captures, propose, read_mapping};

fuzz_target!(|text: &str| {
    let (mapping, sheet) = text.split_once("\n===\n").unwrap_or(("", text));
    let file = CaptureFile::new("sheet.csv", sheet.as_bytes().to_vec());
    read_with(mapping, &file);
    if let Ok(proposal) = propose(&file) {
        assert!(!proposal.text.contains(['\u{1b}', '\u{202e}']));
        if proposal.questions.is_empty() {
            let stated = read_mapping("proposed.toml", &proposal.text);
            assert!(stated.is_ok(), "{stated:?} of {}", proposal.text);
            read_with(&proposal.text, &file);
        }
    }
});

fn read_with(mapping: &str, file: &CaptureFile) {
    let mapping = match read_mapping("map.toml", mapping) {
        Ok(mapping) => mapping,
        Err(faults) => {
            assert!(!faults.is_empty());
            return;
        }
    };
    let file = CaptureFile {
        mapping: Some(Arc::new(mapping)),
        ..file.clone()
    };
    let checked = check_captures(&[file], Bench::default(), SetPoints::default());
    if checked.faults.is_empty() {
        for reading in checked.capture.sweeps.iter().flat_map(|s| &s.readings) {
            assert!(reading.delivered.is_finite() && reading.pulse_width_ms.is_finite());
        }
    }
    for fault in &checked.faults {
        assert!(!fault.to_string().contains(['\u{1b}', '\u{202e}']), "{fault}");
    }
}
