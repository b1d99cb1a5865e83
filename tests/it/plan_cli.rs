//! `plan` as a command: the bench file's numbers, its JSON, its sheets, hostile wishes.

use std::collections::BTreeSet;
use std::fs;
use std::path::Path;

use assert_cmd::Command;
use meniscus::capture::{Bench, read_bench};
use meniscus::plan::Timing;
use meniscus::setup::bench_text;
use serde_json::Value;

const BALANCE: &str = "[vessel]\nkind = \"balance\"\ncapacity = \"200 g\"\ndivision = \"0.01 g\"\n\
    [fluid]\ndensity = \"0.69 g/mL\"\n";

/// Runs `plan` in a folder with `bench.toml`: exit status, standard output, standard error.
fn plan(bench: &str, args: &[&str]) -> (i32, String, String) {
    let folder = tempfile::tempdir().unwrap();
    fs::write(folder.path().join("bench.toml"), bench).unwrap();
    run(folder.path(), &[&["--bench", "bench.toml"], args].concat())
}

fn run(folder: &Path, args: &[&str]) -> (i32, String, String) {
    let mut command = Command::cargo_bin("meniscus").unwrap();
    let out = command
        .current_dir(folder)
        .arg("plan")
        .args(args)
        .output()
        .unwrap();
    let text = |bytes: Vec<u8>| String::from_utf8(bytes).unwrap();
    (
        out.status.code().unwrap(),
        text(out.stdout),
        text(out.stderr),
    )
}

const USUAL: [&str; 8] = [
    "--flow",
    "250cc/min",
    "--voltage",
    "14",
    "--pressure",
    "300",
    "--dead-time",
    "0.7ms",
];

fn json(bench: &str, more: &[&str]) -> Value {
    let (status, out, err) = plan(bench, &[&USUAL[..], &["--json"], more].concat());
    assert_eq!(status, 0, "{out}{err}");
    serde_json::from_str(&out).unwrap()
}

// ---- The bench file's numbers ----

#[test]
fn the_bench_file_states_periods_times_and_rest_and_an_option_goes_before() {
    let stated = "reading_time = \"1 min\"\ndraining_time = \"0 s\"\n";
    let rig = "[rig]\nshortest_period = \"13 ms\"\nlongest_period = \"14 ms\"\ncoil_on = \"40 %\"\n\
               voltage_time = \"1 h\"\npressure_time = \"90 s\"\n";
    let bench = BALANCE.replace("[fluid]", &format!("{stated}{rig}[fluid]"));
    let timing = Timing::of(&read_bench("bench.toml", &bench).unwrap(), None);
    let all = Timing {
        read_s: 60.0,
        empty_s: 0.0,
        voltage_s: 3600.0,
        pressure_s: 90.0,
        shortest_period_ms: 13.0,
        longest_period_ms: 14.0,
        coil_share: 0.4,
    };
    assert_eq!(timing, all);
    let wish = ["--dead-time-within", "25us"];
    let made = json(&bench, &wish);
    let period = made["conditions"][0]["period_ms"].as_f64().unwrap();
    assert!((13.0..=14.0).contains(&period), "{period}");
    // Setting voltage and pressure counts once, whatever is read.
    let whole = made["predicted"]["bench_time_s"].as_f64().unwrap();
    let reading = made["conditions"][0]["time_s"].as_f64().unwrap();
    assert!((whole - reading - 3690.0).abs() < 1e-6, "{whole} {reading}");
    let overruled = json(&bench, &[&wish[..], &["--voltage-time", "30s"]].concat());
    let whole = overruled["predicted"]["bench_time_s"].as_f64().unwrap();
    assert!((whole - reading - 120.0).abs() < 1e-6, "{whole} {reading}");
}

#[test]
fn a_rig_that_cannot_be_is_refused_with_its_line() {
    for (line, expected) in [
        (
            "longest_period = \"4 ms\"",
            "no less than the shortest period",
        ),
        ("coil_on = \"120 %\"", "at most 100 %"),
        ("voltage_time = \"-3 s\"", "at least 0"),
        ("pressure_time = \"2\"", "20 s"),
        ("pressure_tim = \"2 s\"", "pressure_time"),
    ] {
        let text = format!("[rig]\nshortest_period = \"5 ms\"\n{line}\n");
        let faults = read_bench("bench.toml", &text).unwrap_err();
        let told = faults[0].to_string();
        assert!(
            told.contains("bench.toml:3") && told.contains(expected),
            "{told}"
        );
    }
}

