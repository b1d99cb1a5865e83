//! The program as its user meets it: streams, exit status, files.

use std::fs;
use std::path::PathBuf;

use assert_cmd::Command;

fn meniscus() -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_meniscus"));
    command
        .current_dir(env!("CARGO_MANIFEST_DIR"))
        .env("NO_COLOR", "1");
    command
}

fn run(name: &str) -> String {
    format!("bench-runs/{name}/capture.csv")
}

/// Runs and gives (exit status, stdout, stderr).
fn outcome(arguments: &[&str]) -> (i32, String, String) {
    let output = meniscus().args(arguments).output().unwrap();
    let text = |bytes: Vec<u8>| String::from_utf8(bytes).unwrap();
    (
        output.status.code().unwrap(),
        text(output.stdout),
        text(output.stderr),
    )
}

#[test]
fn fit_prints_tables_and_writes_a_file_that_holds_the_same() {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("set.json");
    let (status, tables, talk) =
        outcome(&["fit", &run("neglected-four"), "-o", file.to_str().unwrap()]);
    assert_eq!((status, talk.as_str()), (0, ""));
    assert!(tables.contains("dead time, ms") && tables.contains("Next: "));
    let (_, json, _) = outcome(&["fit", &run("neglected-four"), "--json"]);
    assert_eq!(fs::read_to_string(&file).unwrap(), json);
    let left: Vec<_> = fs::read_dir(folder.path()).unwrap().collect();
    assert_eq!(left.len(), 1, "nothing beside the file");
}

#[test]
fn a_tolerance_decides_the_exit_status() {
    let of =
        |tolerance: &str| outcome(&["match", &run("neglected-four"), "--tolerance", tolerance]).0;
    assert_eq!(of("50%"), 0);
    assert_eq!(of("1%"), 1);
    let (status, json, _) = outcome(&[
        "match",
        &run("neglected-four"),
        "--tolerance",
        "50%",
        "--json",
    ]);
    let value: serde_json::Value = serde_json::from_str(&json).unwrap();
    assert_eq!((status, &value["verdict"]), (0, &"matched".into()));
    for field in [
        "tolerance_percent",
        "risk_percent",
        "spread_percent",
        "worst_injector",
        "operating_points",
        "deviations",
    ] {
        assert!(!value[field].is_null(), "{field}");
    }
}

#[test]
fn faults_go_to_stderr_with_file_line_and_column_and_nothing_is_written() {
    let folder = tempfile::tempdir().unwrap();
    let capture = folder.path().join("run.csv");
    fs::write(
        &capture,
        "injector,pulse_width_ms,pulses,volume_ml\nA,2,1000,x\nA,3,0,9\n",
    )
    .unwrap();
    let target = folder.path().join("out.json");
    fs::write(&target, "old").unwrap();
    let (status, out, talk) = outcome(&[
        "fit",
        capture.to_str().unwrap(),
        "-o",
        target.to_str().unwrap(),
    ]);
    assert_eq!((status, out.as_str()), (2, ""));
    assert!(talk.contains("run.csv:2: column volume_ml"), "{talk}");
    assert!(talk.contains("run.csv:3: column pulses"), "{talk}");
    assert!(talk.contains("2 faults"), "{talk}");
    assert_eq!(fs::read_to_string(&target).unwrap(), "old");
}

#[test]
fn check_prints_one_object_whatever_it_finds() {
    let folder = tempfile::tempdir().unwrap();
    let capture = folder.path().join("run.csv");
    fs::write(
        &capture,
        "injector,pulse_width_ms,pulses,volume_ml\nA,2,1000,x\n",
    )
    .unwrap();
    let (status, json, _) = outcome(&["check", capture.to_str().unwrap(), "--json"]);
    let value: serde_json::Value = serde_json::from_str(&json).unwrap();
    assert_eq!(status, 2);
    assert_eq!(value["errors"][0]["line"], 2);
    assert_eq!(value["errors"][0]["column"], "volume_ml");
    assert_eq!(value["files"][0]["rows"], 1);
}

