//! What a program and a person are told when something cannot be done: every fault of every
//! file, one JSON object where JSON was asked for, and what to do about it.

use std::fs;
use std::path::Path;

use assert_cmd::Command;
use serde_json::Value;

pub fn meniscus() -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_meniscus"));
    command
        .current_dir(env!("CARGO_MANIFEST_DIR"))
        .env("NO_COLOR", "1")
        .env_remove("COLUMNS");
    command
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

const RUN: &str = "bench-runs/neglected-four/capture.csv";

fn write(folder: &Path, name: &str, text: &str) -> String {
    let path = folder.join(name);
    fs::write(&path, text).unwrap();
    path.to_str().unwrap().to_owned()
}

/// A capture of injectors at one condition, five widths, two repeats that differ.
fn capture(ids: &[&str]) -> String {
    let mut text =
        "injector,voltage_v,pressure_kpa,pulse_width_ms,period_ms,pulses,volume_ml\n".to_owned();
    for (k, id) in ids.iter().enumerate() {
        for (width, amount) in [
            (2.0, 40.0),
            (3.0, 72.1),
            (4.0, 103.8),
            (6.0, 167.9),
            (8.0, 232.0),
        ] {
            for repeat in 0..2 {
                let amount = amount * (1.0 + 0.01 * k as f64) + 0.1 * f64::from(repeat);
                text.push_str(&format!("{id},14,300,{width},20,10000,{amount:.1}\n"));
            }
        }
    }
    text
}

#[test]
fn check_tells_of_every_file_whatever_is_wrong_with_another() {
    let folder = tempfile::tempdir().unwrap();
    let at = |name: &str| folder.path().join(name).to_str().unwrap().to_owned();
    let broken = write(
        folder.path(),
        "broken.csv",
        "injector,pulse_width_ms,pulses,volume_ml\nA,2,1000,x\n",
    );
    let bench = write(folder.path(), "rig.toml", "[vessel]\nkind = \"bucket\"\n");
    let missing = at("missing.csv");
    let (status, json, talk) = outcome(&[
        "check",
        &missing,
        folder.path().to_str().unwrap(),
        &broken,
        RUN,
        "--bench",
        &bench,
        "--json",
    ]);
    let value: Value = serde_json::from_str(&json).unwrap();
    assert_eq!(status, 2);
    let errors: Vec<String> = value["errors"]
        .as_array()
        .unwrap()
        .iter()
        .map(|e| {
            format!(
                "{}: {}",
                e["file"].as_str().unwrap(),
                e["found"].as_str().unwrap()
            )
        })
        .collect();
    assert_eq!(
        errors,
        [
            format!("{missing}: no such file or folder"),
            format!("{}: this is a folder", folder.path().display()),
            "rig.toml: bucket".to_owned(),
            "broken.csv: x".to_owned(),
        ]
    );
    assert_eq!(value["files"][1]["rows"], 216, "{json}");
    assert!(
        talk.contains("4 faults") && talk.contains("hint: give the file itself"),
        "{talk}"
    );
}

#[test]
fn every_command_that_fails_prints_one_object_where_json_is_asked_for() {
    let missing = "no-such-file.json";
    for arguments in [
        vec!["fit", missing],
        vec!["match", missing],
        vec!["pick", missing, "--size", "2"],
        vec!["compare", missing, missing],
        vec!["place", missing],
        vec!["table", missing, "--of", "dead-time"],
        vec!["demand", missing],
        vec!["fit", RUN, "--voltage", "-3"],
        vec!["fit", RUN, "--no-such-option"],
        vec!["fit", RUN, "--tolerance", "x"],
        vec!["match", RUN, RUN],
    ] {
        let mut arguments = arguments;
        arguments.push("--json");
        let (status, json, talk) = outcome(&arguments);
        let value: Value = serde_json::from_str(&json)
            .unwrap_or_else(|e| panic!("{arguments:?}: {e}: {json}{talk}"));
        assert_eq!(status, 2, "{arguments:?}");
        let keys: Vec<&String> = value.as_object().unwrap().keys().collect();
        assert_eq!(keys, ["error", "faults", "hint"], "{arguments:?}");
        assert!(!value["error"].as_str().unwrap().is_empty());
        assert!(value["faults"].is_array());
        assert!(talk.starts_with("error: "), "{talk}");
    }
}

#[test]
fn the_object_of_a_failure_holds_the_faults_with_their_places() {
    let folder = tempfile::tempdir().unwrap();
    let broken = write(
        folder.path(),
        "broken.csv",
        "injector,pulse_width_ms,pulses,volume_ml\nA,2,1000,x\nA,1e-300,1000,1e300\n",
    );
    let (_, json, _) = outcome(&["fit", &broken, "--json"]);
    let value: Value = serde_json::from_str(&json).unwrap();
    let places: Vec<(u64, &str)> = value["faults"]
        .as_array()
        .unwrap()
        .iter()
        .map(|f| (f["line"].as_u64().unwrap(), f["column"].as_str().unwrap()))
        .collect();
    assert_eq!(
        places,
        [(2, "volume_ml"), (3, "pulse_width_ms"), (3, "volume_ml")]
    );
    assert_eq!(value["error"], "3 faults");
    assert!(
        value["faults"][1]["expected"]
            .as_str()
            .unwrap()
            .contains("from 1e-9 to 1e12"),
        "{json}"
    );
}

