//! Rows of text files with separated fields: streamed, malformed ones told by line and column.
//!
//! A quoted field ends on its own line (RFC 4180 allows line breaks inside quotes; a measurement
//! has none, and one lost quote must not swallow the rest of the file).

use std::fs::File;
use std::io::{BufRead, BufReader, Read};
use std::ops::Range;
use std::path::Path;

use super::dialect::{Dialect, cell, decode, io_error, split, to_usize};
use super::table::{Limit, Progress, Table};
use crate::diagnostic::{Diagnostic, Diagnostics};

const LONGEST_LINE: usize = 1 << 20;
const SHOWN: usize = 10;

/// What is wrong with one row.
struct Flaw {
    byte: usize,
    field: Option<usize>,
    message: String,
    help: &'static str,
}

/// Reads columns, row by row.
pub(super) fn read(
    path: &Path,
    dialect: &Dialect,
    wanted: &[usize],
    required: Option<usize>,
    limit: Limit,
    progress: Progress<'_>,
) -> Result<Table, Diagnostics> {
    let file = File::open(path).map_err(|e| io_error(path, &e))?;
    let total = file.metadata().map_or(0, |m| m.len());
    let mut reader = BufReader::with_capacity(1 << 16, file);
    let mut table = Table {
        names: dialect.names.clone(),
        width: dialect.width,
        remarks: dialect.remarks.clone(),
        ..Table::default()
    };
    let mut columns: Vec<Vec<f64>> = vec![Vec::new(); wanted.len()];
    let mut values = vec![0.0; wanted.len()];
    let (mut line, mut fields) = (Vec::new(), Vec::new());
    let (mut number, mut done, mut told) = (0u64, 0u64, 0u64);
    loop {
        line.clear();
        let n = (&mut reader)
            .take(LONGEST_LINE as u64)
            .read_until(b'\n', &mut line)
            .map_err(|e| io_error(path, &e))?;
        if n == 0 {
            break;
        }
        number += 1;
        done += n as u64;
        if done - told > 1 << 18 {
            told = done;
            progress(done, total.max(done));
        }
        let mut text = line.strip_suffix(b"\n").unwrap_or(&line);
        text = text.strip_suffix(b"\r").unwrap_or(text);
        if number == 1 {
            text = text.strip_prefix(b"\xEF\xBB\xBF").unwrap_or(text);
        }
        let first = text.trim_ascii_start().first();
        if number <= dialect.skip || first.is_none_or(|b| dialect.comment.contains(b)) {
            continue;
        }
        table.rows += 1;
        match row(text, dialect, wanted, required, &mut fields, &mut values) {
            Ok(()) => {
                for (column, v) in columns.iter_mut().zip(&values) {
                    column.push(*v);
                }
                table.lines.push(number);
                table.ordinals.push(table.rows - 1);
            }
            Err(flaw) => {
                table.malformed += 1;
                if table.complaints.len() < SHOWN {
                    table.complaints.push(complaint(path, dialect, text, number, &fields, &flaw));
                }
            }
        }
        if table.rows >= limit.rows {
            break;
        }
    }
    progress(total, total);
    table.columns = wanted.iter().copied().zip(columns).collect();
    check_limit(path, &table, limit)?;
    Ok(table)
}

fn complaint(
    path: &Path,
    dialect: &Dialect,
    text: &[u8],
    number: u64,
    fields: &[Range<usize>],
    flaw: &Flaw,
) -> Diagnostic {
    let before = decode(text.get(..flaw.byte).unwrap_or(text)).chars().count();
    let mut d =
        Diagnostic::error(path, flaw.message.clone()).at(to_usize(number), before + 1).help(flaw.help);
    if let Some(i) = flaw.field {
        d = d.key(
            dialect.names.get(i).filter(|n| !n.is_empty()).cloned().unwrap_or(format!("column {}", i + 1)),
        );
        if let Some(bytes) = fields.get(i).and_then(|r| text.get(r.clone())).filter(|b| !b.is_empty()) {
            d = d.found(decode(bytes.get(..bytes.len().min(60)).unwrap_or(bytes)));
        }
    }
    d
}

/// Too many malformed rows stop the import.
pub(super) fn check_limit(path: &Path, table: &Table, limit: Limit) -> Result<(), Diagnostics> {
    let allowed = ((table.rows as f64 * limit.share).floor() as u64).max(limit.at_least);
    let none_left = table.rows == table.malformed;
    if table.malformed <= allowed && !none_left {
        return Ok(());
    }
    let mut all = table.complaints.clone();
    let message = if table.rows == 0 {
        "the file has no rows".to_owned()
    } else {
        format!(
            "{} of {} rows are malformed, more than the {allowed} that are let pass; nothing is written",
            table.malformed, table.rows
        )
    };
    let help =
        "mend the rows named above, map another column, or check delimiter and decimal mark in `[source]`";
    all.push(Diagnostic::error(path, message).help(help));
    Err(Diagnostics(all))
}

fn row(
    text: &[u8],
    dialect: &Dialect,
    wanted: &[usize],
    required: Option<usize>,
    fields: &mut Vec<Range<usize>>,
    values: &mut [f64],
) -> Result<(), Flaw> {
    if text.len() >= LONGEST_LINE - 1 {
        let message = "the line is longer than 1 MiB".to_owned();
        return Err(Flaw { byte: 0, field: None, message, help: "check that lines end with a line feed" });
    }
    if let Err(byte) = split(text, dialect.delimiter, fields) {
        let message = "a quote is opened and not closed on its line".to_owned();
        return Err(Flaw { byte, field: None, message, help: "close the quote, or remove it" });
    }
    let filled = fields.iter().rposition(|f| !f.is_empty()).map_or(0, |i| i + 1);
    if filled > dialect.width {
        let byte = fields.get(dialect.width).map_or(0, |f| f.start);
        let message = format!("the row has {filled} fields, the file has {} columns", dialect.width);
        return Err(Flaw { byte, field: None, message, help: "a stray delimiter, or a decimal comma?" });
    }
    for (value, column) in values.iter_mut().zip(wanted) {
        let Some(range) = fields.get(*column) else {
            let message = format!("the row ends after {} of {} fields", fields.len(), dialect.width);
            return Err(Flaw {
                byte: text.len(),
                field: Some(*column),
                message,
                help: "complete the row, or remove it",
            });
        };
        let bytes = text.get(range.clone()).unwrap_or(b"");
        let Some(v) = cell(bytes, dialect.decimal) else {
            let help = if dialect.decimal == b',' {
                "a number with a decimal comma, or nothing"
            } else {
                "a number such as -0.25, or nothing"
            };
            return Err(Flaw {
                byte: range.start,
                field: Some(*column),
                message: "not a number".to_owned(),
                help,
            });
        };
        if v.is_nan() && required == Some(*column) {
            let message = "the row has no time".to_owned();
            return Err(Flaw {
                byte: range.start,
                field: Some(*column),
                message,
                help: "every row needs its time",
            });
        }
        *value = v;
    }
    Ok(())
}
