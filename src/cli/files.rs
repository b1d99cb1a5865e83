//! Files in and out: captures, the bench file beside them, results written
//! beside their target and renamed.

use std::fs;
use std::io::{self, Read, Write};
use std::path::{Path, PathBuf};
use std::sync::Arc;

use super::Data;
use super::args::InputArgs;
use super::failure::{Failure, unreadable};
use super::interrupt::{HalfWritten, half_written};
use crate::capture::{
    Bench, CaptureFile, Fault, LARGEST_BENCH, SetPoints, read_bench, read_mapping,
};
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
    let (input, faults) = read_what_can_be(args)?;
    if faults.is_empty() {
        Ok(input)
    } else {
        Err(Failure::Faults(faults))
    }
}

/// Reads captures and bench file; what cannot be read is told beside what can.
pub(super) fn read_what_can_be(args: &InputArgs) -> Result<(Input, Vec<Fault>), Failure> {
    let (mut files, mut paths, mut faults) = (Vec::new(), Vec::new(), Vec::new());
    for path in &args.captures {
        match read_bytes(path) {
            Ok(bytes) => {
                files.push(CaptureFile::new(shown(path), bytes));
                paths.push(path.clone());
            }
            Err(error) => faults.push(unreadable(path, &error, "a capture")),
        }
    }
    tell_apart(&mut files, &paths);
    let input = beside(files, args, &mut faults)?;
    Ok((input, faults))
}

/// Finds the bench file of captures that were read.
pub(super) fn input_of(mut files: Vec<CaptureFile>, args: &InputArgs) -> Result<Input, Failure> {
    tell_apart(&mut files, &args.captures);
    let mut faults = Vec::new();
    let input = beside(files, args, &mut faults)?;
    if faults.is_empty() {
        Ok(input)
    } else {
        Err(Failure::Faults(faults))
    }
}

/// What belongs to captures: the bench file and the set points of the command line.
fn beside(
    mut files: Vec<CaptureFile>,
    args: &InputArgs,
    faults: &mut Vec<Fault>,
) -> Result<Input, Failure> {
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
    if let Some(path) = &args.map {
        take_mapping(path, &mut files, faults);
    }
    let bench = match bench_path(args)? {
        Some(path) => read_bench_at(&path, faults),
        None => Bench::default(),
    };
    Ok(Input {
        files,
        bench,
        set_points: args.set_points(),
    })
}

/// Reads a mapping file, for every file that is no characterisation file.
fn take_mapping(path: &Path, files: &mut Vec<CaptureFile>, faults: &mut Vec<Fault>) {
    let mapping = read_text(path)
        .map_err(|error| vec![unreadable(path, &error, "a mapping file")])
        .and_then(|text| read_mapping(&shown(path), &text));
    match mapping {
        Ok(mapping) => {
            let mapping = Arc::new(mapping);
            let foreign = files.iter_mut().filter(|file| !file.is_document());
            foreign.for_each(|file| file.mapping = Some(Arc::clone(&mapping)));
        }
        Err(mut of_mapping) => {
            faults.append(&mut of_mapping);
            // Read without it they would be one long complaint.
            files.retain(CaptureFile::is_document);
        }
    }
}

fn read_bench_at(path: &Path, faults: &mut Vec<Fault>) -> Bench {
    let bench = read_text(path)
        .map_err(|error| vec![unreadable(path, &error, "a bench file")])
        .and_then(|text| read_bench(&shown(path), &text));
    bench.unwrap_or_else(|mut of_bench| {
        faults.append(&mut of_bench);
        Bench::default()
    })
}

