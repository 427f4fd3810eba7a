//! Import: log files through a channel map into records.
//!
//! `propose` reads files that have no map yet and writes one, with a question wherever names and data
//! leave a choice. `read_with_map` reads files through a map into a record in memory; `check_map` asks
//! where that record disagrees with itself. `import` does both and writes, or stops with the questions
//! that are open.

mod assemble;
mod axes;
mod columns;
mod commands;
mod consistency;
mod dialect;
mod doubt;
mod guess;
mod hand;
mod kinematics;
mod map;
mod map_file;
pub(crate) mod parquet_file;
mod propose;
pub(crate) mod table;
mod taps;
mod text_file;
mod timebase;
mod toml_reader;
mod vocabulary;
mod wav;
pub mod weighing;
mod words;

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

pub use assemble::read_with_map;
pub use axes::{Turn, TurnError};
pub use consistency::check_map;
pub use doubt::{Amendment, Answers, Choice, Doubt, as_diagnostics};
pub use hand::{HandRequest, import_hand, read_hand};
pub use map::{Axes, ChannelEntry, ChannelMap, Column, Delimiter, Format, SourceOptions, Stated, TimeEntry};
pub use propose::{Proposal, Unmapped, propose};
pub use table::Limit;
pub use wav::{MOST_SAMPLES, Sound, WavRequest, import_wav, is_wav, read_wav};
pub use weighing::{WeighingError, WeighingInput, WeighingResult, weighing};

use crate::diagnostic::{Diagnostic, Diagnostics};
use crate::record::{HandValue, Kind, Record, RecordMeta, RecordOrigin, Source};
use crate::record_store;

/// One import.
#[derive(Debug, Clone)]
pub struct Request<'a> {
    /// Log files; the first gives the time base.
    pub files: &'a [PathBuf],
    /// Name of the map, for messages.
    pub map_file: &'a Path,
    /// Text of the map.
    pub map_text: &'a str,
    /// The dossier's `records` folder.
    pub records: &'a Path,
    /// Identity; else date and kind, numbered.
    pub id: Option<&'a str>,
    /// Kind of the record.
    pub kind: Kind,
    /// Build it was made with.
    pub build: &'a str,
    /// Date of the measurement, `2026-03-04`.
    pub date: &'a str,
    /// Measured or simulated.
    pub origin: RecordOrigin,
    /// Values entered by hand beside the log: the rotor station, the site of the microphone.
    pub values: BTreeMap<String, HandValue>,
    /// Free text.
    pub remark: &'a str,
    /// What was different from the build; empty for the build as it is.
    pub setting: &'a str,
    /// Hash of each section of the build's aircraft file.
    pub fingerprint: BTreeMap<String, String>,
    /// Answers to doubts, `id=answer`.
    pub accept: &'a [String],
    /// How many malformed rows are too many.
    pub limit: Limit,
}

/// A record read through a map, with what is doubtful about it.
#[derive(Debug, Clone)]
pub struct Reading {
    /// The record; it has no identity yet.
    pub record: Record,
    /// The map, with answers applied.
    pub map: ChannelMap,
    /// Questions that are open.
    pub doubts: Vec<Doubt>,
}

/// Reads files through a map, applies answers, and lists the questions that remain.
pub fn read_and_check(
    files: &[PathBuf],
    map_file: &Path,
    map_text: &str,
    accept: &[String],
    limit: Limit,
    progress: &mut dyn FnMut(u64, u64),
) -> Result<Reading, Diagnostics> {
    let mut map = ChannelMap::parse(map_file, map_text)?;
    let mut answers = Answers::parse(map_file, accept)?;
    let mut asked: Vec<String> = Vec::new();
    // An answer may raise the next question; each round uses up at least one answer.
    loop {
        let record = read_with_map(files, map_file, &map, limit, progress)?;
        let mut doubts = check_map(&record, &map);
        asked.extend(doubts.iter().map(|d| d.id.clone()));
        if !answers.settle(map_file, &mut map, &mut doubts)? {
            unused(map_file, &answers, &asked)?;
            return Ok(Reading { record, map, doubts });
        }
    }
}