#[test]
fn standard_input_is_read_as_a_dash_and_a_capture_given_twice_is_refused() {
    let bytes =
        fs::read(PathBuf::from(env!("CARGO_MANIFEST_DIR")).join(run("neglected-four"))).unwrap();
    let output = meniscus()
        .args(["fit", "-", "--json"])
        .write_stdin(bytes)
        .output()
        .unwrap();
    assert!(output.status.success());
    let value: serde_json::Value = serde_json::from_slice(&output.stdout).unwrap();
    assert_eq!(value["sources"][0]["name"], "-");
    let (status, _, talk) = outcome(&["fit", &run("neglected-four"), &run("neglected-four")]);
    assert_eq!(status, 2);
    assert!(talk.contains("the same bytes"), "{talk}");
}

#[test]
fn volume_is_shown_as_mass_only_with_a_density() {
    let (status, _, talk) = outcome(&["fit", &run("messy-wide"), "--units", "lb/h"]);
    assert_eq!(status, 2);
    assert!(talk.contains("density"), "{talk}");
    let (status, out, _) = outcome(&[
        "fit",
        &run("healthy-six"),
        "--model",
        "line",
        "--units",
        "lb/h",
    ]);
    assert!(status == 0 && out.contains("lb/h"));
}

#[test]
fn pictures_and_report_come_from_one_run_and_lines_from_one_of_their_own() {
    let folder = tempfile::tempdir().unwrap();
    let (pictures, page) = (
        folder.path().join("pictures"),
        folder.path().join("report.html"),
    );
    let (status, _, _) = outcome(&[
        "fit",
        &run("neglected-four"),
        "--model",
        "line",
        "--plots",
        pictures.to_str().unwrap(),
        "--report",
        page.to_str().unwrap(),
    ]);
    assert_eq!(status, 0);
    assert!(fs::read_dir(&pictures).unwrap().count() >= 10);
    assert!(
        fs::read_to_string(&page)
            .unwrap()
            .starts_with("<!DOCTYPE html>")
    );
    let capture = run("neglected-four");
    let (status, lines, _) = outcome(&["fit", &capture, "--model", "line", "--lines"]);
    assert_eq!((status, lines.lines().count()), (0, 8));
    for line in lines.lines() {
        let value: serde_json::Value = serde_json::from_str(line).unwrap();
        assert!(value["injector"].is_string() && value["slope"].is_number());
    }
    let (status, _, errors) = outcome(&["fit", &capture, "--lines", "--tolerance", "2%"]);
    assert!(status == 2 && errors.contains("compares none"), "{errors}");
    let (status, _, errors) = outcome(&["fit", &capture, &capture, "--lines"]);
    assert!(status == 2 && errors.contains("given twice"), "{errors}");
}

#[test]
fn one_pulse_width_is_enough_to_match_and_fit_says_so() {
    let folder = tempfile::tempdir().unwrap();
    let capture = folder.path().join("today.csv");
    let mut text =
        String::from("injector,pulse_width_ms,pulses,volume_ml,voltage_v,pressure_kpa,period_ms\n");
    for (injector, volume) in [("A", 80.0), ("B", 80.5), ("C", 72.0), ("D", 79.5)] {
        for repeat in 0..3 {
            text.push_str(&format!(
                "{injector},3,9000,{},14,300,20\n",
                volume + f64::from(repeat) * 0.1
            ));
        }
    }
    fs::write(&capture, text).unwrap();
    let path = capture.to_str().unwrap();
    let (status, out, _) = outcome(&["match", path, "--tolerance", "2%"]);
    assert_eq!(status, 1);
    assert!(
        out.contains("Not matched") && out.contains("Farthest from the mean: C"),
        "{out}"
    );
    let (status, out, _) = outcome(&["fit", path]);
    assert_eq!(status, 0);
    assert!(out.contains("`match`"), "{out}");
}

#[test]
fn help_completions_and_man_page_are_there() {
    for arguments in [
        &["--help"][..],
        &["fit", "--help"],
        &["completions", "bash"],
        &["man"],
        &["schema"],
    ] {
        let (status, out, _) = outcome(arguments);
        assert!(status == 0 && out.len() > 500, "{arguments:?}");
    }
    assert_eq!(outcome(&["fit"]).0, 2);
}

#[test]
fn the_session_in_the_readme_is_what_the_program_prints() {
    let readme = include_str!("../../README.md");
    let session = readme.split("```text\n").nth(1).unwrap();
    let session = session.split("```").next().unwrap();
    let (status, out, _) = outcome(&["fit", &run("healthy-six")]);
    assert_eq!(status, 0);
    for line in session.lines() {
        assert!(
            out.lines().any(|l| l == line),
            "not printed any more: {line}\n{out}"
        );
    }
}

