//! An interrupt at any moment: the old file or the new one whole, and nothing
//! half written beside it.

use std::fs;
use std::path::Path;
use std::process::{Command, Stdio};
use std::thread::sleep;
use std::time::Duration;

use assert_cmd::cargo::cargo_bin;

fn names(folder: &Path) -> Vec<String> {
    let mut names: Vec<String> = fs::read_dir(folder)
        .unwrap()
        .map(|e| e.unwrap().file_name().to_string_lossy().into_owned())
        .collect();
    names.sort();
    names
}

#[test]
fn an_interrupt_leaves_a_whole_file_or_none() {
    let folder = tempfile::tempdir().unwrap();
    let capture = Path::new(env!("CARGO_MANIFEST_DIR")).join("bench-runs/healthy-six/capture.csv");
    let target = folder.path().join("set.json");
    let run = || {
        let mut command = Command::new(cargo_bin("meniscus"));
        command.arg("fit").arg(&capture).arg("-o").arg(&target);
        command.stdout(Stdio::null()).stderr(Stdio::null());
        command
    };
    assert!(run().status().unwrap().success());
    let whole = fs::read(&target).unwrap();
    let (mut ended, mut interrupted) = (0, 0);
    for step in 0..40 {
        fs::remove_file(&target).unwrap();
        let mut child = run().spawn().unwrap();
        sleep(Duration::from_millis(5 * step));
        // Where the program has ended already there is nothing to tell.
        let _ = Command::new("kill")
            .args(["-TERM", &child.id().to_string()])
            .stderr(Stdio::null())
            .status()
            .unwrap();
        if child.wait().unwrap().success() {
            ended += 1;
        } else {
            interrupted += 1;
        }
        let left = names(folder.path());
        assert!(left.is_empty() || left == ["set.json"], "{left:?}");
        if left.is_empty() {
            fs::write(&target, &whole).unwrap();
        }
        assert_eq!(fs::read(&target).unwrap(), whole);
    }
    assert!(
        interrupted > 0,
        "{ended} ended before they were interrupted"
    );
}
