//! Killed without warning, without room, without leave, two at once: what stood there before is
//! whole, or what was to stand there is.

use std::collections::{BTreeMap, BTreeSet};
use std::fs;
use std::os::unix::process::ExitStatusExt;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::thread::sleep;
use std::time::Instant;

use assert_cmd::cargo::cargo_bin;
use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;

fn run(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("bench-runs")
        .join(name)
        .join("capture.csv")
}

/// Files by name, those left over of a killed run apart.
fn content(folder: &Path) -> (BTreeMap<String, Vec<u8>>, usize) {
    let (mut files, mut left_over) = (BTreeMap::new(), 0);
    let mut folders = vec![folder.to_owned()];
    while let Some(here) = folders.pop() {
        for entry in fs::read_dir(here).unwrap() {
            let path = entry.unwrap().path();
            let name = path.file_name().unwrap().to_string_lossy().into_owned();
            if path.is_dir() {
                folders.push(path);
            } else if name.starts_with(".meniscus-") {
                left_over += 1;
                fs::remove_file(path).unwrap();
            } else {
                files.insert(name, fs::read(path).unwrap());
            }
        }
    }
    (files, left_over)
}

fn fit(capture: &Path, folder: &Path) -> Command {
    let mut command = Command::new(cargo_bin("meniscus"));
    command
        .arg("fit")
        .arg(capture)
        .args(["-o", "set.json", "--report", "set.html", "--plots", "plots"])
        .current_dir(folder)
        .stdout(Stdio::null())
        .stderr(Stdio::null());
    command
}

#[test]
fn killed_at_a_hundred_moments_every_file_is_the_old_or_the_new_one() {
    let (folder, other) = (tempfile::tempdir().unwrap(), tempfile::tempdir().unwrap());
    // The same set, its last row left out.
    let old = fs::read_to_string(run("healthy-six")).unwrap();
    let cut = old.trim_end().rfind('\n').unwrap() + 1;
    let (first, second) = (
        folder.path().join("capture.csv"),
        other.path().join("capture.csv"),
    );
    fs::write(&second, &old[..cut]).unwrap();
    assert!(fit(&second, other.path()).status().unwrap().success());
    fs::write(&first, &old).unwrap();
    let begun = Instant::now();
    assert!(fit(&first, folder.path()).status().unwrap().success());
    let mut whole_run = begun.elapsed();
    let (olds, _) = content(folder.path());
    let (news, _) = content(other.path());
    assert_ne!(olds["set.json"], news["set.json"]);
    let mut rng = ChaCha8Rng::seed_from_u64(9);
    let (mut killed, mut left_over) = (0, 0);
    for round in 0..1000 {
        if killed == 100 {
            break;
        }
        // Most moments of a run are fitting: the second half of it is aimed at.
        let part = if round % 4 == 0 { 0.0 } else { 0.5 };
        let moment = whole_run.mul_f64(rng.random_range(part..1.1));
        let mut child = fit(&second, folder.path()).spawn().unwrap();
        sleep(moment);
        let _ = child.kill();
        let hit = child.wait().unwrap().signal() == Some(9);
        killed += usize::from(hit);
        // What else the machine does changes how long a run takes.
        whole_run = whole_run.mul_f64(if hit { 1.02 } else { 0.96 });
        let (found, stray) = content(folder.path());
        left_over += stray;
        for (name, bytes) in found.iter().filter(|(name, _)| *name != "capture.csv") {
            let name = name.trim_end_matches(".previous");
            let known = olds.get(name) == Some(bytes) || news.get(name) == Some(bytes);
            assert!(
                known,
                "round {round}: {name} is neither the old nor the new one"
            );
        }
        let names: BTreeSet<&String> = found.keys().collect();
        assert!(
            olds.keys().all(|name| names.contains(name)),
            "round {round}: {names:?}"
        );
        for (name, bytes) in olds.iter().filter(|(name, _)| *name != "capture.csv") {
            let path = if name.ends_with(".svg") {
                folder.path().join("plots")
            } else {
                folder.path().to_owned()
            };
            fs::write(path.join(name), bytes).unwrap();
        }
    }
    assert_eq!(killed, 100, "of 1000 runs");
    println!("{killed} killed, {left_over} files left over");
}

#[test]
fn two_runs_that_write_the_same_files_leave_those_of_one() {
    let folder = tempfile::tempdir().unwrap();
    let captures = [run("healthy-six"), run("neglected-four")];
    let mut wholes: BTreeMap<String, Vec<Vec<u8>>> = BTreeMap::new();
    for capture in &captures {
        let alone = tempfile::tempdir().unwrap();
        assert!(fit(capture, alone.path()).status().unwrap().success());
        for (name, bytes) in content(alone.path()).0 {
            wholes.entry(name).or_default().push(bytes);
        }
    }
    for _ in 0..5 {
        let mut runs: Vec<_> = captures
            .iter()
            .map(|capture| fit(capture, folder.path()).spawn().unwrap())
            .collect();
        for run in &mut runs {
            assert!(run.wait().unwrap().success());
        }
        let (found, left_over) = content(folder.path());
        assert_eq!(left_over, 0);
        for (name, bytes) in &found {
            let name = name.trim_end_matches(".previous");
            assert!(wholes[name].contains(bytes), "{name} is of neither run");
        }
    }
}

