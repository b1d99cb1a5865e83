//! Ids, stages and notes that try to be more than text: in every output they stay text.

use std::collections::BTreeSet;
use std::fs;
use std::io::{Cursor, Read};
use std::path::Path;

use meniscus::capture::{Bench, CaptureFile, SetPoints, read_captures};
use quick_xml::events::Event;
use serde_json::Value;

use crate::endings::meniscus;

/// What an id should not but may hold: markup, a terminal's commands, a second line, letters that
/// run backwards, formulas, comments, paths.
const IDS: [&str; 15] = [
    "<script>alert(1)</script>",
    "<svg onload=alert(1)>",
    "a\"b'c&d",
    "\u{1b}[31mred\u{1b}]0;title\u{7}",
    "\u{9b}2J",
    "two\nFORGED: matched",
    "gnp\u{202e}exe.\u{2066}x",
    "=HYPERLINK(\"http://x\")",
    "+1+1",
    "-1-1",
    "@SUM(A1)",
    "\t=1+1",
    "\r=1+1",
    "../../x",
    "#1",
];

/// Stages of the same kind.
const STAGES: [&str; 2] = ["=before\u{1b}[1m", "after\nFORGED\u{202e}"];

/// Control characters that no capture may hold, as a capture of this test holds them instead. In a
/// characterisation file, which is JSON, they can stand.
const STANDING_IN: [(char, char); 2] = [('\u{1b}', '\u{e000}'), ('\u{7}', '\u{e001}')];

fn stood_in(text: &str) -> String {
    let mut text = text.to_owned();
    for (control, letter) in STANDING_IN {
        text = text.replace(control, &letter.to_string());
    }
    text
}

/// A capture of all of them at one condition, in stages and with notes of the same kind.
fn capture() -> String {
    let mut writer = csv::Writer::from_writer(Vec::new());
    let header = "x_row,injector,stage,voltage_v,pressure_kpa,pulse_width_ms,period_ms,pulses,volume_ml,note";
    writer.write_record(header.split(',')).unwrap();
    let cell = |text: &str| meniscus::capture::guarded(&stood_in(text)).into_owned();
    for stage in STAGES {
        for (k, id) in IDS.iter().enumerate() {
            for (at, width) in [2.0, 3.0, 4.0, 6.0, 8.0].iter().enumerate() {
                for repeat in 0..2 {
                    let amount = 32.0 * (width - 0.8) * (1.0 + 0.001 * k as f64)
                        + 0.1 * f64::from(repeat) * (at as f64 - 2.0);
                    let row = [
                        "1".to_owned(),
                        cell(id),
                        cell(stage),
                        "14".to_owned(),
                        "300".to_owned(),
                        width.to_string(),
                        "20".to_owned(),
                        "10000".to_owned(),
                        format!("{amount:.1}"),
                        cell("<b>\u{1b}[5m"),
                    ];
                    writer.write_record(&row).unwrap();
                }
            }
        }
    }
    String::from_utf8(writer.into_inner().unwrap()).unwrap()
}

/// A folder with the capture and its characterisation file; in the file stand the controls.
fn bench() -> tempfile::TempDir {
    let folder = tempfile::tempdir().unwrap();
    fs::write(folder.path().join("run.csv"), capture()).unwrap();
    let text = said(folder.path(), &["fit", "run.csv", "-o", "run.json"]);
    harmless(&text);
    let file = folder.path().join("run.json");
    let mut json = fs::read_to_string(&file).unwrap();
    for (control, letter) in STANDING_IN {
        json = json.replace(letter, &format!("\\u{:04x}", u32::from(control)));
    }
    fs::write(file, json).unwrap();
    folder
}

/// Everything that a run says on both streams.
fn said(folder: &Path, arguments: &[&str]) -> String {
    let output = meniscus()
        .current_dir(folder)
        .args(arguments)
        .output()
        .unwrap();
    let text = |bytes: &[u8]| String::from_utf8(bytes.to_vec()).unwrap();
    let talk = text(&output.stderr);
    assert!(output.status.code().unwrap() < 2, "{arguments:?}: {talk}");
    harmless(&talk);
    text(&output.stdout)
}

