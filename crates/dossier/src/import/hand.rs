//! Hand-entered records: weighings, notes and bench values, from a TOML file or a list of `key=value`.
//!
//! ```toml
//! remark = "hangar scales, no propellers"
//! [[point]]                                  # where scale 1 stands, from the reference point
//! at = ["210 mm", "0 mm", "80 mm"]
//! # two more points ...
//! [scale]
//! 1 = "1.12 kg +- 2 g"
//! [tilt]
//! pitch = "20 deg +- 0.2 deg"                # nose up
//! [tilted]
//! 1 = "1.02 kg +- 2 g"
//! ```

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use physics::aircraft::Aircraft;
use physics::mass::mass_properties;
use toml_edit::{Item, TableLike, Value};

use super::toml_reader::place;
use crate::diagnostic::{Diagnostic, Diagnostics};
use crate::record::{HandValue, ImportReport, Kind, Record, RecordMeta, RecordOrigin, Source};
use crate::record_store;
use crate::units::{Dimension, parse_quantity};

/// A hand-entered record to import.
#[derive(Debug, Clone)]
pub struct HandRequest<'a> {
    /// Name of the file, or of the call for `key=value` lists, for messages.
    pub file: &'a Path,
    /// TOML text, or one `key=value` a line.
    pub text: &'a str,
    /// The file is a source to be hashed.
    pub source: Option<&'a PathBuf>,
    /// The dossier's `records` folder.
    pub records: &'a Path,
    /// Identity; else date and kind, numbered.
    pub id: Option<&'a str>,
    /// Weighing or note.
    pub kind: Kind,
    /// Build.
    pub build: &'a str,
    /// Date, `2026-03-04`.
    pub date: &'a str,
    /// Hash of each section of the build's aircraft file.
    pub fingerprint: BTreeMap<String, String>,
    /// Aircraft of the build: a weighing keeps what was computed on its day.
    pub aircraft: Option<&'a Aircraft>,
}

type Values = BTreeMap<String, HandValue>;
/// A flattened entry: key, text, byte where it stands.
type Entry = (String, String, Option<usize>);

/// Reads hand-entered values and the remark.
pub fn read_hand(file: &Path, text: &str, kind: Kind) -> Result<(Values, String), Diagnostics> {
    let mut errors = Vec::new();
    let entries = match toml_edit::Document::parse(text) {
        Ok(document) => {
            let mut entries = Vec::new();
            flatten("", document.as_table(), &mut entries);
            entries
        }
        // `scale.1=1.12 kg` is no TOML for want of quotes.
        Err(e) => match pairs(text) {
            Some(entries) => entries,
            None => {
                let mut d = Diagnostic::error(file, e.message().trim().replace('\n', "; "));
                if let Some(span) = e.span() {
                    let (line, column) = place(text, span.start);
                    d = d.at(line, column);
                }
                return Err(d.help("keys and values: scale.1 = \"1.12 kg +- 2 g\"").into());
            }
        },
    };
    let mut values = Values::new();
    let mut remark = String::new();
    for (key, value, at) in entries {
        let here = |message: String| {
            let d = Diagnostic::error(file, message).key(key.clone()).found(value.clone());
            match at {
                Some(at) => {
                    let (line, column) = place(text, at);
                    d.at(line, column)
                }
                None => d,
            }
        };
        if key == "remark" {
            remark = value;
            continue;
        }
        let read = if kind == Kind::Weighing { weighing_value(&key, &value) } else { note_value(&value) };
        match read {
            Ok(v) => {
                if values.insert(key.clone(), v).is_some() {
                    errors.push(here(format!("`{key}` stands twice")).help("remove one of the two"));
                }
            }
            Err((message, help)) => errors.push(here(message).help(help)),
        }
    }
    if values.is_empty() && errors.is_empty() && (kind != Kind::Note || remark.is_empty()) {
        errors.push(Diagnostic::error(file, "nothing is entered").help("scale.1 = \"1.12 kg +- 2 g\""));
    }
    if errors.is_empty() { Ok((values, remark)) } else { Err(Diagnostics(errors)) }
}

fn pairs(text: &str) -> Option<Vec<Entry>> {
    let mut at = 0;
    let mut entries = Vec::new();
    for line in text.split_inclusive('\n') {
        let start = at;
        at += line.len();
        let trimmed = line.trim();
        if trimmed.is_empty() || trimmed.starts_with('#') {
            continue;
        }
        let (key, value) = trimmed.split_once('=')?;
        let plain = |b: u8| b.is_ascii_alphanumeric() || matches!(b, b'.' | b'_' | b'-');
        if !key.trim().bytes().all(plain) || key.trim().is_empty() {
            return None;
        }
        entries.push((key.trim().to_owned(), value.trim().trim_matches('"').to_owned(), Some(start)));
    }
    Some(entries)
}

fn scalar(v: &Value) -> String {
    v.as_str().map_or_else(|| v.to_string().trim().to_owned(), str::to_owned)
}

