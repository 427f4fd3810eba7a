//! Text files with separated fields: delimiter, decimal mark and header found by consistency, rows
//! streamed, malformed rows told by line and column.
//!
//! A quoted field ends on its own line (RFC 4180 allows line breaks inside quotes; a measurement
//! has none, and one lost quote must not swallow the rest of the file).

use std::fs::File;
use std::io::{BufRead, BufReader, Read};
use std::ops::Range;
use std::path::Path;

use super::map::{Delimiter, SourceOptions};
use super::table::{Limit, Progress, Table};
use crate::diagnostic::{Diagnostic, Diagnostics};

const HEAD: usize = 128 * 1024;
const LONGEST_LINE: usize = 1 << 20;
const SHOWN: usize = 10;

/// How a text file is written.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Dialect {
    /// Delimiter.
    pub delimiter: Delimiter,
    /// Decimal mark.
    pub decimal: u8,
    /// First characters of comment lines.
    pub comment: Vec<u8>,
    /// Lines before the first row, header and lines of units included.
    pub skip: u64,
    /// Names of the columns, empty without a header.
    pub names: Vec<String>,
    /// Number of columns.
    pub width: usize,
    /// What was found, for people.
    pub remarks: Vec<String>,
}

fn io_error(path: &Path, e: &std::io::Error) -> Diagnostics {
    Diagnostic::error(path, format!("cannot be read: {e}")).help("check the path and its permissions").into()
}

/// First bytes of a file.
pub(super) fn head(path: &Path) -> Result<Vec<u8>, Diagnostics> {
    let file = File::open(path).map_err(|e| io_error(path, &e))?;
    let mut head = Vec::new();
    file.take(HEAD as u64).read_to_end(&mut head).map_err(|e| io_error(path, &e))?;
    if head.is_empty() {
        return Err(Diagnostic::error(path, "the file is empty").help("export the log again").into());
    }
    Ok(head)
}

fn check_text(path: &Path, head: &[u8]) -> Result<(), Diagnostics> {
    if head.starts_with(&[0xFF, 0xFE]) || head.starts_with(&[0xFE, 0xFF]) {
        let d = Diagnostic::error(path, "the file is UTF-16 text").at(1, 1);
        return Err(d.help("save it as UTF-8").into());
    }
    if let Some(at) = head.iter().position(|b| *b == 0) {
        let line = head.iter().take(at).filter(|b| **b == b'\n').count() + 1;
        let start = head.iter().take(at).rposition(|b| *b == b'\n').map_or(0, |i| i + 1);
        let d = Diagnostic::error(path, "the file is not text: it holds a zero byte").at(line, at - start + 1);
        return Err(d.help("import takes CSV and other separated text, and Parquet").into());
    }
    Ok(())
}

/// Bytes as text: UTF-8, else Latin-1.
fn decode(bytes: &[u8]) -> String {
    std::str::from_utf8(bytes).map_or_else(|_| bytes.iter().map(|b| char::from(*b)).collect(), str::to_owned)
}

fn trim_range(line: &[u8], mut r: Range<usize>) -> Range<usize> {
    while r.start < r.end && line.get(r.start).is_some_and(u8::is_ascii_whitespace) {
        r.start += 1;
    }
    while r.start < r.end && line.get(r.end - 1).is_some_and(u8::is_ascii_whitespace) {
        r.end -= 1;
    }
    r
}

/// Splits a line into fields; the error is the byte where an open quote began.
fn split(line: &[u8], delimiter: Delimiter, fields: &mut Vec<Range<usize>>) -> Result<(), usize> {
    fields.clear();
    let ends = |b: u8| match delimiter {
        Delimiter::Byte(d) => b == d,
        Delimiter::Blanks => b == b' ' || b == b'\t',
    };
    let mut at = 0;
    loop {
        while line.get(at).is_some_and(|b| (*b == b' ' || *b == b'\t') && (delimiter == Delimiter::Blanks || !ends(*b)))
        {
            at += 1;
        }
        if delimiter == Delimiter::Blanks && at >= line.len() {
            return Ok(());
        }
        if line.get(at) == Some(&b'"') {
            let open = at;
            at += 1;
            let start = at;
            loop {
                match line.get(at) {
                    None => return Err(open),
                    Some(b'"') if line.get(at + 1) == Some(&b'"') => at += 2,
                    Some(b'"') => break,
                    Some(_) => at += 1,
                }
            }
            fields.push(trim_range(line, start..at));
            at += 1;
            while line.get(at).is_some_and(|b| !ends(*b)) {
                at += 1;
            }
        } else {
            let start = at;
            while line.get(at).is_some_and(|b| !ends(*b)) {
                at += 1;
            }
            fields.push(trim_range(line, start..at));
        }
        if at >= line.len() {
            return Ok(());
        }
        at += 1;
    }
}