/// Whether a character can command a terminal or turn a line around.
fn commands(c: char) -> bool {
    (c.is_control() && c != '\n') || matches!(c, '\u{202a}'..='\u{202e}' | '\u{2066}'..='\u{2069}')
}

/// A text for a person: no commands, no line that an id has begun.
fn harmless(text: &str) {
    assert!(!text.contains(commands), "{text:?}");
    assert!(
        !text.lines().any(|line| line.starts_with("FORGED")),
        "{text}"
    );
}

fn on_the_terminal(arguments: &[&str]) -> String {
    let folder = bench();
    let text = said(folder.path(), arguments);
    harmless(&text);
    text
}

#[test]
fn fit_shows_controls_as_text() {
    let text = on_the_terminal(&["fit", "run.csv"]);
    assert!(
        text.contains("gnp\\u{202") && text.contains("<svg onlo"),
        "{text}"
    );
    assert!(text.contains("=HYPERLIN") && text.contains("#1"));
}

#[test]
fn check_shows_controls_as_text() {
    on_the_terminal(&["check", "run.csv"]);
    // A complaint quotes what it found.
    let folder = tempfile::tempdir().unwrap();
    let broken = capture().replace(",20,10000,", ",20,\u{9b}2J\u{202e},");
    fs::write(folder.path().join("run.csv"), broken).unwrap();
    let output = meniscus()
        .current_dir(&folder)
        .args(["check", "run.csv"])
        .output()
        .unwrap();
    assert_eq!(output.status.code(), Some(2));
    harmless(&String::from_utf8(output.stderr).unwrap());
}

#[test]
fn match_shows_controls_as_text() {
    let text = on_the_terminal(&["match", "run.json"]);
    assert!(text.contains("\\u{9b}2J"), "{text}");
}

#[test]
fn pick_shows_controls_as_text() {
    let text = on_the_terminal(&["pick", "--size", "14", "run.json"]);
    assert!(text.contains("two\\u{a}FORGED"), "{text}");
    on_the_terminal(&[
        "pick",
        "--size",
        "5",
        "--sets",
        "--tolerance",
        "5%",
        "run.json",
    ]);
}

#[test]
fn compare_shows_controls_as_text() {
    let text = on_the_terminal(&["compare", "run.json"]);
    assert!(text.contains("\\u{202e}exe"), "{text}");
}

#[test]
fn place_shows_controls_as_text() {
    let text = on_the_terminal(&["place", "run.json"]);
    assert!(text.contains("\\u{1b}[31mred"), "{text}");
}

#[test]
fn plan_shows_controls_as_text() {
    let mut arguments = vec![
        "plan",
        "--flow",
        "250cc/min",
        "--voltage",
        "14",
        "--pressure",
        "300kPa",
        "--time",
        "6h",
    ];
    for id in IDS {
        // As one word, since an id may begin with a minus.
        arguments.push(Box::leak(format!("--injector={id}").into_boxed_str()));
    }
    let text = on_the_terminal(&arguments);
    assert!(text.contains("two\\u{a}FORGED"), "{text}");
    on_the_terminal(&["plan", "--after", "run.csv", "--dead-time-within", "15us"]);
}

#[test]
fn table_shows_controls_as_text() {
    let stage = "--stage==before\u{1b}[1m";
    let text = on_the_terminal(&["table", "run.json", "--of", "dead-time", stage]);
    assert!(text.contains("two\\u{a}FORGED"), "{text}");
    on_the_terminal(&["table", "run.json", "--of", "flow", stage]);
    on_the_terminal(&["table", "run.json", "--of", "delivered", stage]);
}

#[test]
fn demand_shows_controls_as_text() {
    on_the_terminal(&[
        "demand",
        "run.json",
        "--displacement",
        "1.6L",
        "--cylinders",
        "4",
    ]);
}

