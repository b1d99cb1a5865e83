//! What is too long, too wide, too deep or without end is refused, in words and in little memory.

use std::fs;
use std::path::{Path, PathBuf};

use meniscus::capture::{
    Bench, CaptureFile, LARGEST_BENCH, LONGEST_LINE, MOST_INJECTORS, SetPoints, check_captures,
    read_bench,
};
use meniscus::characterisation::{LARGEST_DOCUMENT, read};
use meniscus::report::{LARGEST_LOGO, Logo};

use crate::endings::meniscus;

/// The only fault of a capture, as told.
fn fault(text: String) -> String {
    let file = CaptureFile::new("run.csv", text.into_bytes());
    let faults = check_captures(&[file], Bench::default(), SetPoints::default()).faults;
    assert_eq!(faults.len(), 1, "{faults:?}");
    faults[0].to_string()
}

const HEADER: &str = "injector,pulse_width_ms,pulses,volume_ml,note\n";

#[test]
fn a_line_of_a_mebibyte_is_read_and_a_longer_one_is_not() {
    let row = |length: usize| format!("{HEADER}A,2,1000,50,{}\n", "x".repeat(length - 12));
    let file = CaptureFile::new("run.csv", row(LONGEST_LINE).into_bytes());
    let sound = check_captures(&[file], Bench::default(), SetPoints::default());
    assert!(sound.faults.is_empty(), "{:?}", sound.faults);
    let told = fault(row(LONGEST_LINE + 1));
    assert!(
        told.contains("run.csv:2: found a line of more than 1048576 bytes"),
        "{told}"
    );
}

#[test]
fn columns_beyond_the_limit_are_refused() {
    let header = |more: usize| {
        let own: Vec<String> = (0..more).map(|n| format!("x_{n}")).collect();
        format!("{},{}\n", HEADER.trim(), own.join(","))
    };
    let row = |more: usize| format!("A,2,1000,50,{}\n", ",".repeat(more));
    let file = CaptureFile::new("run.csv", (header(1019) + &row(1019)).into_bytes());
    let sound = check_captures(&[file], Bench::default(), SetPoints::default());
    assert!(sound.faults.is_empty(), "{:?}", sound.faults);
    let told = fault(header(1020) + &row(1020));
    assert!(
        told.contains("1025 columns") && told.contains("at most 1024"),
        "{told}"
    );
}

#[test]
fn injectors_beyond_the_limit_are_refused() {
    let mut text = HEADER.to_owned();
    for id in 0..=MOST_INJECTORS {
        text.push_str(&format!("{id},2,1000,50,\n"));
    }
    let told = fault(text);
    assert!(
        told.contains("run.csv:100002: found more than 100000 injectors"),
        "{told}"
    );
    assert!(told.contains("--lines"), "{told}");
}

#[test]
fn a_bench_file_beyond_the_limit_is_refused() {
    let comment = |length: usize| format!("#{}\n", "x".repeat(length - 2));
    assert!(read_bench("bench.toml", &comment(LARGEST_BENCH)).is_ok());
    let faults = read_bench("bench.toml", &comment(LARGEST_BENCH + 1)).unwrap_err();
    assert!(
        faults[0].to_string().contains("at most 1048576 bytes"),
        "{faults:?}"
    );
}

#[test]
fn a_bench_file_of_many_lines_and_of_deep_brackets_ends() {
    let many = "[[injector]]\n".repeat(LARGEST_BENCH / 13);
    assert!(read_bench("bench.toml", &many).is_err());
    let deep = format!("x = {}", "[".repeat(LARGEST_BENCH - 4));
    assert!(read_bench("bench.toml", &deep).is_err());
    let tables = format!("x = {}", "{a=".repeat(300_000));
    assert!(read_bench("bench.toml", &tables).is_err());
}

#[test]
fn json_nested_too_deep_is_refused() {
    let whole = fs::read_to_string(made("deep.json")).unwrap();
    let nested = |depth: usize| {
        let value = format!("{}1{}", "[".repeat(depth), "]".repeat(depth));
        let facts = format!("\"facts\": {{ \"deep\": {value}");
        assert!(whole.contains("\"facts\": {"));
        let text = whole.replacen("\"facts\": {", &(facts + ","), 1);
        // An empty object of facts leaves its comma behind.
        text.replacen(",}", "}", 1)
    };
    read(&nested(100)).unwrap();
    let told = read(&nested(200)).unwrap_err().to_string();
    assert!(told.contains("recursion limit"), "{told}");
    assert!(read(&"[".repeat(1 << 20)).is_err());
}