#[test]
fn what_the_system_refuses_comes_with_a_hint() {
    let folder = tempfile::tempdir().unwrap();
    let inside = |name: &str| folder.path().join(name).to_str().unwrap().to_owned();
    let capture = write(folder.path(), "run.csv", &capture(&["A", "B"]));
    let here = folder.path().to_str().unwrap();
    let latin = folder.path().join("latin.toml");
    fs::write(&latin, b"# caf\xe9\n").unwrap();
    for (arguments, expected) in [
        (
            vec!["fit", "missing.csv"],
            ["no such file", "look at the spelling"],
        ),
        (
            vec!["fit", here],
            ["this is a folder", "give the file itself"],
        ),
        (
            vec!["report", here],
            ["this is a folder", "give the file itself"],
        ),
        (
            vec!["fit", &capture, "-o", &inside("no/such/out.json")],
            ["no such file or folder", "a folder to write to must exist"],
        ),
        (
            vec!["fit", &capture, "-o", "/proc/out.json"],
            ["/proc/out.json", "hint: "],
        ),
        (
            vec!["fit", &capture, "--plots", &capture],
            ["run.csv", "hint: "],
        ),
        (
            vec!["fit", &capture, "--bench", latin.to_str().unwrap()],
            ["not text in UTF-8", "save the file as UTF-8"],
        ),
    ] {
        let (status, out, talk) = outcome(&arguments);
        assert_eq!((status, out.as_str()), (2, ""), "{arguments:?} {talk}");
        for words in expected {
            assert!(talk.contains(words), "{arguments:?}: {words}: {talk}");
        }
        assert!(!talk.contains("os error"), "{talk}");
    }
}

#[test]
fn one_file_given_twice_to_match_is_refused_and_one_injector_in_two_is_told() {
    let folder = tempfile::tempdir().unwrap();
    let fit = |name: &str, ids: &[&str]| {
        let from = write(folder.path(), &format!("{name}.csv"), &capture(ids));
        let to = folder.path().join(format!("{name}.json"));
        let to = to.to_str().unwrap().to_owned();
        let (status, _, talk) = outcome(&["fit", &from, "-o", &to]);
        assert_eq!(status, 0, "{talk}");
        to
    };
    let (x, y) = (fit("x", &["A", "B"]), fit("y", &["B", "C"]));
    let (status, _, talk) = outcome(&["match", &x, &x]);
    assert_eq!(status, 2);
    assert!(talk.contains("x.json: the same bytes as "), "{talk}");
    let (status, json, _) = outcome(&["match", &x, &y, "--json"]);
    assert_eq!(status, 0);
    let value: Value = serde_json::from_str(&json).unwrap();
    let finding = value["findings"]
        .as_array()
        .unwrap()
        .iter()
        .find(|f| f["kind"] == "injector_in_several_files")
        .unwrap();
    assert_eq!(finding["facts"]["ids"], serde_json::json!(["B"]));
    let (_, text, _) = outcome(&["match", &x, &y]);
    assert!(text.contains("in several of the files: B"), "{text}");
}

#[test]
fn a_value_below_zero_gets_advice_that_works() {
    let (status, _, talk) = outcome(&["fit", RUN, "--voltage", "-3"]);
    assert_eq!(status, 2);
    assert!(
        talk.contains("hint: a value below zero follows an equals sign: --voltage=-3"),
        "{talk}"
    );
    let (status, _, talk) = outcome(&["fit", RUN, "--voltage=-3"]);
    assert_eq!(status, 2);
    assert!(talk.contains("must be above zero"), "{talk}");
}

#[test]
fn tables_keep_to_the_columns_of_the_terminal_and_long_ids_are_cut_there_only() {
    let folder = tempfile::tempdir().unwrap();
    let long = format!("A{}Z", "x".repeat(10_000));
    let file = write(folder.path(), "run.csv", &capture(&[&long, "B", "C"]));
    for columns in [20, 30, 39, 40, 57, 80, 120, 200] {
        let output = meniscus()
            .env("COLUMNS", columns.to_string())
            .args(["fit", &file, "--tolerance", "2%"])
            .output()
            .unwrap();
        let text = String::from_utf8(output.stdout).unwrap();
        for line in text.lines() {
            assert!(line.chars().count() <= columns, "{columns}: {line}");
        }
        assert!(text.len() < 12_000, "{columns}: {} bytes", text.len());
    }
    let (_, json, _) = outcome(&["fit", &file, "--json"]);
    assert!(json.contains(&long));
    // Nonsense in COLUMNS is no width.
    let of = |columns: &str| {
        let output = meniscus()
            .env("COLUMNS", columns)
            .args(["fit", RUN])
            .output()
            .unwrap();
        output.stdout
    };
    assert_eq!(of("0"), of("wide"));
}
