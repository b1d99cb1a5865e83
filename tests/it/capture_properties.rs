//! What holds for every capture: the order of rows and columns does not matter, and no bytes
//! whatever make the reader panic.

use meniscus::capture::{
    Bench, CaptureFile, CaptureStream, Checked, SetPoints, StreamRow, apparent_division,
    check_captures, read_bench, read_captures,
};
use proptest::prelude::*;
use proptest::sample::{Index, select};

const NAMES: [&str; 9] = [
    "injector",
    "stage",
    "voltage_v",
    "pressure_kpa",
    "pulse_width_ms",
    "pulses",
    "period_ms",
    "volume_ml",
    "note",
];

fn check(text: impl Into<Vec<u8>>) -> Checked {
    let file = CaptureFile::new("run.csv", text.into());
    check_captures(&[file], Bench::default(), SetPoints::default())
}

/// A row that is no fault, its note a number of its own.
fn row() -> impl Strategy<Value = Vec<String>> {
    (
        select(vec!["A1", "A2", "B"]),
        select(vec!["", "cleaned", "as_received"]),
        select(vec!["13.98", "14", "14.03", "12", ""]),
        select(vec!["300", "300.3", "400"]),
        6u32..190,
        1u32..20_000,
        select(vec!["20", "40"]),
        0u32..200,
    )
        .prop_map(
            |(injector, stage, volts, kpa, width, pulses, period, halves)| {
                vec![
                    injector.to_owned(),
                    stage.to_owned(),
                    volts.to_owned(),
                    kpa.to_owned(),
                    format!("{}.{}", width / 10, width % 10),
                    pulses.to_string(),
                    period.to_owned(),
                    format!("{}.{}", halves / 2, 5 * (halves % 2)),
                ]
            },
        )
}

fn written(rows: &[Vec<String>], columns: &[usize]) -> String {
    let line = |cells: &[&str]| {
        let picked: Vec<_> = columns.iter().map(|at| cells[*at]).collect();
        picked.join(",") + "\n"
    };
    let mut text = line(&NAMES);
    for row in rows {
        let cells: Vec<_> = row.iter().map(String::as_str).collect();
        text.push_str(&line(&cells));
    }
    text
}

/// Sweeps with their readings in an order that the order of the file does not decide.
fn content(checked: &Checked) -> Vec<String> {
    let mut sweeps: Vec<String> = checked
        .capture
        .sweeps
        .iter()
        .map(|sweep| {
            let mut readings: Vec<_> = sweep
                .readings
                .iter()
                .map(|r| {
                    (
                        r.note.clone(),
                        r.pulse_width_ms,
                        r.pulses,
                        r.delivered,
                        r.period_ms,
                    )
                })
                .collect();
            readings.sort_by(|a, b| a.0.cmp(&b.0));
            let (id, stage) = (&sweep.injector, &sweep.stage);
            format!(
                "{id} {stage:?} {:?} {:?} {readings:?}",
                sweep.voltage_v, sweep.pressure_kpa
            )
        })
        .collect();
    sweeps.sort();
    sweeps
}

fn kinds(checked: &Checked) -> Vec<String> {
    let mut kinds: Vec<_> = checked
        .capture
        .findings
        .iter()
        .map(|finding| {
            format!(
                "{:?} {:?} {:?}",
                finding.kind, finding.place.injector, finding.place.stage
            )
        })
        .collect();
    kinds.sort();
    kinds
}

fn shuffled<T: Clone>(list: &[T], picks: &[Index]) -> Vec<T> {
    let mut rest = list.to_vec();
    let mut order = Vec::new();
    for pick in picks.iter().cycle() {
        if rest.is_empty() {
            return order;
        }
        order.push(rest.remove(pick.index(rest.len())));
    }
    order
}

