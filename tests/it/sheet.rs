//! Blank sheets: filled in, they are captures; on paper, they can be written on.

use std::collections::BTreeMap;
use std::fs;

use assert_cmd::Command;
use meniscus::capture::{Bench, Capture, CaptureFile, SetPoints, read_captures};
use meniscus::sheet::{
    Beside, Dialect, EveryOne, Layout, PlannedReading, ReadingUnit, Run, SheetError, csv, page,
    workbook,
};
use proptest::prelude::*;
use quick_xml::Reader;
use quick_xml::events::Event;

fn ids(names: &[&str]) -> Vec<String> {
    names.iter().map(|n| (*n).to_owned()).collect()
}

/// Six readings of each of three injectors, with everything stated.
fn run() -> Run {
    Run {
        title: "Set, as \"received\"; a; b".to_owned(),
        rows: EveryOne {
            injectors: ids(&["0417", "A, 2", "B:3"]),
            vessels: ids(&["C1", "C2", "C3"]),
            stage: Some("as_received".to_owned()),
            voltages_v: vec![12.0, 13.8],
            pressures_kpa: vec![300.0],
            widths: vec![(1.5, 8000), (2.5, 5000), (8.0, 1500)],
            period_ms: Some(20.0),
            repeats: 2,
        }
        .readings(),
        unit: ReadingUnit::Millilitre,
        beside: Beside {
            start: true,
            temperature: true,
            voltage: true,
            pressure: true,
        },
        remarks: vec!["Invented, for a test".to_owned()],
    }
}

/// A number for each box: told apart by injector, width and repeat, with parts of a division.
fn filled_value(id: usize, row: usize) -> f64 {
    40.0 + id as f64 * 0.5 + row as f64 * 0.25
}

/// Fills every box of a CSV sheet in: readings and start readings by number, the rest with what is usual.
fn fill_in(sheet: &str, dialect: Dialect) -> String {
    let delimiter = if dialect == Dialect::Comma {
        b','
    } else {
        b';'
    };
    let mut reader = csv::ReaderBuilder::new()
        .delimiter(delimiter)
        .comment(Some(b'#'))
        .from_reader(sheet.as_bytes());
    let header = reader.headers().unwrap().clone();
    let mut writer = csv::WriterBuilder::new()
        .delimiter(delimiter)
        .from_writer(Vec::new());
    writer.write_record(&header).unwrap();
    let number = |x: f64| match dialect {
        Dialect::Comma => x.to_string(),
        Dialect::Semicolon => x.to_string().replace('.', ","),
    };
    for (row, record) in reader.records().enumerate() {
        let record = record.unwrap();
        let cells: Vec<String> = header
            .iter()
            .zip(&record)
            .enumerate()
            .map(|(at, (name, cell))| match name.split(':').next().unwrap() {
                "volume_ml" | "mass_mg" => number(filled_value(at, row)),
                "volume_start_ml" | "mass_start_mg" => number(0.5),
                "fluid_temp_c" => number(21.5),
                "voltage_actual_v" => number(13.5),
                "pressure_actual_kpa" => number(299.5),
                _ => cell.to_owned(),
            })
            .collect();
        writer.write_record(&cells).unwrap();
    }
    String::from_utf8(writer.into_inner().unwrap()).unwrap()
}

fn capture(text: &str) -> Capture {
    let file = CaptureFile::new("sheet.csv", text.as_bytes().to_vec());
    read_captures(&[file], Bench::default(), SetPoints::default()).unwrap()
}

/// What of a planned reading a capture keeps, as text that sorts.
fn planned(run: &Run) -> BTreeMap<String, Option<String>> {
    let row = |r: &PlannedReading| {
        let key = format!(
            "{} {:?} {:?} {:?} {} {} {:?} {}",
            r.injector.trim(),
            r.stage,
            r.voltage_v,
            r.pressure_kpa,
            r.pulse_width_ms,
            r.pulses,
            r.period_ms,
            r.repeat
        );
        (key, r.vessel.clone())
    };
    run.rows.iter().map(row).collect()
}