#[test]
fn csv_of_a_table_holds_no_formula_and_gives_the_ids_back() {
    let folder = bench();
    let stage = "--stage==before\u{1b}[1m";
    let text = said(
        folder.path(),
        &["table", "run.json", "--of", "flow", "--csv", stage],
    );
    let mut reader = csv::ReaderBuilder::new()
        .comment(Some(b'#'))
        .from_reader(text.as_bytes());
    let mut ids = BTreeSet::new();
    for record in reader.records() {
        let record = record.unwrap();
        assert!(
            !record[0].starts_with(['=', '+', '-', '@', '#', '\t', '\r']),
            "{record:?}"
        );
        ids.insert(meniscus::capture::unguarded(&record[0]).to_owned());
    }
    assert_eq!(ids, IDS.map(str::to_owned).into());
}

/// Ids of a sheet that was filled in, as our reader finds them.
fn read_back(bytes: Vec<u8>) -> BTreeSet<String> {
    let file = CaptureFile::new("run", bytes);
    let capture = read_captures(&[file], Bench::default(), SetPoints::default()).unwrap();
    capture.sweeps.iter().map(|s| s.injector.clone()).collect()
}

/// The sheet of a plan for all ids; those of a planned run have no blanks around them.
fn planned(ending: &str) -> (Vec<u8>, BTreeSet<String>) {
    let folder = tempfile::tempdir().unwrap();
    // Ids with controls are refused: no capture may hold them.
    let ids = IDS.iter().map(|id| id.trim());
    let mut ids: Vec<&str> = ids.filter(|id| !id.contains(char::is_control)).collect();
    ids.sort_unstable();
    ids.dedup();
    // `sheet` parts its list at commas; none of the ids holds one.
    let list = format!("--injectors={}", ids.join(","));
    let name = format!("run.{ending}");
    let arguments = [
        "sheet", &list, "--widths", "4ms", "--pulses", "5000", "-o", &name,
    ];
    harmless(&said(folder.path(), &arguments));
    let all = ids.iter().map(|id| (*id).to_owned()).collect();
    (fs::read(folder.path().join(name)).unwrap(), all)
}

#[test]
fn a_sheet_refuses_controls() {
    let folder = tempfile::tempdir().unwrap();
    for id in ["a\u{1b}[1m", "two\nlines"] {
        let ids = format!("--injectors={id},B");
        let arguments = ["sheet", &ids, "--widths", "4ms", "--pulses", "5000"];
        let output = meniscus()
            .current_dir(&folder)
            .args(arguments)
            .output()
            .unwrap();
        assert_eq!(output.status.code(), Some(2));
        assert!(
            String::from_utf8(output.stderr)
                .unwrap()
                .contains("control characters")
        );
    }
}

#[test]
fn csv_of_a_sheet_holds_no_formula_and_gives_the_ids_back() {
    let (bytes, ids) = planned("csv");
    let text = String::from_utf8(bytes).unwrap();
    let mut reader = csv::ReaderBuilder::new()
        .comment(Some(b'#'))
        .from_reader(text.as_bytes());
    let header = reader.headers().unwrap().clone();
    let mut filled = csv::Writer::from_writer(Vec::new());
    filled.write_record(&header).unwrap();
    for record in reader.records() {
        let record = record.unwrap();
        for cell in &record {
            assert!(
                !cell.starts_with(['=', '+', '-', '@', '#', '\t', '\r']),
                "{cell}"
            );
        }
        let cells = header.iter().zip(&record);
        filled
            .write_record(cells.map(|(name, cell)| if name == "volume_ml" { "50" } else { cell }))
            .unwrap();
    }
    assert_eq!(read_back(filled.into_inner().unwrap()), ids);
}

#[test]
fn a_workbook_holds_text_cells_and_no_formula() {
    let (bytes, ids) = planned("xlsx");
    let mut book = zip::ZipArchive::new(Cursor::new(&bytes)).unwrap();
    let mut strings = BTreeSet::new();
    for at in 0..book.len() {
        let mut part = book.by_index(at).unwrap();
        let mut xml = String::new();
        part.read_to_string(&mut xml).unwrap();
        let mut reader = quick_xml::Reader::from_str(&xml);
        let mut text = String::new();
        loop {
            match reader.read_event().unwrap() {
                Event::Start(tag) => {
                    assert_ne!(tag.name().as_ref(), b"f", "a formula in part {at}");
                    text.clear();
                }
                Event::Text(piece) => text.push_str(&piece.decode().unwrap()),
                Event::GeneralRef(entity) => {
                    let name = entity.decode().unwrap();
                    text.push_str(quick_xml::escape::resolve_predefined_entity(&name).unwrap());
                }
                Event::End(tag) if tag.name().as_ref() == b"t" => {
                    strings.insert(meniscus::capture::unguarded(&text).to_owned());
                }
                Event::Eof => break,
                _ => {}
            }
        }
    }
    // Controls are written in the workbook's own way; the others stand there as they are.
    for id in ids
        .iter()
        .filter(|id| !id.contains(commands) && !id.contains('\n'))
    {
        assert!(strings.contains(id), "{id} in {strings:?}");
    }
}