const STOCK: &str = "bench-runs/stock-of-sixty/stock.csv";

fn json_of(arguments: &[&str]) -> serde_json::Value {
    let (status, json, talk) = outcome(arguments);
    assert_eq!((status, talk.as_str()), (0, ""));
    serde_json::from_str(&json).unwrap()
}

#[test]
fn pick_gives_one_set_or_many() {
    let one = json_of(&["pick", "--size", "8", STOCK, "--json"]);
    let set = &one["sets"][0];
    assert_eq!(set["injectors"].as_array().unwrap().len(), 8);
    assert_eq!(
        (set["proved_best"].as_bool(), one["bound"].is_null()),
        (Some(true), true)
    );
    assert_eq!(one["left_over"].as_array().unwrap().len(), 52);
    let spread = set["spread_percent"].as_f64().unwrap();
    assert!(spread > 0.5 && spread < 2.0 && set["spread_upper_percent"].as_f64().unwrap() > spread);
    let many = json_of(&[
        "pick",
        "--size",
        "8",
        STOCK,
        "--sets",
        "--tolerance",
        "4%",
        "--json",
    ]);
    let sets = many["sets"].as_array().unwrap();
    let left = many["left_over"].as_array().unwrap();
    assert_eq!(8 * sets.len() + left.len(), 60);
    assert!(many["bound"]["sets_at_most"].as_u64().unwrap() >= sets.len() as u64);
    assert!(
        sets.iter()
            .all(|s| s["spread_percent"].as_f64().unwrap() <= 4.0)
    );
}

#[test]
fn a_stock_matched_at_full_flow_alone_is_not_matched_at_idle() {
    let text = fs::read_to_string(STOCK).unwrap();
    let folder = tempfile::tempdir().unwrap();
    let full = folder.path().join("full.csv");
    let rows: String = text
        .lines()
        .filter(|line| !line.starts_with('#'))
        .map(|line| {
            let cells: Vec<&str> = line.split(',').collect();
            format!("{},{}\n", cells[0], cells[5])
        })
        .collect();
    fs::write(&full, rows).unwrap();
    let by_full = json_of(&["pick", "--size", "8", full.to_str().unwrap(), "--json"]);
    let mut narrow = vec![
        "pick".to_owned(),
        "--size".to_owned(),
        "8".to_owned(),
        STOCK.to_owned(),
        "--json".to_owned(),
    ];
    for id in by_full["sets"][0]["injectors"].as_array().unwrap() {
        narrow.extend(["--require".to_owned(), id.as_str().unwrap().to_owned()]);
    }
    let there = json_of(&narrow.iter().map(String::as_str).collect::<Vec<_>>());
    assert!(by_full["sets"][0]["spread_percent"].as_f64().unwrap() < 0.5);
    assert!(there["sets"][0]["spread_percent"].as_f64().unwrap() > 3.0);
    assert_eq!(there["sets"][0]["worst_point"], "idle_mm3");
}

#[test]
fn pick_says_what_is_wrong_with_a_stock() {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("stock.csv");
    fs::write(&file, "injector,idle\nA,4.0\nB,four\nA,4.1\n").unwrap();
    let (status, data, talk) = outcome(&["pick", "--size", "2", file.to_str().unwrap()]);
    assert_eq!((status, data.as_str()), (2, ""));
    assert!(
        talk.contains("stock.csv:3: column idle") && talk.contains("stock.csv:4"),
        "{talk}"
    );
    let (status, _, talk) = outcome(&["pick", "--size", "8", STOCK, "--require", "S61"]);
    assert!(
        status == 2 && talk.contains("hint: did you mean S"),
        "{talk}"
    );
    assert_eq!(
        outcome(&["pick", "--size", "8", STOCK, "--tolerance", "1.5%"]).0,
        1
    );
}

#[test]
fn a_folder_of_files_is_a_stock() {
    let folder = tempfile::tempdir().unwrap();
    for name in ["healthy-six", "neglected-four"] {
        let file = folder.path().join(format!("{name}.json"));
        let (status, ..) = outcome(&["fit", &run(name), "-o", file.to_str().unwrap()]);
        assert_eq!(status, 0);
    }
    // One by volume, one by mass: refused rather than mixed.
    let (status, _, talk) = outcome(&["pick", "--size", "4", folder.path().to_str().unwrap()]);
    assert!(
        status == 2 && talk.contains("mg") && talk.contains("mm3"),
        "{talk}"
    );
    fs::remove_file(folder.path().join("neglected-four.json")).unwrap();
    let picked = json_of(&[
        "pick",
        "--size",
        "4",
        folder.path().to_str().unwrap(),
        "--json",
    ]);
    assert_eq!(picked["sets"][0]["injectors"].as_array().unwrap().len(), 4);
    assert!(picked["lead"]["standard_uncertainty"].as_f64().unwrap() > 0.0);
}

