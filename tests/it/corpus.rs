//! Every broken or doubtful capture with its complaints, and every good way to write one capture.

use std::fs;
use std::path::{Path, PathBuf};

use meniscus::capture::{
    Bench, Capture, CaptureFile, Checked, SetPoints, Sweep, check_captures, fault_lines, read_bench,
};

fn folder(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("tests")
        .join(name)
}

/// Files of a folder with an ending, in order of their names.
fn files(name: &str, ending: &str) -> Vec<PathBuf> {
    let mut files: Vec<PathBuf> = fs::read_dir(folder(name))
        .unwrap()
        .map(|entry| entry.unwrap().path())
        .filter(|path| path.extension().is_some_and(|e| e == ending))
        .collect();
    files.sort();
    assert!(!files.is_empty());
    files
}

fn stem(path: &Path) -> String {
    path.file_stem().unwrap().to_str().unwrap().to_owned()
}

fn check(path: &Path, defaults: SetPoints) -> Checked {
    let file = CaptureFile::new(
        path.file_name().unwrap().to_str().unwrap().to_owned(),
        fs::read(path).unwrap(),
    );
    let bench = match fs::read_to_string(path.with_extension("bench.toml")) {
        Ok(text) => read_bench("bench.toml", &text).unwrap(),
        Err(_) => Bench::default(),
    };
    check_captures(&[file], bench, defaults)
}

/// Faults and findings as a person would read them.
fn complaints(checked: &Checked) -> String {
    let mut text = fault_lines(&checked.faults, 50);
    for finding in &checked.capture.findings {
        let place = finding.place.to_line();
        text.push_str(&format!(
            "{:?}: {place}: {}\n  {}\n",
            finding.severity, finding.text, finding.advice
        ));
    }
    text
}

fn snapshot(name: &str, text: &str) {
    let mut settings = insta::Settings::clone_current();
    settings.set_snapshot_path("../bad-captures/complaints");
    settings.set_prepend_module_to_snapshot(false);
    settings.set_omit_expression(true);
    settings.bind(|| insta::assert_snapshot!(name, text));
}

#[test]
fn every_bad_capture_has_its_complaint() {
    for path in files("bad-captures", "csv") {
        let checked = check(&path, SetPoints::default());
        let name = stem(&path);
        let doubtful = name.starts_with("doubt-");
        assert_eq!(
            checked.faults.is_empty(),
            doubtful,
            "{name}: {:?}",
            checked.faults
        );
        assert!(!doubtful || !checked.capture.findings.is_empty(), "{name}");
        snapshot(&name, &complaints(&checked));
    }
}

#[test]
fn every_bad_bench_file_has_its_complaint() {
    for path in files("bad-captures", "toml") {
        let name = stem(&path);
        if name.ends_with(".bench") {
            continue;
        }
        let text = fs::read_to_string(&path).unwrap();
        let faults = read_bench("bench.toml", &text).unwrap_err();
        snapshot(&name, &fault_lines(&faults, 50));
    }
}

/// Numbers that differ by the rounding of a unit conversion are the same.
fn assert_close(a: Option<f64>, b: Option<f64>, what: &str) {
    match (a, b) {
        (Some(a), Some(b)) => assert!((a - b).abs() <= 1e-9 * a.abs().max(1.0), "{what}: {a} {b}"),
        (a, b) => assert_eq!(a, b, "{what}"),
    }
}

/// Asserts that two captures hold the same readings; lines, vessels and the order of sweeps apart.
fn assert_same_readings(found: &Capture, expected: &Capture, name: &str) {
    let sorted = |capture: &Capture| {
        let mut sweeps: Vec<Sweep> = capture.sweeps.clone();
        for sweep in &mut sweeps {
            sweep.readings.sort_by(|a, b| {
                let key =
                    |r: &meniscus::capture::Reading| (r.pulse_width_ms, r.repeat.unwrap_or(0));
                key(a).partial_cmp(&key(b)).unwrap()
            });
        }
        sweeps.sort_by(|a, b| a.injector.cmp(&b.injector));
        sweeps
    };
    let (found, expected) = (sorted(found), sorted(expected));
    assert_eq!(found.len(), expected.len(), "{name}");
    for (a, b) in found.iter().zip(&expected) {
        assert_eq!((&a.injector, a.basis), (&b.injector, b.basis), "{name}");
        assert_close(a.voltage_v, b.voltage_v, name);
        assert_close(a.pressure_kpa, b.pressure_kpa, name);
        assert_eq!(a.readings.len(), b.readings.len(), "{name}");
        for (x, y) in a.readings.iter().zip(&b.readings) {
            // Widths are compared exactly: the fits group by them.
            assert_eq!(x.pulse_width_ms, y.pulse_width_ms, "{name}");
            assert_eq!(x.pulses, y.pulses, "{name}");
            assert_eq!(x.exclude, y.exclude, "{name}");
            assert_eq!(x.repeat, y.repeat, "{name}");
            assert_close(Some(x.delivered), Some(y.delivered), name);
            assert_close(x.period_ms, y.period_ms, name);
            assert_close(x.open_time_s, y.open_time_s, name);
            assert_close(x.fluid_temp_c, y.fluid_temp_c, name);
            assert_close(x.pressure_actual_kpa, y.pressure_actual_kpa, name);
        }
    }
}

#[test]
fn every_good_way_to_write_a_capture_gives_the_same_readings() {
    // The set points of a file that has no columns for them.
    let defaults = SetPoints {
        voltage_v: Some(14.0),
        pressure_kpa: Some(300.0),
    };
    let plain = check(&folder("good-captures").join("plain.csv"), defaults);
    assert_eq!(plain.faults, []);
    assert_eq!(plain.capture.sweeps.len(), 2);
    assert_eq!(plain.capture.sweeps[0].readings.len(), 5);
    assert_eq!(plain.capture.sweeps[0].readings[0].delivered, 51_500.0);
    for path in files("good-captures", "csv") {
        let checked = check(&path, defaults);
        assert_eq!(checked.faults, [], "{}", stem(&path));
        assert_same_readings(&checked.capture, &plain.capture, &stem(&path));
        let start = stem(&path).contains("start");
        let readings = checked
            .capture
            .sweeps
            .iter()
            .flat_map(|sweep| &sweep.readings);
        assert!(
            readings.map(|r| r.start_subtracted).all(|s| s == start),
            "{}",
            stem(&path)
        );
    }
}
