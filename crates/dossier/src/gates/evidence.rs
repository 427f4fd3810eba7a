//! Evidence of one build: its records with what they show, and whether they still hold.

use std::collections::{BTreeMap, BTreeSet};

use crate::check::payload_fitted;
use crate::diagnostic::Diagnostic;
use crate::estimate::{Estimate, Origin};
use crate::findings::{Findings, Outcome};
use crate::record::RecordMeta;

/// One flight or bench record with its findings.
#[derive(Debug, Clone, PartialEq)]
pub struct Flight {
    /// Record.
    pub meta: RecordMeta,
    /// What it shows.
    pub findings: Findings,
}

/// All evidence of one build.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Evidence {
    /// Flights, oldest first.
    pub flights: Vec<Flight>,
    /// Bench records with their findings, oldest first.
    pub benches: Vec<Flight>,
    /// Bench records of another setting than the build's, oldest first: nothing rests on them.
    pub trials: Vec<Flight>,
    /// Weighings, oldest first.
    pub weighings: Vec<RecordMeta>,
    /// Notes, oldest first.
    pub notes: Vec<RecordMeta>,
    /// What was wrong with records that could not be used.
    pub warnings: Vec<Diagnostic>,
}

/// A measured figure with the record behind it.
#[derive(Debug, Clone, PartialEq)]
pub struct Found {
    /// The figure.
    pub estimate: Estimate,
    /// The record.
    pub record: String,
    /// Its date.
    pub date: String,
    /// Sections of the aircraft file it rests on.
    pub rests_on: Vec<String>,
    /// Why it no longer holds.
    pub stale: Option<String>,
    /// What of the question it leaves unanswered: such a figure can fail a criterion but not meet it.
    pub partial: Option<String>,
}

/// Answer of the evidence to a question.
#[derive(Debug, Clone, PartialEq)]
pub enum Answer {
    /// Measured.
    Found(Box<Found>),
    /// A record exists but cannot tell: what is missing and which test would tell.
    CannotTell(String),
    /// No record.
    Nothing,
}

impl Answer {
    /// The figure, when there is one.
    pub fn found(self) -> Option<Found> {
        match self {
            Self::Found(f) => Some(*f),
            _ => None,
        }
    }
}

/// Whether something that rests on `rests` is touched by a change of the section `section`.
///
/// Findings name what they rest on by the headers of the aircraft file; its fingerprint puts
/// `aircraft` and `station` together as `geometry`, and `loop` stands for every loop.
pub(super) fn covers(rests: &str, section: &str) -> bool {
    match rests {
        "station" | "aircraft" => section == "geometry",
        "loop" => section == "loop" || section.starts_with("loop."),
        "structure" => section == "structure" || section.starts_with("structure."),
        other => other == section,
    }
}

/// Sections that differ between a record's fingerprint and the file of today.
pub(super) fn changed(
    meta: &RecordMeta,
    today: &BTreeMap<String, String>,
    rests_on: &[String],
) -> Option<String> {
    if meta.fingerprint.is_empty() {
        return None;
    }
    let sections: BTreeSet<&str> = meta.fingerprint.keys().chain(today.keys()).map(String::as_str).collect();
    let differ: Vec<&str> = sections
        .into_iter()
        .filter(|s| rests_on.iter().any(|r| covers(r, s)) && meta.fingerprint.get(*s) != today.get(*s))
        .collect();
    (!differ.is_empty()).then(|| format!("changed since {}: {}", meta.date, differ.join(", ")))
}

