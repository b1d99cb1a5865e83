//! Stocks from files: characterisation files, captures, plain tables, folders of them.

use std::fs;
use std::path::{Path, PathBuf};

use super::args::InputArgs;
use super::files::{failed, input_of, read_capture};
use super::{Failure, set};
use crate::capture::{CaptureFile, StockFile, looks_like_capture, read_stock_file};
use crate::characterisation::Characterisation;
use crate::finding::Finding;
use crate::matching::{
    Stock, StockError, WantedPoint, operating_points, stock_from_fits, stock_from_table,
};
use crate::{keep_benches_apart, latest};

/// What the files hold.
pub(super) enum Loaded {
    /// Characterisation files and fitted captures, in the order given, and what was taken
    /// for granted of their benches.
    Documents(Vec<Characterisation>, Vec<Finding>),
    /// One plain table.
    Table(StockFile),
}

impl Loaded {
    /// What was taken for granted.
    pub fn told(&self) -> &[Finding] {
        match self {
            Self::Documents(_, told) => told,
            Self::Table(_) => &[],
        }
    }
}

/// Reads files and folders.
pub(super) fn load(paths: &[PathBuf], map: Option<&Path>) -> Result<Loaded, Failure> {
    let mut tables = Vec::new();
    let mut others = Vec::new();
    for path in expand(paths)? {
        let file = read_capture(&path)?;
        if file.is_document() || map.is_some() || looks_like_capture(&file) {
            others.push((path, file));
        } else {
            tables.push(read_stock_file(&file).map_err(Failure::Faults)?);
        }
    }
    match (tables.len(), others.is_empty()) {
        (1, true) => Ok(Loaded::Table(tables.remove(0))),
        (0, false) => {
            let mut documents = of_files(others, map)?;
            let told = keep_benches_apart(&mut documents);
            Ok(Loaded::Documents(documents, told))
        }
        _ => Err(Failure::other(
            "plain tables are taken one at a time and not together with other files",
            "put all injectors into one table, or give characterisation files (fit -o) of all",
        )),
    }
}

/// Characterisation files and captures, one document a file, in the order given.
pub(super) fn documents(
    paths: &[PathBuf],
    map: Option<&Path>,
) -> Result<Vec<Characterisation>, Failure> {
    let files = paths
        .iter()
        .map(|path| Ok((path.clone(), read_capture(path)?)))
        .collect::<Result<_, Failure>>()?;
    of_files(files, map)
}

fn of_files(
    files: Vec<(PathBuf, CaptureFile)>,
    map: Option<&Path>,
) -> Result<Vec<Characterisation>, Failure> {
    let mut documents = Vec::with_capacity(files.len());
    for (path, file) in files {
        let args = InputArgs {
            captures: vec![path],
            bench: None,
            sheet: None,
            map: map.map(Path::to_owned),
            voltage: None,
            pressure: None,
        };
        documents.append(&mut set::documents(input_of(vec![file], &args)?)?);
    }
    Ok(documents)
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
        Loaded::Documents(documents, _) => {
            let fits = latest(documents);
            stock_from_fits(&fits, &operating_points(&fits, wanted)).map_err(refused)
        }
    }
}