/// Text that looks enough like a capture to reach every part of the reader.
fn nearly_a_capture() -> impl Strategy<Value = String> {
    let name = select(vec![
        "injector",
        "INJECTOR",
        "pulse_width_ms",
        "pulse_width_us",
        "pulses",
        "volume_ml",
        "volume_ml:A",
        "volume_ml:",
        "mass_g:B",
        "exclude:A",
        "volume_start_ml",
        "mass_mg",
        "period_ms",
        "frequency_hz",
        "open_time_s",
        "fluid_temp_f",
        "vessel",
        "stage",
        "repeat",
        "time",
        "voltage_v",
        "pressure_psi",
        "x_a",
        "volume",
        "",
        "pressure_actual_bar",
        ":",
        "é",
    ]);
    let cell = select(vec![
        "A",
        "1",
        "2.5",
        "2,5",
        "1e999",
        "NaN",
        "",
        "-1",
        "1,234.5",
        "1.234",
        "\"a\nb\"",
        "\"",
        "#",
        "1e308",
        "-1e308",
        "20000",
        "0",
        "2026-03-14T09:26:53Z",
        "é",
        "\r",
        "1e-308",
        "3",
    ]);
    let separator = select(vec![",", ";", "\t"]);
    let end = select(vec!["\n", "\r\n", "\r", "\n\n# c\n"]);
    (
        prop::collection::vec(name, 1..9),
        prop::collection::vec(prop::collection::vec(cell, 0..10), 0..8),
        separator,
        end,
        any::<bool>(),
    )
        .prop_map(|(mut names, rows, separator, end, complete)| {
            if complete {
                names.splice(..0, ["injector", "pulse_width_ms", "pulses", "volume_ml"]);
            }
            let mut text = names.join(separator) + end;
            for row in rows {
                text.push_str(&row.join(separator));
                text.push_str(end);
            }
            text
        })
}

proptest! {
    #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::with_cases(200) })]

    #[test]
    fn order_of_rows_and_columns_does_not_matter(
        rows in prop::collection::vec(row(), 1..40),
        row_picks in prop::collection::vec(any::<Index>(), 40),
        column_picks in prop::collection::vec(any::<Index>(), NAMES.len()),
    ) {
        let numbered: Vec<Vec<String>> = rows
            .into_iter()
            .enumerate()
            .map(|(number, mut row)| {
                row.push(number.to_string());
                row
            })
            .collect();
        let in_order: Vec<usize> = (0..NAMES.len()).collect();
        let plain = check(written(&numbered, &in_order));
        prop_assert_eq!(&plain.faults, &[]);
        let mixed = check(written(&shuffled(&numbered, &row_picks), &shuffled(&in_order, &column_picks)));
        prop_assert_eq!(&mixed.faults, &[]);
        prop_assert_eq!(content(&plain), content(&mixed));
        prop_assert_eq!(kinds(&plain), kinds(&mixed));
    }

    #[test]
    fn any_bytes_are_read_or_refused(bytes in prop::collection::vec(any::<u8>(), 0..200)) {
        check(bytes);
    }

    #[test]
    fn what_is_read_keeps_its_promises(text in nearly_a_capture()) {
        let checked = check(text);
        for fault in &checked.faults {
            prop_assert!(!fault.to_string().is_empty());
        }
        for reading in checked.capture.sweeps.iter().flat_map(|sweep| &sweep.readings) {
            prop_assert!(reading.delivered.is_finite());
            prop_assert!(reading.period_ms.is_none_or(|period| period > reading.pulse_width_ms));
            prop_assert!(reading.is_static() || (reading.pulse_width_ms > 0.0 && reading.pulses >= 1.0));
            prop_assert!(reading.pulses.fract() == 0.0);
        }
    }

    #[test]
    fn any_text_is_a_bench_file_or_is_refused(text in "(\\[\\[?(vessel|fluid|job)\\]?\\]\n|(kind|name|division) = (\"[a-z0-9 ]{0,8}\"|[0-9.]{1,4}|\\[\\])\n|.{0,6}\n){0,8}") {
        let _ = read_bench("bench.toml", &text);
    }

    #[test]
    fn division_divides_every_reading(halves in prop::collection::vec(1u32..400, 6..60)) {
        let mut text = "injector,pulse_width_ms,pulses,volume_ml\n".to_owned();
        for half in &halves {
            text.push_str(&format!("A1,2,1000,{}\n", f64::from(*half) / 2.0));
        }
        let checked = check(text);
        let readings = &checked.capture.sweeps[0].readings;
        if let Some(division) = apparent_division(readings) {
            prop_assert!(division >= 500.0);
            for reading in readings {
                let steps = reading.delivered / division;
                prop_assert!((steps - steps.round()).abs() < 1e-6);
            }
        }
    }
}

