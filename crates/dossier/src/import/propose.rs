//! Proposes a channel map for files that have none.

use std::path::{Path, PathBuf};

use serde::Serialize;

use super::columns::{Builder, Seen, see};
use super::consistency::check_map;
use super::doubt::{Amendment, Answers, Choice, Doubt};
use super::kinematics::{compare, vector};
use super::map::{ChannelMap, Column};
use super::table::{self, Limit, Opened, Progress, Table};
use super::vocabulary::{AttitudePart, canonical};
use super::{assemble, dialect, parquet_file};
use crate::diagnostic::{Diagnostic, Diagnostics};
use crate::record::Record;
use crate::units::Dimension;

/// Rows looked at.
const ROWS: u64 = 200_000;

/// A column that the proposal leaves out.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Unmapped {
    /// File, from 1.
    pub file: usize,
    /// Position, from 1.
    pub position: usize,
    /// Name, empty without a header.
    pub name: String,
    /// What it holds.
    pub holds: String,
}

/// A proposed map.
#[derive(Debug, Clone)]
pub struct Proposal {
    /// The map.
    pub map: ChannelMap,
    /// The map as TOML text, with comments where it is unsure.
    pub text: String,
    /// Questions; nothing that one of them is about is certain.
    pub doubts: Vec<Doubt>,
    /// Columns left out.
    pub unmapped: Vec<Unmapped>,
    /// What was found about the files' form.
    pub remarks: Vec<String>,
}

/// Proposes a map; `accept` answers questions as `id=answer`.
pub fn propose(
    files: &[PathBuf],
    accept: &[String],
    progress: Progress<'_>,
) -> Result<Proposal, Diagnostics> {
    let name = PathBuf::from("channel map");
    let tables = read_all(files, progress)?;
    let remarks = tables.iter().flat_map(|t| t.remarks.clone()).collect();
    let mut builder = Builder {
        tables: &tables,
        columns: see(&tables),
        map: ChannelMap::default(),
        doubts: Vec::new(),
        guessed: Vec::new(),
    };
    builder.times();
    builder.names();
    builder.groups();
    builder.leftover_rotors();
    builder.units();
    let Builder { columns, mut map, doubts: named, guessed, .. } = builder;
    if map.channels.is_empty() {
        let first = files.first().map_or(name.as_path(), PathBuf::as_path);
        let d = Diagnostic::error(first, "no column could be recognised by its name or its numbers");
        return Err(d.help("write a channel map by hand; columns can be named by position").into());
    }
    let mut answers = Answers::parse(&name, accept)?;
    let limit = Limit { share: 1.0, rows: ROWS, ..Limit::default() };
    let mut named = named;
    let mut asked: Vec<String> = Vec::new();
    let doubts = loop {
        asked.extend(named.iter().map(|d| d.id.clone()));
        let mut changed = answers.settle(&name, &mut map, &mut named)?;
        drop_incomplete(&mut map);
        let record = assemble::read_with_map(files, &name, &map, limit, &mut |_, _| {})?;
        let mut found = check_map(&record, &map);
        axes_unseen(&record, &mut found);
        let mut open = named.clone();
        settle_units(&record, &guessed, &mut open, &found);
        asked.extend(found.iter().map(|d| d.id.clone()));
        changed |= answers.settle(&name, &mut map, &mut found)?;
        if !changed {
            open.extend(found);
            break open;
        }
    };
    super::unused(&name, &answers, &asked)?;
    for c in &mut map.channels {
        c.comment = doubts.iter().find(|d| concerns(d, &c.name)).map(|d| d.question.clone());
    }
    let unmapped = columns
        .iter()
        .filter(|c| !used(&map, c))
        .map(|c| Unmapped {
            file: c.file,
            position: c.position + 1,
            name: c.name.clone(),
            holds: if c.figures.count == 0 { "no numbers".to_owned() } else { c.figures.range() },
        })
        .collect();
    let text = map.to_toml();
    Ok(Proposal { map, text, doubts, unmapped, remarks })
}

fn used(map: &ChannelMap, seen: &Seen) -> bool {
    let is = |c: &Column| match c {
        Column::Name(n) => *n == seen.name,
        Column::Position(p) => *p == seen.position + 1,
    };
    map.channels.iter().any(|c| c.file == seen.file && c.column.as_ref().is_some_and(is))
        || map.time.iter().any(|t| t.file == seen.file && t.column.as_ref().is_some_and(is))
}