/// What `setup` leaves as comments shows the numbers that `plan` takes where nothing is stated.
#[test]
fn the_comments_of_a_new_bench_file_show_what_is_taken() {
    let text = bench_text(&[]);
    let keys = ["_period", "coil_on", "_time"];
    let opened: String = text
        .lines()
        .filter_map(|l| l.strip_prefix("# "))
        .filter(|l| {
            *l == "[rig]"
                || keys
                    .iter()
                    .any(|k| l.split(" =").next().unwrap().ends_with(k))
        })
        .map(|l| format!("{l}\n"))
        .collect();
    // Times of the vessel stand above [rig].
    let opened = format!("[vessel]\nkind = \"graduated cylinder\"\n{opened}");
    let bench = read_bench("bench.toml", &opened).unwrap();
    assert!(bench.rig.as_ref().unwrap().pressure_time_s.is_some());
    assert!(bench.vessels[0].draining_time_s.is_some());
    assert_eq!(
        Timing::of(&bench, None),
        Timing::of(&Bench::default(), None)
    );
}

// ---- JSON ----

/// Every key of a value, however deep.
fn keys(value: &Value, found: &mut BTreeSet<String>) {
    match value {
        Value::Object(map) => map.iter().for_each(|(key, inner)| {
            found.insert(key.clone());
            keys(inner, found);
        }),
        Value::Array(list) => list.iter().for_each(|v| keys(v, found)),
        _ => {}
    }
}

/// Words in backticks of a part of the page.
fn named(part: &str) -> BTreeSet<String> {
    let words = part.split('`').skip(1).step_by(2);
    words.map(|w| w.trim_end_matches("[]").to_owned()).collect()
}

/// Whoever reads the JSON from elsewhere has the page on formats and nothing else.
#[test]
fn every_field_of_the_json_is_described_and_no_other() {
    let page = include_str!("../../docs/format.md");
    let section = page.split("## What `plan` prints").nth(1).unwrap();
    let (of_plan, of_next) = section.split_once("`plan --after CAPTURE --json`").unwrap();
    let bench = BALANCE.replace("kind", "name = \"B1\"\nkind");
    let mut found = BTreeSet::new();
    keys(&json(&bench, &["--dead-time-within", "25us"]), &mut found);
    let not_fields = ["--json", "fit", "mm3", "mg", "plan"];
    let described = |part: &str, not: &[&str]| -> BTreeSet<String> {
        named(part)
            .into_iter()
            .filter(|w| !not.contains(&w.as_str()))
            .collect()
    };
    assert_eq!(described(of_plan, &not_fields), found);

    let capture = "injector,stage,voltage_v,pressure_kpa,pulse_width_ms,pulses,volume_ml\n\
        A,s,14,300,1.5,8000,27\nA,s,14,300,2,8000,43.5\nA,s,14,300,3,4000,38.5\nA,s,14,300,5,4000,72\n\
        A,s,14,300,8,2000,61\nA,s,14,300,10,2000,77.5\nA,s,14,300,10,1000,39\nA,s,14,300,2,2000,11\n";
    let folder = tempfile::tempdir().unwrap();
    fs::write(folder.path().join("a.csv"), capture).unwrap();
    let (_, out, err) = run(
        folder.path(),
        &["--after", "a.csv", "--time", "20min", "--json"],
    );
    let next: Value = serde_json::from_str(&out).unwrap_or_else(|e| panic!("{e}: {out}{err}"));
    let mut found = BTreeSet::new();
    keys(&next, &mut found);
    let standings = ["reached", "within_reach", "not_yet", "no_more_to_gain"];
    // The promise of both is the same object, described once.
    found.remove("bench_time_s");
    assert_eq!(described(of_next, &standings), found);
}

// ---- Sheets ----

