//! JSON Schema (draft 2020-12) of the files people write, from the same table of keys that reads
//! them, and the documentation of those keys.
//!
//! The schema is for editors: it completes keys, shows what they mean and marks what cannot be
//! right. It says less than the reader, which also checks ranges, units against dimensions, and
//! keys against each other.

use std::fmt::Write as _;

use serde_json::{Map, Value, json};

use crate::aircraft_file::keys;
use crate::aircraft_file::spec::{Key, Kind, Need, Section, Spec, Tolerance};
use crate::programme;
use crate::units::Dimension;

const NUMBER: &str = r"[+-]?([0-9]+\.?[0-9]*|\.[0-9]+)([eE][+-]?[0-9]+)?";

/// Schema of `aircraft.toml`.
pub fn json_schema() -> Value {
    schema(&keys::SPEC, "Aircraft file", "One physical configuration of an electric multirotor.")
}

/// Schema of `dossier.toml`.
pub fn programme_schema() -> Value {
    schema(&programme::SPEC, "Programme file", "An aircraft programme: requirement, site and builds.")
}

fn schema(spec: &Spec, title: &str, about: &str) -> Value {
    let mut properties = Map::new();
    let mut required: Vec<&str> = Vec::new();
    for section in spec.sections.iter().filter(|s| !s.inline) {
        let body = if section.list {
            let item = table(spec, section.name);
            json!({ "description": section.doc, "type": "array", "minItems": 1, "items": item })
        } else {
            let mut body = table(spec, section.name);
            if let Some(map) = body.as_object_mut() {
                map.insert("description".to_owned(), json!(section.doc));
            }
            body
        };
        match section.name.split_once('.') {
            None => {
                properties.insert(section.name.to_owned(), body);
            }
            Some((group, name)) => {
                let group = properties.entry(group.to_owned()).or_insert_with(
                    || json!({ "type": "object", "additionalProperties": false, "properties": {} }),
                );
                if let Some(inner) = group.get_mut("properties").and_then(Value::as_object_mut) {
                    inner.insert(name.to_owned(), body);
                }
            }
        }
        if section.required {
            required.push(section.name);
        }
    }
    json!({
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": title,
        "description": about,
        "type": "object",
        "required": required,
        "additionalProperties": false,
        "properties": properties,
    })
}

/// Schema of one section's table.
fn table(spec: &Spec, section: &str) -> Value {
    let mut properties = Map::new();
    let mut required: Vec<&str> = Vec::new();
    let mut conditions: Vec<Value> = Vec::new();
    for key in spec.keys_of(section) {
        properties.insert(key.name.to_owned(), property(spec, key));
        match (key.need, key.when) {
            (Need::Required, None) => required.push(key.name),
            (Need::Required, Some((on, value))) => conditions.push(json!({
                "if": { "properties": { on: { "const": value } }, "required": [on] },
                "then": { "required": [key.name] },
                "else": { "not": { "required": [key.name] } },
            })),
            _ => {}
        }
    }
    let mut out = json!({ "type": "object", "additionalProperties": false, "properties": properties });
    if let Some(map) = out.as_object_mut() {
        if !required.is_empty() {
            map.insert("required".to_owned(), json!(required));
        }
        if !conditions.is_empty() {
            map.insert("allOf".to_owned(), json!(conditions));
        }
    }
    out
}

fn property(spec: &Spec, key: &Key) -> Value {
    let mut body = match key.kind {
        Kind::Text | Kind::File => json!({ "type": "string", "minLength": 1 }),
        Kind::Flag => json!({ "type": "boolean" }),
        Kind::Count => {
            let bound = |t: Option<&str>| t.and_then(|t| t.parse::<i64>().ok());
            json!({
                "type": "integer",
                "minimum": bound(key.range.map(|r| r.min)),
                "maximum": bound(key.range.map(|r| r.max)),
            })
        }
        Kind::Quantity(d) => quantity(d),
        Kind::Vector(d) => triple(&quantity(d)),
        Kind::Direction => triple(&json!({ "type": "number" })),
        Kind::Axes(d) => json!({ "oneOf": [quantity(d), triple(&quantity(d))] }),
        Kind::Choice(words) => json!({ "enum": words }),
        Kind::Words(words) => json!({ "type": "array", "minItems": 1, "items": { "enum": words } }),
        Kind::Nested(section) => table(spec, section),
    };
    if let Some(map) = body.as_object_mut() {
        map.insert("description".to_owned(), json!(description(key)));
        if let Some(example) = example(key) {
            map.insert("examples".to_owned(), json!([example]));
        }
    }
    body
}