fn captured(capture: &Capture) -> BTreeMap<String, Option<String>> {
    let mut found = BTreeMap::new();
    for sweep in &capture.sweeps {
        for r in &sweep.readings {
            let key = format!(
                "{} {:?} {:?} {:?} {} {} {:?} {}",
                sweep.injector,
                sweep.stage,
                sweep.voltage_v,
                sweep.pressure_kpa,
                r.pulse_width_ms,
                r.pulses,
                r.period_ms,
                r.repeat.unwrap()
            );
            found.insert(key, r.vessel.clone());
        }
    }
    found
}

#[test]
fn a_sheet_filled_in_is_the_capture_that_was_planned() {
    let run = run();
    for layout in [Layout::Long, Layout::Wide] {
        for dialect in [Dialect::Comma, Dialect::Semicolon] {
            let sheet = csv(&run, layout, dialect).unwrap();
            let capture = capture(&fill_in(&sheet, dialect));
            assert_eq!(captured(&capture), planned(&run), "{layout:?} {dialect:?}");
            let mut readings = capture.sweeps.iter().flat_map(|s| &s.readings);
            assert!(readings.clone().all(|r| r.start_subtracted
                && r.fluid_temp_c == Some(21.5)
                && r.voltage_actual_v == Some(13.5)
                && r.pressure_actual_kpa == Some(299.5)));
            // The value is the one written into its own box, less the start reading.
            let first = readings.next().unwrap();
            let column = sheet
                .lines()
                .find(|l| l.starts_with("x_row"))
                .unwrap()
                .split(if dialect == Dialect::Comma { ',' } else { ';' })
                .position(|c| c.starts_with("volume_ml"))
                .unwrap();
            let expected = (filled_value(column, 0) - 0.5) * 1000.0;
            assert_eq!(first.delivered, expected, "{layout:?}");
        }
    }
}

#[test]
fn a_bare_run_asks_for_no_more_than_it_must() {
    let rows = EveryOne {
        injectors: ids(&["1", "2"]),
        widths: vec![(4.0, 5000)],
        repeats: 1,
        ..EveryOne::default()
    };
    let run = Run {
        rows: rows.readings(),
        unit: ReadingUnit::Gram,
        beside: Beside::default(),
        title: String::new(),
        remarks: Vec::new(),
    };
    let sheet = csv(&run, Layout::Long, Dialect::Comma).unwrap();
    let lines: Vec<&str> = sheet.lines().filter(|l| !l.starts_with('#')).collect();
    assert_eq!(
        lines,
        [
            "x_row,injector,pulse_width_ms,pulses,repeat,mass_g,note,exclude",
            "1,1,4,5000,1,,,",
            "2,2,4,5000,1,,,",
        ]
    );
    let wide = csv(&run, Layout::Wide, Dialect::Comma).unwrap();
    let lines: Vec<&str> = wide.lines().filter(|l| !l.starts_with('#')).collect();
    assert_eq!(
        lines,
        [
            "x_row,pulse_width_ms,pulses,repeat,mass_g:1,mass_g:2,note,exclude",
            "1,4,5000,1,,,,",
        ]
    );
}

#[test]
fn every_second_repeat_runs_the_widths_backwards() {
    let widths: Vec<f64> = run()
        .rows
        .iter()
        .filter(|r| r.injector == "0417" && r.voltage_v == Some(12.0))
        .map(|r| r.pulse_width_ms)
        .collect();
    assert_eq!(widths, [1.5, 2.5, 8.0, 8.0, 2.5, 1.5]);
}

#[test]
fn what_no_bench_can_run_is_refused() {
    let change = |what: fn(&mut PlannedReading)| {
        let mut run = run();
        what(&mut run.rows[3]);
        run.check().unwrap_err().to_string()
    };
    assert!(change(|r| r.pulse_width_ms = 20.0).contains("row 4: a pulse of 20 ms"));
    assert!(change(|r| r.pulse_width_ms = f64::NAN).contains("pulse width"));
    assert!(change(|r| r.pulses = 0).contains("count from 1"));
    assert!(change(|r| r.injector = " ".to_owned()).contains("without an id"));
    assert!(change(|r| r.voltage_v = Some(-1.0)).contains("above zero"));
    let mut twice = run();
    twice.rows[7] = twice.rows[2].clone();
    let error = twice.check().unwrap_err();
    assert!(matches!(
        error,
        SheetError::Twice {
            row: 8,
            first: 3,
            ..
        }
    ));
    twice.rows.clear();
    assert_eq!(twice.check(), Err(SheetError::Empty));
}