fn unused(map_file: &Path, answers: &Answers, asked: &[String]) -> Result<(), Diagnostics> {
    let unused = answers.unused();
    let errors: Vec<Diagnostic> = unused
        .iter()
        .map(|id| {
            let help = if asked.is_empty() {
                "nothing is doubtful: leave the answer out".to_owned()
            } else {
                format!("asked were: {}", asked.join(", "))
            };
            Diagnostic::error(map_file, format!("`{id}` is answered, but nothing of that name is asked"))
                .key("accept")
                .help(help)
        })
        .collect();
    if errors.is_empty() { Ok(()) } else { Err(Diagnostics(errors)) }
}

/// Whether a text is a date such as `2026-03-04`.
fn is_date(text: &str) -> bool {
    let parts: Vec<&str> = text.split('-').collect();
    let [y, m, d] = parts.as_slice() else { return false };
    let number = |t: &str, digits: usize| -> Option<u32> {
        (t.len() == digits && t.bytes().all(|b| b.is_ascii_digit())).then(|| t.parse().ok()).flatten()
    };
    let (Some(y), Some(m), Some(d)) = (number(y, 4), number(m, 2), number(d, 2)) else { return false };
    let leap = (y % 4 == 0 && y % 100 != 0) || y % 400 == 0;
    let days = match m {
        2 => 28 + u32::from(leap),
        4 | 6 | 9 | 11 => 30,
        1..=12 => 31,
        _ => 0,
    };
    (1..=days).contains(&d)
}

fn check_labels(file: &Path, records: &Path, id: Option<&str>, date: &str) -> Result<(), Diagnostics> {
    let mut errors = Vec::new();
    if !is_date(date) {
        let d = Diagnostic::error(file, format!("`{date}` is no date")).key("date");
        errors.push(d.help("year, month and day: 2026-03-04"));
    }
    if let Some(id) = id {
        if !record_store::is_id(id) {
            errors.push(Diagnostic::error(
                file,
                record_store::StoreError::BadId { id: id.to_owned() }.to_string(),
            ));
        } else if records.join(id).exists() {
            errors.push(Diagnostic::error(
                file,
                record_store::StoreError::Exists { id: id.to_owned() }.to_string(),
            ));
        }
    }
    if errors.is_empty() { Ok(()) } else { Err(Diagnostics(errors)) }
}

/// Imports log files: reads, checks, and writes the record. Nothing is written when anything is wrong or
/// a question is open.
pub fn import(request: &Request<'_>, progress: &mut dyn FnMut(u64, u64)) -> Result<RecordMeta, Diagnostics> {
    check_labels(request.map_file, request.records, request.id, request.date)?;
    let reading = read_and_check(
        request.files,
        request.map_file,
        request.map_text,
        request.accept,
        request.limit,
        progress,
    )?;
    if !reading.doubts.is_empty() {
        return Err(as_diagnostics(request.map_file, &reading.doubts));
    }
    let Reading { mut record, map, .. } = reading;
    for path in request.files {
        let (sha256, bytes) = record_store::hash_file(path)?;
        let file = path.file_name().map_or_else(String::new, |n| n.to_string_lossy().into_owned());
        record.meta.sources.push(Source { file, sha256, bytes });
    }
    record.meta.kind = request.kind;
    record.meta.values.clone_from(&request.values);
    request.build.clone_into(&mut record.meta.build);
    request.date.clone_into(&mut record.meta.date);
    record.meta.origin = request.origin;
    request.remark.clone_into(&mut record.meta.remark);
    request.setting.clone_into(&mut record.meta.setting);
    record.meta.fingerprint.clone_from(&request.fingerprint);
    for answer in request.accept {
        record.meta.report.remarks.push(format!("accepted at import: {answer}"));
    }
    // The map as given, unless an answer changed it.
    let given = ChannelMap::parse(request.map_file, request.map_text)?;
    let text = if given == map { request.map_text.to_owned() } else { map.to_toml() };
    store(request.records, &mut record, request.id, Some(&text))?;
    Ok(record.meta)
}

fn store(
    records: &Path,
    record: &mut Record,
    id: Option<&str>,
    map: Option<&str>,
) -> Result<(), Diagnostics> {
    match id {
        Some(id) => {
            id.clone_into(&mut record.meta.id);
            record_store::write_with_map(records, record, map)?;
        }
        None => {
            let base = format!("{}-{}", record.meta.date, record.meta.kind.word());
            record_store::write_numbered(records, record, &base, map)?;
        }
    }
    Ok(())
}
