//! Parquet files: flat numeric columns in, `f64` columns out.

use std::fs::File;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::Path;
use std::sync::Arc;

use parquet::basic::{Compression, Repetition, Type as Physical};
use parquet::column::reader::{ColumnReader, ColumnReaderImpl};
use parquet::data_type::{DataType, DoubleType};
use parquet::errors::ParquetError;
use parquet::file::properties::WriterProperties;
use parquet::file::reader::{FileReader, SerializedFileReader};
use parquet::file::writer::SerializedFileWriter;
use parquet::schema::types::Type;

use super::table::{Limit, Progress, Table};
use super::text_file::check_limit;
use crate::diagnostic::{Diagnostic, Diagnostics};

const BATCH: usize = 8192;
const ROW_GROUP: usize = 1 << 17;

fn damaged(path: &Path, e: impl std::fmt::Display) -> Diagnostics {
    let d = Diagnostic::error(path, format!("cannot be read as Parquet: {e}"));
    d.help("export the file again; compression may be none, snappy or zstd").into()
}

/// The Parquet crate may panic on damaged pages; a damaged file is an error like any other.
fn guarded<T>(path: &Path, f: impl FnOnce() -> Result<T, Diagnostics>) -> Result<T, Diagnostics> {
    catch_unwind(AssertUnwindSafe(f)).unwrap_or_else(|_| Err(damaged(path, "its pages are damaged")))
}

fn open(path: &Path) -> Result<SerializedFileReader<File>, Diagnostics> {
    let file = File::open(path).map_err(|e| {
        Diagnostic::error(path, format!("cannot be read: {e}")).help("check the path and its permissions")
    })?;
    SerializedFileReader::new(file).map_err(|e| damaged(path, e))
}

/// Names of all columns.
pub(crate) fn names(path: &Path) -> Result<Vec<String>, Diagnostics> {
    guarded(path, || {
        let reader = open(path)?;
        let schema = reader.metadata().file_metadata().schema_descr();
        Ok(schema.columns().iter().map(|c| c.path().string()).collect())
    })
}

/// Reads columns of numbers.
pub(crate) fn read(
    path: &Path,
    names: &[String],
    wanted: &[usize],
    required: Option<usize>,
    limit: Limit,
    progress: Progress<'_>,
) -> Result<Table, Diagnostics> {
    guarded(path, || {
        let reader = open(path)?;
        let meta = reader.metadata();
        let schema = meta.file_metadata().schema_descr();
        let mut errors = Vec::new();
        for column in wanted {
            let Some(c) = schema.columns().get(*column) else { continue };
            let numeric = matches!(
                c.physical_type(),
                Physical::BOOLEAN | Physical::INT32 | Physical::INT64 | Physical::FLOAT | Physical::DOUBLE
            );
            if c.max_rep_level() > 0 {
                let d = Diagnostic::error(path, "the column holds lists").key(c.path().string());
                errors.push(d.help("export it as flat columns, one number a row"));
            } else if !numeric {
                let d =
                    Diagnostic::error(path, format!("the column holds {}, not numbers", c.physical_type()));
                errors.push(d.key(c.path().string()).help("map a numeric column"));
            }
        }
        if !errors.is_empty() {
            return Err(Diagnostics(errors));
        }
        let rows = u64::try_from(meta.file_metadata().num_rows()).unwrap_or(0);
        let mut table = Table { names: names.to_vec(), width: names.len(), rows, ..Table::default() };
        for column in wanted {
            table.columns.insert(*column, Vec::new());
        }
        let (mut done, total) = (0u64, rows * wanted.len() as u64);
        for group in 0..meta.num_row_groups() {
            let group = reader.get_row_group(group).map_err(|e| damaged(path, e))?;
            for (column, values) in &mut table.columns {
                let before = values.len();
                let top = schema.columns().get(*column).map_or(0, |c| c.max_def_level());
                let column_reader = group.get_column_reader(*column).map_err(|e| damaged(path, e))?;
                numbers(column_reader, top, values).map_err(|e| damaged(path, e))?;
                done += (values.len() - before) as u64;
                progress(done, total.max(done));
            }
            if table.len() as u64 >= limit.rows {
                break;
            }
        }
        let length = table.len();
        if table.columns.values().any(|c| c.len() != length) {
            return Err(damaged(path, "its columns have different lengths"));
        }
        if table.len() as u64 >= limit.rows {
            let rows = usize::try_from(limit.rows).unwrap_or(usize::MAX);
            table.columns.values_mut().for_each(|c| c.truncate(rows));
        }
        table.rows = table.len() as u64;
        without_time(path, &mut table, required);
        check_limit(path, &table, limit)?;
        Ok(table)
    })
}