#[test]
fn the_workbook_is_the_same_bytes_each_time_and_a_zip_archive() {
    let bytes = workbook(&run(), Layout::Long).unwrap();
    assert_eq!(bytes, workbook(&run(), Layout::Long).unwrap());
    assert!(bytes.starts_with(b"PK\x03\x04"));
}

/// Cells of the page's tables by row, as text; fails where tags do not match.
fn cells(page: &str) -> Vec<Vec<(String, String)>> {
    let mut reader = Reader::from_str(page);
    reader.config_mut().check_end_names = true;
    let mut rows: Vec<Vec<(String, String)>> = Vec::new();
    let mut open: Option<(String, String)> = None;
    loop {
        match reader.read_event().expect("well-formed") {
            Event::Start(tag) => match tag.name().as_ref() {
                b"tr" => rows.push(Vec::new()),
                b"td" => {
                    let class = tag.try_get_attribute("class").unwrap().unwrap();
                    open = Some((class.unescape_value().unwrap().into_owned(), String::new()));
                }
                b"script" | b"img" | b"link" => panic!("something from outside"),
                _ => {}
            },
            Event::Text(text) => {
                if let Some((_, held)) = &mut open {
                    held.push_str(&text.decode().unwrap());
                }
            }
            Event::GeneralRef(entity) => {
                if let Some((_, held)) = &mut open {
                    held.push_str(&format!("&{};", entity.decode().unwrap()));
                }
            }
            Event::End(tag) if tag.name().as_ref() == b"td" => {
                rows.last_mut().unwrap().push(open.take().unwrap());
            }
            Event::Eof => return rows,
            _ => {}
        }
    }
}

#[test]
fn the_page_has_a_box_for_every_reading_and_says_what_can_hurt() {
    let run = run();
    let text = page(&run, Layout::Long).unwrap();
    let rows: Vec<_> = cells(&text).into_iter().filter(|r| !r.is_empty()).collect();
    assert_eq!(rows.len(), run.rows.len());
    for row in &rows {
        // Before, reading, V, kPa, temperature, note, reason.
        assert_eq!(row.iter().filter(|(class, _)| class == "box").count(), 7);
    }
    assert!(text.contains("height: 10mm") && text.contains("min-width: 22mm"));
    assert!(text.contains("@page") && text.contains("table-header-group"));
    for caution in ["eye protection", "extinguisher", "high flash point"] {
        assert!(text.contains(caution), "{caution}");
    }
    assert!(!text.contains("http:") && !text.contains("https:"));
}

#[test]
fn a_wide_page_of_many_injectors_is_parted_into_tables_that_fit() {
    let rows = EveryOne {
        injectors: (1..=20).map(|n| format!("N{n}")).collect(),
        widths: vec![(2.0, 5000), (4.0, 3000)],
        repeats: 2,
        ..EveryOne::default()
    };
    let run = Run {
        rows: rows.readings(),
        ..run()
    };
    let text = page(&run, Layout::Wide).unwrap();
    assert!(text.matches("<table>").count() > 1);
    let boxes: usize = cells(&text)
        .iter()
        .map(|row| row.iter().filter(|(class, _)| class == "box").count())
        .sum();
    // Two boxes an injector and train, and five of the row in each table.
    let tables = text.matches("<table>").count();
    assert_eq!(boxes, 4 * (20 * 2 + 5 * tables));
    assert!(text.contains("landscape"));
}

#[test]
fn a_cell_that_is_not_planned_is_no_box() {
    let mut run = run();
    run.rows
        .retain(|r| !(r.injector == "0417" && r.repeat == 2));
    let text = page(&run, Layout::Wide).unwrap();
    let none = cells(&text)
        .iter()
        .flatten()
        .filter(|(class, _)| class == "none")
        .count();
    // Vessel, before and reading of six trains.
    assert_eq!(none, 18);
    let sheet = csv(&run, Layout::Wide, Dialect::Comma).unwrap();
    assert!(sheet.lines().count() > 12);
}

