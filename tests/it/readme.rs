//! The README's two commands are the whole way in, and what it names exists.

use std::path::Path;

/// The commands of the first fenced block, which the checks run as they stand.
const COMMANDS: &str =
    "cargo run --release -- fit bench-runs/healthy-six/capture.csv\ncargo test\n";

fn root() -> &'static Path {
    Path::new(env!("CARGO_MANIFEST_DIR"))
}

fn readme() -> String {
    std::fs::read_to_string(root().join("README.md")).unwrap()
}

/// Language, body and first line (from 1) of every fenced block.
fn fenced_blocks(text: &str) -> Vec<(String, String, usize)> {
    let mut blocks: Vec<(String, String, usize)> = Vec::new();
    let mut open = false;
    for (number, line) in text.lines().enumerate() {
        if let Some(language) = line.strip_prefix("```") {
            if !open {
                blocks.push((language.to_owned(), String::new(), number + 1));
            }
            open = !open;
        } else if let (true, Some((_, body, _))) = (open, blocks.last_mut()) {
            body.push_str(line);
            body.push('\n');
        }
    }
    blocks
}

/// Targets of Markdown links that point into the project.
fn local_links(text: &str) -> Vec<String> {
    text.split("](")
        .skip(1)
        .filter_map(|rest| rest.split(')').next())
        .filter(|target| !target.contains("://"))
        .map(|target| target.split('#').next().unwrap().to_owned())
        .filter(|target| !target.is_empty())
        .collect()
}

#[test]
fn the_readme_has_exactly_two_commands_near_its_top() {
    let blocks = fenced_blocks(&readme());
    let (language, body, line) = &blocks[0];
    assert_eq!((language.as_str(), body.as_str()), ("sh", COMMANDS));
    assert!(*line < 40, "the commands stand at line {line}");
    let shell = blocks.iter().filter(|(language, ..)| language == "sh");
    assert_eq!(shell.count(), 1, "another block of commands");
}

#[test]
fn files_named_in_the_readme_exist() {
    let text = readme();
    let mut named = local_links(&text);
    named.extend(
        COMMANDS
            .split_whitespace()
            .filter(|word| word.contains('/'))
            .map(str::to_owned),
    );
    assert!(named.len() > 8, "only {named:?} found");
    for name in named {
        assert!(root().join(&name).exists(), "{name} does not exist");
    }
}

#[test]
fn links_between_the_documents_lead_somewhere() {
    let mut folders = vec![root().join("docs"), root().join("bench-runs")];
    let mut checked = 0;
    while let Some(folder) = folders.pop() {
        for entry in std::fs::read_dir(&folder).unwrap() {
            let path = entry.unwrap().path();
            if path.is_dir() {
                folders.push(path);
            } else if path.extension().is_some_and(|e| e == "md") {
                for link in local_links(&std::fs::read_to_string(&path).unwrap()) {
                    let there = folder.join(&link).exists();
                    assert!(there, "{}: {link} does not exist", path.display());
                    checked += 1;
                }
            }
        }
    }
    assert!(checked > 0, "no link found in docs");
}