/// What a run ended with and said.
fn ended(command: &mut Command) -> (Option<i32>, String) {
    let output = command.stderr(Stdio::piped()).output().unwrap();
    (
        output.status.code(),
        String::from_utf8_lossy(&output.stderr).into_owned(),
    )
}

#[test]
fn without_room_the_old_files_stay_and_the_status_is_two() {
    let folder = tempfile::tempdir().unwrap();
    assert!(
        fit(&run("neglected-four"), folder.path())
            .status()
            .unwrap()
            .success()
    );
    let (before, _) = content(folder.path());
    let program = cargo_bin("meniscus");
    // No file may grow beyond so many blocks, which ends a write as a full disk does.
    for (blocks, arguments) in [
        (40, "-o set.json"),
        (40, "--report set.html"),
        (20, "--plots plots"),
        (2, "--plots plots"),
    ] {
        let script = format!(
            "trap '' XFSZ; ulimit -f {blocks}; exec {} fit {} {arguments} > /dev/null",
            program.display(),
            run("healthy-six").display()
        );
        let mut command = Command::new("sh");
        let (status, told) = ended(command.args(["-c", &script]).current_dir(&folder));
        assert_eq!(status, Some(2), "{arguments}: {told}");
        assert!(told.contains("hint: make room"), "{told}");
        let (after, left_over) = content(folder.path());
        assert_eq!(left_over, 0);
        assert_eq!(before, after, "{arguments}");
    }
}

#[test]
fn standard_output_without_room_is_told() {
    for arguments in ["fit", "fit --json", "fit --lines", "check", "check --json"] {
        let mut words = arguments.split(' ');
        let mut command = Command::new(cargo_bin("meniscus"));
        command
            .arg(words.next().unwrap())
            .arg(run("healthy-six"))
            .args(words);
        command.stdout(
            fs::OpenOptions::new()
                .write(true)
                .open("/dev/full")
                .unwrap(),
        );
        let (status, told) = ended(&mut command);
        assert_eq!(status, Some(2), "{arguments}: {told}");
        assert!(told.contains("standard output: no room left"), "{told}");
    }
}

/// A log that standard output goes to is written on, not replaced by the file that is asked for.
#[test]
fn the_standard_output_by_its_name_is_not_replaced() {
    let folder = tempfile::tempdir().unwrap();
    let log = folder.path().join("log.txt");
    fs::write(&log, "what stood there\n").unwrap();
    let mut command = Command::new(cargo_bin("meniscus"));
    command.arg("fit").arg(run("neglected-four"));
    command.args(["-o", "/dev/stdout"]).current_dir(&folder);
    command.stdout(fs::OpenOptions::new().append(true).open(&log).unwrap());
    let (status, told) = ended(&mut command);
    assert_eq!(status, Some(0), "{told}");
    let text = fs::read_to_string(&log).unwrap();
    let rest = text.strip_prefix("what stood there\n{\n").unwrap();
    let (json, table) = rest.split_once("\n}\n").unwrap();
    assert!(
        json.starts_with("  \"schema\": \"characterisation-1\""),
        "{json}"
    );
    assert!(table.contains("injector"), "{table}");
    assert_eq!(fs::read_dir(folder.path()).unwrap().count(), 1);
}

#[test]
fn a_folder_that_cannot_be_written_to_is_told() {
    // Not even the superuser makes files there.
    let locked = Path::new("/proc/self");
    let mut command = Command::new(cargo_bin("meniscus"));
    command
        .arg("fit")
        .arg(run("healthy-six"))
        .arg("-o")
        .arg(locked.join("set.json"));
    let (status, told) = ended(command.stdout(Stdio::null()));
    assert_eq!(status, Some(2), "{told}");
    assert!(told.contains("set.json"), "{told}");
}

#[test]
fn a_read_only_folder_keeps_what_it_holds() {
    use std::os::unix::fs::PermissionsExt;
    let folder = tempfile::tempdir().unwrap();
    let target = folder.path().join("set.json");
    fs::write(&target, "old").unwrap();
    fs::set_permissions(&folder, fs::Permissions::from_mode(0o555)).unwrap();
    let superuser = fs::write(folder.path().join("try"), "").is_ok();
    if superuser {
        println!("not tried: the superuser may write everywhere");
        return;
    }
    let mut command = Command::new(cargo_bin("meniscus"));
    command
        .arg("fit")
        .arg(run("healthy-six"))
        .arg("-o")
        .arg(&target);
    let (status, told) = ended(command.stdout(Stdio::null()));
    fs::set_permissions(&folder, fs::Permissions::from_mode(0o755)).unwrap();
    assert_eq!(status, Some(2), "{told}");
    assert!(told.contains("permission denied"), "{told}");
    assert_eq!(fs::read_to_string(&target).unwrap(), "old");
}