#[test]
fn a_page_to_print_shows_markup_as_text() {
    let (bytes, _) = planned("html");
    let page = String::from_utf8(bytes).unwrap();
    assert!(
        !page.contains("<script>alert") && !page.contains("<svg onload"),
        "{page}"
    );
    assert!(page.contains("&#60;script&#62;alert(1)") || page.contains("&lt;script&gt;alert(1)"));
    assert!(!page.contains(commands));
}

#[test]
fn a_report_shows_markup_and_controls_as_text() {
    let folder = bench();
    said(folder.path(), &["report", "run.json", "-o", "run.html"]);
    let page = fs::read_to_string(folder.path().join("run.html")).unwrap();
    assert!(!page.contains("<script>alert") && !page.contains("<svg onload"));
    assert!(!page.contains(commands));
    assert!(page.contains("two\\u{a}FORGED"));
}

#[test]
fn pictures_stay_in_their_folder_and_show_ids_as_text() {
    let folder = bench();
    said(folder.path(), &["fit", "run.csv", "--plots", "plots"]);
    let beside: BTreeSet<_> = fs::read_dir(&folder)
        .unwrap()
        .map(|e| e.unwrap().file_name().into_string().unwrap())
        .collect();
    assert_eq!(
        beside,
        ["plots", "run.csv", "run.json"].map(str::to_owned).into()
    );
    let mut pictures = 0;
    for entry in fs::read_dir(folder.path().join("plots")).unwrap() {
        let path = entry.unwrap().path();
        let name = path.file_name().unwrap().to_str().unwrap();
        let plain = |c: char| c.is_ascii_alphanumeric() || "-_.".contains(c);
        assert!(
            name.chars().all(plain) && !name.starts_with('.') && name.ends_with(".svg"),
            "{name}"
        );
        let svg = fs::read_to_string(&path).unwrap();
        assert!(
            !svg.contains("<script") && !svg.contains("<svg onload"),
            "{name}"
        );
        assert!(!svg.contains(commands), "{name}");
        pictures += 1;
    }
    assert!(pictures >= IDS.len());
}

#[test]
fn json_gives_the_ids_back() {
    let folder = bench();
    let ids = |text: &str| -> BTreeSet<String> {
        let value: Value = serde_json::from_str(text).unwrap();
        let injectors = value["injectors"].as_array().unwrap();
        injectors
            .iter()
            .map(|i| i["id"].as_str().unwrap().to_owned())
            .collect()
    };
    let file = fs::read_to_string(folder.path().join("run.json")).unwrap();
    assert_eq!(ids(&file), IDS.map(str::to_owned).into());
    let all: BTreeSet<String> = IDS.map(stood_in).into();
    assert_eq!(
        ids(&said(folder.path(), &["fit", "run.csv", "--json"])),
        all
    );
    // A line holds one row: there an id may not have two.
    let text = capture()
        .replace("two\nFORGED", "two FORGED")
        .replace("after\nFORGED", "after");
    fs::write(folder.path().join("lines.csv"), text).unwrap();
    let lines = said(folder.path(), &["fit", "lines.csv", "--lines", "--gather"]);
    let all: BTreeSet<String> = all.iter().map(|id| id.replace('\n', " ")).collect();
    let found: BTreeSet<String> = lines
        .lines()
        .map(|line| {
            serde_json::from_str::<Value>(line).unwrap()["injector"]
                .as_str()
                .unwrap()
                .to_owned()
        })
        .collect();
    assert_eq!(found, all);
}
