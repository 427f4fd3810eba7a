//! Records beside each other: drives are ranked, flights by their vibration.

use std::path::Path;
use std::sync::Arc;

use serde::Serialize;

use super::drives::{self, DriveRanking};
use super::vibration;
use crate::aircraft_file::spec::nearest;
use crate::chart::Shown;
use crate::check::{Opened, evidence};
use crate::diagnostic::{Diagnostic, Diagnostics};
use crate::gates::{Evidence, Flight};
use crate::programme::Programme;
use crate::record::{Kind, RecordMeta};
use crate::record_store;

/// What several records say beside each other.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[serde(tag = "compares", rename_all = "kebab-case")]
pub enum RecordComparison {
    /// Step and sound records.
    Drives(DriveRanking),
    /// Flights.
    Vibration {
        /// The first flight against each of the others.
        pairs: Vec<VibrationPair>,
    },
}

/// Two flights.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct VibrationPair {
    /// First flight.
    pub before: String,
    /// Second flight.
    pub after: String,
    /// Bands, sources and spectra; empty where they share no channel.
    #[serde(flatten)]
    pub shown: Shown,
}

/// Kinds that can be compared.
pub fn comparable(kind: Kind) -> bool {
    matches!(kind, Kind::Step | Kind::Sound | Kind::Flight)
}

/// The records that names stand for, exactly or by a slip of the pen; none where one of them is a build or stands for
/// no record.
///
/// # Errors
/// All that is wrong with the programme, or records that cannot be listed.
pub fn meant(dir: &Path, names: &[String]) -> Result<Option<Vec<String>>, Diagnostics> {
    let programme = Programme::load(dir)?;
    let all = record_store::list(&dir.join("records"))?;
    let one = |name: &String| -> Option<String> {
        if programme.builds.iter().any(|b| b.id == *name) {
            return None;
        }
        let exact = all.iter().find(|m| m.id == *name).map(|m| m.id.as_str());
        exact.or_else(|| nearest(name, all.iter().map(|m| m.id.as_str()))).map(str::to_owned)
    };
    Ok(names.iter().map(one).collect())
}

/// Compares records of the dossier in `dir`. Drives are judged in the rate loop of `build`, the last for `None`.
///
/// # Errors
/// All that is wrong with the dossier's files; fewer than two records, one that does not exist, or kinds that do
/// not go together. The message lists what there is.
pub fn records(dir: &Path, ids: &[String], build: Option<&str>) -> Result<RecordComparison, Diagnostics> {
    let of = |build: &str| evidence(dir, Some(build)).map(Arc::new);
    records_on(dir, ids, build, &of)
}

/// As [`records`], with evidence of a build from elsewhere: a cache.
///
/// # Errors
/// As [`records`].
pub fn records_on(
    dir: &Path,
    ids: &[String],
    build: Option<&str>,
    evidence_of: &dyn Fn(&str) -> Result<Arc<Evidence>, Diagnostics>,
) -> Result<RecordComparison, Diagnostics> {
    let opened = Opened::open(dir, build, &[])?;
    let all = record_store::list(&dir.join("records"))?;
    let metas = chosen(dir, &all, ids)?;
    let mut seen: Vec<Flight> = Vec::new();
    for m in &metas {
        let evidence = evidence_of(&m.build)?;
        let mut lists = evidence.flights.iter().chain(&evidence.benches).chain(&evidence.trials);
        match lists.find(|f| f.meta.id == m.id) {
            Some(f) => seen.push(f.clone()),
            None => {
                return Err(Diagnostic::error(&dir.join("records").join(&m.id), "cannot be read")
                    .help(format!("`rotorwright show` of {} says why", m.id))
                    .into());
            }
        }
    }
    if seen.iter().any(|f| f.meta.kind == Kind::Flight) {
        let (first, rest) = seen.split_first().map_or((None, [].as_slice()), |(f, r)| (Some(f), r));
        let pairs = first
            .iter()
            .flat_map(|f| rest.iter().map(move |g| (f, g)))
            .map(|(f, g)| VibrationPair {
                before: f.meta.id.clone(),
                after: g.meta.id.clone(),
                shown: vibration::vibration(&f.findings, &g.findings),
            })
            .collect();
        return Ok(RecordComparison::Vibration { pairs });
    }
    let list: Vec<_> = seen.iter().map(|f| (&f.meta, &f.findings)).collect();
    Ok(RecordComparison::Drives(drives::rank(&opened, &list)?))
}

/// The records asked for, when they can stand beside each other.
fn chosen<'r>(dir: &Path, all: &'r [RecordMeta], ids: &[String]) -> Result<Vec<&'r RecordMeta>, Diagnostics> {
    let at = dir.join("records");
    let there = || {
        let list: Vec<String> = all
            .iter()
            .filter(|m| comparable(m.kind))
            .map(|m| format!("{} ({})", m.id, m.kind.word()))
            .collect();
        if list.is_empty() {
            "the dossier has none".to_owned()
        } else {
            format!("there are {}", list.join(", "))
        }
    };
    let helped = |message: String, meant: &str| -> Diagnostics {
        Diagnostic::error(&at, message)
            .help(format!("{meant}step, sound and flight records compare: {}", there()))
            .into()
    };
    let wrong = |message: String| helped(message, "");
    let unknown = |id: &str| {
        let names = all.iter().filter(|m| comparable(m.kind)).map(|m| m.id.as_str());
        let meant = nearest(id, names).map_or(String::new(), |n| format!("did you mean `{n}`? "));
        helped(format!("there is no record `{id}`"), &meant)
    };
    let mut metas: Vec<&RecordMeta> = Vec::new();
    for id in ids {
        let m = all.iter().find(|m| m.id == *id).ok_or_else(|| unknown(id))?;
        if !comparable(m.kind) {
            return Err(wrong(format!("{id} is a {} record and compares with nothing", m.kind.word())));
        }
        if metas.iter().any(|n| n.id == m.id) {
            return Err(wrong(format!("{id} is named twice")));
        }
        metas.push(m);
    }
    if metas.len() < 2 {
        return Err(wrong("a comparison needs two records".to_owned()));
    }
    let flights = metas.iter().filter(|m| m.kind == Kind::Flight).count();
    if flights > 0 && flights < metas.len() {
        return Err(wrong("flights compare with flights, drives (step, sound) with drives".to_owned()));
    }
    Ok(metas)
}