#[test]
fn one_capture_given_twice_is_refused() {
    let file = |name: &str| {
        CaptureFile::new(
            name,
            b"injector,pulse_width_ms,pulses,volume_ml\nA1,2,1000,10\n".to_vec(),
        )
    };
    let faults = read_captures(
        &[file("a.csv"), file("b.csv")],
        Bench::default(),
        SetPoints::default(),
    )
    .unwrap_err();
    assert_eq!(faults.len(), 1);
    assert_eq!(
        faults[0].to_string(),
        "b.csv: found the same bytes as a.csv, expected each capture once"
    );
}

#[test]
fn one_injector_in_two_runs_makes_two_sweeps_in_order() {
    let file = |name: &str, volume: &str| {
        let text = format!(
            "injector,pressure_kpa,voltage_v,pulse_width_ms,pulses,volume_ml\n\
             B,300,14,2,1000,{volume}\nA,300,12,2,1000,{volume}\nB,,14,2,1000,{volume}\nB,300,,2,1000,{volume}\n"
        );
        CaptureFile::new(name, text.into_bytes())
    };
    let files = [file("a.csv", "10"), file("b.csv", "11")];
    let capture = read_captures(&files, Bench::default(), SetPoints::default()).unwrap();
    let order: Vec<_> = capture
        .sweeps
        .iter()
        .map(|s| {
            (
                s.injector.as_str(),
                s.pressure_kpa,
                s.voltage_v,
                s.readings[0].source,
            )
        })
        .collect();
    let (v, p) = (Some(14.0), Some(300.0));
    assert_eq!(
        order,
        [
            ("B", p, v, 0),
            ("B", p, v, 1),
            ("B", p, None, 0),
            ("B", p, None, 1),
            ("B", None, v, 0),
            ("B", None, v, 1),
            ("A", p, Some(12.0), 0),
            ("A", p, Some(12.0), 1),
        ]
    );
}

#[test]
fn set_points_come_from_the_column_else_the_bench_else_the_command_line() {
    let file = CaptureFile::new(
        "run.csv",
        b"injector,voltage_v,pulse_width_ms,pulses,volume_ml\nA,12,2,1000,10\nA,,2,1000,10\n"
            .to_vec(),
    );
    let bench = read_bench("bench.toml", "[supply]\nnominal = \"13.5 V\"\n").unwrap();
    let asked = SetPoints {
        voltage_v: Some(14.0),
        pressure_kpa: Some(300.0),
    };
    let capture = read_captures(std::slice::from_ref(&file), bench, asked).unwrap();
    let volts: Vec<_> = capture.sweeps.iter().map(|s| s.voltage_v).collect();
    assert_eq!(volts, [Some(12.0), Some(13.5)]);
    assert!(capture.sweeps.iter().all(|s| s.pressure_kpa == Some(300.0)));
    let overruled: Vec<_> = capture
        .findings
        .iter()
        .filter(|finding| finding.text.contains("asked for"))
        .map(|finding| finding.text.as_str())
        .collect();
    assert_eq!(
        overruled,
        ["14 V was asked for, but the capture or bench file states 12, 13.5 V, which is used"]
    );
}

#[test]
fn a_wide_reading_stands_in_the_vessel_of_its_injector_unless_one_is_named() {
    let vessels = |text: &str| -> Vec<Option<String>> {
        let checked = check(text);
        let readings = checked.capture.sweeps.iter().flat_map(|s| &s.readings);
        readings.map(|r| r.vessel.clone()).collect()
    };
    let own = "pulse_width_ms,pulses,volume_ml:A,volume_ml:B\n2,1000,10,11\n";
    assert_eq!(vessels(own), [Some("A".to_owned()), Some("B".to_owned())]);
    let named = "pulse_width_ms,pulses,volume_ml:A,volume_ml:B,vessel\n2,1000,10,11,C1\n";
    assert_eq!(
        vessels(named),
        [Some("C1".to_owned()), Some("C1".to_owned())]
    );
}