/// Leaves out rows whose required cell is empty or not finite.
fn without_time(path: &Path, table: &mut Table, required: Option<usize>) {
    for values in table.columns.values_mut() {
        for v in values.iter_mut().filter(|v| v.is_infinite()) {
            *v = f64::NAN;
        }
    }
    let Some(time) = required.and_then(|r| table.columns.get(&r)) else { return };
    let keep: Vec<bool> = time.iter().map(|t| t.is_finite()).collect();
    let column = required.and_then(|r| table.names.get(r)).cloned().unwrap_or_default();
    for (i, _) in keep.iter().enumerate().filter(|(_, k)| !**k) {
        table.malformed += 1;
        if table.complaints.len() < 10 {
            let d = Diagnostic::error(path, format!("row {} has no time", i + 1)).key(column.clone());
            table.complaints.push(d.help("every row needs its time"));
        }
    }
    if table.malformed > 0 {
        for values in table.columns.values_mut() {
            let mut it = keep.iter();
            values.retain(|_| it.next().copied().unwrap_or(false));
        }
    }
}

fn numbers(reader: ColumnReader, top: i16, out: &mut Vec<f64>) -> Result<(), ParquetError> {
    match reader {
        ColumnReader::BoolColumnReader(r) => pump(r, top, out, |v| f64::from(u8::from(*v))),
        ColumnReader::Int32ColumnReader(r) => pump(r, top, out, |v| f64::from(*v)),
        ColumnReader::Int64ColumnReader(r) => pump(r, top, out, |v| *v as f64),
        ColumnReader::FloatColumnReader(r) => pump(r, top, out, |v| f64::from(*v)),
        ColumnReader::DoubleColumnReader(r) => pump(r, top, out, |v| *v),
        _ => Err(ParquetError::General("a column of text or bytes".to_owned())),
    }
}

fn pump<T: DataType>(
    mut reader: ColumnReaderImpl<T>,
    top: i16,
    out: &mut Vec<f64>,
    number: impl Fn(&T::T) -> f64,
) -> Result<(), ParquetError> {
    let (mut levels, mut values): (Vec<i16>, Vec<T::T>) = (Vec::new(), Vec::new());
    loop {
        levels.clear();
        values.clear();
        let (records, _, read) =
            reader.read_records(BATCH, (top > 0).then_some(&mut levels), None, &mut values)?;
        if records == 0 && read == 0 && values.is_empty() {
            return Ok(());
        }
        if top > 0 {
            let mut it = values.iter();
            for level in &levels {
                out.push(if *level >= top { it.next().map_or(f64::NAN, &number) } else { f64::NAN });
            }
        } else {
            out.extend(values.iter().map(&number));
        }
    }
}

/// Writes columns of `f64`, all of one length.
pub(crate) fn write(file: &File, columns: &[(&str, &[f64])]) -> Result<(), ParquetError> {
    let fields = columns
        .iter()
        .map(|(name, _)| {
            let builder = Type::primitive_type_builder(name, Physical::DOUBLE);
            builder.with_repetition(Repetition::REQUIRED).build().map(Arc::new)
        })
        .collect::<Result<Vec<_>, _>>()?;
    let schema = Arc::new(Type::group_type_builder("record").with_fields(fields).build()?);
    let properties = Arc::new(WriterProperties::builder().set_compression(Compression::SNAPPY).build());
    let mut writer = SerializedFileWriter::new(file, schema, properties)?;
    let rows = columns.first().map_or(0, |(_, c)| c.len());
    let mut from = 0;
    while from < rows {
        let to = (from + ROW_GROUP).min(rows);
        let mut group = writer.next_row_group()?;
        for (_, values) in columns {
            let part = values
                .get(from..to)
                .ok_or_else(|| ParquetError::General("columns of different lengths".to_owned()))?;
            if let Some(mut column) = group.next_column()? {
                column.typed::<DoubleType>().write_batch(part, None, None)?;
                column.close()?;
            }
        }
        group.close()?;
        from = to;
    }
    writer.close()?;
    Ok(())
}

/// Positions of the columns of numbers.
pub(crate) fn numeric_columns(path: &Path) -> Result<Vec<usize>, Diagnostics> {
    guarded(path, || {
        let reader = open(path)?;
        let schema = reader.metadata().file_metadata().schema_descr();
        let numeric = schema.columns().iter().enumerate().filter(|(_, c)| {
            c.max_rep_level() == 0
                && matches!(
                    c.physical_type(),
                    Physical::BOOLEAN
                        | Physical::INT32
                        | Physical::INT64
                        | Physical::FLOAT
                        | Physical::DOUBLE
                )
        });
        Ok(numeric.map(|(i, _)| i).collect())
    })
}