fn triple(item: &Value) -> Value {
    json!({ "type": "array", "minItems": 3, "maxItems": 3, "items": item })
}

/// A quantity with its unit and, where stated, its tolerance.
fn quantity(d: Dimension) -> Value {
    let mark = r"(\+-|\+/-|±)";
    if d == Dimension::Ratio {
        let text = format!(r"^\s*{NUMBER}\s*%?(\s*{mark}\s*{NUMBER}\s*%?)?\s*$");
        return json!({ "oneOf": [{ "type": "number" }, { "type": "string", "pattern": text }] });
    }
    let unit = r"[^0-9eE.\s,+±-][^+±]*|1?\s*/[^+±]+|1\s*/[^+±]+";
    let text = format!(r"^\s*{NUMBER}\s*({unit})({mark}\s*{NUMBER}\s*[^+±]+)?$");
    json!({ "type": "string", "pattern": text })
}

fn description(key: &Key) -> String {
    let mut text = format!("{} Form: {}.", key.doc, key.form());
    if let Some(r) = key.range {
        let _ = write!(text, " Range: {}.", r.words());
    }
    if let Some(t) = tolerance(key) {
        let _ = write!(text, " Tolerance where none is stated: {t}.");
    }
    text
}

fn tolerance(key: &Key) -> Option<String> {
    key.dimension()?;
    Some(match key.tolerance {
        Tolerance::Exact => "exact".to_owned(),
        Tolerance::Percent(p, why) => format!("{p} % ({why}; common practice, no source)"),
        Tolerance::Within(text, why) => format!("{text} ({why}; common practice, no source)"),
    })
}

/// The example as JSON.
fn example(key: &Key) -> Option<Value> {
    let value: toml_edit::Value = key.example.parse().ok()?;
    to_json(&value)
}

/// A TOML value as JSON.
fn to_json(value: &toml_edit::Value) -> Option<Value> {
    Some(match value {
        toml_edit::Value::String(s) => json!(s.value()),
        toml_edit::Value::Integer(i) => json!(i.value()),
        toml_edit::Value::Float(f) => json!(f.value()),
        toml_edit::Value::Boolean(b) => json!(b.value()),
        toml_edit::Value::Array(a) => Value::Array(a.iter().map(to_json).collect::<Option<_>>()?),
        toml_edit::Value::InlineTable(t) => {
            Value::Object(t.iter().map(|(k, v)| Some((k.to_owned(), to_json(v)?))).collect::<Option<_>>()?)
        }
        toml_edit::Value::Datetime(_) => return None,
    })
}

/// The keys of both files as Markdown tables, for the user guide.
pub fn markdown() -> String {
    let mut out = String::new();
    for (title, spec) in [("aircraft.toml", &keys::SPEC), (programme::FILE, &programme::SPEC)] {
        let _ = writeln!(out, "## {title}\n");
        for section in spec.sections {
            let head = if section.inline { section.name.to_owned() } else { Section::header(section) };
            let _ = writeln!(out, "### `{head}`\n\n{}\n", section.doc);
            let _ =
                writeln!(out, "| key | form | example | range | tolerance where none is stated | meaning |");
            let _ = writeln!(out, "| --- | --- | --- | --- | --- | --- |");
            for key in spec.keys_of(section.name) {
                let need = match key.need {
                    Need::Required => " (required)",
                    Need::Optional | Need::Default(_) => "",
                };
                let range = key.range.map_or_else(String::new, |r| r.words());
                let _ = writeln!(
                    out,
                    "| `{}`{need} | {} | `{}` | {range} | {} | {} |",
                    key.name,
                    key.form(),
                    key.example,
                    tolerance(key).unwrap_or_default(),
                    key.doc
                );
            }
            out.push('\n');
        }
    }
    out
}
