//! docs/at-the-bench.md: each command is run in one folder, in order, and prints what the page says.

use std::fs;
use std::path::Path;

use assert_cmd::Command;

/// One `$` command of the page with what is printed under it.
struct Step {
    line: usize,
    words: Vec<String>,
    printed: String,
}

/// Words of a command line, quotes kept together.
fn words(command: &str) -> Vec<String> {
    let mut words = vec![String::new()];
    let mut quoted = false;
    for c in command.chars() {
        match c {
            '"' => quoted = !quoted,
            ' ' if !quoted => words.push(String::new()),
            c => words.last_mut().unwrap().push(c),
        }
    }
    words.retain(|w| !w.is_empty());
    words
}

fn steps(page: &str) -> Vec<Step> {
    let mut steps: Vec<Step> = Vec::new();
    let mut open = false;
    for (at, line) in page.lines().enumerate() {
        if line.starts_with("```") {
            open = line == "```console";
        } else if let (true, Some(command)) = (open, line.strip_prefix("$ ")) {
            steps.push(Step {
                line: at + 1,
                words: words(command),
                printed: String::new(),
            });
        } else if let (true, Some(step)) = (open, steps.last_mut()) {
            step.printed.push_str(line);
            step.printed.push('\n');
        }
    }
    steps
}

/// Each line of the page stands in what was printed, in order; `...` leaves lines out.
fn holds(printed: &str, said: &str) -> Result<(), String> {
    let mut lines = printed.lines();
    let mut gap = false;
    for wanted in said.lines().map(str::trim_end) {
        if wanted == "..." {
            gap = true;
            continue;
        }
        let found = match gap {
            true => lines.any(|l| l.trim_end() == wanted),
            false => lines.next().is_some_and(|l| l.trim_end() == wanted),
        };
        if !found {
            return Err(format!("`{wanted}` is not printed"));
        }
        gap = false;
    }
    match gap || lines.all(|l| l.trim().is_empty()) {
        true => Ok(()),
        false => Err("more is printed than the page says".to_owned()),
    }
}

#[test]
fn the_page_says_what_the_commands_print() {
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    let page = fs::read_to_string(root.join("docs/at-the-bench.md")).unwrap();
    let folder = tempfile::tempdir().unwrap();
    let steps = steps(&page);
    assert!(steps.len() >= 6, "only {} commands found", steps.len());
    for step in steps {
        let at = format!("docs/at-the-bench.md:{}: {:?}", step.line, step.words);
        match step.words[0].as_str() {
            // What a person does with a pen, the page does with the demo run.
            "cp" => {
                let from = root.join(&step.words[1]);
                fs::copy(from, folder.path().join(&step.words[2])).unwrap();
            }
            "meniscus" => {
                let output = Command::new(env!("CARGO_BIN_EXE_meniscus"))
                    .current_dir(folder.path())
                    .env("NO_COLOR", "1")
                    .args(&step.words[1..])
                    .output()
                    .unwrap();
                let mut printed = String::from_utf8(output.stdout).unwrap();
                printed.push_str(&String::from_utf8(output.stderr).unwrap());
                let said = step.printed.replace("exit status 1\n", "");
                let wanted = i32::from(said != step.printed);
                assert_eq!(output.status.code(), Some(wanted), "{at}\n{printed}");
                if let Err(what) = holds(&printed, &said) {
                    panic!("{at}: {what}\n{printed}");
                }
            }
            "edit" => {
                // edit FILE OLD NEW: the correction that a person makes.
                let path = folder.path().join(&step.words[1]);
                let text = fs::read_to_string(&path).unwrap();
                assert_eq!(text.matches(&step.words[2]).count(), 1, "{at}");
                fs::write(&path, text.replace(&step.words[2], &step.words[3])).unwrap();
            }
            other => panic!("{at}: no such command here: {other}"),
        }
    }
}

#[test]
fn the_comparison_itself_sees_a_difference() {
    assert!(holds("a\nb\nc\n", "a\n...\nc\n").is_ok());
    assert!(holds("a\nb\nc\n", "a\nc\n").is_err());
    assert!(holds("a\nb\n", "a\n").is_err());
    assert!(holds("a\nb\n", "a\n...\n").is_ok());
    assert!(holds("a\n", "...\nx\n").is_err());
}
