//! Pictures: well-formed, finite, described, small, and safe from hostile names.

use std::collections::HashSet;

use meniscus::characterisation::Characterisation;
use meniscus::plots::{Picture, TradeSeries, doubt_against_time, pictures};
use quick_xml::Reader;
use quick_xml::events::{BytesStart, Event};

use crate::fixture;

const LARGEST: usize = 60_000;
/// All conditions of one injector in one picture, thirty-two in the largest set here.
const LARGEST_OVERVIEW: usize = 220_000;

fn sets() -> [(&'static str, Characterisation); 4] {
    [
        ("small", fixture::small()),
        ("hostile", fixture::hostile()),
        ("crowded", fixture::crowded()),
        ("bare", fixture::bare()),
    ]
}

fn attribute(tag: &BytesStart<'_>, name: &str) -> Option<String> {
    let found = tag.try_get_attribute(name).unwrap()?;
    Some(found.unescape_value().unwrap().into_owned())
}

/// What a parser sees of a picture.
#[derive(Default)]
struct Seen {
    elements: Vec<String>,
    texts: Vec<String>,
    role: Option<String>,
    label: Option<String>,
    /// Farthest numbers of any coordinate attribute, against the viewBox.
    outside: Vec<String>,
}

fn parse(svg: &str) -> Seen {
    let mut reader = Reader::from_str(svg);
    reader.config_mut().check_end_names = true;
    let mut seen = Seen::default();
    let mut size = (0.0, 0.0);
    let mut text = String::new();
    loop {
        match reader.read_event().expect("well-formed") {
            Event::Start(tag) | Event::Empty(tag) => {
                let name = String::from_utf8(tag.name().as_ref().to_vec()).unwrap();
                if name == "svg" {
                    seen.role = attribute(&tag, "role");
                    seen.label = attribute(&tag, "aria-label");
                    let view = attribute(&tag, "viewBox").unwrap();
                    let view: Vec<f64> = view.split(' ').map(|n| n.parse().unwrap()).collect();
                    size = (view[2], view[3]);
                } else {
                    coordinates(&tag, size, &mut seen.outside);
                }
                seen.elements.push(name);
                text.clear();
            }
            Event::Text(part) => text.push_str(&part.decode().unwrap()),
            Event::GeneralRef(entity) => {
                let entity = entity.decode().unwrap();
                text.push_str(quick_xml::escape::resolve_predefined_entity(&entity).unwrap());
            }
            Event::End(_) => seen.texts.push(std::mem::take(&mut text).trim().to_owned()),
            Event::Eof => return seen,
            other => panic!("not expected in a picture: {other:?}"),
        }
    }
}

fn coordinates(tag: &BytesStart<'_>, (width, height): (f64, f64), outside: &mut Vec<String>) {
    let mut check = |x: f64, y: f64| {
        assert!(x.is_finite() && y.is_finite());
        if x < 0.0 || y < 0.0 || x > width || y > height {
            outside.push(format!("{tag:?}"));
        }
    };
    let number = |name: &str| attribute(tag, name).map(|t| t.parse::<f64>().unwrap());
    for (x, y) in [("x", "y"), ("x1", "y1"), ("x2", "y2"), ("cx", "cy")] {
        if let (Some(x), Some(y)) = (number(x), number(y)) {
            check(x, y);
        }
    }
    if let Some(points) = attribute(tag, "points") {
        for pair in points.split_whitespace() {
            let (x, y) = pair.split_once(',').unwrap();
            check(x.parse().unwrap(), y.parse().unwrap());
        }
    }
}

/// Leaves pictures below the tests' own folder, to be looked at.
fn leave(folder: &str, pictures: &[Picture]) {
    let folder = std::path::Path::new(env!("CARGO_TARGET_TMPDIR")).join(folder);
    std::fs::create_dir_all(&folder).unwrap();
    for picture in pictures {
        let path = folder.join(format!("{}.svg", picture.file_stem));
        std::fs::write(path, &picture.svg).unwrap();
    }
}

#[test]
fn pictures_are_well_formed_described_and_small() {
    for (name, document) in sets() {
        let all = pictures(&document);
        leave(name, &all);
        for picture in &all {
            let at = format!("{name}/{}", picture.file_stem);
            let seen = parse(&picture.svg);
            assert_eq!(seen.role.as_deref(), Some("img"), "{at}");
            assert_eq!(seen.label.as_deref(), Some(picture.title.as_str()), "{at}");
            assert_eq!(seen.elements[..3], ["svg", "title", "desc"], "{at}");
            assert_eq!(seen.texts[0], picture.title, "{at}");
            assert_eq!(seen.texts[1], picture.alt, "{at}");
            assert!(seen.outside.is_empty(), "{at}: {:?}", seen.outside);
            assert!(
                picture.svg.len()
                    < if ["injector-", "budget-"]
                        .iter()
                        .any(|kind| picture.file_stem.starts_with(kind))
                    {
                        LARGEST_OVERVIEW
                    } else {
                        LARGEST
                    },
                "{at}: {} bytes",
                picture.svg.len()
            );
            for word in ["NaN", "inf"] {
                assert!(
                    !seen
                        .texts
                        .iter()
                        .any(|t| t.split_whitespace().any(|w| w == word)),
                    "{at}"
                );
            }
        }
    }
}

#[test]
fn every_axis_has_its_unit() {
    for picture in pictures(&fixture::small()) {
        let texts = parse(&picture.svg).texts;
        let units: &[&str] = match picture.file_stem.split('-').next().unwrap() {
            "delivery" => &["pulse width, ms", "delivered per pulse, mm³"],
            "linearity" => &["pulse width, ms", "14 V: deviation from the line, %"],
            "dead" => &["supply voltage, V", "dead time, ms"],
            "injector" => &[
                "pulse width, ms",
                "delivered per pulse, mm³",
                "deviation from the line, %",
                "supply voltage, V",
                "dead time, ms",
            ],
            "budget" => &[
                "dead time: standard uncertainty, µs",
                "flow: standard uncertainty, %",
            ],
            _ => &["deviation from the set mean, %"],
        };
        for unit in units {
            assert!(
                texts.iter().any(|t| t == unit),
                "{}: {unit}",
                picture.file_stem
            );
        }
    }
}

#[test]
fn a_set_gives_every_kind_of_picture_and_one_reading_gives_one() {
    let stems = |document| -> Vec<String> {
        pictures(&document)
            .into_iter()
            .map(|p| p.file_stem)
            .collect()
    };
    let small = stems(fixture::small());
    assert_eq!(
        small[..3],
        ["set-deviations", "dead-time-300kPa", "delivery-A1-300kPa"]
    );
    assert_eq!(small.len(), 2 + 4 * 4);
    assert_eq!(stems(fixture::bare()), ["delivery-A1", "injector-A1"]);
}

#[test]
fn hostile_names_neither_command_nor_leave_the_folder() {
    let all = pictures(&fixture::hostile());
    let mut stems = HashSet::new();
    for picture in &all {
        let allowed = |c: char| c.is_ascii_alphanumeric() || matches!(c, '-' | '_' | '.');
        assert!(
            picture.file_stem.chars().all(allowed),
            "{}",
            picture.file_stem
        );
        assert!(!picture.file_stem.contains("..") && !picture.file_stem.starts_with('.'));
        assert!(
            stems.insert(picture.file_stem.to_lowercase()),
            "{} twice",
            picture.file_stem
        );
        let seen = parse(&picture.svg);
        let known = [
            "svg", "g", "title", "desc", "rect", "polyline", "polygon", "line", "circle", "text",
        ];
        assert!(
            seen.elements.iter().all(|e| known.contains(&e.as_str())),
            "{:?}",
            seen.elements
        );
        let control = |c: char| (c.is_control() && c != '\n') || c == '\u{202e}';
        assert!(!picture.svg.contains(control));
    }
    assert!(all.iter().any(|p| p.title.starts_with("<script>")));
}

/// Habit and plan: half-width against bench time, as it is seen, read aloud and bounded.
#[test]
fn what_bench_time_buys_is_drawn_and_described() {
    let series = |name: &str, points: &[[f64; 3]]| TradeSeries {
        name: name.to_owned(),
        points: points.to_vec(),
    };
    let both = [
        series(
            "plan",
            &[[600.0, 30.0, 1.2], [1200.0, 18.0, 0.8], [2400.0, 11.0, 0.5]],
        ),
        series("habit", &[[900.0, 240.0, 0.6], [2700.0, 143.0, 0.34]]),
    ];
    let picture = doubt_against_time(&both, "one injector at 14 V & <300> kPa").unwrap();
    leave("trade", std::slice::from_ref(&picture));
    let seen = parse(&picture.svg);
    assert_eq!(seen.role.as_deref(), Some("img"));
    assert!(seen.outside.is_empty(), "{:?}", seen.outside);
    assert!(picture.svg.len() < LARGEST);
    for text in [
        "time at the bench, min",
        "dead time, µs",
        "flow, %",
        "plan",
        "habit",
    ] {
        assert!(
            seen.texts.iter().any(|t| t == text),
            "{text}: {:?}",
            seen.texts
        );
    }
    // Both curves in both panels, and a mark for each point, the legend's beside them.
    let lines = seen.elements.iter().filter(|e| *e == "polyline").count();
    assert!(lines >= 4, "{:?}", seen.elements);
    // Who cannot see it hears which run costs what.
    for said in ["14 V", "10 min 30", "45 min 143", "0.34", "plan", "habit"] {
        assert!(picture.alt.contains(said), "{said}: {}", picture.alt);
    }
    assert_eq!(seen.label.as_deref(), Some(picture.title.as_str()));
    assert_eq!(seen.texts[1], picture.alt);
    // What cannot be drawn is left out; a single point is no picture.
    let odd = [f64::NAN, 0.0, -1.0, f64::INFINITY].map(|x| [600.0, x, 1.0]);
    assert!(doubt_against_time(&[series("plan", &odd)], "x").is_none());
    assert!(doubt_against_time(&[series("plan", &[[600.0, 30.0, 1.2]])], "x").is_none());
    let mut more = both.to_vec();
    more.push(series("broken", &odd));
    let same = doubt_against_time(&more, "one injector at 14 V & <300> kPa").unwrap();
    assert_eq!(same, picture);
}

#[test]
fn the_same_file_gives_the_same_bytes() {
    assert_eq!(pictures(&fixture::small()), pictures(&fixture::small()));
}

#[test]
fn names_that_differ_in_letter_case_or_in_lost_signs_get_files_of_their_own() {
    let mut document = fixture::small();
    for (injector, id) in document
        .injectors
        .iter_mut()
        .zip(["a/1", "a:1", "A_1", "a_1-2"])
    {
        injector.id = id.into();
    }
    let all = pictures(&document);
    let stems: HashSet<_> = all.iter().map(|p| p.file_stem.to_lowercase()).collect();
    assert_eq!(stems.len(), all.len());
}