#[test]
fn a_whole_bench_file_is_read_in_inner_units() {
    let text = include_str!("../good-captures/bench.toml");
    let bench = read_bench("bench.toml", text).unwrap();
    insta::assert_snapshot!(serde_json::to_string_pretty(&bench).unwrap());
}

#[test]
fn a_check_prints_files_errors_and_findings_even_where_there_are_faults() {
    let checked = check("injector,pulse_width_ms,pulses,volume_ml\nA,2,1000,x\nA,3,1000,12\n");
    let report = serde_json::to_value(checked.report()).unwrap();
    assert_eq!(
        report,
        serde_json::json!({
            "files": [{"name": "run.csv", "rows": 2, "rows_used": 1}],
            "errors": [{
                "file": "run.csv", "line": 2, "column": "volume_ml", "found": "x",
                "expected": "a number in ml", "hint": null,
            }],
            "findings": [],
        })
    );
}

/// A cell of a long capture with whether it is a usual one; the odd ones are longer than eight
/// bytes, have blanks, or are faults.
fn cell(
    usual: &'static [&'static str],
    odd: &'static [&'static str],
) -> impl Strategy<Value = (bool, &'static str)> {
    prop_oneof![
        30 => select(usual).prop_map(|cell| (true, cell)),
        1 => select(odd).prop_map(|cell| (false, cell)),
    ]
}

type Owned = (Vec<u8>, [Option<f64>; 2], [f64; 3], Option<f64>);

fn owned(row: &StreamRow<'_>) -> Owned {
    (
        row.injector.to_vec(),
        [row.voltage_v, row.pressure_kpa],
        [
            row.setting.pulse_width_ms,
            row.setting.pulses,
            row.delivered,
        ],
        row.setting.period_ms,
    )
}

proptest! {
    /// Whatever the cells above say: the reader that takes cells byte by byte gives the rows of the
    /// careful one, or leaves the block to it.
    #[test]
    fn plain_rows_are_those_of_the_careful_reader(
        rows in prop::collection::vec(
            [
                cell(&["A1", "A12", "INJ00000", "a long name of one"], &[" A1", "'A1", "#A1", "A\"1"]),
                cell(&["2", "2.0", "2.5", "12.5"], &["2.00000000", "0", "-2", "25", "2 ", "1e1"]),
                cell(&["1000", "100", "10"], &["1000.0", "0", "100000000", "1,000"]),
                cell(&["7.28", "7.2", "12.345", "0"], &["12.3456789", "-1", "1e-3", ""]),
                cell(&["14", "14.0", "8.0"], &["", "14 V", "0"]),
                cell(&["20", "40"], &["2.4", "20.000000001"]),
                cell(&["1", "2", "3"], &["1.5", "", "4294967296"]),
            ].map(Strategy::boxed),
            1..40,
        ),
        ending in select(vec!["\n", "\r\n"]),
        last_line_ends: bool,
    ) {
        let header = b"injector,pulse_width_ms,pulses,volume_ml,voltage_v,period_ms,repeat\n";
        let unstated = SetPoints { voltage_v: None, pressure_kpa: Some(300.0) };
        let (mut stream, ..) = CaptureStream::open("run.csv", header, Bench::default(), unstated).unwrap();
        let lines: Vec<String> = rows
            .iter()
            .map(|cells| cells.iter().map(|(_, cell)| *cell).collect::<Vec<_>>().join(","))
            .collect();
        let block = lines.join(ending) + if last_line_ends { ending } else { "" };
        let mut plain = Vec::new();
        let read = stream.read_plain(block.as_bytes(), |row| plain.push(owned(&row)));
        let mut careful = Vec::new();
        let carefully = stream.read_carefully(block.as_bytes(), 2, |row, _| careful.push(owned(&row)));
        let all_usual = rows.iter().flatten().all(|(usual, _)| *usual);
        if let Some(lines) = read {
            prop_assert_eq!(plain, careful);
            prop_assert_eq!(carefully.ok(), Some(lines));
        } else {
            prop_assert!(!all_usual, "not read: {block}");
        }
    }
}
