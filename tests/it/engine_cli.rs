//! `table` and `demand` as their user meets them.

use std::fs;

use assert_cmd::Command;

fn outcome(arguments: &[&str]) -> (i32, String, String) {
    let output = Command::new(env!("CARGO_BIN_EXE_meniscus"))
        .current_dir(env!("CARGO_MANIFEST_DIR"))
        .env("NO_COLOR", "1")
        .args(arguments)
        .output()
        .unwrap();
    let text = |bytes: Vec<u8>| String::from_utf8(bytes).unwrap();
    (
        output.status.code().unwrap(),
        text(output.stdout),
        text(output.stderr),
    )
}

/// The demo run, fitted into a file.
fn fitted(folder: &tempfile::TempDir) -> String {
    let file = folder.path().join("set.json");
    let path = file.to_str().unwrap().to_owned();
    let (status, _, talk) = outcome(&["fit", "bench-runs/healthy-six/capture.csv", "-o", &path]);
    assert_eq!(status, 0, "{talk}");
    path
}

#[test]
fn a_table_agrees_with_the_fit_and_its_options_are_understood() {
    let folder = tempfile::tempdir().unwrap();
    let file = fitted(&folder);
    let document: serde_json::Value =
        serde_json::from_str(&fs::read_to_string(&file).unwrap()).unwrap();
    let (status, json, _) = outcome(&[
        "table",
        &file,
        "--of",
        "dead-time",
        "--voltage",
        "10..14:2",
        "--pressure",
        "3bar",
        "--injector",
        "H1",
        "--json",
    ]);
    assert_eq!(status, 0);
    let table: serde_json::Value = serde_json::from_str(&json).unwrap();
    assert_eq!(table["of"], "dead-time");
    let rows = table["rows"].as_array().unwrap();
    assert_eq!(rows.len(), 3);
    let sweeps = document["injectors"][0]["sweeps"].as_array().unwrap();
    for (row, sweep) in rows.iter().zip(sweeps) {
        assert_eq!(row["value"], sweep["dead_time"]["value"]);
        assert_eq!(row["interval_95"], sweep["dead_time"]["interval_95"]);
        assert!(row["pulse_width_ms"].is_null() && row["extrapolated"] == false);
    }
    for of in [
        "dead-time",
        "flow",
        "deviation",
        "delivered",
        "pulse-width",
        "added-time",
        "two-segments",
    ] {
        for more in [
            &["--csv"][..],
            &["--mean", "--uncertainty"],
            &["--units", "lb/h", "--json"],
        ] {
            let (status, out, talk) = outcome(&[&["table", &file, "--of", of][..], more].concat());
            assert_eq!((status, talk.as_str()), (0, ""), "{of} {more:?}");
            assert!(
                out.contains("read as") || out.contains("\"reading\""),
                "{of}"
            );
        }
    }
}

#[test]
fn a_table_outside_what_was_measured_needs_the_word() {
    let folder = tempfile::tempdir().unwrap();
    let file = fitted(&folder);
    let asked = ["table", &file, "--of", "dead-time", "--voltage", "8"];
    let (status, out, talk) = outcome(&asked);
    assert_eq!((status, out.as_str()), (2, ""));
    assert!(
        talk.contains("8 V lies outside") && talk.contains("--extrapolate"),
        "{talk}"
    );
    let (status, out, _) = outcome(&[&asked[..], &["--extrapolate"]].concat());
    assert_eq!(status, 0);
    assert!(out.contains('*') && out.contains("extrapolation"));
    let (status, _, talk) = outcome(&[
        "table",
        &file,
        "--of",
        "flow",
        "--reference",
        "300kPa,petroll",
    ]);
    assert_eq!(status, 2);
    assert!(talk.contains("petrol"), "{talk}");
}

#[test]
fn demand_answers_the_usual_question() {
    let asked = [
        "demand",
        "--flow",
        "420cc/min",
        "--displacement",
        "1.6L",
        "--cylinders",
        "4",
        "--air-fuel-ratio",
        "14.7",
        "--air-density",
        "1.225g/L",
        "--fuel-density",
        "0.74g/mL",
        "--dead-time",
        "0.8ms",
    ];
    let (status, json, talk) = outcome(&[&asked[..], &["--json"]].concat());
    assert_eq!((status, talk.as_str()), (0, ""));
    let answer: serde_json::Value = serde_json::from_str(&json).unwrap();
    let net = answer["full_cylinder_pulse_ms"]["net"]["value"]
        .as_f64()
        .unwrap();
    assert!((net - 6.435).abs() < 5e-4, "{net}");
    let (_, text, _) = outcome(&asked);
    assert!(text.contains("wideband") && text.contains("6.435 ms"));
    // A stated limit that is not kept is a failed criterion.
    let tight = ["--engine-speed", "6000", "--duty-limit", "30%"];
    assert_eq!(outcome(&[&asked[..], &tight].concat()).0, 1);
    assert_eq!(outcome(&["demand", "--cylinders", "4"]).0, 2);
}

#[test]
fn demand_takes_the_measured_set_and_a_pump() {
    let folder = tempfile::tempdir().unwrap();
    let file = fitted(&folder);
    let pump = folder.path().join("pump.csv");
    fs::write(&pump, "pressure_kpa,flow_l/h\n200,150\n400,110\n").unwrap();
    let asked = [
        "demand",
        &file,
        "--displacement",
        "2L",
        "--cylinders",
        "6",
        "--fuel",
        "petrol",
        "--power",
        "150kW",
        "--engine-speed",
        "6500",
        "--rail-pressure",
        "3bar",
        "--pump-curve",
        pump.to_str().unwrap(),
        "--json",
    ];
    let (status, json, talk) = outcome(&asked);
    assert_eq!((status, talk.as_str()), (0, ""));
    let answer: serde_json::Value = serde_json::from_str(&json).unwrap();
    assert_eq!(answer["pump"]["verdict"], "enough");
    assert_eq!(answer["idle"]["verdict"], "inside");
    assert!(answer["duty_at_peak_percent"]["interval_95"][0].is_number());
    fs::write(&pump, "kpa,l/h\n").unwrap();
    let (status, _, talk) = outcome(&asked);
    assert_eq!(status, 2);
    assert!(talk.contains("pump.csv: line 1"), "{talk}");
}

#[test]
fn demand_outside_what_was_measured_needs_the_word() {
    let folder = tempfile::tempdir().unwrap();
    let file = fitted(&folder);
    let engine = ["demand", &file, "--displacement", "2L", "--cylinders", "6"];
    let outside: [&[&str]; 2] = [&["--voltage", "20V"], &["--differential-pressure", "6bar"]];
    for there in outside {
        let asked = [&engine[..], there].concat();
        let (status, out, talk) = outcome(&asked);
        assert_eq!((status, out.as_str()), (2, ""));
        assert!(
            talk.contains("lies outside what was measured") && talk.contains("--extrapolate"),
            "{talk}"
        );
        let (status, out, _) = outcome(&[&asked[..], &["--extrapolate"]].concat());
        assert_eq!(status, 0);
        assert!(out.contains("* extrapolated"), "{out}");
    }
    assert_eq!(outcome(&engine).0, 0);
}
