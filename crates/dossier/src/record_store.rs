//! Records on disk: `records/<id>/record.toml`, `data.parquet` and, for imported ones, `map.toml`.
//!
//! A record is written into a hidden folder beside its place, flushed to the disk and renamed, under
//! an exclusive lock on `records/.lock`. A killed process leaves either no record or a whole one; what
//! it leaves of the hidden folder is ignored by readers and removed by the next writer. A record is
//! never overwritten.

use std::collections::BTreeMap;
use std::fs::{self, File};
use std::io::Write;
use std::path::{Path, PathBuf};

use sha2::{Digest, Sha256};

use crate::aircraft_file::spec::nearest;
use crate::diagnostic::{Diagnostic, Diagnostics};
use crate::import::parquet_file;
use crate::import::table::Limit;
use crate::record::{Record, RecordMeta};

const META: &str = "record.toml";
const DATA: &str = "data.parquet";
const MAP: &str = "map.toml";
const LOCK: &str = ".lock";
const PART: &str = ".part-";
const TIME: &str = "time";
/// Key of `record.toml` that holds the SHA-256 of `data.parquet`.
const DATA_HASH: &str = "data_sha256";

/// Why a record cannot be read or written.
#[derive(Debug, thiserror::Error)]
pub enum StoreError {
    /// A file or folder could not be read or written.
    #[error("{}: {error}", path.display())]
    Io {
        /// File or folder.
        path: PathBuf,
        /// What the system said.
        error: std::io::Error,
    },
    /// No such record.
    #[error("there is no record `{id}`{}; there are: {}", near(id, known), known.join(", "))]
    Unknown {
        /// What was asked for.
        id: String,
        /// What there is.
        known: Vec<String>,
    },
    /// An identity that cannot be a folder's name.
    #[error(
        "`{id}` cannot name a record: use a to z, 0 to 9, `-`, `_` and `.`, at most 64, first a letter or digit"
    )]
    BadId {
        /// The identity.
        id: String,
    },
    /// The record exists already.
    #[error("record `{id}` exists already and is not overwritten; give another id")]
    Exists {
        /// The identity.
        id: String,
    },
    /// The record's files do not fit together or are damaged.
    #[error("{}: {reason}; restore the record from your copy, or import it again", path.display())]
    Damaged {
        /// File.
        path: PathBuf,
        /// What is wrong.
        reason: String,
    },
    /// The record to write is not consistent.
    #[error("the record cannot be written: {reason}")]
    Inconsistent {
        /// What is wrong.
        reason: String,
    },
}

impl From<StoreError> for Diagnostics {
    fn from(e: StoreError) -> Self {
        let path = match &e {
            StoreError::Io { path, .. } | StoreError::Damaged { path, .. } => path.clone(),
            _ => PathBuf::from("records"),
        };
        Diagnostic::error(&path, e.to_string()).into()
    }
}

fn io(path: &Path) -> impl Fn(std::io::Error) -> StoreError + '_ {
    move |error| StoreError::Io { path: path.to_owned(), error }
}

fn damaged(path: &Path, reason: impl Into<String>) -> StoreError {
    StoreError::Damaged { path: path.to_owned(), reason: reason.into() }
}

/// Whether a text can name a record.
pub fn is_id(id: &str) -> bool {
    let plain = |b: u8| b.is_ascii_lowercase() || b.is_ascii_digit();
    id.len() <= 64
        && id.bytes().next().is_some_and(plain)
        && id.bytes().all(|b| plain(b) || matches!(b, b'-' | b'_' | b'.'))
}

/// SHA-256 of a file, hexadecimal, and its size in bytes.
pub fn hash_file(path: &Path) -> Result<(String, u64), StoreError> {
    let mut file = File::open(path).map_err(io(path))?;
    let mut hash = Sha256::new();
    let bytes = std::io::copy(&mut file, &mut HashWriter(&mut hash)).map_err(io(path))?;
    let mut text = String::new();
    for byte in hash.finalize() {
        text.push_str(&format!("{byte:02x}"));
    }
    Ok((text, bytes))
}

struct HashWriter<'a>(&'a mut Sha256);

impl Write for HashWriter<'_> {
    fn write(&mut self, bytes: &[u8]) -> std::io::Result<usize> {
        self.0.update(bytes);
        Ok(bytes.len())
    }
    fn flush(&mut self) -> std::io::Result<()> {
        Ok(())
    }
}

/// Identities of all records of a folder, sorted; a folder that is not there has none.
pub fn ids(dir: &Path) -> Result<Vec<String>, StoreError> {
    let entries = match fs::read_dir(dir) {
        Ok(e) => e,
        Err(e) if e.kind() == std::io::ErrorKind::NotFound => return Ok(Vec::new()),
        Err(e) => return Err(io(dir)(e)),
    };
    let mut ids = Vec::new();
    for entry in entries {
        let entry = entry.map_err(io(dir))?;
        let name = entry.file_name().to_string_lossy().into_owned();
        if is_id(&name) && entry.path().is_dir() {
            ids.push(name);
        }
    }
    ids.sort();
    Ok(ids)
}