/// Reads the bench file, if there is one.
pub(super) fn read_bench_file(args: &InputArgs) -> Result<Bench, Failure> {
    let mut faults = Vec::new();
    let bench = match bench_path(args)? {
        Some(path) => read_bench_at(&path, &mut faults),
        None => Bench::default(),
    };
    if faults.is_empty() {
        Ok(bench)
    } else {
        Err(Failure::Faults(faults))
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

/// One file for itself, whose faults are not told beside those of others.
pub(super) fn read_capture(path: &Path) -> Result<CaptureFile, Failure> {
    let bytes = read_bytes(path).map_err(|error| failed(path, error))?;
    Ok(CaptureFile::new(shown(path), bytes))
}

/// Largest file that is read, bytes: what is read is held in memory.
const LARGEST_FILE: u64 = 2 << 30;

/// The bytes of a file, or of standard input for `-`.
///
/// # Errors
/// Those of the system; a file that is larger than two gigabytes, or that changes
/// while it is read. Of a file that begins as no text and no workbook does (a device,
/// as `/dev/zero`) only the beginning is read: enough to be refused.
pub(super) fn read_bytes(path: &Path) -> io::Result<Vec<u8>> {
    read_at_most(path, LARGEST_FILE)
}

fn read_at_most(path: &Path, limit: u64) -> io::Result<Vec<u8>> {
    if path == Path::new("-") {
        return read_stream(&mut io::stdin().lock(), limit);
    }
    let mut file = fs::File::open(path)?;
    let before = file.metadata()?;
    if before.is_dir() {
        return Err(io::ErrorKind::IsADirectory.into());
    }
    if before.is_file() && before.len() > limit {
        return Err(too_large(limit));
    }
    let bytes = read_stream(&mut file, limit)?;
    if before.is_file() && !is_foreign(&bytes) {
        refuse_changed(&before, &file.metadata()?, Some(bytes.len() as u64))?;
    }
    Ok(bytes)
}

/// Refuses a file that is not what it was when its reading began; `read` are the bytes of one
/// that was read to its end.
pub(super) fn refuse_changed(
    before: &fs::Metadata,
    after: &fs::Metadata,
    read: Option<u64>,
) -> io::Result<()> {
    let state = |m: &fs::Metadata| (m.len(), m.modified().ok());
    let read = read.unwrap_or(after.len());
    if still_the_same(state(before), state(after), read) {
        return Ok(());
    }
    Err(io::Error::other(
        "the file changed while it was read; run again when it is written to the end",
    ))
}

/// Length and time of a file before and after it was read, and the bytes that were read.
/// Files that the system makes up when they are read have no length.
fn still_the_same<T: PartialEq>(before: (u64, T), after: (u64, T), read: u64) -> bool {
    before == after && (after.0 == read || after.0 == 0)
}

fn too_large(limit: u64) -> io::Error {
    io::Error::other(if limit == LARGEST_FILE {
        format!(
            "larger than {} GiB; part the file by injectors, or send it through `fit - --lines`",
            limit >> 30
        )
    } else {
        format!("larger than {} MiB", limit >> 20)
    })
}

/// Bytes by which a file is known to be no text.
const FIRST_PART: u64 = 1 << 16;

/// Whether bytes are neither text nor a workbook, which begins with one of these and may hold
/// any byte.
fn is_foreign(bytes: &[u8]) -> bool {
    let workbook = bytes.starts_with(b"PK") || bytes.starts_with(&[0xd0, 0xcf, 0x11, 0xe0]);
    let first = bytes.len().min(FIRST_PART as usize);
    !workbook && bytes[..first].contains(&0)
}

/// Reads a file, a pipe or a device to its end, or no more than to know that it is no text.
fn read_stream(stream: &mut impl Read, limit: u64) -> io::Result<Vec<u8>> {
    let mut bytes = Vec::new();
    stream.take(FIRST_PART).read_to_end(&mut bytes)?;
    if is_foreign(&bytes) {
        return Ok(bytes);
    }
    stream.take(limit).read_to_end(&mut bytes)?;
    if bytes.len() as u64 > limit {
        return Err(too_large(limit));
    }
    Ok(bytes)
}

/// A small file as text: a bench file, limits of the health checks.
///
/// # Errors
/// As [`read_bytes`], with the limit of a bench file, and where the bytes are not UTF-8.
pub(super) fn read_text(path: &Path) -> io::Result<String> {
    let bytes = read_at_most(path, LARGEST_BENCH as u64)?;
    String::from_utf8(bytes).map_err(|_| io::ErrorKind::InvalidData.into())
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
        .chain(&args.map)
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
    if replace || !replaces(path) {
        return Ok(());
    }
    Err(Failure::other(
        format!("{} exists", path.display()),
        "choose another name, or write over it with --replace",
    ))
}

/// Whether a file stands there whose place another would take.
pub(super) fn replaces(path: &Path) -> bool {
    path.is_file() && !is_stdout(path)
}

/// Whether a path is the system's name of the standard output: what stands behind it may be a
/// file, and is not to be replaced while it is written to.
fn is_stdout(path: &Path) -> bool {
    let names = ["/dev/stdout", "/dev/fd/1", "/proc/self/fd/1"];
    names.iter().any(|name| path == Path::new(name))
}

/// Writes beside the target, then renames: a run that ends in between leaves the old file
/// whole. Links are followed; what is no regular file (a device, a pipe) is
/// written to, never replaced.
pub(super) fn write_whole(path: &Path, bytes: &[u8]) -> Result<(), Failure> {
    write_by(path, |to| to.write_all(bytes))
}

/// The same of what is made while it is written.
pub(super) fn write_by(
    path: &Path,
    write: impl FnOnce(&mut dyn Write) -> io::Result<()>,
) -> Result<(), Failure> {
    let staged = stage(path, write).map_err(|error| match is_stdout(path) {
        true => Failure::Output(error),
        false => failed(path, error),
    })?;
    staged.map_or(Ok(()), |staged| staged.place(path))
}

/// Writes several files as [`write_whole`] does; the first takes its place when the last is
/// written, so that a disk without room for all leaves all as they were.
pub(super) fn write_together<B: AsRef<[u8]>>(
    files: impl IntoIterator<Item = (PathBuf, B)>,
) -> Result<(), Failure> {
    let mut written = Vec::new();
    for (path, bytes) in files {
        let staged = stage(&path, |to| to.write_all(bytes.as_ref()));
        let staged = staged.map_err(|error| failed(&path, error))?;
        written.extend(staged.map(|staged| (path, staged)));
    }
    let mut written = written.into_iter();
    written.try_for_each(|(path, staged)| staged.place(&path))
}

/// A file that is written, but not in its place; removed if it never gets there.
struct Staged {
    beside: tempfile::TempPath,
    target: PathBuf,
    _watched: HalfWritten,
}

impl Staged {
    fn place(self, path: &Path) -> Result<(), Failure> {
        let placed = self.beside.persist(&self.target);
        placed.map_err(|error| failed(path, error.error))
    }
}

/// Writes a file beside its target; `None` where the target is no regular file and was written to.
fn stage(
    path: &Path,
    write: impl FnOnce(&mut dyn Write) -> io::Result<()>,
) -> io::Result<Option<Staged>> {
    if is_stdout(path) {
        let mut out = Data::stdout();
        write(&mut out)?;
        out.flush()?;
        return Ok(None);
    }
    let target = path.canonicalize().unwrap_or_else(|_| path.to_owned());
    if fs::metadata(&target).is_ok_and(|m| !m.is_file()) {
        let mut file = fs::OpenOptions::new().write(true).open(&target)?;
        write(&mut file)?;
        file.flush()?;
        return Ok(None);
    }
    let folder = target
        .parent()
        .filter(|p| !p.as_os_str().is_empty())
        .unwrap_or(Path::new("."));
    let (mut beside, watched) = half_written(|| {
        tempfile::Builder::new()
            .prefix(".meniscus-")
            .tempfile_in(folder)
    })?;
    write(beside.as_file_mut())?;
    beside.as_file().sync_all()?;
    // Readable like any file the user makes; temporary files start out private.
    #[cfg(unix)]
    {
        use std::os::unix::fs::PermissionsExt;
        let mode = fs::metadata(&target).map_or(0o644, |m| m.permissions().mode());
        beside
            .as_file()
            .set_permissions(fs::Permissions::from_mode(mode))?;
    }
    Ok(Some(Staged {
        beside: beside.into_temp_path(),
        target,
        _watched: watched,
    }))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_file_that_shrinks_grows_or_is_rewritten_is_noticed() {
        assert!(still_the_same((10, 1), (10, 1), 10));
        assert!(
            !still_the_same((10, 1), (4, 2), 4),
            "shrunk and read to its new end"
        );
        assert!(
            !still_the_same((10, 1), (10, 2), 10),
            "rewritten in the same length"
        );
        assert!(
            !still_the_same((10, 1), (10, 1), 4),
            "cut off and refilled in between"
        );
        assert!(still_the_same((0, 1), (0, 1), 7), "made up by the system");
    }

    #[test]
    fn a_stream_that_is_no_text_is_left_after_its_first_part() {
        let bytes = read_stream(&mut io::repeat(0), LARGEST_FILE).unwrap();
        assert_eq!(bytes.len(), 1 << 16);
        let text = b"injector\n".repeat(20_000);
        assert_eq!(
            read_stream(&mut text.as_slice(), LARGEST_FILE).unwrap(),
            text
        );
        let error = read_stream(&mut io::repeat(b'a'), 1 << 20).unwrap_err();
        assert_eq!(error.to_string(), "larger than 1 MiB");
    }
}
