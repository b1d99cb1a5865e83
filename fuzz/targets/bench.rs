//! Any text as a bench file, as limits of the health checks and as a pump curve.
#![no_main]

use libfuzzer_sys::fuzz_target;
use meniscus::capture::read_bench;
use meniscus::demand::read_pump_curve;
use meniscus::matching::read_criteria;

fuzz_target!(|text: &str| {
    if let Err(faults) = read_bench("bench.toml", text) {
        assert!(!faults.is_empty());
        // Beyond a thousand one without a line says how many more there are.
        let mut listed = faults.iter().take(1000);
        assert!(listed.all(|f| f.line.is_some() || text.is_empty()), "{faults:?}");
    }
    let _ = read_criteria(text);
    let _ = read_pump_curve(text);
});
