//! Stocks from files: characterisation files, captures, plain tables, folders of them.

use std::fs;
use std::path::{Path, PathBuf};

use super::args::InputArgs;
use super::files::{failed, read_input, shown};
use super::{Failure, set};
use crate::capture::{CaptureFile, StockFile, looks_like_capture, read_stock_file};
use crate::characterisation::Characterisation;
use crate::fit::SweepFit;
use crate::matching::{
    Stock, StockError, WantedPoint, operating_points, qualify_effects, stock_from_fits,
    stock_from_table,
};

/// What the files hold.
pub(super) enum Loaded {
    /// Characterisation files and fitted captures, in the order given.
    Documents(Vec<Characterisation>),
    /// One plain table.
    Table(StockFile),
}

/// Reads files and folders.
pub(super) fn load(paths: &[PathBuf]) -> Result<Loaded, Failure> {
    let files = expand(paths)?;
    let mut tables = Vec::new();
    let mut others = Vec::new();
    for path in files {
        let bytes = fs::read(&path).map_err(|error| failed(&path, error))?;
        let file = CaptureFile::new(shown(&path), bytes);
        let document = file.bytes.trim_ascii_start().starts_with(b"{");
        if document || looks_like_capture(&file) {
            others.push(path);
        } else {
            tables.push(read_stock_file(&file).map_err(Failure::Faults)?);
        }
    }
    match (tables.len(), others.is_empty()) {
        (1, true) => Ok(Loaded::Table(tables.remove(0))),
        (0, false) => documents(others).map(Loaded::Documents),
        _ => Err(Failure::other(
            "plain tables are taken one at a time and not together with other files",
            "put all injectors into one table, or give characterisation files (fit -o) of all",
        )),
    }
}

/// Characterisation files and captures, one document per file or folder of captures.
pub(super) fn documents(paths: Vec<PathBuf>) -> Result<Vec<Characterisation>, Failure> {
    let mut documents = Vec::new();
    for path in paths {
        let args = InputArgs {
            captures: vec![path.clone()],
            bench: None,
            sheet: None,
            voltage: None,
            pressure: None,
        };
        let mut read = set::documents(read_input(&args)?)?;
        documents.append(&mut read);
    }
    keep_benches_apart(&mut documents);
    Ok(documents)
}

/// Effects of the same name are the same effect only on the same bench.
fn keep_benches_apart(documents: &mut [Characterisation]) {
    let bench = |d: &Characterisation| {
        (
            d.bench.vessels.clone(),
            d.bench.pressure.clone(),
            d.bench.supply.clone(),
        )
    };
    if documents
        .windows(2)
        .all(|pair| bench(&pair[0]) == bench(&pair[1]))
    {
        return;
    }
    for (number, document) in documents.iter_mut().enumerate() {
        let name = format!("file {}", number + 1);
        let sweeps = document.injectors.iter_mut().flat_map(|i| &mut i.sweeps);
        sweeps.for_each(|sweep| qualify_effects(sweep, &name));
    }
}

/// Endings of the files that a folder of injectors gives.
const ENDINGS: [&str; 5] = ["json", "csv", "xlsx", "ods", "xls"];

/// Folders give their files by name.
fn expand(paths: &[PathBuf]) -> Result<Vec<PathBuf>, Failure> {
    let mut files = Vec::new();
    for path in paths {
        if !path.is_dir() {
            files.push(path.clone());
            continue;
        }
        let entries = fs::read_dir(path).map_err(|error| failed(path, error))?;
        let mut inside: Vec<PathBuf> = entries
            .filter_map(|entry| entry.ok().map(|e| e.path()))
            .filter(|p| p.is_file() && ENDINGS.iter().any(|e| has_extension(p, e)))
            .collect();
        inside.sort();
        if inside.is_empty() {
            return Err(Failure::other(
                format!(
                    "{}: no .json, .csv, .xlsx, .ods or .xls file",
                    path.display()
                ),
                "give the folder that holds the files written by fit -o",
            ));
        }
        files.append(&mut inside);
    }
    Ok(files)
}

fn has_extension(path: &Path, wanted: &str) -> bool {
    path.extension()
        .is_some_and(|e| e.eq_ignore_ascii_case(wanted))
}

/// The sweeps of the last stage of each injector.
pub(super) fn latest(documents: &[Characterisation]) -> Vec<(&str, &SweepFit)> {
    let mut fits = Vec::new();
    for injector in documents.iter().flat_map(|d| &d.injectors) {
        let stage = injector.sweeps.last().map(|s| &s.stage);
        // Of an injector in several files the last one counts.
        fits.retain(|(id, _)| *id != injector.id.as_str());
        let sweeps = injector.sweeps.iter().filter(|s| Some(&s.stage) == stage);
        fits.extend(sweeps.map(|s| (injector.id.as_str(), s)));
    }
    fits
}

/// The stock at operating points.
pub(super) fn stock(loaded: &Loaded, wanted: &[WantedPoint]) -> Result<Stock, Failure> {
    let refused = |error: StockError| {
        let hint = error.hint();
        Failure::other(error, hint)
    };
    match loaded {
        Loaded::Table(_) if !wanted.is_empty() => Err(Failure::other(
            "a plain table has its operating points in its columns: --at cannot be used",
            "leave out columns, or give characterisation files",
        )),
        Loaded::Table(table) => stock_from_table(table).map_err(refused),
        Loaded::Documents(documents) => {
            let fits = latest(documents);
            stock_from_fits(&fits, &operating_points(&fits, wanted)).map_err(refused)
        }
    }
}