#[test]
fn compare_takes_two_stages_or_two_files() {
    let stages = json_of(&["compare", &run("neglected-four"), "--json"]);
    let injectors = stages["injectors"].as_array().unwrap();
    assert_eq!(injectors.len(), 4);
    for field in [
        "injector",
        "flow_change_percent",
        "dead_time_change_us",
        "verdict",
        "reasons",
    ] {
        assert!(injectors.iter().all(|i| !i[field].is_null()), "{field}");
    }
    assert_eq!(injectors[1]["verdict"], "improved");
    assert!(!stages["health"].as_array().unwrap().is_empty());
    let same = json_of(&[
        "compare",
        &run("healthy-six"),
        &run("healthy-six"),
        "--json",
    ]);
    assert!(
        same["injectors"]
            .as_array()
            .unwrap()
            .iter()
            .all(|i| i["flow_change_percent"]["value"] == 0.0)
    );
    let (status, _, talk) = outcome(&["compare", &run("healthy-six")]);
    assert!(
        status == 2 && talk.contains("two stages are needed"),
        "{talk}"
    );
    let (status, _, talk) = outcome(&["compare", &run("healthy-six"), &run("neglected-four")]);
    assert!(
        status == 2 && talk.contains("no injector is in both"),
        "{talk}"
    );
}

/// The file says by which mapping a foreign layout was read; a placement reads it as `fit` does.
#[test]
fn the_mapping_is_told_and_taken_everywhere() {
    let of = |name: &str| {
        format!(
            "{}/bench-runs/foreign-layout/{name}",
            env!("CARGO_MANIFEST_DIR")
        )
    };
    let (sheet, map) = (of("sheet.csv"), of("map.toml"));
    let document = json_of(&["fit", &sheet, "--map", &map, "--json"]);
    let used = &document["sources"][0]["mapping"];
    assert_eq!(used["name"], "map.toml");
    assert_eq!(used["sha256"].as_str().unwrap().len(), 64);
    let plain = json_of(&["fit", &run("healthy-six"), "--json"]);
    assert_eq!(plain["sources"][0].get("mapping"), None);

    let path = tempfile::NamedTempFile::with_suffix(".json").unwrap();
    std::fs::write(&path, document.to_string()).unwrap();
    let report = tempfile::tempdir().unwrap().path().with_extension("html");
    let of_path = |path: &std::path::Path| path.to_str().unwrap().to_owned();
    let page = of_path(&report);
    assert_eq!(
        outcome(&["report", &of_path(path.path()), "-o", &page]).0,
        0
    );
    let html = std::fs::read_to_string(&report).unwrap();
    std::fs::remove_file(&report).unwrap();
    assert!(html.contains("read by map.toml, SHA-256 <code>"));

    let placed = json_of(&["place", &sheet, "--map", &map, "--json"]);
    assert!(!placed["placed"].as_array().unwrap().is_empty());
}

#[test]
fn place_serves_every_cylinder_once() {
    let placed = json_of(&[
        "place",
        &run("healthy-six"),
        "--needs",
        "1=2%",
        "--needs",
        "3=-1%",
        "--json",
    ]);
    let mut injectors: Vec<&str> = placed["placed"]
        .as_array()
        .unwrap()
        .iter()
        .map(|p| p["injector"].as_str().unwrap())
        .collect();
    injectors.sort_unstable();
    injectors.dedup();
    assert_eq!(injectors.len(), 6);
    assert!(
        placed["worst_percent"].as_f64().unwrap()
            <= placed["worst_as_given_percent"].as_f64().unwrap()
    );
    let (status, tables, _) = outcome(&["place", &run("healthy-six"), "--lean", "4"]);
    assert!(status == 0 && tables.contains("verify the mixture"));
    assert_eq!(outcome(&["place", &run("healthy-six"), "--lean", "9"]).0, 2);
}
