//! Foreign layouts: a mapping is proposed, the asked lines are filled in, and the readings
//! are those of the plain capture to the bit.

use std::fs;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use meniscus::capture::{
    Bench, CaptureFile, Checked, Proposal, SetPoints, check_captures, fault_lines, propose,
    read_mapping,
};
use meniscus::fit::FitOptions;
use meniscus::matching::Criterion;
use meniscus::{Request, characterise};
use proptest::prelude::*;
use rust_xlsxwriter::Workbook;

fn folder() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/layouts")
}

/// Names of the layouts: each has its sheet and the lines to fill in.
fn layouts() -> Vec<String> {
    let mut names: Vec<String> = fs::read_dir(folder())
        .unwrap()
        .map(|entry| entry.unwrap().path())
        .filter(|path| path.extension().is_some_and(|e| e == "answers"))
        .map(|path| path.file_stem().unwrap().to_str().unwrap().to_owned())
        .collect();
    names.sort();
    assert!(names.len() >= 10, "{names:?}");
    names
}

fn proposed(file: &CaptureFile) -> Proposal {
    propose(file).unwrap_or_else(|fault| panic!("{fault}"))
}

/// Takes the lines that are right; returns how many of them were asked for.
fn fill_in(text: &str, answers: &[String]) -> (String, usize) {
    let mut lines: Vec<String> = text.lines().map(str::to_owned).collect();
    let mut asked = 0;
    for answer in answers {
        let (key, _) = answer.split_once(" = ").unwrap();
        let open = [format!("# {answer}"), format!("# {key} =")];
        match lines.iter().position(|line| open.contains(line)) {
            Some(at) => {
                lines[at].clone_from(answer);
                asked += 1;
            }
            None => {
                let heading = "[constants]".to_owned();
                if !lines.contains(&heading) {
                    lines.push(heading.clone());
                }
                let at = lines.iter().position(|line| *line == heading).unwrap();
                lines.insert(at + 1, answer.clone());
            }
        }
    }
    (lines.join("\n"), asked)
}

/// Bytes of a layout's sheet, name of the plain capture, lines that are right.
fn case(name: &str) -> (Vec<u8>, String, Vec<String>) {
    let sheet = fs::read(folder().join(format!("{name}.csv"))).unwrap();
    let answers = fs::read_to_string(folder().join(format!("{name}.answers"))).unwrap();
    let mut answers = answers.lines().map(str::to_owned);
    (sheet, answers.next().unwrap(), answers.collect())
}

fn check(file: CaptureFile) -> Checked {
    check_captures(&[file], Bench::default(), SetPoints::default())
}

/// What is known of each reading, to the bit, in an order that no file decides.
fn readings(checked: &Checked) -> Vec<String> {
    let mut all = Vec::new();
    for sweep in &checked.capture.sweeps {
        for r in &sweep.readings {
            let numbers = [r.pulse_width_ms, r.pulses, r.delivered].map(f64::to_bits);
            let set = [sweep.voltage_v, sweep.pressure_kpa].map(|x| x.map(f64::to_bits));
            all.push(format!(
                "{} {:?} {set:?} {numbers:?} {:?} {:?} {:?}",
                sweep.injector, sweep.basis, r.vessel, r.start_subtracted, r.exclude
            ));
        }
    }
    all.sort();
    all
}

/// Flow and dead time of each injector.
fn lines(file: CaptureFile) -> Vec<(String, f64, f64)> {
    let request = Request {
        fit: FitOptions::default(),
        points: Vec::new(),
        criterion: Criterion::NONE,
    };
    let document = characterise(&[file], Bench::default(), SetPoints::default(), &request).unwrap();
    let mut lines: Vec<_> = document
        .injectors
        .iter()
        .map(|i| {
            let sweep = &i.sweeps[0];
            let value = |e: &Option<meniscus::units::Estimate>| e.as_ref().unwrap().value;
            (i.id.clone(), value(&sweep.slope), value(&sweep.dead_time))
        })
        .collect();
    lines.sort_by(|a, b| a.0.cmp(&b.0));
    lines
}

