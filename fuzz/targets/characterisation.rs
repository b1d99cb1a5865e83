//! Any text as a characterisation file: what is read is written again as it was, and everything
//! that is made from it can be made.
#![no_main]

use libfuzzer_sys::fuzz_target;
use meniscus::characterisation::{changes, read, to_json};
use meniscus::matching::Criterion;
use meniscus::report::{Sheet, Style};
use meniscus::{match_documents, plots, report};

fuzz_target!(|text: &str| {
    let Ok(document) = read(text) else {
        return;
    };
    let json = to_json(&document).expect("JSON holds finite numbers only");
    let again = read(&json).expect("what was written is read");
    assert_eq!(to_json(&again).expect("as before"), json);
    let style = Style {
        width: 100,
        colour: false,
        flow_unit: None,
        density: None,
        locale: meniscus::words::Locale::default(),
    };
    let _ = report::terminal(&document, &style);
    let _ = report::html(&document, &style, &Sheet::default());
    for picture in plots::pictures(&document) {
        assert!(!picture.svg.contains("NaN") && !picture.svg.contains("inf\""));
    }
    let _ = match_documents(&[document.clone()], &[], Criterion::NONE);
    assert!(changes(&document, &again).same_injectors());
});
