//! The characterisation file keeps its promise: schema, round trip, refusal of what it does not know.

use meniscus::characterisation::{json_schema, read, to_json};

use crate::runs::characterise_run;

/// The committed schema is the one the types make. To renew it:
/// `cargo run -- schema > docs/schema/characterisation-1.schema.json`.
#[test]
fn the_committed_schema_is_that_of_the_types() {
    let path = concat!(
        env!("CARGO_MANIFEST_DIR"),
        "/docs/schema/characterisation-1.schema.json"
    );
    let committed: serde_json::Value =
        serde_json::from_str(&std::fs::read_to_string(path).unwrap()).unwrap();
    assert_eq!(committed, json_schema());
}

#[test]
fn every_demo_run_makes_a_valid_file_that_reads_back_equal() {
    let validator = jsonschema::validator_for(&json_schema()).unwrap();
    for name in crate::runs::names() {
        let document = characterise_run(&name);
        let text = to_json(&document).unwrap();
        let value: serde_json::Value = serde_json::from_str(&text).unwrap();
        let faults: Vec<_> = validator
            .iter_errors(&value)
            .map(|e| e.to_string())
            .collect();
        assert!(faults.is_empty(), "{name}: {faults:?}");
        assert_eq!(read(&text).unwrap(), document, "{name}");
        assert_eq!(
            to_json(&characterise_run(&name)).unwrap(),
            text,
            "{name}: same bytes twice"
        );
    }
}

#[test]
fn an_unknown_key_or_version_is_refused_with_its_place() {
    let document = characterise_run("healthy-six");
    let text = to_json(&document).unwrap();
    let unknown = text.replacen("\"tool\"", "\"tol\"", 1);
    assert!(read(&unknown).unwrap_err().to_string().contains("tol"));
    let newer = text.replacen("characterisation-1", "characterisation-2", 1);
    let error = read(&newer).unwrap_err().to_string();
    assert!(
        error.contains("characterisation-2") && error.contains("line"),
        "{error}"
    );
}

/// Whoever reads the file from elsewhere has the page on its format and nothing else.
#[test]
fn every_field_of_the_schema_is_described() {
    fn names(value: &serde_json::Value, found: &mut Vec<String>) {
        if let Some(fields) = value.get("properties").and_then(|p| p.as_object()) {
            found.extend(fields.keys().cloned());
        }
        match value {
            serde_json::Value::Object(map) => map.values().for_each(|v| names(v, found)),
            serde_json::Value::Array(list) => list.iter().for_each(|v| names(v, found)),
            _ => {}
        }
    }
    let mut fields = Vec::new();
    names(&json_schema(), &mut fields);
    let page = include_str!("../../docs/format.md");
    let missing: Vec<_> = fields
        .iter()
        .filter(|f| !page.contains(f.as_str()))
        .collect();
    assert!(fields.len() > 80 && missing.is_empty(), "{missing:?}");
}
