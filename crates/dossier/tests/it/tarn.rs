//! The demo dossier for tests: written and flown once, copied where a test changes it.

use std::path::{Path, PathBuf};
use std::sync::OnceLock;

use dossier::aircraft_file::AircraftFile;
use dossier::check::check;
use dossier::demo::write_demo;
use dossier::result::{CheckResult, CriterionResult, KeyChange};
use tempfile::TempDir;

/// The demo as it comes.
pub(crate) fn base() -> &'static Path {
    static DIR: OnceLock<TempDir> = OnceLock::new();
    DIR.get_or_init(|| {
        let dir = tempfile::tempdir().unwrap();
        write_demo(dir.path(), &[]).unwrap_or_else(|d| panic!("{d}"));
        dir
    })
    .path()
}

/// What `check` says of the demo as it comes.
pub(crate) fn base_result() -> &'static CheckResult {
    static RESULT: OnceLock<CheckResult> = OnceLock::new();
    RESULT.get_or_init(|| check(base(), None, &[]).unwrap_or_else(|d| panic!("{d}")))
}

/// A copy of the demo that a test may change.
pub(crate) struct Copy(TempDir);

impl Copy {
    pub(crate) fn new() -> Self {
        let dir = tempfile::tempdir().unwrap();
        copy(base(), dir.path());
        Self(dir)
    }
    pub(crate) fn dir(&self) -> &Path {
        self.0.path()
    }
    pub(crate) fn aircraft(&self) -> PathBuf {
        aircraft(self.dir())
    }
    /// Writes the edits into the aircraft file.
    pub(crate) fn edit(&self, edits: &[KeyChange]) {
        rewrite(&self.aircraft(), edits);
    }
    pub(crate) fn check(&self) -> CheckResult {
        check(self.dir(), None, &[]).unwrap_or_else(|d| panic!("{d}"))
    }
}

pub(crate) fn aircraft(dir: &Path) -> PathBuf {
    dir.join("builds/b1/aircraft.toml")
}

pub(crate) fn rewrite(path: &Path, edits: &[KeyChange]) {
    let file = AircraftFile::load(path).unwrap_or_else(|d| panic!("{d}"));
    let file = file.with_edits(edits).unwrap_or_else(|d| panic!("{d}"));
    std::fs::write(path, file.text()).unwrap();
}

fn copy(from: &Path, to: &Path) {
    std::fs::create_dir_all(to).unwrap();
    for entry in std::fs::read_dir(from).unwrap() {
        let entry = entry.unwrap();
        let target = to.join(entry.file_name());
        if entry.file_type().unwrap().is_dir() {
            copy(&entry.path(), &target);
        } else {
            std::fs::copy(entry.path(), target).unwrap();
        }
    }
}

pub(crate) fn set(key: &str, value: &str) -> KeyChange {
    KeyChange { key: key.to_owned(), value: value.to_owned() }
}

/// Criterion of a result.
pub(crate) fn criterion<'a>(r: &'a CheckResult, id: &str) -> &'a CriterionResult {
    r.gates
        .iter()
        .flat_map(|g| &g.criteria)
        .find(|c| c.id == id)
        .unwrap_or_else(|| panic!("no criterion {id}"))
}

/// Input of the demo's aircraft, SI.
pub(crate) fn input(key: &str) -> f64 {
    let line = base_result().inputs.iter().find(|i| i.key == key).unwrap_or_else(|| panic!("no input {key}"));
    line.replaced.as_ref().and_then(|r| r.stated).unwrap_or(line.value)
}

/// Key of a mass item of the demo, `mass.7`.
pub(crate) fn mass_key(item: &str) -> String {
    let text = std::fs::read_to_string(aircraft(base())).unwrap();
    let before = &text[..text.find(&format!("item = \"{item}\"")).unwrap()];
    format!("mass.{}", before.matches("[[mass]]").count())
}