fn concerns(doubt: &Doubt, channel: &str) -> bool {
    let about = doubt.channel.as_str();
    if about == channel || channel.starts_with(&format!("{about}.")) {
        return true;
    }
    // `rotor.N.command` stands for all rotors.
    match (about.strip_prefix("rotor.N."), channel.strip_prefix("rotor.")) {
        (Some(what), Some(rest)) => rest.split_once('.').is_some_and(|(_, w)| w == what),
        _ => false,
    }
}

fn read_all(files: &[PathBuf], progress: Progress<'_>) -> Result<Vec<Table>, Diagnostics> {
    let mut tables = Vec::new();
    if files.is_empty() {
        return Err(Diagnostic::error(Path::new("channel map"), "no file to read")
            .help("name the log file")
            .into());
    }
    for path in files {
        let opened = table::open(path, &super::SourceOptions::default())?;
        let numeric = match &opened {
            Opened::Text(d) => dialect::numeric_columns(path, d)?,
            Opened::Parquet(_) => parquet_file::numeric_columns(path)?,
        };
        let limit = Limit { share: 1.0, rows: ROWS, ..Limit::default() };
        let mut table = opened.read(path, &numeric, None, limit, progress)?;
        table.width = opened.width();
        tables.push(table);
    }
    Ok(tables)
}

/// Attitudes that are not whole cannot be used.
fn drop_incomplete(map: &mut ChannelMap) {
    for stem in super::vocabulary::ATTITUDES {
        let parts: Vec<AttitudePart> = map
            .channels
            .iter()
            .filter_map(|c| canonical(&c.name)?.attitude)
            .filter(|a| a.0 == *stem)
            .map(|a| a.1)
            .collect();
        let quaternion = parts.iter().filter(|p| matches!(p, AttitudePart::Quaternion(_))).count();
        let angles = parts.len() - quaternion;
        map.channels.retain(|c| match canonical(&c.name).and_then(|k| k.attitude) {
            Some((s, AttitudePart::Quaternion(_))) if s == *stem => quaternion == 4,
            Some((s, AttitudePart::Angle(_))) if s == *stem => angles == 3 && quaternion != 4,
            _ => true,
        });
    }
}

/// Units that the data prove need no question: a rate that is the attitude's derivative.
fn settle_units(record: &Record, guessed: &[(String, Dimension)], open: &mut Vec<Doubt>, found: &[Doubt]) {
    let disagrees = found.iter().any(|d| d.id == "rate-unit" || d.id == "attitude");
    if disagrees || vector(record, "rate").is_none() {
        return;
    }
    let Some(a) = compare(record, "rate", false) else { return };
    let agrees = (0..3).all(|i| {
        let ratio = a.measured[i] / a.from_attitude[i];
        a.from_attitude[i] < 0.03
            || (a.correlation[i].iter().any(|r| r.abs() > 0.9) && (0.8..1.25).contains(&ratio))
    });
    if agrees && (0..3).any(|i| a.from_attitude[i] > 0.1) {
        for stem in ["rate", "attitude"] {
            if guessed.iter().any(|(g, _)| g == stem) {
                open.retain(|d| d.id != format!("unit-{stem}") && d.id != format!("name-{stem}"));
            }
        }
        if !guessed.iter().any(|(g, _)| g == "attitude") {
            open.retain(|d| d.id != "name-attitude");
        }
    }
}

/// Without a specific force nothing shows which way the axes point.
fn axes_unseen(record: &Record, found: &mut Vec<Doubt>) {
    let has_vector = vector(record, "rate").is_some() || record.channel("attitude.w").is_some();
    if !has_vector || vector(record, "accel").is_some() || found.iter().any(|d| d.id == "axes") {
        return;
    }
    let up = super::axes::Turn::ABOUT_X;
    found.push(Doubt {
        id: "axes".to_owned(),
        channel: "rate".to_owned(),
        question: "Which way do the source's axes point?".to_owned(),
        why: "no specific force is logged, and only gravity would show it".to_owned(),
        options: vec![
            Choice::keep("front, right, down"),
            Choice::new(
                "front-left-up",
                "front, left, up, over north, west, up",
                vec![Amendment::Body(up), Amendment::Earth(up)],
            ),
        ],
    });
}