/// Descriptions of all records of a folder, sorted by date and identity. Data are not read.
pub fn list(dir: &Path) -> Result<Vec<RecordMeta>, StoreError> {
    let mut all =
        ids(dir)?.iter().map(|id| load_meta(dir, id).map(|(m, _)| m)).collect::<Result<Vec<_>, _>>()?;
    all.sort_by(|a, b| (&a.date, &a.id).cmp(&(&b.date, &b.id)));
    Ok(all)
}

/// The record that a wrong name is likely to mean, as a question.
fn near(id: &str, known: &[String]) -> String {
    nearest(id, known.iter().map(String::as_str)).map_or(String::new(), |n| format!(", did you mean `{n}`?"))
}

fn load_meta(dir: &Path, id: &str) -> Result<(RecordMeta, Option<String>), StoreError> {
    if !is_id(id) || !dir.join(id).is_dir() {
        return Err(StoreError::Unknown { id: id.to_owned(), known: ids(dir)? });
    }
    let path = dir.join(id).join(META);
    let text = fs::read_to_string(&path).map_err(io(&path))?;
    let mut document: toml_edit::DocumentMut =
        text.parse().map_err(|e: toml_edit::TomlError| damaged(&path, e.message().replace('\n', "; ")))?;
    let hash = document.remove(DATA_HASH).and_then(|i| i.as_str().map(str::to_owned));
    let meta: RecordMeta = toml_edit::de::from_document(document)
        .map_err(|e| damaged(&path, e.message().replace('\n', "; ")))?;
    if meta.id != id {
        return Err(damaged(&path, format!("its id is `{}`, its folder is called `{id}`", meta.id)));
    }
    Ok((meta, hash))
}

/// Reads a record with its data, and checks both against each other.
pub fn load(dir: &Path, id: &str) -> Result<Record, StoreError> {
    let (meta, hash) = load_meta(dir, id)?;
    let path = dir.join(id).join(DATA);
    if meta.channels.is_empty() {
        return Ok(Record { meta, time: Vec::new(), channels: BTreeMap::new() });
    }
    let (found, _) = hash_file(&path)?;
    if let Some(hash) = hash.filter(|h| *h != found) {
        return Err(damaged(&path, format!("its SHA-256 is {found}, record.toml says {hash}")));
    }
    let broken = |d: Diagnostics| damaged(&path, d.0.first().map_or(String::new(), |d| d.message.clone()));
    let names = parquet_file::names(&path).map_err(broken)?;
    let stated: Vec<&str> =
        std::iter::once(TIME).chain(meta.channels.iter().map(|c| c.name.as_str())).collect();
    for name in &stated {
        if !names.iter().any(|n| n == name) {
            return Err(damaged(&path, format!("column `{name}` of record.toml is missing")));
        }
    }
    if let Some(extra) = names.iter().find(|n| !stated.contains(&n.as_str())) {
        return Err(damaged(&path, format!("column `{extra}` is not in record.toml")));
    }
    let wanted: Vec<usize> = (0..names.len()).collect();
    let limit = Limit { share: 0.0, at_least: 0, ..Limit::default() };
    let table = parquet_file::read(&path, &names, &wanted, None, limit, &mut |_, _| {}).map_err(broken)?;
    let mut channels: BTreeMap<String, Vec<f64>> =
        names.iter().cloned().zip(table.columns.into_values()).collect();
    let time = channels.remove(TIME).unwrap_or_default();
    if time.iter().any(|t| !t.is_finite()) || time.windows(2).any(|w| w[1] <= w[0]) {
        return Err(damaged(&path, "its time does not ascend"));
    }
    Ok(Record { meta, time, channels })
}

/// The channel map of a record, where it was imported through one.
pub fn load_map(dir: &Path, id: &str) -> Result<Option<String>, StoreError> {
    load_meta(dir, id)?;
    let path = dir.join(id).join(MAP);
    match fs::read_to_string(&path) {
        Ok(text) => Ok(Some(text)),
        Err(e) if e.kind() == std::io::ErrorKind::NotFound => Ok(None),
        Err(e) => Err(io(&path)(e)),
    }
}

