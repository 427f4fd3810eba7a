//! What the pages are made from, kept until the dossier's files change.

use std::collections::HashMap;
use std::hash::Hash;
use std::sync::{Arc, Mutex, PoisonError};

use dossier::cards::Card;
use dossier::compare::{BuildComparison, RecordComparison};
use dossier::diagnostic::Diagnostics;
use dossier::findings::Findings;
use dossier::reconcile::Account;
use dossier::record::{Record, RecordMeta};
use dossier::result::{CheckResult, KeyChange};
use dossier::tuning::LoopSheet;

use super::whatif::WhatIf;

/// Where results come from: a dossier on disk, or a fixture.
pub trait Source: Send + Sync + 'static {
    /// A number that changes whenever a file of the dossier does.
    fn stamp(&self) -> u64;
    /// Checks a build (the last one for `None`) with edits on top of its file.
    ///
    /// # Errors
    /// What is wrong with the files or the edits.
    fn check(&self, build: Option<&str>, edits: &[KeyChange]) -> Result<CheckResult, Diagnostics>;
    /// Cards of a build with edits on top of its file.
    ///
    /// # Errors
    /// What is wrong with the files or the edits.
    fn cards(&self, build: Option<&str>, edits: &[KeyChange]) -> Result<Vec<Card>, Diagnostics>;
    /// What all measurements of a build say of its file.
    ///
    /// # Errors
    /// What is wrong with the files or the edits.
    fn reconcile(&self, build: Option<&str>, edits: &[KeyChange]) -> Result<Account, Diagnostics>;
    /// Everything about the loops of a build.
    ///
    /// # Errors
    /// What is wrong with the files or the edits.
    fn loops(&self, build: Option<&str>, edits: &[KeyChange]) -> Result<LoopSheet, Diagnostics>;
    /// Loads a record.
    ///
    /// # Errors
    /// The record cannot be read.
    fn record(&self, id: &str) -> Result<Record, Diagnostics>;
    /// Finds what a record shows.
    ///
    /// # Errors
    /// The record's build cannot be read.
    fn findings(&self, record: &Record) -> Result<Findings, Diagnostics>;
    /// Descriptions of all records, of every build.
    ///
    /// # Errors
    /// A record's description cannot be read.
    fn records(&self) -> Result<Vec<RecordMeta>, Diagnostics>;
    /// Compares two builds.
    ///
    /// # Errors
    /// A build that does not exist, or is wrong.
    fn compare_builds(&self, before: &str, after: &str) -> Result<BuildComparison, Diagnostics>;
    /// Compares records; drives in the rate loop of `build`.
    ///
    /// # Errors
    /// Records that do not exist or do not go together.
    fn compare_records(&self, ids: &[String], build: Option<&str>) -> Result<RecordComparison, Diagnostics>;
    /// Writes a build with the edits applied as the new build `id`.
    ///
    /// # Errors
    /// The build exists already or cannot be written.
    fn keep(&self, from: &str, edits: &[KeyChange], id: &str) -> Result<(), Diagnostics>;
}

/// A record and what was found in it.
pub(crate) type Seen = Arc<(Record, Findings)>;

type Key = (Option<String>, Vec<(String, String)>);

/// Results by what they were asked for, up to a number of them.
struct Kept<K, T>(HashMap<K, Arc<T>>);

impl<K, T> Default for Kept<K, T> {
    fn default() -> Self {
        Self(HashMap::new())
    }
}

/// What gives way when too much is kept.
trait Asked: Eq + Hash {
    /// How many are kept at a time.
    const MOST: usize;
    /// Whether it stays nevertheless.
    fn stays(&self) -> bool;
}

impl Asked for Key {
    const MOST: usize = CHECKS_KEPT;
    fn stays(&self) -> bool {
        self.1.is_empty()
    }
}

impl Asked for String {
    const MOST: usize = RECORDS_KEPT;
    fn stays(&self) -> bool {
        false
    }
}

impl<K: Asked, T> Kept<K, T> {
    fn insert(&mut self, key: K, made: &Arc<T>) {
        if self.0.len() >= K::MOST {
            self.0.retain(|k, _| k.stays());
        }
        self.0.insert(key, Arc::clone(made));
    }
}

#[derive(Default)]
struct Cache {
    stamp: u64,
    checks: Kept<Key, CheckResult>,
    accounts: Kept<Key, Account>,
    loops: Kept<Key, LoopSheet>,
    seen: Kept<String, (Record, Findings)>,
}

/// What a what-if is kept under.
fn key(what: &WhatIf) -> Key {
    (what.build.clone(), what.edits.iter().map(|e| (e.key.clone(), e.value.clone())).collect())
}

/// How many what-ifs are kept at a time.
const CHECKS_KEPT: usize = 64;
/// How many records are kept at a time.
const RECORDS_KEPT: usize = 40;

/// State shared by all pages.
#[derive(Clone)]
pub struct AppState {
    source: Arc<dyn Source>,
    cache: Arc<Mutex<Cache>>,
    /// Held while something is computed, so that two pages never compute the same thing at once.
    computing: Arc<Mutex<()>>,
}