#[test]
fn a_proposed_mapping_gives_the_readings_of_the_plain_capture() {
    for name in layouts() {
        let (bytes, plain, answers) = case(&name);
        let mut file = CaptureFile::new(format!("{name}.csv"), bytes);
        let proposal = proposed(&file);
        let (text, asked) = fill_in(&proposal.text, &answers);
        assert_eq!(proposal.questions.len(), asked, "{name}\n{}", proposal.text);
        assert!(proposal.rows.len() >= 3, "{name}");
        let mapping = read_mapping("odd.map.toml", &text)
            .unwrap_or_else(|f| panic!("{name}\n{}\n{text}", fault_lines(&f, 9)));
        file.mapping = Some(Arc::new(mapping));
        let checked = check(file.clone());
        assert_eq!(fault_lines(&checked.faults, 9), "", "{name}\n{text}");
        let bytes = fs::read(folder().join(plain)).unwrap();
        let plain = CaptureFile::new("plain.csv", bytes);
        assert_eq!(
            readings(&checked),
            readings(&check(plain.clone())),
            "{name}"
        );
        // Another order of rows may round sums differently, nothing more.
        for (ours, theirs) in lines(file).iter().zip(lines(plain)) {
            assert_eq!(ours.0, theirs.0, "{name}");
            assert!(
                (ours.1 / theirs.1 - 1.0).abs() < 1e-9,
                "{name}: {ours:?} {theirs:?}"
            );
            assert!(
                (ours.2 / theirs.2 - 1.0).abs() < 1e-9,
                "{name}: {ours:?} {theirs:?}"
            );
        }
    }
}

/// The cells of a text as a workbook, plain numbers as number cells.
fn as_workbook(bytes: &[u8], separator: u8) -> Vec<u8> {
    let mut book = Workbook::new();
    let sheet = book.add_worksheet();
    let text = String::from_utf8(bytes.to_vec()).unwrap();
    let mut reader = csv::ReaderBuilder::new()
        .has_headers(false)
        .flexible(true)
        .delimiter(separator)
        .from_reader(text.as_bytes());
    for record in reader.records() {
        let record = record.unwrap();
        let row = record.position().unwrap().line() as u32;
        for (column, cell) in record
            .iter()
            .enumerate()
            .filter(|(_, cell)| !cell.is_empty())
        {
            let column = column as u16;
            match cell.parse::<f64>() {
                // An id with a leading zero is text in any sheet that is meant to keep it.
                Ok(number) if !cell.starts_with('0') => sheet.write_number(row, column, number),
                _ => sheet.write_string(row, column, cell),
            }
            .unwrap();
        }
    }
    book.save_to_buffer().unwrap()
}

#[test]
fn the_same_layouts_as_workbooks_give_the_same_readings() {
    for name in layouts() {
        let (bytes, plain, answers) = case(&name);
        let written = proposed(&CaptureFile::new("odd.csv", bytes.clone())).text;
        let separator = written
            .lines()
            .find_map(|line| line.strip_prefix("separator = \""))
            .unwrap();
        let separator = match separator.as_bytes() {
            [b'\\', ..] => b'\t',
            [byte, ..] => *byte,
            [] => unreachable!(),
        };
        let mut file = CaptureFile::new("odd.xlsx", as_workbook(&bytes, separator));
        let proposal = proposed(&file);
        let (text, asked) = fill_in(&proposal.text, &answers);
        assert_eq!(proposal.questions.len(), asked, "{name}\n{}", proposal.text);
        let mapping = read_mapping("odd.map.toml", &text)
            .unwrap_or_else(|f| panic!("{name}\n{}\n{text}", fault_lines(&f, 9)));
        file.mapping = Some(Arc::new(mapping));
        let checked = check(file);
        assert_eq!(fault_lines(&checked.faults, 9), "", "{name}\n{text}");
        let plain = CaptureFile::new("plain.csv", fs::read(folder().join(plain)).unwrap());
        assert_eq!(readings(&checked), readings(&check(plain)), "{name}");
    }
}

#[test]
fn every_bad_mapping_has_its_complaint() {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/bad-mappings");
    let mut paths: Vec<PathBuf> = fs::read_dir(&folder)
        .unwrap()
        .map(|entry| entry.unwrap().path())
        .filter(|path| path.extension().is_some_and(|e| e == "toml"))
        .collect();
    paths.sort();
    assert!(paths.len() > 20);
    for path in paths {
        let name = path.file_stem().unwrap().to_str().unwrap();
        let own = path.with_extension("csv");
        let sheet = if own.is_file() {
            own
        } else {
            folder.join("odd.csv")
        };
        let text = fs::read_to_string(&path).unwrap();
        let faults = match read_mapping("odd.map.toml", &text) {
            Err(faults) => faults,
            Ok(mapping) => {
                let mut file = CaptureFile::new("odd.csv", fs::read(sheet).unwrap());
                file.mapping = Some(Arc::new(mapping));
                check(file).faults
            }
        };
        assert!(!faults.is_empty(), "{name}");
        let mut settings = insta::Settings::clone_current();
        settings.set_snapshot_path("../bad-mappings/complaints");
        settings.set_prepend_module_to_snapshot(false);
        settings.set_omit_expression(true);
        settings.bind(|| insta::assert_snapshot!(name, fault_lines(&faults, 50)));
    }
}

