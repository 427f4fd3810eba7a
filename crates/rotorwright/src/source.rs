//! A dossier on disk as the source of the workbench's pages.

use std::collections::HashMap;
use std::fs;
use std::hash::{DefaultHasher, Hash, Hasher};
use std::io::Write as _;
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, PoisonError};

use dossier::aircraft_file::AircraftFile;
use dossier::cards::Card;
use dossier::check::Opened;
use dossier::compare::{self, BuildComparison, RecordComparison};
use dossier::diagnostic::{Diagnostic, Diagnostics};
use dossier::findings::Findings;
use dossier::gates::Evidence;
use dossier::programme::{Programme, is_build_id};
use dossier::reconcile::{self, Account};
use dossier::record::{Record, RecordMeta};
use dossier::record_store;
use dossier::result::{CheckResult, KeyChange};
use dossier::tuning::{self, LoopSheet};

use crate::web::Source;

/// A dossier's folder.
#[derive(Debug)]
pub struct DossierSource {
    dir: PathBuf,
    /// What the records show, by build, while the files stay as they are.
    evidence: Mutex<(u64, HashMap<Option<String>, Arc<Evidence>>)>,
}

impl DossierSource {
    /// The dossier in `dir`.
    pub fn new(dir: &Path) -> Self {
        Self { dir: dir.to_owned(), evidence: Mutex::default() }
    }

    fn evidence(&self, build: Option<&str>) -> Result<Arc<Evidence>, Diagnostics> {
        let stamp = self.stamp();
        let key = build.map(str::to_owned);
        {
            // A panic elsewhere leaves the map valid: entries are whole or absent.
            let mut kept = self.evidence.lock().unwrap_or_else(PoisonError::into_inner);
            if kept.0 != stamp {
                *kept = (stamp, HashMap::new());
            }
            if let Some(hit) = kept.1.get(&key) {
                return Ok(Arc::clone(hit));
            }
        }
        let found = Arc::new(dossier::check::evidence(&self.dir, build)?);
        let mut kept = self.evidence.lock().unwrap_or_else(PoisonError::into_inner);
        if kept.0 == stamp {
            kept.1.insert(key, Arc::clone(&found));
        }
        Ok(found)
    }
}

impl Source for DossierSource {
    fn stamp(&self) -> u64 {
        let mut hasher = DefaultHasher::new();
        stamp(&self.dir, 0, &mut hasher);
        hasher.finish()
    }

    fn check(&self, build: Option<&str>, edits: &[KeyChange]) -> Result<CheckResult, Diagnostics> {
        let evidence = self.evidence(build)?;
        dossier::check::check_on(&self.dir, build, edits, &evidence)
    }

    fn cards(&self, build: Option<&str>, edits: &[KeyChange]) -> Result<Vec<Card>, Diagnostics> {
        Ok(dossier::cards::of_dossier(&self.dir, build, edits)?.1)
    }

    fn reconcile(&self, build: Option<&str>, edits: &[KeyChange]) -> Result<Account, Diagnostics> {
        let evidence = self.evidence(build)?;
        let opened = Opened::open(&self.dir, build, edits)?;
        opened.in_context(&evidence, edits, reconcile::of_build)
    }

    fn loops(&self, build: Option<&str>, edits: &[KeyChange]) -> Result<LoopSheet, Diagnostics> {
        let evidence = self.evidence(build)?;
        Opened::open(&self.dir, build, edits)?.in_context(&evidence, edits, tuning::sheet)
    }

    fn record(&self, id: &str) -> Result<Record, Diagnostics> {
        Programme::load(&self.dir)?;
        Ok(record_store::load(&self.dir.join("records"), id)?)
    }

    fn findings(&self, record: &Record) -> Result<Findings, Diagnostics> {
        let evidence = self.evidence(Some(&record.meta.build))?;
        Ok(evidence
            .flights
            .iter()
            .chain(&evidence.benches)
            .chain(&evidence.trials)
            .find(|f| f.meta.id == record.meta.id)
            .map(|f| f.findings.clone())
            .unwrap_or_default())
    }

    fn records(&self) -> Result<Vec<RecordMeta>, Diagnostics> {
        Ok(record_store::list(&self.dir.join("records"))?)
    }

