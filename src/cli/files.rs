//! Files in and out: captures, the bench file beside them, results written
//! beside their target and renamed.

use std::fs;
use std::io::{self, Read, Write};
use std::path::{Path, PathBuf};

use super::Failure;
use super::args::InputArgs;
use crate::capture::{Bench, CaptureFile, SetPoints, read_bench};
use crate::characterisation::{self, Characterisation};

/// What the commands that take captures start from.
pub(super) struct Input {
    /// Captures as bytes, named without their folder.
    pub files: Vec<CaptureFile>,
    /// The bench, empty where no file states it.
    pub bench: Bench,
    /// Set points from the command line.
    pub set_points: SetPoints,
}

/// Reads captures and bench file.
pub(super) fn read_input(args: &InputArgs) -> Result<Input, Failure> {
    let files: Vec<CaptureFile> = args
        .captures
        .iter()
        .map(|path| read_capture(path))
        .collect::<Result<_, _>>()?;
    input_of(files, args)
}

/// Finds the bench file of captures that were read.
pub(super) fn input_of(mut files: Vec<CaptureFile>, args: &InputArgs) -> Result<Input, Failure> {
    tell_apart(&mut files, &args.captures);
    if let Some(sheet) = &args.sheet {
        if !files.iter().any(CaptureFile::is_workbook) {
            return Err(Failure::other(
                format!("--sheet {sheet}: no capture is a workbook"),
                "leave out --sheet; a text has no sheets",
            ));
        }
        files
            .iter_mut()
            .for_each(|file| file.sheet = Some(sheet.clone()));
    }
    let bench = read_bench_file(args)?;
    Ok(Input {
        files,
        bench,
        set_points: args.set_points(),
    })
}

/// Reads the bench file, if there is one.
pub(super) fn read_bench_file(args: &InputArgs) -> Result<Bench, Failure> {
    match bench_path(args)? {
        Some(path) => {
            let text = fs::read_to_string(&path).map_err(|error| failed(&path, error))?;
            read_bench(&shown(&path), &text).map_err(Failure::Faults)
        }
        None => Ok(Bench::default()),
    }
}

impl InputArgs {
    /// Set points as typed.
    pub(super) fn set_points(&self) -> SetPoints {
        SetPoints {
            voltage_v: self.voltage,
            pressure_kpa: self.pressure,
        }
    }
}

/// Two captures of one name in different folders are named by their paths.
fn tell_apart(files: &mut [CaptureFile], paths: &[PathBuf]) {
    let names: Vec<String> = files.iter().map(|f| f.name.clone()).collect();
    for (file, path) in files.iter_mut().zip(paths) {
        if names.iter().filter(|name| **name == file.name).count() > 1 {
            file.name = path.display().to_string();
        }
    }
}

pub(super) fn read_capture(path: &Path) -> Result<CaptureFile, Failure> {
    let mut bytes = Vec::new();
    if path == Path::new("-") {
        io::stdin()
            .lock()
            .read_to_end(&mut bytes)
            .map_err(|error| failed(path, error))?;
    } else {
        bytes = fs::read(path).map_err(|error| failed(path, error))?;
    }
    Ok(CaptureFile::new(shown(path), bytes))
}

/// Reads a characterisation file from its bytes; `name` is for the message.
pub(super) fn read_document(name: &str, bytes: &[u8]) -> Result<Characterisation, Failure> {
    characterisation::read(&String::from_utf8_lossy(bytes)).map_err(|error| {
        Failure::other(
            format!("{name}: {error}"),
            "give a file written by `fit -o`, of this version of the schema",
        )
    })
}

/// The bench file: as stated, else bench.toml beside the captures, which must agree.
fn bench_path(args: &InputArgs) -> Result<Option<PathBuf>, Failure> {
    if args.bench.is_some() {
        return Ok(args.bench.clone());
    }
    let mut found: Vec<PathBuf> = args
        .captures
        .iter()
        .filter(|capture| capture.as_path() != Path::new("-"))
        .map(|capture| capture.with_file_name("bench.toml"))
        .filter(|path| path.is_file())
        .collect();
    found.sort();
    found.dedup();
    if found.len() > 1 {
        return Err(Failure::other(
            "the captures lie beside different bench files",
            "state one with --bench FILE.toml, or fit the captures one by one",
        ));
    }
    Ok(found.pop())
}

/// File name without its folder: results must not depend on where they were made.
pub(super) fn shown(path: &Path) -> String {
    path.file_name().map_or_else(
        || path.display().to_string(),
        |n| n.to_string_lossy().into_owned(),
    )
}

pub(super) fn failed(path: &Path, error: io::Error) -> Failure {
    Failure::File {
        path: path.display().to_string(),
        error,
    }
}

/// Refuses outputs that would overwrite an input or one another.
pub(super) fn guard_outputs(outputs: &[&Path], args: &InputArgs) -> Result<(), Failure> {
    let real = |path: &Path| path.canonicalize().unwrap_or_else(|_| path.to_owned());
    let inputs: Vec<PathBuf> = args
        .captures
        .iter()
        .chain(&bench_path(args)?)
        .map(|path| real(path))
        .collect();
    for (i, output) in outputs.iter().enumerate() {
        let path = real(output);
        if inputs.contains(&path) {
            return Err(Failure::other(
                format!("{}: this output is one of the inputs", output.display()),
                "choose another name; a capture is never overwritten",
            ));
        }
        if outputs[..i].iter().any(|other| real(other) == path) {
            return Err(Failure::other(
                format!("{}: two outputs have this name", output.display()),
                "give each output a name of its own",
            ));
        }
    }
    Ok(())
}

/// Refuses to overwrite a file that was not made to be overwritten, unless told to.
pub(super) fn refuse_existing(path: &Path, replace: bool) -> Result<(), Failure> {
    if replace || !fs::metadata(path).is_ok_and(|m| m.is_file()) {
        return Ok(());
    }
    Err(Failure::other(
        format!("{} exists", path.display()),
        "choose another name, or write over it with --replace",
    ))
}

/// Writes beside the target, then renames: an interrupted run leaves the old file
/// whole. Links are followed; what is no regular file (a device, a pipe) is
/// written to, never replaced.
pub(super) fn write_whole(path: &Path, bytes: &[u8]) -> Result<(), Failure> {
    let target = path.canonicalize().unwrap_or_else(|_| path.to_owned());
    if fs::metadata(&target).is_ok_and(|m| !m.is_file()) {
        let written = fs::OpenOptions::new()
            .write(true)
            .open(&target)
            .and_then(|mut file| {
                file.write_all(bytes)?;
                file.flush()
            });
        return written.map_err(|error| failed(path, error));
    }
    let path = target.as_path();
    let folder = path
        .parent()
        .filter(|p| !p.as_os_str().is_empty())
        .unwrap_or(Path::new("."));
    let write = || -> io::Result<()> {
        let mut beside = tempfile::Builder::new()
            .prefix(".meniscus-")
            .tempfile_in(folder)?;
        beside.write_all(bytes)?;
        beside.as_file().sync_all()?;
        // Readable like any file the user makes; temporary files start out private.
        #[cfg(unix)]
        {
            use std::os::unix::fs::PermissionsExt;
            let mode = fs::metadata(path).map_or(0o644, |m| m.permissions().mode());
            beside
                .as_file()
                .set_permissions(fs::Permissions::from_mode(mode))?;
        }
        beside.persist(path)?;
        Ok(())
    };
    write().map_err(|error| failed(path, error))
}