#[test]
fn hostile_words_stay_words() {
    let mut run = run();
    run.title = "<script>alert(1)</script>\n# x".to_owned();
    for row in &mut run.rows {
        row.injector = row.injector.replace("A, 2", "=1+1<b>\"");
    }
    let text = page(&run, Layout::Long).unwrap();
    assert!(!text.contains("<script>") && !text.contains("<b>"));
    let sheet = csv(&run, Layout::Long, Dialect::Comma).unwrap();
    assert_eq!(
        captured(&capture(&fill_in(&sheet, Dialect::Comma))),
        planned(&run)
    );
    workbook(&run, Layout::Wide).unwrap();
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 64, ..ProptestConfig::default() })]
    #[test]
    fn any_run_comes_back_from_its_csv(
        count in 1usize..6,
        widths in prop::collection::btree_set(100u32..15_000, 1..5),
        pulses in 1u64..100_000,
        volts in prop::collection::btree_set(60u32..180, 0..3),
        repeats in 1u64..4,
        wide in any::<bool>(),
        comma in any::<bool>(),
        grams in any::<bool>(),
    ) {
        let rows = EveryOne {
            injectors: (1..=count).map(|n| format!("0{n}")).collect(),
            voltages_v: volts.iter().map(|v| f64::from(*v) / 10.0).collect(),
            widths: widths.iter().map(|w| (f64::from(*w) / 1000.0, pulses)).collect(),
            period_ms: Some(20.5),
            repeats,
            ..EveryOne::default()
        };
        let run = Run {
            rows: rows.readings(),
            unit: if grams { ReadingUnit::Milligram } else { ReadingUnit::Millilitre },
            ..run()
        };
        let layout = if wide { Layout::Wide } else { Layout::Long };
        let dialect = if comma { Dialect::Comma } else { Dialect::Semicolon };
        let sheet = csv(&run, layout, dialect).unwrap();
        prop_assert_eq!(captured(&capture(&fill_in(&sheet, dialect))).into_keys().collect::<Vec<_>>(), planned(&run).into_keys().collect::<Vec<_>>());
    }
}

fn outcome(folder: &std::path::Path, arguments: &[&str]) -> (i32, String, String) {
    let output = Command::new(env!("CARGO_BIN_EXE_meniscus"))
        .current_dir(folder)
        .env("NO_COLOR", "1")
        .args(arguments)
        .output()
        .unwrap();
    (
        output.status.code().unwrap(),
        String::from_utf8_lossy(&output.stdout).into_owned(),
        String::from_utf8_lossy(&output.stderr).into_owned(),
    )
}

#[test]
fn the_command_writes_what_the_name_says_and_overwrites_nothing_unasked() {
    let folder = tempfile::tempdir().unwrap();
    let here = folder.path();
    let with = |more: &[&str]| {
        let mut all = vec![
            "sheet",
            "--injectors",
            "A1,A2",
            "--widths",
            "2,4ms",
            "--pulses",
            "6000,3000",
        ];
        all.extend(more);
        outcome(here, &all)
    };
    for (name, start) in [
        ("a.csv", &b"# "[..]),
        ("b.xlsx", b"PK"),
        ("c.html", b"<!DO"),
    ] {
        let (status, said, talk) = with(&["-o", name]);
        assert_eq!((status, talk.as_str()), (0, ""), "{name}");
        assert!(said.contains(name) && said.contains("4 readings"), "{said}");
        assert!(fs::read(here.join(name)).unwrap().starts_with(start));
        // Somebody may have filled it in.
        fs::write(here.join(name), "mine").unwrap();
        let (status, _, talk) = with(&["-o", name]);
        assert_eq!(status, 2);
        assert!(talk.contains("--replace"), "{talk}");
        assert_eq!(fs::read(here.join(name)).unwrap(), b"mine");
        assert_eq!(with(&["-o", name, "--replace"]).0, 0);
    }
    let (status, sheet, _) = with(&["--wide", "--decimal-comma", "--voltage", "13.8"]);
    assert_eq!(status, 0);
    assert!(sheet.contains("\n1;13,8;2;6000;1;;;;;"), "{sheet}");
    let (status, _, talk) = with(&["-o", "d.doc"]);
    assert_eq!(status, 2);
    assert!(talk.contains(".csv, .xlsx or .html"), "{talk}");
    let (status, _, talk) = with(&["--period", "3ms"]);
    assert_eq!(status, 2);
    assert!(talk.contains("does not fit into its period"), "{talk}");
    assert_eq!(with(&["--vessels", "C1"]).0, 2);
}