/// A characterisation file whose first finding states at least one fact.
fn made(name: &str) -> PathBuf {
    let path = Path::new(env!("CARGO_TARGET_TMPDIR")).join(name);
    let run = "bench-runs/neglected-four/capture.csv";
    let output = meniscus()
        .args(["fit", run, "-o"])
        .arg(&path)
        .output()
        .unwrap();
    assert!(output.status.success());
    path
}

#[test]
fn a_characterisation_file_beyond_the_limit_is_refused() {
    let told = read(&" ".repeat(LARGEST_DOCUMENT + 1))
        .unwrap_err()
        .to_string();
    assert_eq!(told, "268435457 bytes; at most 268435456 are read");
}

#[test]
fn a_logo_beyond_the_limit_is_refused() {
    let told = Logo::read(&vec![0; LARGEST_LOGO + 1])
        .unwrap_err()
        .to_string();
    assert!(told.contains("at most 204800"), "{told}");
}

/// Files, devices and pipes that only some systems have.
#[cfg(target_os = "linux")]
mod without_end {
    use std::io::{Read, Write};
    use std::process::{Child, Command, Output, Stdio};
    use std::thread::sleep;
    use std::time::{Duration, Instant};

    use assert_cmd::cargo::cargo_bin;

    use super::*;

    /// Runs in so many MiB of address space; threads, libraries and stacks take some hundred.
    fn within(mebibytes: u32, arguments: &str, folder: &Path) -> Output {
        let kibibytes = u64::from(mebibytes) << 10;
        let program = cargo_bin("meniscus");
        let script = format!(
            "ulimit -v {kibibytes}; exec {} {arguments}",
            program.display()
        );
        let mut command = Command::new("sh");
        command
            .args(["-c", &script])
            .current_dir(folder)
            .env("RAYON_NUM_THREADS", "2");
        command.output().unwrap()
    }

    fn refused(output: &Output, words: &str) {
        let told = String::from_utf8_lossy(&output.stderr);
        assert_eq!(output.status.code(), Some(2), "{told}");
        assert!(told.contains(words), "{told}");
    }