fn flatten(prefix: &str, table: &dyn TableLike, out: &mut Vec<Entry>) {
    for (key, item) in table.iter() {
        let key = if prefix.is_empty() { key.to_owned() } else { format!("{prefix}.{key}") };
        let at = item.span().map(|s| s.start);
        match item {
            Item::ArrayOfTables(list) => {
                for (i, t) in list.iter().enumerate() {
                    flatten(&format!("{key}.{}", i + 1), t, out);
                }
            }
            Item::Value(Value::Array(list)) if key.ends_with(".at") || key == "at" => {
                let stem = key.trim_end_matches("at").trim_end_matches('.');
                for (v, axis) in list.iter().zip(["x", "y", "z"]) {
                    out.push((format!("{stem}.{axis}"), scalar(v), v.span().map(|s| s.start)));
                }
            }
            Item::Value(Value::InlineTable(t)) => flatten(&key, t, out),
            Item::Table(t) => flatten(&key, t, out),
            Item::Value(v) => out.push((key, scalar(v), at)),
            Item::None => {}
        }
    }
}

fn hand(value: f64, uncertainty: Option<f64>, dimension: Dimension) -> HandValue {
    HandValue { value, uncertainty: uncertainty.unwrap_or(0.0), unit: dimension.si().to_owned() }
}

fn weighing_value(key: &str, text: &str) -> Result<HandValue, (String, String)> {
    let parts: Vec<&str> = key.split('.').collect();
    let number = |t: &str| t.parse::<usize>().is_ok_and(|n| (1..=12).contains(&n) && n.to_string() == t);
    let dimension = match parts.as_slice() {
        ["scale" | "tilted", n] if number(n) => Dimension::Mass,
        ["point", n, "x" | "y" | "z"] if number(n) => Dimension::Length,
        ["tilt", "pitch" | "roll"] => Dimension::Angle,
        ["payload_fitted"] => return payload_flag(text),
        _ => {
            let help = "keys are scale.1, point.1.x (or at = [x, y, z]), tilted.1, tilt.pitch, tilt.roll, payload_fitted, remark";
            return Err((format!("`{key}` is not part of a weighing"), help.to_owned()));
        }
    };
    match parse_quantity(text, dimension) {
        Ok(q) => Ok(hand(q.value, q.uncertainty, dimension)),
        Err(e) => Err((e.to_string(), e.help())),
    }
}

/// Whether the payload was on.
fn payload_flag(text: &str) -> Result<HandValue, (String, String)> {
    let value = match text {
        "true" | "yes" | "1" => 1.0,
        "false" | "no" | "0" => 0.0,
        _ => return Err((format!("`{text}` is neither true nor false"), "payload_fitted = true".to_owned())),
    };
    Ok(hand(value, None, Dimension::Ratio))
}

/// A note's value in whichever dimension its unit belongs to; the everyday ones first.
fn note_value(text: &str) -> Result<HandValue, (String, String)> {
    // What is ticked, and which way a motor turns.
    let word = match text {
        "yes" | "ccw" => Some(1.0),
        "no" => Some(0.0),
        "cw" => Some(-1.0),
        _ => None,
    };
    if let Some(value) = word {
        return Ok(hand(value, None, Dimension::Ratio));
    }
    let everyday = [Dimension::Mass, Dimension::Temperature, Dimension::Time, Dimension::Frequency];
    for dimension in everyday.iter().chain(Dimension::ALL) {
        if let Ok(q) = parse_quantity(text, *dimension) {
            return Ok(hand(q.value, q.uncertainty, *dimension));
        }
    }
    let help =
        "a number with its unit and, where known, its tolerance: \"61 degC +- 3 K\"; words belong in remark";
    Err((format!("`{text}` is no quantity"), help.to_owned()))
}

/// Keeps in a weighing what the aircraft file of its day computes: by the difference it is carried to
/// later mass items.
fn keep_computed(meta: &mut RecordMeta, aircraft: &Aircraft) {
    let flown = crate::check::as_flown(aircraft, meta);
    let mass = mass_properties(&flown.bodies);
    let figures =
        [("mass", mass.mass, "kg"), ("centre.x", mass.centre.x, "m"), ("centre.y", mass.centre.y, "m")];
    for (name, value, unit) in figures {
        let value = HandValue { value, uncertainty: 0.0, unit: unit.to_owned() };
        meta.values.insert(format!("computed.{name}"), value);
    }
}

/// Imports a weighing or a note. A weighing that gives no result is refused.
pub fn import_hand(request: &HandRequest<'_>) -> Result<RecordMeta, Diagnostics> {
    super::check_labels(request.file, request.records, request.id, request.date)?;
    let (values, remark) = read_hand(request.file, request.text, request.kind)?;
    let mut sources = Vec::new();
    if let Some(path) = request.source {
        let (sha256, bytes) = record_store::hash_file(path)?;
        let file = path.file_name().map_or_else(String::new, |n| n.to_string_lossy().into_owned());
        sources.push(Source { file, sha256, bytes });
    }
    let meta = RecordMeta {
        id: String::new(),
        kind: request.kind,
        build: request.build.to_owned(),
        date: request.date.to_owned(),
        origin: RecordOrigin::Measured,
        remark,
        setting: String::new(),
        sources,
        rate: 0.0,
        channels: Vec::new(),
        fingerprint: request.fingerprint.clone(),
        values,
        report: ImportReport::default(),
    };
    let mut meta = meta;
    if meta.kind == Kind::Weighing {
        super::weighing(&meta)
            .map_err(|e| Diagnostics::from(Diagnostic::error(request.file, e.to_string())))?;
        if let Some(aircraft) = request.aircraft {
            keep_computed(&mut meta, aircraft);
        }
    }
    let mut record = Record { meta, time: Vec::new(), channels: BTreeMap::new() };
    super::store(request.records, &mut record, request.id, None)?;
    Ok(record.meta)
}
