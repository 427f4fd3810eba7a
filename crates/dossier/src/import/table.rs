//! Columns of a source file as numbers, whatever its format.

use std::collections::BTreeMap;
use std::path::Path;

use super::map::{Column, Format, SourceOptions};
use super::{dialect, parquet_file, text_file, vocabulary};
use crate::diagnostic::{Diagnostic, Diagnostics};

/// Told of bytes or rows done, of a total.
pub(crate) type Progress<'a> = &'a mut dyn FnMut(u64, u64);

/// Columns of one file.
#[derive(Debug, Clone, Default)]
pub(crate) struct Table {
    /// Names of all columns of the file; empty where it has none.
    pub names: Vec<String>,
    /// Number of columns of the file.
    pub width: usize,
    /// The columns that were asked for, by position from 0; NaN where a cell is empty.
    pub columns: BTreeMap<usize, Vec<f64>>,
    /// Line of each row in a text file; empty for others.
    pub lines: Vec<u64>,
    /// Place of each row among all rows, from 0, malformed ones counted.
    pub ordinals: Vec<u64>,
    /// Rows read, good and malformed.
    pub rows: u64,
    /// Rows left out.
    pub malformed: u64,
    /// Messages about the first malformed rows.
    pub complaints: Vec<Diagnostic>,
    /// What was found about the file's form, for people.
    pub remarks: Vec<String>,
}

impl Table {
    /// Rows kept.
    pub(crate) fn len(&self) -> usize {
        self.columns.values().next().map_or(0, Vec::len)
    }
}

/// How many malformed rows are too many.
#[derive(Debug, Clone, Copy)]
pub struct Limit {
    /// Share of all rows.
    pub share: f64,
    /// This many are always let pass.
    pub at_least: u64,
    /// Stop after this many rows; for proposals.
    pub rows: u64,
}

impl Default for Limit {
    fn default() -> Self {
        Self { share: 0.01, at_least: 5, rows: u64::MAX }
    }
}

/// A file, opened, its columns known.
pub(crate) enum Opened {
    /// Text.
    Text(dialect::Dialect),
    /// Parquet.
    Parquet(Vec<String>),
}

/// Looks at a file's head.
pub(crate) fn open(path: &Path, options: &SourceOptions) -> Result<Opened, Diagnostics> {
    let head = dialect::head(path)?;
    let format =
        options.format.unwrap_or(if head.starts_with(b"PAR1") { Format::Parquet } else { Format::Csv });
    match format {
        Format::Parquet => parquet_file::names(path).map(Opened::Parquet),
        Format::Csv => dialect::sniff(path, &head, options).map(Opened::Text),
    }
}

impl Opened {
    /// Names of the columns; empty where the file has none.
    pub(crate) fn names(&self) -> &[String] {
        match self {
            Self::Text(d) => &d.names,
            Self::Parquet(n) => n,
        }
    }
    /// Number of columns.
    pub(crate) fn width(&self) -> usize {
        match self {
            Self::Text(d) => d.width,
            Self::Parquet(n) => n.len(),
        }
    }
    /// Reads the wanted columns (positions from 0); rows without a value in `required` are malformed.
    pub(crate) fn read(
        &self,
        path: &Path,
        wanted: &[usize],
        required: Option<usize>,
        limit: Limit,
        progress: Progress<'_>,
    ) -> Result<Table, Diagnostics> {
        match self {
            Self::Text(d) => text_file::read(path, d, wanted, required, limit, progress),
            Self::Parquet(names) => parquet_file::read(path, names, wanted, required, limit, progress),
        }
    }

    /// Position, from 0, of a column; the error says what there is.
    pub(crate) fn find(&self, column: &Column) -> Result<usize, (String, String)> {
        let names = self.names();
        match column {
            Column::Position(p) if *p <= self.width() => Ok(p - 1),
            Column::Position(p) => Err((
                format!("the file has {} columns, there is no column {p}", self.width()),
                format!("position = 1 to {}", self.width()),
            )),
            Column::Name(name) => {
                let exact: Vec<_> = (0..names.len()).filter(|i| names.get(*i) == Some(name)).collect();
                let found = if exact.is_empty() {
                    let lower = name.trim().to_lowercase();
                    (0..names.len())
                        .filter(|i| names.get(*i).is_some_and(|n| n.trim().to_lowercase() == lower))
                        .collect()
                } else {
                    exact
                };
                match found.as_slice() {
                    [one] => Ok(*one),
                    [] if names.is_empty() => Err((
                        format!("the file has no header, so no column is called `{name}`"),
                        format!("name the column by place: position = 1 to {}", self.width()),
                    )),
                    [] => {
                        let near = vocabulary::nearest(name, names.iter().map(String::as_str))
                            .map_or(String::new(), |n| format!("did you mean `{n}`? "));
                        let listed: Vec<_> = names.iter().take(40).map(String::as_str).collect();
                        Err((
                            format!("the file has no column `{name}`"),
                            format!("{near}columns are: {}", listed.join(", ")),
                        ))
                    }
                    many => {
                        let places: Vec<_> = many.iter().map(|i| (i + 1).to_string()).collect();
                        Err((
                            format!("{} columns are called `{name}`", many.len()),
                            format!("choose one by place: position = {}", places.join(" or ")),
                        ))
                    }
                }
            }
        }
    }
}