/// A cell as a number: `None` where it is none, NaN where it is empty.
fn cell(bytes: &[u8], decimal: u8) -> Option<f64> {
    if bytes.len() > 64 {
        return None;
    }
    let text = std::str::from_utf8(bytes).ok()?;
    if decimal == b',' {
        if text.contains('.') {
            return None;
        }
        if text.contains(',') {
            return plain_number(&text.replace(',', "."));
        }
    }
    plain_number(text)
}

fn plain_number(text: &str) -> Option<f64> {
    let first = text.bytes().next();
    if first.is_some_and(|b| b.is_ascii_digit() || matches!(b, b'-' | b'+' | b'.'))
        && let Ok(v) = text.parse::<f64>()
        && v.is_finite()
    {
        return Some(v);
    }
    match text.to_ascii_lowercase().as_str() {
        "" | "nan" | "-nan" | "null" | "none" | "na" | "n/a" | "-" => Some(f64::NAN),
        "true" => Some(1.0),
        "false" => Some(0.0),
        _ => None,
    }
}

fn is_number(bytes: &[u8], decimal: u8) -> bool {
    cell(bytes, decimal).is_some_and(f64::is_finite)
}

struct Line<'a> {
    number: u64,
    bytes: &'a [u8],
    comment: bool,
}

fn lines<'a>(head: &'a [u8], comment: &[u8]) -> Vec<Line<'a>> {
    let head = head.strip_prefix(b"\xEF\xBB\xBF").unwrap_or(head);
    let whole = if head.len() + 3 >= HEAD { head.iter().rposition(|b| *b == b'\n').unwrap_or(head.len()) } else { head.len() };
    let head = head.get(..whole).unwrap_or(head);
    head.split(|b| *b == b'\n')
        .enumerate()
        .map(|(i, l)| (i, l.strip_suffix(b"\r").unwrap_or(l)))
        .filter(|(_, l)| !l.trim_ascii().is_empty())
        .map(|(i, bytes)| Line {
            number: i as u64 + 1,
            bytes,
            comment: bytes.trim_ascii_start().first().is_some_and(|b| comment.contains(b)),
        })
        .take(400)
        .collect()
}

