//! The JSON Schema: complete, and in agreement with the reader.

use std::path::Path;

use dossier::aircraft_file::keys::{KEYS, SECTIONS};
use dossier::schema::{json_schema, markdown, programme_schema};
use serde_json::Value;

/// Schema of a section's table, by its dotted name.
fn section<'a>(schema: &'a Value, name: &str) -> &'a Value {
    let mut at = schema;
    for part in name.split('.') {
        at = &at["properties"][part];
        if at["items"].is_object() {
            at = &at["items"];
        }
    }
    at
}

#[test]
fn prop_every_key_is_in_the_schema() {
    let schema = json_schema();
    assert_eq!(schema["$schema"], "https://json-schema.org/draft/2020-12/schema");
    assert_eq!(schema["additionalProperties"], false);
    for s in SECTIONS {
        let table = section(&schema, s.name);
        assert_eq!(table["additionalProperties"], false, "{}", s.name);
        let mine = KEYS.iter().filter(|k| k.section == s.name).count();
        let there = table["properties"].as_object().map_or(0, serde_json::Map::len);
        assert_eq!(mine, there, "{}", s.name);
    }
    for key in KEYS {
        let p = &section(&schema, key.section)["properties"][key.name];
        assert!(p["description"].as_str().is_some_and(|d| d.len() > 10), "{}", key.path());
        assert!(p["examples"][0] != Value::Null, "{}", key.path());
    }
    assert!(programme_schema()["properties"]["site"]["properties"]["elevation"]["pattern"].is_string());
}

/// An independent validator (python-jsonschema, see reference/make_schema_cases.py) was given the
/// schema and the files of the fixtures. What the reader accepts the schema accepts; a file that
/// the schema refuses the reader refuses.
#[test]
fn val_schema_against_jsonschema() {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/fixtures/aircraft");
    let table = include_str!("../../../../reference/schema_cases.csv");
    let digest = table.lines().find_map(|l| l.strip_prefix("# schema sha256: ")).unwrap();
    let mut refused = 0;
    let mut agreed = 0;
    let mut checked = 0;
    for row in table.lines().filter(|l| !l.starts_with('#') && !l.starts_with("file,")) {
        let (file, valid) = row.split_once(',').unwrap();
        let read = dossier::aircraft_file::AircraftFile::load(&folder.join(file)).is_ok();
        assert!(!read || valid == "true", "{file} is read but the schema refuses it");
        agreed += usize::from(!read || valid == "true");
        refused += usize::from(valid == "false");
        checked += 1;
    }
    println!(
        "VALIDATION|schema|fixtures that the schema does not refuse while the reader accepts, of {checked}|python-jsonschema (draft 2020-12)|{checked}|{agreed}|exact"
    );
    // The schema is worth having: it alone refuses a good part of the broken files.
    assert!(refused >= 35, "{refused} of {checked}");
    // The verdicts are about this schema and no other.
    let text = serde_json::to_string(&json_schema()).unwrap();
    assert_eq!(digest, sha256(&text), "run reference/make_schema_cases.py again");
}

fn sha256(text: &str) -> String {
    use sha2::Digest as _;
    sha2::Sha256::digest(text.as_bytes()).iter().map(|b| format!("{b:02x}")).collect()
}

#[test]
fn regress_schema_text() {
    insta::assert_snapshot!("aircraft-schema", serde_json::to_string_pretty(&json_schema()).unwrap());
}

#[test]
fn prop_documentation_names_every_key() {
    let text = markdown();
    for key in KEYS {
        assert!(text.contains(&format!("| `{}`", key.name)), "{}", key.path());
    }
    assert!(text.contains("### `[[mass]]`") && text.contains("### `[site]`"));
}