    fn compare_builds(&self, before: &str, after: &str) -> Result<BuildComparison, Diagnostics> {
        let (first, second) = (self.evidence(Some(before))?, self.evidence(Some(after))?);
        compare::builds_on(&self.dir, (before, &first), (after, &second))
    }

    fn compare_records(&self, ids: &[String], build: Option<&str>) -> Result<RecordComparison, Diagnostics> {
        compare::records_on(&self.dir, ids, build, &|build| self.evidence(Some(build)))
    }

    fn keep(&self, from: &str, edits: &[KeyChange], id: &str) -> Result<(), Diagnostics> {
        keep(&self.dir, from, edits, id)
    }
}

/// How deep the files of a dossier lie.
const DEEPEST: usize = 4;

/// Name, size and time of change of every file.
fn stamp(dir: &Path, depth: usize, hasher: &mut DefaultHasher) {
    let mut entries: Vec<_> = fs::read_dir(dir).into_iter().flatten().flatten().collect();
    entries.sort_by_key(fs::DirEntry::file_name);
    for entry in entries {
        let Ok(meta) = entry.metadata() else { continue };
        entry.file_name().hash(hasher);
        if meta.is_dir() && depth < DEEPEST {
            stamp(&entry.path(), depth + 1, hasher);
        } else {
            meta.len().hash(hasher);
            meta.modified().ok().hash(hasher);
        }
    }
}

/// Keeps edits of the build `from` as the new build `id`: first its folder, then its line in
/// dossier.toml, each whole or not at all.
fn keep(dir: &Path, from: &str, edits: &[KeyChange], id: &str) -> Result<(), Diagnostics> {
    let list = dir.join("dossier.toml");
    let programme = Programme::load(dir)?;
    programme.build(Some(from))?;
    if !is_build_id(id) {
        return Err(Diagnostic::error(&list, format!("`{id}` cannot be the identity of a build"))
            .key("build.id")
            .help("lower-case letters, digits and hyphens, as in b2")
            .into());
    }
    if programme.builds.iter().any(|b| b.id == id) {
        return Err(Diagnostic::error(&list, format!("there is a build `{id}` already"))
            .key("build.id")
            .help("choose another name")
            .into());
    }
    let changed = AircraftFile::load(&programme.aircraft_path(from))?.with_edits(edits)?;
    let (source, target) = (programme.build_dir(from), programme.build_dir(id));
    let wrong = |e: std::io::Error| -> Diagnostics {
        Diagnostic::error(&target, format!("cannot be made: {e}"))
            .help("check the rights on the folder")
            .into()
    };
    if target.exists() {
        return Err(Diagnostic::error(&target, "is there already, though dossier.toml does not list it")
            .help("list it there, remove it, or choose another name")
            .into());
    }
    let staging = target.with_file_name(format!(".{id}.{}.tmp", std::process::id()));
    let made = fs::create_dir(&staging)
        .and_then(|()| copy_beside(&source, &staging))
        .and_then(|()| write_synced(&staging.join("aircraft.toml"), changed.text()))
        .and_then(|()| fs::rename(&staging, &target));
    made.map_err(|e| {
        let _ = fs::remove_dir_all(&staging);
        wrong(e)
    })?;
    let keys: Vec<&str> = edits.iter().map(|e| e.key.as_str()).collect();
    let text = fs::read_to_string(&list).map_err(wrong)?;
    let text = format!(
        "{}\n\n[[build]]\nid = \"{id}\"\nabout = \"{from} with other {}\"\n",
        text.trim_end(),
        keys.join(", ")
    );
    Programme::parse(&list, &text)?;
    let partial = list.with_file_name(format!(".dossier.{}.tmp", std::process::id()));
    write_synced(&partial, &text).and_then(|()| fs::rename(&partial, &list)).map_err(|e| {
        let _ = fs::remove_file(&partial);
        wrong(e)
    })
}

/// Copies the files beside an aircraft file, such as its rotor table.
fn copy_beside(from: &Path, to: &Path) -> std::io::Result<()> {
    for entry in fs::read_dir(from)? {
        let entry = entry?;
        if entry.file_type()?.is_file() && entry.file_name() != "aircraft.toml" {
            fs::copy(entry.path(), to.join(entry.file_name()))?;
        }
    }
    Ok(())
}

fn write_synced(path: &Path, text: &str) -> std::io::Result<()> {
    let mut file = fs::File::create(path)?;
    file.write_all(text.as_bytes())?;
    file.sync_all()
}
