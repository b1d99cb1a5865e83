//! The HTML report: self-contained, well-formed, readable, safe.

use std::collections::HashSet;

use meniscus::characterisation::{Characterisation, read, to_json};
use meniscus::report::{Form, JobSheet, Logo, ReportError, Sheet, Style};
use meniscus::units::FlowUnit;
use meniscus::words::Locale;
use quick_xml::Reader;
use quick_xml::events::Event;
use sha2::{Digest, Sha256};

use crate::fixture;

fn html(document: &Characterisation, style: &Style) -> Result<String, ReportError> {
    meniscus::report::html(document, style, &Sheet::default())
}

fn style() -> Style {
    Style {
        width: 80,
        colour: false,
        flow_unit: None,
        density: None,
        locale: Default::default(),
    }
}

/// Element names, ids, links and all text of a page; fails where tags do not match.
///
/// The page's own script is left out: it is no markup.
fn parse(page: &str) -> (Vec<String>, Vec<String>, Vec<String>, String) {
    let (before, rest) = page.split_once("<script>").unwrap();
    let (_, after) = rest.split_once("</script>").unwrap();
    let page = format!("{before}{after}");
    let mut reader = Reader::from_str(&page);
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
                        key => {
                            // A picture that is carried along is the only thing that is fetched.
                            let fetched = key == b"src" && !value.starts_with("data:image/");
                            assert!(!key.starts_with(b"on") && !fetched, "{value}");
                        }
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
        leave(name, &page);
        let (names, ids, links, _) = parse(&page);
        assert_eq!(page.matches("<script").count(), 1, "{name}");
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
        let policy = page.replace("&#39;", "'");
        for (tag, rule) in [("style", "style-src"), ("script", "script-src")] {
            let (_, rest) = page.split_once(&format!("<{tag}>")).unwrap();
            let (text, _) = rest.split_once(&format!("</{tag}>")).unwrap();
            let (_, hash) = policy.split_once(&format!("{rule} 'sha256-")).unwrap();
            let hash = decoded(hash.split_once('\'').unwrap().0);
            assert_eq!(hash, Sha256::digest(text.as_bytes()).to_vec(), "{name}");
            assert!(!text.contains("eval(") && !text.contains("innerHTML"));
        }
        assert!(policy.contains("content=\"default-src 'none'; "));
        assert!(
            !page.contains("unsafe-") && !page.contains(" style=\""),
            "{name}"
        );
        let bad = |c: char| (c.is_control() && c != '\n') || c == '\u{202e}';
        assert!(!page.contains(bad), "{name}");
    }
}

/// The bytes behind base64 text (RFC 4648).
fn decoded(text: &str) -> Vec<u8> {
    let letters: Vec<char> = ('A'..='Z')
        .chain('a'..='z')
        .chain('0'..='9')
        .chain(['+', '/'])
        .collect();
    let text = text.trim_end_matches('=');
    let bits: String = text
        .chars()
        .map(|c| letters.iter().position(|l| *l == c).unwrap())
        .map(|place| format!("{place:06b}"))
        .collect();
    let whole = bits.len() / 8 * 8;
    (0..whole)
        .step_by(8)
        .map(|at| u8::from_str_radix(&bits[at..at + 8], 2).unwrap())
        .collect()
}

/// Leaves a page below the tests' own folder, for the browser.
fn leave(name: &str, page: &str) {
    let folder = std::path::Path::new(env!("CARGO_TARGET_TMPDIR")).join("html");
    std::fs::create_dir_all(&folder).unwrap();
    std::fs::write(folder.join(format!("{name}.html")), page).unwrap();
}

#[test]
fn ten_thousand_characters_and_letters_from_right_to_left_are_shown_and_break_nothing() {
    let mut document = fixture::small();
    let long = "x".repeat(10_000);
    let names = [
        long.as_str(),
        "\u{5de}\u{5d6}\u{5e8}\u{5e7} 1",
        "'\"><img src=x onerror=alert(1)>",
        "B9",
    ];
    for (injector, name) in document.injectors.iter_mut().zip(names) {
        let old = std::mem::replace(&mut injector.id, name.into());
        let set = document.set_match.as_mut().unwrap();
        for deviation in set.deviations.iter_mut().filter(|d| d.injector == old) {
            deviation.injector = name.into();
        }
        if set.worst_injector.as_deref() == Some(&old) {
            set.worst_injector = Some(name.into());
        }
    }
    let page = html(&document, &style()).unwrap();
    leave("strange", &page);
    let (names, _, _, text) = parse(&page);
    assert!(!names.iter().any(|n| n == "img"));
    assert!(text.contains(&long) && text.contains("\u{5de}\u{5d6}\u{5e8}\u{5e7} 1"));
    assert!(page.len() < 400_000, "{} bytes", page.len());
}

#[test]
fn sections_stand_in_order() {
    let mut document = fixture::small();
    document.injectors[1].sweeps[2].stage = Some("cleaned".into());
    let (_, ids, _, text) = parse(&html(&document, &style()).unwrap());
    let wanted = [
        "top",
        "tools",
        "injectors",
        "shown",
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
        "readout",
    ];
    let sections: Vec<_> = ids.iter().filter(|id| !id.starts_with("note-")).collect();
    assert_eq!(sections, wanted);
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
fn text_stands_out_in_light_dark_and_print() {
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
            for under in ["paper", "glass", "soft"] {
                let ratio = contrast(colour(name), colour(under));
                assert!(ratio >= 4.5, "{name} on {under}: {ratio}");
            }
        }
    }
}

