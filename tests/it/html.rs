//! The HTML report.

use meniscus::report::{Style, html};

use crate::fixture;

fn style() -> Style {
    Style {
        width: 80,
        colour: false,
        flow_unit: None,
        density: None,
    }
}

#[test]
fn left() {
    let folder = std::path::Path::new(env!("CARGO_TARGET_TMPDIR")).join("html");
    std::fs::create_dir_all(&folder).unwrap();
    for (name, document) in [
        ("small", fixture::small()),
        ("hostile", fixture::hostile()),
        ("bare", fixture::bare()),
        ("crowded", fixture::crowded()),
    ] {
        std::fs::write(
            folder.join(format!("{name}.html")),
            html(&document, &style()).unwrap(),
        )
        .unwrap();
    }
}
