//! The terminal report: what it says, at which widths, and what it refuses.

use meniscus::matching::Verdict;
use meniscus::report::{ReportError, Style, terminal};
use meniscus::units::{Basis, FlowUnit};

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
fn eighty_columns() {
    insta::assert_snapshot!(terminal(&fixture::small(), &plain(80)).unwrap());
}

#[test]
fn sixty_columns() {
    insta::assert_snapshot!(terminal(&fixture::small(), &plain(60)).unwrap());
}

#[test]
fn hardly_anything_known() {
    insta::assert_snapshot!(terminal(&fixture::bare(), &plain(80)).unwrap());
}

#[test]
fn no_line_is_wider_than_the_terminal_and_one_says_what_to_do_next() {
    for document in [
        fixture::small(),
        fixture::hostile(),
        fixture::crowded(),
        fixture::bare(),
    ] {
        for width in [60, 80, 120] {
            let text = terminal(&document, &plain(width)).unwrap();
            for line in text.lines() {
                assert!(line.chars().count() <= width, "{width}: {line}");
            }
            let next = text.lines().filter(|l| l.starts_with("Next: ")).count();
            assert_eq!(next, 1);
            assert!(text.lines().last().unwrap().starts_with("Next: "));
        }
    }
}

#[test]
fn user_text_cannot_command_the_terminal() {
    let text = terminal(&fixture::hostile(), &plain(120)).unwrap();
    let bad = |c: char| (c.is_control() && c != '\n') || c == '\u{202e}';
    assert!(!text.contains(bad));
    assert!(text.contains("\\u{1b}[31mred"));
    assert!(text.contains("\\u{202e}gnp"));
}

#[test]
fn colour_adds_nothing_but_colour() {
    let document = fixture::small();
    let without = terminal(&document, &plain(80)).unwrap();
    let with = terminal(
        &document,
        &Style {
            colour: true,
            ..plain(80)
        },
    )
    .unwrap();
    assert_ne!(with, without);
    let mut stripped = String::new();
    let mut rest = with.as_str();
    while let Some((before, after)) = rest.split_once('\u{1b}') {
        stripped.push_str(before);
        rest = after.split_once('m').unwrap().1;
    }
    stripped.push_str(rest);
    assert_eq!(stripped, without);
}

#[test]
fn flow_by_mass_needs_a_stated_density() {
    let mut document = fixture::small();
    let style = Style {
        flow_unit: Some(FlowUnit::LbPerHour),
        ..plain(120)
    };
    // 3.41 mm³/ms · 0.684 g/mL = 2.33244 g/s, and 3600/453.59237 of that.
    let expected = format!("{:.3} ±", 3.41 * 0.684 * 3600.0 / 453.592_37);
    let text = terminal(&document, &style).unwrap();
    assert!(
        text.contains(&expected) && text.contains("flow, lb/h"),
        "{text}"
    );
    assert!(text.contains("converted with 0.684 g/mL"));
    document.bench.fluid = None;
    let refused = terminal(&document, &style).unwrap_err();
    assert!(matches!(
        refused,
        ReportError::DensityNeeded { unit: "lb/h", .. }
    ));
    assert!(
        terminal(
            &document,
            &Style {
                density: Some(0.684),
                ..style
            }
        )
        .is_ok()
    );
}

#[test]
fn each_basis_has_its_own_unit_and_table() {
    let mut document = fixture::small();
    for sweep in &mut document.injectors[0].sweeps {
        sweep.basis = Basis::Mass;
    }
    let text = terminal(&document, &plain(120)).unwrap();
    assert!(text.contains("flow, g/s") && text.contains("flow, cc/min"));
}

#[test]
fn verdicts_are_said_in_words() {
    let mut document = fixture::small();
    for (verdict, words, next) in [
        (
            Some(Verdict::Matched),
            "Matched: the spread is at most 2.61 %",
            "begin with note",
        ),
        (
            Some(Verdict::NotMatched),
            "Not matched: the spread is at least 1.62 %",
            "clean or replace B9",
        ),
        (
            Some(Verdict::Undecided),
            "Undecided: the tolerance of 2.50 %",
            "says what would decide",
        ),
        (
            None,
            "No verdict: no tolerance was stated",
            "begin with note",
        ),
    ] {
        document.set_match.as_mut().unwrap().verdict = verdict;
        let text = terminal(&document, &plain(120)).unwrap();
        assert!(text.contains(words), "{words}\n{text}");
        assert!(
            text.lines().last().unwrap().contains(next),
            "{next}\n{text}"
        );
    }
}

#[test]
fn ranges_that_differ_stand_in_the_rows() {
    let mut document = fixture::small();
    document.injectors[1].sweeps[0].line_range_ms = Some([3.0, 10.0]);
    let text = terminal(&document, &plain(120)).unwrap();
    assert!(text.contains("line range, ms") && text.contains("3 to 10"));
}

#[test]
fn one_note_stands_for_the_same_doubt_at_many_places() {
    let text = terminal(&fixture::small(), &plain(120)).unwrap();
    assert_eq!(
        text.matches("doubt, 12 times (all injectors, 10, 12, 14 V, 300 kPa)")
            .count(),
        1
    );
}