#[test]
fn a_mapping_that_means_harm_is_one_clear_fault() {
    let long = format!("[columns]\ninjector = \"{}\"\n", "x".repeat(10 << 20));
    let faults = read_mapping("m.toml", &long).unwrap_err();
    assert_eq!(faults.len(), 1);
    assert!(faults[0].found.contains("bytes"), "{}", faults[0]);
    let deep = format!("columns = {}{}", "[".repeat(50_000), "]".repeat(50_000));
    assert!(!read_mapping("m.toml", &deep).unwrap_err().is_empty());
    let many = format!("[columns]\nvolume_ml = [{}]\n", "\"A\",".repeat(5000));
    let faults = read_mapping("m.toml", &many).unwrap_err();
    assert!(
        faults.iter().any(|f| f.expected.contains("at most 1024")),
        "{faults:?}"
    );
}

const WORDS: [&str; 30] = [
    "",
    "",
    "",
    "Injector",
    "Injector A1",
    "A1",
    "Pulse width (ms)",
    "Ti",
    "ms",
    "Pulses",
    "5000",
    "12,000",
    "2,5",
    "2.5",
    "1.234,5",
    "Volume [ml]",
    "Reading 1",
    "Reading 2",
    "Average",
    "g",
    "Pressure: 3 bar",
    "14 V",
    "2.5 ms",
    "-",
    "*",
    "column B",
    "\u{130}*",
    "1e999",
    "x\"y",
    "Mean *",
];

proptest! {
    #![proptest_config(ProptestConfig { cases: 400, ..ProptestConfig::default() })]

    /// Whatever lies where, a proposal is text that reads back, and applying it never panics.
    #[test]
    fn no_grid_makes_propose_or_apply_panic(
        rows in prop::collection::vec(prop::collection::vec(0usize..WORDS.len(), 0..7), 0..14),
        separator in prop::sample::select(vec![b',', b';', b'\t', b'|']),
        skip in 0u64..4,
        header in 0u64..4,
    ) {
        let mut writer = csv::WriterBuilder::new()
            .flexible(true)
            .delimiter(separator)
            .from_writer(Vec::new());
        for row in &rows {
            writer.write_record(row.iter().map(|at| WORDS[*at])).unwrap();
        }
        let bytes = writer.into_inner().unwrap();
        let mut file = CaptureFile::new("odd.csv", bytes);
        if let Ok(proposal) = propose(&file) {
            // Only what is asked may be missing; what is said must be TOML without a fault of its own.
            if let Ok(mapping) = read_mapping("m.toml", &proposal.text) {
                file.mapping = Some(Arc::new(mapping));
                check(file.clone());
            }
        }
        for transposed in [false, true] {
            let text = format!(
                "transposed = {transposed}\nskip = {skip}\nheader = {header}\nfill_down = [\"injector\"]\n\
                 thousands = \",\"\nignore = [\"*\"]\n[columns]\ninjector = \"{}\"\n\
                 volume_ml = [\"Reading 1\", \"Reading 2\"]\npulse_width_ms = \"Ti\"\n\
                 [labels]\npressure_bar = \"Pressure: *\"\n[constants]\npulses = [1, 2]\n",
                if transposed { "row 2" } else { "column B" },
            );
            file.mapping = Some(Arc::new(read_mapping("m.toml", &text).unwrap()));
            check(file.clone());
        }
    }

    /// Nor do any bytes.
    #[test]
    fn no_bytes_make_propose_panic(bytes in prop::collection::vec(any::<u8>(), 0..400)) {
        let _ = propose(&CaptureFile::new("odd", bytes));
    }
}

/// bench-runs/foreign-layout holds the readings of the quick check, and its mapping is the
/// proposed one but for the vessels.
#[test]
fn the_demo_of_a_foreign_layout_gives_the_readings_of_the_quick_check() {
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("bench-runs");
    let capture = |name: &str| CaptureFile::new(name, fs::read(root.join(name)).unwrap());
    let mut sheet = capture("foreign-layout/sheet.csv");
    let kept = fs::read_to_string(root.join("foreign-layout/map.toml")).unwrap();
    let proposed = proposed(&sheet).text;
    let own_vessels = |line: &&str| !line.starts_with("vessel") && !line.starts_with("# Each into");
    let expected: Vec<&str> = proposed.lines().filter(own_vessels).skip(1).collect();
    assert_eq!(kept.lines().skip(1).collect::<Vec<_>>(), expected);
    sheet.mapping = Some(Arc::new(read_mapping("map.toml", &kept).unwrap()));
    let (ours, plain) = (check(sheet), check(capture("quick-check/today.csv")));
    assert_eq!(fault_lines(&ours.faults, 9), "");
    assert_eq!(readings(&ours), readings(&plain));
}