impl AppState {
    /// Pages over a source.
    pub fn new(source: impl Source) -> Self {
        Self {
            source: Arc::new(source),
            cache: Arc::new(Mutex::new(Cache::default())),
            computing: Arc::new(Mutex::new(())),
        }
    }

    /// Computes what pages show without a what-if ahead of the first request.
    pub(crate) fn warm(&self) {
        if let Ok(check) = self.check(&WhatIf::default()) {
            for r in check.records.iter().filter(|r| !r.channels.is_empty()).take(RECORDS_KEPT) {
                // A record that cannot be read is reported on its own page.
                drop(self.seen(&r.id));
            }
            drop(self.reconcile(&WhatIf::default()));
            drop(self.loops(&WhatIf::default()));
            let named = |build: &String| WhatIf { build: Some(build.clone()), edits: Vec::new() };
            // The build that stands where none is named, by its name too.
            let stamp = self.source.stamp();
            self.with_cache(stamp, |c| c.checks.insert(key(&named(&check.build)), &check));
            for build in check.builds.iter().filter(|b| **b != check.build) {
                drop(self.check(&named(build)));
            }
        }
    }

    /// The cache, emptied first when the files have changed.
    fn with_cache<T>(&self, stamp: u64, f: impl FnOnce(&mut Cache) -> T) -> T {
        // A panic in another page leaves the cache valid: entries are whole or absent.
        let mut cache = self.cache.lock().unwrap_or_else(PoisonError::into_inner);
        if cache.stamp != stamp {
            *cache = Cache { stamp, ..Cache::default() };
        }
        f(&mut cache)
    }

    /// What `place` keeps under a key while the files stay as they are; made once where it is not there.
    fn kept<K: Asked, T>(
        &self,
        key: K,
        place: impl Fn(&mut Cache) -> &mut Kept<K, T>,
        make: impl FnOnce() -> Result<T, Diagnostics>,
    ) -> Result<Arc<T>, Diagnostics> {
        let stamp = self.source.stamp();
        let hit = || self.with_cache(stamp, |c| place(c).0.get(&key).cloned());
        if let Some(hit) = hit() {
            return Ok(hit);
        }
        let _turn = self.computing.lock().unwrap_or_else(PoisonError::into_inner);
        // Another page may have computed it while this one waited for its turn.
        if let Some(hit) = hit() {
            return Ok(hit);
        }
        let made = Arc::new(make()?);
        self.with_cache(stamp, |c| place(c).insert(key, &made));
        Ok(made)
    }

    /// The result for a build with edits.
    pub(crate) fn check(&self, what: &WhatIf) -> Result<Arc<CheckResult>, Diagnostics> {
        let make = || self.source.check(what.build.as_deref(), &what.edits);
        self.kept(key(what), |c| &mut c.checks, make)
    }

    /// Cards for a build with edits.
    pub(crate) fn cards(&self, what: &WhatIf) -> Result<Vec<Card>, Diagnostics> {
        self.source.cards(what.build.as_deref(), &what.edits)
    }

    /// What all measurements of a build say of its file.
    pub(crate) fn reconcile(&self, what: &WhatIf) -> Result<Arc<Account>, Diagnostics> {
        let make = || self.source.reconcile(what.build.as_deref(), &what.edits);
        self.kept(key(what), |c| &mut c.accounts, make)
    }

    /// Everything about the loops of a build with edits.
    pub(crate) fn loops(&self, what: &WhatIf) -> Result<Arc<LoopSheet>, Diagnostics> {
        let make = || self.source.loops(what.build.as_deref(), &what.edits);
        self.kept(key(what), |c| &mut c.loops, make)
    }

    /// A record with its findings.
    pub(crate) fn seen(&self, id: &str) -> Result<Seen, Diagnostics> {
        self.kept(
            id.to_owned(),
            |c| &mut c.seen,
            || {
                let record = self.source.record(id)?;
                let findings = self.source.findings(&record)?;
                Ok((record, findings))
            },
        )
    }

    /// Records named in a result that can be read, with their findings; the others are left to
    /// their own pages to report.
    pub(crate) fn seen_of<'a>(&self, ids: impl Iterator<Item = &'a String>) -> Vec<Seen> {
        ids.filter_map(|id| self.seen(id).ok()).collect()
    }

    /// Descriptions of all records.
    pub(crate) fn records(&self) -> Result<Vec<RecordMeta>, Diagnostics> {
        self.source.records()
    }

    /// Two builds side by side.
    pub(crate) fn compare_builds(&self, before: &str, after: &str) -> Result<BuildComparison, Diagnostics> {
        let _turn = self.computing.lock().unwrap_or_else(PoisonError::into_inner);
        self.source.compare_builds(before, after)
    }

    /// Records side by side.
    pub(crate) fn compare_records(
        &self,
        ids: &[String],
        build: Option<&str>,
    ) -> Result<RecordComparison, Diagnostics> {
        let _turn = self.computing.lock().unwrap_or_else(PoisonError::into_inner);
        self.source.compare_records(ids, build)
    }

    /// Writes a new build.
    pub(crate) fn keep(&self, from: &str, edits: &[KeyChange], id: &str) -> Result<(), Diagnostics> {
        self.source.keep(from, edits, id)
    }
}