/// The three sheets hold the same planned rows, and filled in the CSV is a capture of them.
#[test]
fn the_sheets_hold_the_plan_and_filled_in_are_a_capture() {
    let folder = tempfile::tempdir().unwrap();
    fs::write(folder.path().join("bench.toml"), BALANCE).unwrap();
    let wish = [
        "--bench",
        "bench.toml",
        "--dead-time-within",
        "25us",
        "--json",
    ];
    let mut made = Value::Null;
    for name in ["plan.csv", "plan.xlsx", "plan.html"] {
        let (status, out, err) = run(folder.path(), &[&USUAL[..], &wish, &["-o", name]].concat());
        assert_eq!(status, 0, "{name}: {out}{err}");
        made = serde_json::from_str(&out).unwrap();
    }
    let planned: Vec<(f64, f64)> = made["readings"]
        .as_array()
        .unwrap()
        .iter()
        .map(|r| {
            (
                r["pulse_width_ms"].as_f64().unwrap(),
                r["pulses"].as_f64().unwrap(),
            )
        })
        .collect();
    assert!(planned.len() >= 10);

    let text = fs::read_to_string(folder.path().join("plan.csv")).unwrap();
    let rows: Vec<Vec<&str>> = text
        .lines()
        .filter(|l| !l.starts_with('#'))
        .map(|l| l.split(',').collect())
        .collect();
    let place = |heads: &[&str], name: &str| heads.iter().position(|h| *h == name).unwrap();
    let (width, pulses, mass) = (
        place(&rows[0], "pulse_width_ms"),
        place(&rows[0], "pulses"),
        place(&rows[0], "mass_g"),
    );
    let of_csv: Vec<(f64, f64)> = rows[1..]
        .iter()
        .map(|r| (r[width].parse().unwrap(), r[pulses].parse().unwrap()))
        .collect();
    assert_eq!(of_csv, planned);

    let mut book: calamine::Xlsx<_> =
        calamine::open_workbook(folder.path().join("plan.xlsx")).unwrap();
    let sheet = calamine::Reader::worksheet_range(&mut book, "Readings").unwrap();
    let cell = |row: &[calamine::Data], at: usize| match &row[at] {
        calamine::Data::Float(number) => *number,
        other => panic!("{other:?}"),
    };
    let words: Vec<Vec<String>> = sheet
        .rows()
        .map(|r| r.iter().map(ToString::to_string).collect())
        .collect();
    let head = words
        .iter()
        .position(|r| r.iter().any(|c| c == "pulses"))
        .unwrap();
    let heads: Vec<&str> = words[head].iter().map(String::as_str).collect();
    let (width_at, pulses_at) = (place(&heads, "pulse_width_ms"), place(&heads, "pulses"));
    let of_book: Vec<(f64, f64)> = sheet
        .rows()
        .skip(head + 1)
        .take(planned.len())
        .map(|r| (cell(r, width_at), cell(r, pulses_at)))
        .collect();
    assert_eq!(of_book, planned);

    let page = fs::read_to_string(folder.path().join("plan.html")).unwrap();
    let rows_of_page = page.matches("<tr").count();
    assert!(rows_of_page > planned.len(), "{rows_of_page}");

    // Filled in by an injector of 0.7 ms and 250 cc/min, it is a capture that fits.
    let filled: String = rows
        .iter()
        .enumerate()
        .map(|(i, row)| {
            let mut row: Vec<String> = row.iter().map(|c| (*c).to_owned()).collect();
            if i > 0 {
                let (w, n) = of_csv[i - 1];
                row[mass] = format!("{:.2}", n * 0.69 * 250.0 / 60.0 * (w - 0.7) / 1000.0);
            }
            row.join(",") + "\n"
        })
        .collect();
    fs::write(folder.path().join("plan.csv"), filled).unwrap();
    let (status, out, err) = run(
        folder.path(),
        &[
            "--after",
            "plan.csv",
            "--dead-time-within",
            "200us",
            "--json",
        ],
    );
    assert_eq!(status, 0, "{out}{err}");
    let next: Value = serde_json::from_str(&out).unwrap();
    assert_eq!(next["sweeps"][0]["standing"], "reached");
    // A sheet that was filled in is work: it is not written over.
    let (status, _, err) = run(
        folder.path(),
        &[&USUAL[..], &wish, &["-o", "plan.csv"]].concat(),
    );
    assert!(status == 2 && err.contains("plan.csv"), "{err}");
}

// ---- Hostile wishes ----

