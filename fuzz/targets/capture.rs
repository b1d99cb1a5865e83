//! Any bytes as a capture, as a stock and as a stream: a result, or a fault with a place.
#![no_main]

use libfuzzer_sys::fuzz_target;
use meniscus::capture::{
    Bench, CaptureFile, CaptureStream, SetPoints, check_captures, looks_like_capture,
    read_stock_file,
};

fuzz_target!(|bytes: &[u8]| {
    let file = CaptureFile::new("run", bytes.to_vec());
    if file.is_workbook() {
        return;
    }
    let checked = check_captures(&[file.clone()], Bench::default(), SetPoints::default());
    if checked.faults.is_empty() {
        for reading in checked.capture.sweeps.iter().flat_map(|s| &s.readings) {
            assert!(reading.delivered.is_finite() && reading.pulse_width_ms.is_finite());
            assert!(reading.line > 1);
        }
    }
    for fault in &checked.faults {
        assert!(!fault.to_string().contains(['\u{1b}', '\u{202e}']), "{fault}");
    }
    looks_like_capture(&file);
    let _ = read_stock_file(&file);
    both_readers(bytes);
});

/// The reader of plain bytes says what the careful one says, or nothing.
fn both_readers(bytes: &[u8]) {
    let opened = CaptureStream::open("run", bytes, Bench::default(), SetPoints::default());
    let Ok((mut stream, used, lines)) = opened else {
        return;
    };
    let rest = &bytes[used..];
    let mut plain = Vec::new();
    let Some(count) = stream.read_plain(rest, |row| plain.push(format!("{row:?}"))) else {
        let _ = stream.read_wholly(rest, lines + 1, |_| {});
        return;
    };
    let mut careful = Vec::new();
    let read = stream.read_carefully(rest, lines + 1, |row, _| careful.push(format!("{row:?}")));
    assert_eq!(read.expect("what is plain has no fault"), count);
    assert_eq!(plain, careful);
}