/// Fill and stroke of pictures on the dark paper, from the rules of the page.
#[test]
fn marks_stand_out_on_dark_paper() {
    let page = html(&fixture::crowded(), &style()).unwrap();
    let (_, rules) = page.split_once("color-scheme: dark) {\n[fill").unwrap();
    let (rules, _) = rules.split_once("</style>").unwrap();
    // Grid, shade and paper are meant to stay behind.
    let quiet = ["E3E6EA", "EEF1F4", "FFFFFF"];
    let mut seen = 0;
    for rule in format!("[fill{rules}")
        .lines()
        .filter(|l| l.starts_with("[fill"))
    {
        if quiet.iter().any(|q| rule.contains(q)) {
            continue;
        }
        let (_, dark) = rule.split_once("{fill:").unwrap();
        let ratio = contrast(&dark[..7], "#14171b");
        assert!(ratio >= 3.0, "{rule}: {ratio}");
        seen += 1;
    }
    assert!(seen >= 8, "{seen}");
}

#[test]
fn the_job_sheet_goes_before_the_bench_file_and_the_locale_writes_numbers_and_dates() {
    let style = Style {
        locale: Locale::De,
        ..style()
    };
    let mut png = b"\x89PNG\r\n\x1a\n\0\0\0\x0dIHDR\0\0\0\x10\0\0\0\x08".to_vec();
    png.push(8);
    let sheet = Sheet {
        job: JobSheet {
            reference: Some("<b>118</b>".into()),
            parts: Some("P-1, P-2".into()),
            technician: Some("T. Echnician".into()),
            date: Some("2026-03-02".into()),
            shop: Some("Shop & Sons".into()),
            logo: Some(Logo::read(&png).unwrap()),
        },
        ..Sheet::default()
    };
    let page = meniscus::report::html(&fixture::small(), &style, &sheet).unwrap();
    for wanted in [
        "&#60;b&#62;118&#60;/b&#62;",
        "P-1, P-2",
        "T. Echnician",
        "02.03.2026",
        "Shop &#38; Sons",
        "src=\"data:image/png;base64,",
        "alt=\"Logo of Shop &#38; Sons\"",
        "0,742 ± 0,027",
    ] {
        assert!(page.contains(wanted), "{wanted}");
    }
    assert!(!page.contains("<b>118"));
    // Version numbers keep their points, and so would text of the user.
    let page = html(&fixture::small(), &style).unwrap();
    let (_, _, _, text) = parse(&page);
    let (_, text) = text.split_once("undecided").unwrap();
    let digit = |c: Option<char>| c.is_some_and(|c| c.is_ascii_digit());
    let points: Vec<_> = text
        .match_indices('.')
        .filter(|(at, _)| digit(text[..*at].chars().next_back()))
        .filter(|(at, _)| digit(text[at + 1..].chars().next()))
        .map(|(at, _)| text[..at].chars().rev().take(20).collect::<String>())
        .filter(|before| !before.contains("sucsinem"))
        .collect();
    assert!(points.is_empty(), "{points:?}");
}

#[test]
fn the_short_form_keeps_what_a_customer_reads() {
    let sheet = Sheet {
        form: Form::Short,
        ..Sheet::default()
    };
    let page = meniscus::report::html(&fixture::small(), &style(), &sheet).unwrap();
    let (_, ids, _, text) = parse(&page);
    for wanted in ["set", "enter", "checks", "cautions", "provenance"] {
        assert!(ids.iter().any(|id| id == wanted), "{wanted}");
    }
    assert!(
        !ids.iter()
            .any(|id| id == "injector-1" || id == "conditions")
    );
    assert!(text.contains("Readings left out: 1."));
    let full = html(&fixture::small(), &style()).unwrap();
    assert!(page.len() < full.len() / 2);
}

#[test]
fn numbers_to_enter_are_given_between_pressures_and_refused_outside() {
    let document = fixture::crowded();
    let at = |pressure| {
        let sheet = Sheet {
            pressure_kpa: Some(pressure),
            ..Sheet::default()
        };
        meniscus::report::html(&document, &style(), &sheet).unwrap()
    };
    assert!(at(350.0).contains("This pressure was not run"));
    assert!(!at(400.0).contains("This pressure was not run"));
    let outside = at(500.0);
    assert!(outside.contains("500 kPa lies outside what was measured, 300 to 400 kPa"));
}

#[test]
fn a_set_of_eight_at_five_voltages_and_three_pressures_stays_below_two_megabytes() {
    let mut document = fixture::crowded();
    document.injectors.truncate(8);
    for injector in &mut document.injectors {
        let first: Vec<_> = injector.sweeps[..5].to_vec();
        injector.sweeps = [250.0, 300.0, 350.0]
            .into_iter()
            .flat_map(|kpa| {
                first.iter().map(move |sweep| {
                    let mut sweep = sweep.clone();
                    sweep.pressure_kpa = Some(kpa);
                    // Four readings at each width, as a careful bench makes them.
                    sweep.points = sweep
                        .points
                        .iter()
                        .flat_map(|p| vec![p.clone(); 4])
                        .collect();
                    sweep
                })
            })
            .collect();
    }
    let page = html(&document, &style()).unwrap();
    assert!(page.len() < 2_000_000, "{} bytes", page.len());
    assert_eq!(
        page.matches(": all conditions</text>").count()
            + page.matches(": all conditions\n</text>").count(),
        8
    );
}