/// Newest figure under `key` of records given newest first: one that still holds if there is one.
fn newest<'a>(list: impl Iterator<Item = &'a Flight>, key: &str, today: &BTreeMap<String, String>) -> Answer {
    let mut stale = None;
    let mut cannot = None;
    for f in list {
        let Some(item) = f.findings.get(key) else { continue };
        match &item.outcome {
            Outcome::Value { estimate } => {
                let found = Found {
                    estimate: estimate.clone(),
                    record: f.meta.id.clone(),
                    date: f.meta.date.clone(),
                    rests_on: item.rests_on.clone(),
                    stale: changed(&f.meta, today, &item.rests_on),
                    partial: None,
                };
                if found.stale.is_none() {
                    return Answer::Found(Box::new(found));
                }
                stale.get_or_insert(found);
            }
            Outcome::CannotTell { missing, would_tell } => {
                cannot.get_or_insert_with(|| format!("{} lacks {missing}; to tell, {would_tell}", f.meta.id));
            }
            Outcome::Words { .. } => {}
        }
    }
    match (stale, cannot) {
        (Some(s), _) => Answer::Found(Box::new(s)),
        (None, Some(c)) => Answer::CannotTell(c),
        (None, None) => Answer::Nothing,
    }
}

/// Rotor station (1-based) that a record says it is about.
pub(super) fn station_of(meta: &RecordMeta) -> Option<usize> {
    let n = meta.values.get("station")?.value;
    (n >= 1.0 && n.fract() == 0.0 && n < 1e3).then_some(n as usize)
}

impl Evidence {
    /// Newest figure of the flights under `key`: one that still holds if there is one. Flights with the payload on
    /// are asked only where those without say nothing of it.
    pub fn flight(&self, key: &str, today: &BTreeMap<String, String>) -> Answer {
        match newest(self.flights.iter().rev().filter(|f| !payload_fitted(&f.meta)), key, today) {
            Answer::Nothing => self.flight_loaded(key, today),
            answer => answer,
        }
    }

    /// The same of the flights with the payload on alone.
    pub fn flight_loaded(&self, key: &str, today: &BTreeMap<String, String>) -> Answer {
        newest(self.flights.iter().rev().filter(|f| payload_fitted(&f.meta)), key, today)
    }

    /// Newest figure of the bench records under `key`: one that still holds if there is one.
    pub fn bench(&self, key: &str, today: &BTreeMap<String, String>) -> Answer {
        newest(self.benches.iter().rev(), key, today)
    }

    /// The figure under `key` of every rotor station that has a bench record of it: the newest of
    /// each station.
    pub fn bench_by_station(&self, key: &str, today: &BTreeMap<String, String>) -> Vec<(usize, Answer)> {
        let mut stations: BTreeMap<usize, Vec<&Flight>> = BTreeMap::new();
        for f in self.benches.iter().rev().filter(|f| f.findings.get(key).is_some()) {
            if let Some(n) = station_of(&f.meta) {
                stations.entry(n).or_default().push(f);
            }
        }
        stations.into_iter().map(|(n, list)| (n, newest(list.into_iter(), key, today))).collect()
    }

    /// Newest hand-entered value under `key`.
    pub fn note(&self, key: &str, today: &BTreeMap<String, String>, rests_on: &[&str]) -> Answer {
        for meta in self.notes.iter().rev() {
            if let Some(v) = meta.values.get(key) {
                let rests_on: Vec<String> = rests_on.iter().map(|s| (*s).to_owned()).collect();
                return Answer::Found(Box::new(Found {
                    estimate: Estimate::single(
                        v.value,
                        v.uncertainty,
                        &v.unit,
                        Origin::from(meta.origin),
                        &format!("record {}: {key}", meta.id),
                    ),
                    record: meta.id.clone(),
                    date: meta.date.clone(),
                    stale: changed(meta, today, &rests_on),
                    rests_on,
                    partial: None,
                }));
            }
        }
        Answer::Nothing
    }

    /// Newest weighing.
    pub fn weighing(&self) -> Option<&RecordMeta> {
        self.weighings.last()
    }

    /// Date of the newest record among the named ones.
    pub fn newest_date(&self, records: &[String]) -> Option<String> {
        self.flights
            .iter()
            .chain(&self.benches)
            .map(|f| &f.meta)
            .chain(&self.weighings)
            .chain(&self.notes)
            .filter(|m| records.contains(&m.id))
            .map(|m| m.date.clone())
            .max()
    }
}
