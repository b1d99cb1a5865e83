//! The terminal report at several widths.

use meniscus::report::{ReportError, Style, terminal};
use meniscus::units::FlowUnit;

use crate::fixture;

fn plain(width: usize) -> Style {
    Style {
        width,
        colour: false,
        flow_unit: None,
        density: None,
    }
}

#[test]
fn shown() {
    for w in [60, 80, 120] {
        println!("{}", terminal(&fixture::small(), &plain(w)).unwrap());
    }
}