fn check(record: &Record) -> Result<(), StoreError> {
    let fail = |reason: String| Err(StoreError::Inconsistent { reason });
    let n = record.time.len();
    if record.time.iter().any(|t| !t.is_finite()) || record.time.windows(2).any(|w| w[1] <= w[0]) {
        return fail("its time does not ascend".to_owned());
    }
    for (name, values) in &record.channels {
        if values.len() != n {
            return fail(format!("channel {name} has {} samples, time has {n}", values.len()));
        }
        if name == TIME || record.channel_meta(name).is_none() {
            return fail(format!("channel {name} is not described"));
        }
    }
    if record.meta.channels.len() != record.channels.len() {
        let described = record.meta.channels.len();
        return fail(format!("{described} channels are described, {} are there", record.channels.len()));
    }
    Ok(())
}

/// Writes a record; its identity must be new.
pub fn write(dir: &Path, record: &Record) -> Result<(), StoreError> {
    write_with_map(dir, record, None)
}

/// Writes a record with the text of its channel map.
pub fn write_with_map(dir: &Path, record: &Record, map: Option<&str>) -> Result<(), StoreError> {
    if !is_id(&record.meta.id) {
        return Err(StoreError::BadId { id: record.meta.id.clone() });
    }
    check(record)?;
    let _lock = lock(dir)?;
    write_locked(dir, record, map)
}

/// Writes a record under the first free identity `base`, `base-2`, `base-3` ...; returns it.
pub fn write_numbered(
    dir: &Path,
    record: &mut Record,
    base: &str,
    map: Option<&str>,
) -> Result<(), StoreError> {
    if !is_id(base) {
        return Err(StoreError::BadId { id: base.to_owned() });
    }
    check(record)?;
    let _lock = lock(dir)?;
    record.meta.id = base.to_owned();
    let mut n = 2u32;
    while dir.join(&record.meta.id).exists() {
        record.meta.id = format!("{base}-{n}");
        n += 1;
    }
    write_locked(dir, record, map)
}

/// Exclusive lock; removes what a killed writer left.
fn lock(dir: &Path) -> Result<File, StoreError> {
    fs::create_dir_all(dir).map_err(io(dir))?;
    let path = dir.join(LOCK);
    let file = File::options().create(true).truncate(false).write(true).open(&path).map_err(io(&path))?;
    file.lock().map_err(io(&path))?;
    for entry in fs::read_dir(dir).map_err(io(dir))? {
        let entry = entry.map_err(io(dir))?;
        if entry.file_name().to_string_lossy().starts_with(PART) {
            let path = entry.path();
            fs::remove_dir_all(&path).map_err(io(&path))?;
        }
    }
    Ok(file)
}

fn write_locked(dir: &Path, record: &Record, map: Option<&str>) -> Result<(), StoreError> {
    let target = dir.join(&record.meta.id);
    if target.exists() {
        return Err(StoreError::Exists { id: record.meta.id.clone() });
    }
    let part = dir.join(format!("{PART}{}", record.meta.id));
    fs::create_dir(&part).map_err(io(&part))?;
    let written = fill(&part, record, map).and_then(|()| fs::rename(&part, &target).map_err(io(&target)));
    if let Err(e) = written {
        // The part is of no use; a failure to remove it is mended by the next writer.
        let _ = fs::remove_dir_all(&part);
        return Err(e);
    }
    sync_dir(dir)
}

fn fill(part: &Path, record: &Record, map: Option<&str>) -> Result<(), StoreError> {
    let mut hash = None;
    if !record.channels.is_empty() {
        let path = part.join(DATA);
        let file = File::options().create_new(true).write(true).open(&path).map_err(io(&path))?;
        let mut columns: Vec<(&str, &[f64])> = vec![(TIME, &record.time)];
        columns.extend(record.channels.iter().map(|(n, v)| (n.as_str(), v.as_slice())));
        parquet_file::write(&file, &columns).map_err(|e| damaged(&path, e.to_string()))?;
        file.sync_all().map_err(io(&path))?;
        hash = Some(hash_file(&path)?.0);
    }
    let path = part.join(META);
    let failed = |e: toml_edit::ser::Error| StoreError::Inconsistent { reason: e.to_string() };
    let pretty = toml_edit::ser::to_string_pretty(&record.meta).map_err(failed)?;
    let mut text = String::new();
    if let Some(hash) = hash {
        text.push_str(&format!("{DATA_HASH} = \"{hash}\"\n"));
    }
    text.push_str(&pretty);
    put(&path, &text)?;
    if let Some(map) = map {
        put(&part.join(MAP), map)?;
    }
    sync_dir(part)
}

fn put(path: &Path, text: &str) -> Result<(), StoreError> {
    let mut file = File::options().create_new(true).write(true).open(path).map_err(io(path))?;
    file.write_all(text.as_bytes()).map_err(io(path))?;
    file.sync_all().map_err(io(path))
}

/// Flushes the folder's own entries, where the system can.
fn sync_dir(dir: &Path) -> Result<(), StoreError> {
    if cfg!(unix) { File::open(dir).and_then(|d| d.sync_all()).map_err(io(dir)) } else { Ok(()) }
}