/// Score of a way to split: share of lines with the usual number of fields times share of numbers,
/// then the number of fields.
fn score(lines: &[&Line<'_>], delimiter: Delimiter, decimal: u8) -> (f64, usize) {
    let mut fields = Vec::new();
    let mut counts: std::collections::BTreeMap<usize, usize> = std::collections::BTreeMap::new();
    let (mut numbers, mut filled, mut n) = (0usize, 0usize, 0usize);
    // Header lines would tell little; the last three quarters are rows in any file of more than a few lines.
    for line in lines.iter().skip((lines.len() / 4).min(4)) {
        n += 1;
        if split(line.bytes, delimiter, &mut fields).is_err() {
            continue;
        }
        *counts.entry(fields.len()).or_default() += 1;
        for f in &fields {
            let bytes = line.bytes.get(f.clone()).unwrap_or(b"");
            if !bytes.is_empty() {
                filled += 1;
                numbers += usize::from(cell(bytes, decimal).is_some());
            }
        }
    }
    let Some((width, usual)) = counts.into_iter().max_by_key(|(w, c)| (*c, *w)) else { return (0.0, 0) };
    let consistent = usual as f64 / n.max(1) as f64;
    let numeric = if filled == 0 { 0.0 } else { numbers as f64 / filled as f64 };
    (consistent * numeric, width)
}

/// Finds how a text file is written.
pub(super) fn sniff(path: &Path, head: &[u8], options: &SourceOptions) -> Result<Dialect, Diagnostics> {
    check_text(path, head)?;
    let comment = options.comment.map_or_else(|| vec![b'#', b'%'], |c| vec![c]);
    let all = lines(head, &comment);
    let rows: Vec<&Line<'_>> = all.iter().filter(|l| !l.comment).collect();
    if rows.is_empty() {
        let d = Diagnostic::error(path, "the file has no rows, only blank or comment lines").at(1, 1);
        return Err(d.help("check that the export holds data").into());
    }
    let delimiters = match options.delimiter {
        Some(d) => vec![d],
        None => {
            vec![Delimiter::Byte(b','), Delimiter::Byte(b';'), Delimiter::Byte(b'\t'), Delimiter::Byte(b'|'), Delimiter::Blanks]
        }
    };
    let decimals = options.decimal.map_or_else(|| vec![b'.', b','], |d| vec![d]);
    let mut best: Option<(f64, usize, Delimiter, u8)> = None;
    for d in &delimiters {
        for mark in &decimals {
            if *d == Delimiter::Byte(*mark) {
                continue;
            }
            let (s, width) = score(&rows, *d, *mark);
            // Within 2 % the way with more columns wins: a text read as one column is consistent, too.
            let better = best.is_none_or(|(bs, bw, _, _)| {
                s > bs + 0.02 || ((s - bs).abs() <= 0.02 && (width > bw || (width == bw && s > bs)))
            });
            if better {
                best = Some((s, width, *d, *mark));
            }
        }
    }
    let Some((found, width, delimiter, decimal)) = best else {
        let message = "the decimal mark and the delimiter cannot both be a comma";
        return Err(Diagnostic::error(path, message).key("source.decimal").help("delimiter = \";\"").into());
    };
    let mut dialect = Dialect { delimiter, decimal, comment, skip: 0, names: Vec::new(), width, remarks: Vec::new() };
    header(path, &all, &rows, options, &mut dialect)?;
    if found < 0.05 {
        let (line, d) = rows
            .get(1)
            .or(rows.first())
            .map_or((1, None), |l| (l.number, l.bytes.get(..l.bytes.len().min(60)).map(decode)));
        let message = "the rows hold hardly any numbers, whichever delimiter is tried";
        let d = Diagnostic::error(path, message).at(to_usize(line), 1).found(d.unwrap_or_default());
        return Err(d.help("state `[source] delimiter = \";\"` and `decimal = \",\"` in the map, or export numbers").into());
    }
    if options.delimiter.is_none() {
        dialect.remarks.push(format!("delimiter found: {}", delimiter.text()));
    }
    if options.decimal.is_none() && decimal == b',' {
        dialect.remarks.push("decimal comma found".to_owned());
    }
    Ok(dialect)
}

fn to_usize(v: u64) -> usize {
    usize::try_from(v).unwrap_or(usize::MAX)
}

fn texts(line: &[u8], delimiter: Delimiter) -> Vec<String> {
    let mut fields = Vec::new();
    if split(line, delimiter, &mut fields).is_err() {
        return Vec::new();
    }
    let mut out: Vec<String> =
        fields.iter().map(|f| decode(line.get(f.clone()).unwrap_or(b"")).replace("\"\"", "\"")).collect();
    // A delimiter at the end of every line is no column.
    while out.last().is_some_and(String::is_empty) {
        out.pop();
    }
    out
}

fn header(
    path: &Path,
    all: &[Line<'_>],
    rows: &[&Line<'_>],
    options: &SourceOptions,
    dialect: &mut Dialect,
) -> Result<(), Diagnostics> {
    let Some(first) = rows.first() else { return Ok(()) };
    let numeric = |line: &[u8]| {
        let mut f = Vec::new();
        let _ = split(line, dialect.delimiter, &mut f);
        let filled: Vec<_> = f.iter().filter_map(|r| line.get(r.clone())).filter(|b| !b.is_empty()).collect();
        let n = filled.iter().filter(|b| cell(b, dialect.decimal).is_some()).count();
        (n, filled.len())
    };
    let (numbers, filled) = numeric(first.bytes);
    // Names win over numbers where half or more of the fields are no numbers.
    let has = options.header.unwrap_or(filled > 0 && numbers * 2 <= filled);
    if has {
        dialect.names = texts(first.bytes, dialect.delimiter);
        dialect.skip = first.number;
        if let Some(second) = rows.get(1) {
            let mut f = Vec::new();
            let _ = split(second.bytes, dialect.delimiter, &mut f);
            let words = f.iter().filter(|r| second.bytes.get((*r).clone()).is_some_and(|b| !b.is_empty()));
            let any_number = f.iter().any(|r| second.bytes.get(r.clone()).is_some_and(|b| is_number(b, dialect.decimal)));
            if !any_number && words.count() * 2 > dialect.names.len() && rows.len() > 2 {
                let units = texts(second.bytes, dialect.delimiter);
                for (name, unit) in dialect.names.iter_mut().zip(&units) {
                    if !unit.is_empty() {
                        *name = format!("{name} ({})", unit.trim_matches(['[', ']', '(', ')']));
                    }
                }
                dialect.skip = second.number;
                let text = format!("line {} holds the units; they are added to the names in brackets", second.number);
                dialect.remarks.push(text);
            }
        }
    } else if options.header != Some(false) {
        // A comment line with as many words as there are columns names them.
        let named = all.iter().take_while(|l| l.number < first.number).filter(|l| l.comment).last().map(|l| {
            let text = l.bytes.trim_ascii_start();
            (l.number, texts(text.get(1..).unwrap_or(b""), dialect.delimiter))
        });
        if let Some((line, names)) = named
            && names.len() == dialect.width
            && names.iter().all(|n| plain_number(n).is_none())
        {
            dialect.names = names;
            dialect.remarks.push(format!("column names taken from the comment on line {line}"));
        }
    }
    let (_, last_filled) = rows.last().map_or((0, 0), |l| numeric(l.bytes));
    if has && rows.iter().all(|l| l.number <= dialect.skip) {
        let d = Diagnostic::error(path, "the file has a header and no rows").at(to_usize(first.number), 1);
        return Err(d.help("check that the export holds data").into());
    }
    if !dialect.names.is_empty() {
        // Rows may be wider than the header by an empty last field; more is told row by row.
        dialect.width = dialect.names.len();
    } else if last_filled > 0 {
        let widths: Vec<_> = rows.iter().map(|l| texts(l.bytes, dialect.delimiter).len()).collect();
        let mut counts = std::collections::BTreeMap::new();
        for w in widths {
            *counts.entry(w).or_insert(0usize) += 1;
        }
        dialect.width = counts.into_iter().max_by_key(|(w, c)| (*c, *w)).map_or(dialect.width, |(w, _)| w);
    }
    Ok(())
}

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
        let n = (&mut reader).take(LONGEST_LINE as u64).read_until(b'\n', &mut line).map_err(|e| io_error(path, &e))?;
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
    let mut d = Diagnostic::error(path, flaw.message.clone()).at(to_usize(number), before + 1).help(flaw.help);
    if let Some(i) = flaw.field {
        d = d.key(dialect.names.get(i).filter(|n| !n.is_empty()).cloned().unwrap_or(format!("column {}", i + 1)));
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
    let help = "mend the rows named above, map another column, or check delimiter and decimal mark in `[source]`";
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
            return Err(Flaw { byte: text.len(), field: Some(*column), message, help: "complete the row, or remove it" });
        };
        let bytes = text.get(range.clone()).unwrap_or(b"");
        let Some(v) = cell(bytes, dialect.decimal) else {
            let help = if dialect.decimal == b',' {
                "a number with a decimal comma, or nothing"
            } else {
                "a number such as -0.25, or nothing"
            };
            return Err(Flaw { byte: range.start, field: Some(*column), message: "not a number".to_owned(), help });
        };
        if v.is_nan() && required == Some(*column) {
            let message = "the row has no time".to_owned();
            return Err(Flaw { byte: range.start, field: Some(*column), message, help: "every row needs its time" });
        }
        *value = v;
    }
    Ok(())
}

/// Columns that hold numbers, by the file's head.
pub(super) fn numeric_columns(path: &Path, dialect: &Dialect) -> Result<Vec<usize>, Diagnostics> {
    let head = head(path)?;
    let mut counts = vec![(0usize, 0usize); dialect.width];
    let mut fields = Vec::new();
    for line in lines(&head, &dialect.comment).iter().filter(|l| !l.comment && l.number > dialect.skip) {
        if split(line.bytes, dialect.delimiter, &mut fields).is_err() {
            continue;
        }
        for (count, f) in counts.iter_mut().zip(&fields) {
            let bytes = line.bytes.get(f.clone()).unwrap_or(b"");
            if !bytes.is_empty() {
                count.1 += 1;
                count.0 += usize::from(cell(bytes, dialect.decimal).is_some());
            }
        }
    }
    let numeric = counts.iter().enumerate().filter(|(_, (n, filled))| *filled > 0 && n * 10 >= filled * 9);
    Ok(numeric.map(|(i, _)| i).collect())
}
