//! The demo runs: each folder of bench-runs is read and fitted.

use std::fs;
use std::path::PathBuf;

use meniscus::capture::{Bench, CaptureFile, SetPoints, read_bench};
use meniscus::characterisation::Characterisation;
use meniscus::fit::FitOptions;
use meniscus::matching::Criterion;
use meniscus::{Request, characterise};

fn folder() -> PathBuf {
    PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("bench-runs")
}

/// Names of the demo runs that hold a plain capture, sorted.
pub fn names() -> Vec<String> {
    let mut names: Vec<String> = fs::read_dir(folder())
        .unwrap()
        .map(|entry| entry.unwrap().path())
        .filter(|path| path.join("capture.csv").is_file())
        .map(|path| path.file_name().unwrap().to_string_lossy().into_owned())
        .collect();
    names.sort();
    names
}

/// Fits a demo run with the defaults.
pub fn characterise_run(name: &str) -> Characterisation {
    characterise_with(name, &FitOptions::default())
}

/// Fits a demo run.
pub fn characterise_with(name: &str, fit: &FitOptions) -> Characterisation {
    let folder = folder().join(name);
    let bytes = fs::read(folder.join("capture.csv")).unwrap();
    let bench = match fs::read_to_string(folder.join("bench.toml")) {
        Ok(text) => read_bench("bench.toml", &text).unwrap(),
        Err(_) => Bench::default(),
    };
    let request = Request {
        fit: fit.clone(),
        points: Vec::new(),
        criterion: Criterion {
            tolerance_percent: Some(3.0),
            ..Criterion::NONE
        },
    };
    let file = CaptureFile::new("capture.csv", bytes);
    characterise(&[file], bench, SetPoints::default(), &request).unwrap()
}
