//! The HTML report: self-contained, well-formed, readable, safe.

use std::collections::HashSet;

use meniscus::characterisation::{read, to_json};
use meniscus::report::{Style, html};
use meniscus::units::FlowUnit;
use quick_xml::Reader;
use quick_xml::events::Event;

use crate::fixture;

fn style() -> Style {
    Style {
        width: 80,
        colour: false,
        flow_unit: None,
        density: None,
    }
}

/// Element names, ids, links and all text of a page; fails where tags do not match.
fn parse(page: &str) -> (Vec<String>, Vec<String>, Vec<String>, String) {
    let mut reader = Reader::from_str(page);
    reader.config_mut().check_end_names = true;
    let (mut names, mut ids, mut links, mut text) = (vec![], vec![], vec![], String::new());
    loop {
        match reader.read_event().expect("well-formed") {
            Event::Start(tag) | Event::Empty(tag) => {
                names.push(String::from_utf8(tag.name().as_ref().to_vec()).unwrap());
                for attribute in tag.attributes() {
                    let attribute = attribute.unwrap();
                    let value = attribute.unescape_value().unwrap().into_owned();
                    match attribute.key.as_ref() {
                        b"id" => ids.push(value),
                        b"href" => links.push(value),
                        key => assert!(!key.starts_with(b"on") && key != b"src", "{value}"),
                    }
                }
            }
            Event::Text(part) => text.push_str(&part.decode().unwrap()),
            Event::Eof => return (names, ids, links, text),
            _ => {}
        }
    }
}

#[test]
fn the_page_is_well_formed_and_needs_nothing_beside_it() {
    for (name, document) in [
        ("small", fixture::small()),
        ("hostile", fixture::hostile()),
        ("bare", fixture::bare()),
        ("crowded", fixture::crowded()),
    ] {
        let page = html(&document, &style()).unwrap();
        let folder = std::path::Path::new(env!("CARGO_TARGET_TMPDIR")).join("html");
        std::fs::create_dir_all(&folder).unwrap();
        std::fs::write(folder.join(format!("{name}.html")), &page).unwrap();
        let (names, ids, links, _) = parse(&page);
        for forbidden in ["script", "link", "img", "iframe", "object", "form"] {
            assert!(!names.iter().any(|n| n == forbidden), "{name}: {forbidden}");
        }
        let distinct: HashSet<_> = ids.iter().collect();
        assert_eq!(distinct.len(), ids.len(), "{name}");
        for link in links {
            let target = link.strip_prefix('#').expect("links stay on the page");
            assert!(ids.iter().any(|id| id == target), "{name}: {link}");
        }
        let outside = page.replace("http://www.w3.org/2000/svg", "");
        assert!(
            !outside.contains("http:") && !outside.contains("https:") && !outside.contains("url(")
        );
        assert!(page.contains("<html lang=\"en\">"));
        assert!(
            page.contains(
                "content=\"default-src 'none'; style-src 'unsafe-inline'; img-src data:\""
            )
        );
        let bad = |c: char| (c.is_control() && c != '\n') || c == '\u{202e}';
        assert!(!page.contains(bad), "{name}");
    }
}

#[test]
fn sections_stand_in_order() {
    let mut document = fixture::small();
    document.injectors[1].sweeps[2].stage = Some("cleaned".into());
    let (_, ids, _, text) = parse(&html(&document, &style()).unwrap());
    let wanted = [
        "set",
        "enter",
        "injector-1",
        "injector-2",
        "injector-3",
        "injector-4",
        "stages",
        "checks",
        "conditions",
        "method",
        "notes",
        "cautions",
        "provenance",
    ];
    assert_eq!(ids, wanted);
    let verdict = text.find("undecided: the tolerance").unwrap();
    assert!(verdict < text.find("The set at a glance").unwrap());
    assert!(text.contains("25 MΩ") && text.contains("demo.csv:62"));
}

#[test]
fn the_page_is_made_from_the_file_alone() {
    let document = fixture::small();
    let read_back = read(&to_json(&document).unwrap()).unwrap();
    assert_eq!(
        html(&read_back, &style()).unwrap(),
        html(&document, &style()).unwrap()
    );
}

#[test]
fn flow_by_mass_is_refused_without_a_density() {
    let mut document = fixture::small();
    document.bench.fluid = None;
    let style = Style {
        flow_unit: Some(FlowUnit::GramPerSecond),
        ..style()
    };
    assert!(html(&document, &style).is_err());
}

/// Contrast ratio as WCAG 2.2 defines it.
fn contrast(a: &str, b: &str) -> f64 {
    let luminance = |hex: &str| {
        let digits: String = hex.trim_start_matches('#').chars().collect();
        let digits = if digits.len() == 3 {
            digits.chars().flat_map(|c| [c, c]).collect()
        } else {
            digits
        };
        let linear = |at: usize| {
            let x = f64::from(u8::from_str_radix(&digits[at..at + 2], 16).unwrap()) / 255.0;
            if x <= 0.040_45 {
                x / 12.92
            } else {
                ((x + 0.055) / 1.055).powf(2.4)
            }
        };
        0.2126 * linear(0) + 0.7152 * linear(2) + 0.0722 * linear(4)
    };
    let (a, b) = (luminance(a), luminance(b));
    (a.max(b) + 0.05) / (a.min(b) + 0.05)
}

#[test]
fn text_and_bars_stand_out_in_light_dark_and_print() {
    let page = html(&fixture::bare(), &style()).unwrap();
    let palettes: Vec<_> = page
        .split(":root {")
        .skip(1)
        .map(|p| p.split_once('}').unwrap().0)
        .collect();
    assert_eq!(palettes.len(), 3);
    for palette in palettes {
        let colour = |name: &str| {
            let (_, tail) = palette.split_once(&format!("--{name}: ")).unwrap();
            tail.split_once(';').unwrap().0
        };
        for name in ["ink", "quiet", "link"] {
            let ratio = contrast(colour(name), colour("paper"));
            assert!(ratio >= 4.5, "{name} {ratio}");
        }
        assert!(contrast(colour("bar"), colour("paper")) >= 3.0);
    }
}