    #[test]
    fn ten_gigabytes_on_one_line_are_refused_in_little_memory() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("run.csv");
        // A hole: of its ten gigabytes none lies on the disk.
        fs::File::create(&path).unwrap().set_len(10 << 30).unwrap();
        refused(
            &within(400, "fit run.csv", folder.path()),
            "larger than 2 GiB",
        );
        refused(&within(400, "fit run.csv --lines", folder.path()), "bytes");
        fs::File::create(&path).unwrap().set_len(1 << 30).unwrap();
        refused(&within(400, "fit run.csv", folder.path()), "byte 0x00");
    }

    #[test]
    fn a_line_that_never_ends_is_refused_in_little_memory() {
        let folder = tempfile::tempdir().unwrap();
        let endless = "fit --lines - < /dev/zero";
        refused(&within(400, endless, folder.path()), "bytes");
        refused(
            &within(400, "fit - < /dev/zero", folder.path()),
            "byte 0x00",
        );
        refused(&within(400, "fit /dev/zero", folder.path()), "byte 0x00");
        refused(
            &within(400, "fit /dev/zero --lines", folder.path()),
            "bytes",
        );
    }

    #[test]
    fn bench_file_criteria_and_logo_without_end_are_refused_in_little_memory() {
        let run = Path::new(env!("CARGO_MANIFEST_DIR")).join("bench-runs/healthy-six/capture.csv");
        let folder = tempfile::tempdir().unwrap();
        let fit = |more: &str| within(600, &format!("{} {more}", "fit"), folder.path());
        let output = fit(&format!("{} --bench /dev/zero", run.display()));
        assert_eq!(output.status.code(), Some(2));
        fs::write(
            folder.path().join("big.toml"),
            "#".repeat(LARGEST_BENCH + 1),
        )
        .unwrap();
        refused(
            &fit(&format!("{} --bench big.toml", run.display())),
            "larger than 1 MiB",
        );
        let plan = "plan --flow 250cc/min --voltage 14 --pressure 300 --time 1h --bench big.toml";
        refused(&within(600, plan, folder.path()), "larger than 1 MiB");
        let report = format!("report {} --logo /dev/zero", made("logo.json").display());
        refused(&within(600, &report, folder.path()), "the logo");
    }

    #[test]
    fn folders_are_refused_wherever_a_file_is_read() {
        let folder = tempfile::tempdir().unwrap();
        for arguments in [
            "fit .",
            "fit . --lines",
            "check .",
            "table . --of flow",
            "demand .",
            "report .",
        ] {
            refused(&within(400, arguments, folder.path()), "folder");
        }
    }

    fn fifo(folder: &Path) -> PathBuf {
        let path = folder.join("pipe.csv");
        assert!(
            Command::new("mkfifo")
                .arg(&path)
                .status()
                .unwrap()
                .success()
        );
        path
    }

    /// The program. A runner in the background of a script ignores interrupts, and so would its
    /// children: there `env` of GNU coreutils gives them back.
    fn interruptible() -> Command {
        let program = cargo_bin("meniscus");
        let status = fs::read_to_string("/proc/self/status").unwrap_or_default();
        let ignored = status.lines().find_map(|line| line.strip_prefix("SigIgn:"));
        // One bit a signal; an interrupt is the second.
        let mask = ignored.map(|mask| u64::from_str_radix(mask.trim(), 16).unwrap());
        if mask.is_none_or(|mask| mask & 2 == 0) {
            return Command::new(program);
        }
        let mut command = Command::new("env");
        command.arg("--default-signal=INT").arg(program);
        command
    }

    fn interrupted(mut child: Child) {
        sleep(Duration::from_millis(300));
        assert!(
            child.try_wait().unwrap().is_none(),
            "it should wait for the pipe"
        );
        let id = child.id().to_string();
        assert!(
            Command::new("kill")
                .args(["-INT", &id])
                .status()
                .unwrap()
                .success()
        );
        let since = Instant::now();
        while child.try_wait().unwrap().is_none() {
            assert!(
                since.elapsed() < Duration::from_secs(20),
                "an interrupt does not end it"
            );
            sleep(Duration::from_millis(20));
        }
        assert!(!child.wait().unwrap().success());
    }

    #[test]
    fn an_interrupt_ends_the_wait_for_a_pipe() {
        for arguments in [&["fit"][..], &["fit", "--lines"], &["check"]] {
            let folder = tempfile::tempdir().unwrap();
            let pipe = fifo(folder.path());
            let start = || {
                let mut command = interruptible();
                command
                    .args(arguments)
                    .arg(&pipe)
                    .stdout(Stdio::null())
                    .stderr(Stdio::null());
                command.spawn().unwrap()
            };
            // Nobody writes.
            interrupted(start());
            // Somebody writes a little and then no more.
            let child = start();
            let mut writer = fs::OpenOptions::new().write(true).open(&pipe).unwrap();
            writer.write_all(HEADER.as_bytes()).unwrap();
            writer.write_all(b"A,2,1000,50,\n").unwrap();
            interrupted(child);
        }
    }

    #[test]
    fn a_file_that_grows_while_its_lines_are_fitted_is_told() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("run.csv");
        let mut text = HEADER.to_owned();
        for id in 0..600 {
            for width in [2, 3, 4, 6] {
                text.push_str(&format!("{id},{width},1000,{},\n", 4 * width - 3));
            }
        }
        fs::write(&path, text).unwrap();
        let mut child = Command::new(cargo_bin("meniscus"))
            .args(["fit", "--lines", "--model", "line"])
            .arg(&path)
            .stdout(Stdio::piped())
            .stderr(Stdio::piped())
            .spawn()
            .unwrap();
        // The pipe is full long before the last line: the program waits here for its reader.
        let mut out = child.stdout.take().unwrap();
        let mut first = [0; 1];
        out.read_exact(&mut first).unwrap();
        let mut file = fs::OpenOptions::new().append(true).open(&path).unwrap();
        file.write_all(b"600,2,1000,50,\n").unwrap();
        drop(file);
        let mut rest = Vec::new();
        out.read_to_end(&mut rest).unwrap();
        assert!(
            rest.len() > 1 << 17,
            "{} bytes fit into the pipe",
            rest.len()
        );
        refused(
            &child.wait_with_output().unwrap(),
            "the file changed while it was read",
        );
    }
}
