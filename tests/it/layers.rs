//! Arrows between modules point one way, and only the command line prints.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

/// Modules in order; a module uses only those before it.
const ORDER: [&str; 19] = [
    "units",
    "finding",
    "capture",
    "fluid",
    "fit",
    "surface",
    "matching",
    "characterisation",
    "characterise",
    "lines",
    "table",
    "demand",
    "setup",
    "sheet",
    "plan",
    "plots",
    "report",
    "cli",
    "main",
];

/// Modules that see the results only through the file's types.
const NARROW: [(&str, &[&str]); 3] = [
    ("finding", &["units"]),
    ("plots", &["units", "finding", "characterisation"]),
    ("report", &["units", "finding", "characterisation", "plots"]),
];

fn sources() -> Vec<(PathBuf, String)> {
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("src");
    let mut folders = vec![root.clone()];
    let mut found = Vec::new();
    while let Some(folder) = folders.pop() {
        for entry in std::fs::read_dir(folder).unwrap() {
            let path = entry.unwrap().path();
            if path.is_dir() {
                folders.push(path);
            } else if path.extension().is_some_and(|e| e == "rs") {
                let text = std::fs::read_to_string(&path).unwrap();
                found.push((path.strip_prefix(&root).unwrap().to_owned(), text));
            }
        }
    }
    found.sort();
    found
}

/// `fit/sweep.rs` and `fit.rs` belong to `fit`.
fn module_of(path: &Path) -> String {
    let first = path.components().next().unwrap().as_os_str();
    Path::new(first)
        .file_stem()
        .unwrap()
        .to_string_lossy()
        .into_owned()
}

/// Code without comments and string literals, so that prose cannot trip the test.
fn code_only(text: &str) -> String {
    let mut out = String::new();
    for line in text.lines() {
        let mut rest = line;
        let mut kept = String::new();
        while let Some(quote) = rest.find('"') {
            if rest[..quote].contains("//") {
                break;
            }
            kept.push_str(&rest[..quote]);
            let literal = &rest[quote + 1..];
            match end_of_literal(literal) {
                Some(end) => rest = &literal[end + 1..],
                None => {
                    rest = "";
                    break;
                }
            }
        }
        kept.push_str(rest);
        let code = kept.find("//").map_or(kept.as_str(), |at| &kept[..at]);
        out.push_str(code);
        out.push('\n');
    }
    out
}

fn end_of_literal(literal: &str) -> Option<usize> {
    let bytes = literal.as_bytes();
    (0..bytes.len()).find(|&i| {
        let backslashes = bytes[..i].iter().rev().take_while(|b| **b == b'\\').count();
        bytes[i] == b'"' && backslashes % 2 == 0
    })
}

/// Every module named after `crate::` (or, in the binary, `meniscus::`),
/// grouped imports `crate::{a, b::c}` included.
fn used_modules(code: &str) -> Vec<String> {
    let mut used = Vec::new();
    for root in ["crate::", "meniscus::"] {
        for (at, _) in code.match_indices(root) {
            // `$crate::` and `some_crate::` are something else.
            let before = code[..at].chars().next_back();
            if before.is_some_and(|c| c.is_alphanumeric() || c == '_') {
                continue;
            }
            let rest = &code[at + root.len()..];
            match rest.strip_prefix('{') {
                Some(group) => used.extend(first_names_of_group(group)),
                None => used.push(leading_name(rest)),
            }
        }
    }
    used.retain(|name| !name.is_empty());
    used
}

fn leading_name(text: &str) -> String {
    text.trim_start()
        .chars()
        .take_while(|c| c.is_alphanumeric() || *c == '_')
        .collect()
}

fn first_names_of_group(group: &str) -> Vec<String> {
    let (mut depth, mut start, mut names) = (0, 0, Vec::new());
    for (at, c) in group.char_indices() {
        match c {
            '{' => depth += 1,
            '}' if depth == 0 => {
                names.push(leading_name(&group[start..at]));
                break;
            }
            '}' => depth -= 1,
            ',' if depth == 0 => {
                names.push(leading_name(&group[start..at]));
                start = at + 1;
            }
            _ => {}
        }
    }
    names
}

fn wrong_arrows(files: &[(PathBuf, String)]) -> Vec<String> {
    let rank: BTreeMap<&str, usize> = ORDER.iter().enumerate().map(|(i, m)| (*m, i)).collect();
    let mut wrong = Vec::new();
    for (path, text) in files {
        let module = module_of(path);
        if module == "lib" {
            continue;
        }
        let Some(own) = rank.get(module.as_str()) else {
            wrong.push(format!("{}: module not in the order", path.display()));
            continue;
        };
        let narrow = NARROW.iter().find(|(name, _)| *name == module);
        for used in used_modules(&code_only(text)) {
            // A name that is no module is an item of lib.rs, which sits on top.
            let late = match rank.get(used.as_str()) {
                Some(other) => other > own,
                None => module != "cli" && module != "main",
            };
            let barred = narrow
                .is_some_and(|(_, allowed)| used != module && !allowed.contains(&used.as_str()));
            if late || barred {
                wrong.push(format!("{}: {module} uses {used}", path.display()));
            }
        }
    }
    wrong
}

fn printing(files: &[(PathBuf, String)]) -> Vec<String> {
    let mut found = Vec::new();
    for (path, text) in files {
        if ["cli", "main"].contains(&module_of(path).as_str()) {
            continue;
        }
        for word in ["println!", "print!", "eprintln!", "eprint!", "dbg!"] {
            if code_only(text).contains(word) {
                found.push(format!("{}: {word}", path.display()));
            }
        }
    }
    found
}

#[test]
fn a_module_uses_only_earlier_ones() {
    let files = sources();
    assert!(files.len() > 10, "only {} source files found", files.len());
    let wrong = wrong_arrows(&files);
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

#[test]
fn only_the_command_line_prints() {
    let found = printing(&sources());
    assert!(found.is_empty(), "{}", found.join("\n"));
}

#[test]
fn the_check_itself_sees_wrong_arrows_and_printing() {
    let file = |path: &str, text: &str| vec![(PathBuf::from(path), text.to_owned())];
    for (path, text) in [
        ("fit/sweep.rs", "use crate::matching::SetMatch;"),
        (
            "capture.rs",
            "use crate::{units::Unit, fit::{line, SweepFit}};",
        ),
        ("capture.rs", "use crate::{\n    units::Unit,\n    cli,\n};"),
        ("finding.rs", "fn f() { crate::capture::read(); }"),
        ("plots/axes.rs", "use crate::fit::SweepFit;"),
        ("units.rs", "use crate::run_fit;"),
        ("helpers.rs", ""),
    ] {
        assert_eq!(wrong_arrows(&file(path, text)).len(), 1, "{path}: {text}");
    }
    for (path, text) in [
        ("fit/sweep.rs", "use crate::capture::Sweep; // crate::cli"),
        ("report.rs", "let s = \"crate::cli\"; use crate::plots;"),
        ("cli/args.rs", "use crate::run_fit; use crate::report;"),
        ("main.rs", "meniscus::cli::run()"),
        ("lib.rs", "pub use crate::cli::run;"),
    ] {
        assert_eq!(wrong_arrows(&file(path, text)), Vec::<String>::new());
    }
    assert_eq!(printing(&file("fit.rs", "println!(\"x\")")).len(), 1);
    assert!(printing(&file("fit.rs", "// println!")).is_empty());
    assert!(printing(&file("cli.rs", "println!()")).is_empty());
}
