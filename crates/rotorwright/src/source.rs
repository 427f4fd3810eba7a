//! A dossier on disk as the source of the workbench's pages.

use std::collections::BTreeMap;
use std::hash::{DefaultHasher, Hash, Hasher};
use std::path::{Path, PathBuf};

use dossier::aircraft_file::AircraftFile;
use dossier::diagnostic::{Diagnostic, Diagnostics};
use dossier::findings::Findings;
use dossier::record::Record;
use dossier::record_store;
use dossier::result::{CheckResult, KeyChange};

use crate::web::Source;

/// A dossier's folder.
#[derive(Debug, Clone)]
pub struct DossierSource {
    dir: PathBuf,
}

impl DossierSource {
    /// The dossier in `dir`.
    pub fn new(dir: &Path) -> Self {
        Self { dir: dir.to_owned() }
    }
}

impl Source for DossierSource {
    fn stamp(&self) -> u64 {
        let mut hasher = DefaultHasher::new();
        stamp(&self.dir, 0, &mut hasher);
        hasher.finish()
    }

    fn check(&self, build: Option<&str>, edits: &[KeyChange]) -> Result<CheckResult, Diagnostics> {
        dossier::check::check(&self.dir, build, edits)
    }

    fn record(&self, id: &str) -> Result<Record, Diagnostics> {
        record_store::load(&self.dir, id)
    }

    fn findings(&self, record: &Record) -> Result<Findings, Diagnostics> {
        dossier::check::findings(&self.dir, record)
    }

    fn keep(&self, from: &str, edits: &[KeyChange], id: &str) -> Result<(), Diagnostics> {
        dossier::programme::keep(&self.dir, from, edits, id)
    }
}

/// How deep the files of a dossier lie.
const DEEPEST: usize = 4;

/// Name, size and time of change of every file.
fn stamp(dir: &Path, depth: usize, hasher: &mut DefaultHasher) {
    let mut entries: Vec<_> = std::fs::read_dir(dir).into_iter().flatten().flatten().collect();
    entries.sort_by_key(std::fs::DirEntry::file_name);
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