#[test]
fn what_cannot_be_planned_is_refused_in_words() {
    let wish = ["--dead-time-within", "25us"];
    for (more, said) in [
        (&["--time", "0s"][..], "the time must be above zero"),
        (&["--time", "1s"], "the shortest run that separates"),
        (&["--time", "-5min"], "--time"),
        (&["--time", "30"], "min"),
        (&["--coil-on", "150%", wish[0], wish[1]], "at most 100 %"),
        (&["--coil-on", "0.0001%", "--time", "1h"], "are allowed"),
        (
            &[
                "--shortest-period",
                "50ms",
                "--longest-period",
                "20ms",
                wish[0],
                wish[1],
            ],
            "no less than the shortest",
        ),
        (
            &["--reading-time", "30h", wish[0], wish[1]],
            "between zero and a day",
        ),
        (
            &["--injector", "A", "--injector", "A", wish[0], wish[1]],
            "named once",
        ),
        (
            &["--injector", " ", wish[0], wish[1]],
            "every injector must be named",
        ),
        (
            &["--line-range", "2ms..2.1ms", wish[0], wish[1]],
            "span a millisecond",
        ),
        (&["--vessel", "C9", wish[0], wish[1]], "no vessel `C9`"),
        (&["-o", "plan.pdf", wish[0], wish[1]], ".xlsx"),
        (&["--dead-time-within", "25"], "no unit"),
        (&["--dead-time-within", "0.001us"], "the best"),
        (&[], "neither a wanted doubt nor a time"),
    ] {
        let (status, out, err) = plan(BALANCE, &[&USUAL[..], more].concat());
        assert_eq!(status, 2, "{more:?}: {out}");
        assert!(
            err.contains(said) && !err.contains(" inf "),
            "{more:?}: {err}"
        );
    }
    for (flow, voltage, said) in [
        ("0.000001cc/min", "14", "so little flows"),
        ("1e9cc/min", "14", "do not fit into the vessel"),
        ("0cc/min", "14", "above zero"),
        ("250", "14", "with its unit"),
        ("250cc/min", "5", "no value at 5 V"),
        ("250cc/min", "14,14", "stated once"),
    ] {
        let args = [
            "--flow",
            flow,
            "--voltage",
            voltage,
            "--pressure",
            "300",
            wish[0],
            wish[1],
        ];
        let (status, out, err) = plan(BALANCE, &args);
        assert_eq!(status, 2, "{flow} {voltage}: {out}");
        assert!(err.contains(said), "{flow} {voltage}: {err}");
    }
}

#[test]
fn captures_that_tell_too_little_are_refused_and_useless_time_is_told() {
    let folder = tempfile::tempdir().unwrap();
    let head =
        "injector,voltage_v,pressure_kpa,pulse_width_ms,period_ms,pulses,open_time_s,volume_ml\n";
    let one_width = "A,14,300,3,12,5000,,48\n".repeat(3);
    let held_open = "A,14,300,,,,20,83\n".repeat(3);
    let row = |w: f64, ml: f64| format!("A,14,300,{w},12,2000,,{ml}\n");
    let saturated: String = [11.9, 11.95, 11.99].map(|w| row(w, 99.0)).concat();
    let nothing: String = [2.0, 3.0, 5.0, 8.0].map(|w| row(w, 0.0)).concat();
    for (rows, name) in [
        (one_width, "one width"),
        (held_open, "held open"),
        (saturated, "above the duty limit"),
        (nothing, "nothing delivered"),
    ] {
        fs::write(folder.path().join("a.csv"), format!("{head}{rows}")).unwrap();
        let (status, out, err) = run(
            folder.path(),
            &["--after", "a.csv", "--dead-time-within", "15us"],
        );
        assert_eq!(status, 2, "{name}: {out}");
        assert!(err.contains("three pulse widths"), "{name}: {err}");
    }
    let fine: String = [2.0, 3.0, 5.0, 8.0, 10.0]
        .map(|w| row(w, (8.4 * (w - 0.7) * 10.0_f64).round() / 10.0))
        .concat();
    fs::write(folder.path().join("a.csv"), format!("{head}{fine}")).unwrap();
    let (status, out, _) = run(folder.path(), &["--after", "a.csv", "--time", "1s"]);
    assert_eq!(status, 0);
    assert!(out.contains("no reading fits into the time"), "{out}");
    // What is promised is for the readings that are listed: none.
    let (_, out, _) = run(
        folder.path(),
        &["--after", "a.csv", "--time", "1s", "--json"],
    );
    let next: Value = serde_json::from_str(&out).unwrap();
    assert_eq!(
        next["predicted"]["dead_time_half_width_us"],
        next["sweeps"][0]["dead_time_half_width_us"]
    );
    // Options that would be ignored are refused.
    let (status, _, err) = run(
        folder.path(),
        &["--after", "a.csv", "--time", "9min", "--together"],
    );
    assert!(status == 2 && err.contains("--together"), "{err}");
}

/// Without a bench file and a dead time a cylinder and a dead time are assumed, and told.
#[test]
fn without_a_bench_file_what_is_assumed_is_told() {
    let folder = tempfile::tempdir().unwrap();
    let args = [&USUAL[..6], &["--time", "60min"]].concat();
    let (status, out, err) = run(folder.path(), &args);
    assert_eq!(status, 0, "{err}");
    for told in [
        "graduated cylinder of 100 mL",
        "dead time 0.7",
        "repeatability 0.3 %",
        "20 s to read",
    ] {
        assert!(out.contains(told), "{told}: {out}");
    }
}
