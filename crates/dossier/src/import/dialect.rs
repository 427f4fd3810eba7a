//! How a text file is written: delimiter, decimal mark and header, found by consistency.

use std::fs::File;
use std::io::Read;
use std::ops::Range;
use std::path::Path;

use super::map::{Delimiter, SourceOptions};
use crate::diagnostic::{Diagnostic, Diagnostics};

const HEAD: usize = 128 * 1024;

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

pub(super) fn io_error(path: &Path, e: &std::io::Error) -> Diagnostics {
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
        let d =
            Diagnostic::error(path, "the file is not text: it holds a zero byte").at(line, at - start + 1);
        return Err(d.help("import takes CSV and other separated text, and Parquet").into());
    }
    Ok(())
}

/// Bytes as text: UTF-8, else Latin-1.
pub(super) fn decode(bytes: &[u8]) -> String {
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
pub(super) fn split(line: &[u8], delimiter: Delimiter, fields: &mut Vec<Range<usize>>) -> Result<(), usize> {
    fields.clear();
    let ends = |b: u8| match delimiter {
        Delimiter::Byte(d) => b == d,
        Delimiter::Blanks => b == b' ' || b == b'\t',
    };
    let mut at = 0;
    loop {
        while line
            .get(at)
            .is_some_and(|b| (*b == b' ' || *b == b'\t') && (delimiter == Delimiter::Blanks || !ends(*b)))
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
pub(super) fn cell(bytes: &[u8], decimal: u8) -> Option<f64> {
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
    let whole = if head.len() + 3 >= HEAD {
        head.iter().rposition(|b| *b == b'\n').unwrap_or(head.len())
    } else {
        head.len()
    };
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
            vec![
                Delimiter::Byte(b','),
                Delimiter::Byte(b';'),
                Delimiter::Byte(b'\t'),
                Delimiter::Byte(b'|'),
                Delimiter::Blanks,
            ]
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
    let mut dialect =
        Dialect { delimiter, decimal, comment, skip: 0, names: Vec::new(), width, remarks: Vec::new() };
    header(path, &all, &rows, options, &mut dialect)?;
    if found < 0.05 {
        let (line, d) = rows
            .get(1)
            .or(rows.first())
            .map_or((1, None), |l| (l.number, l.bytes.get(..l.bytes.len().min(60)).map(decode)));
        let message = "the rows hold hardly any numbers, whichever delimiter is tried";
        let d = Diagnostic::error(path, message).at(to_usize(line), 1).found(d.unwrap_or_default());
        return Err(d
            .help("state `[source] delimiter = \";\"` and `decimal = \",\"` in the map, or export numbers")
            .into());
    }
    if options.delimiter.is_none() {
        dialect.remarks.push(format!("delimiter found: {}", delimiter.text()));
    }
    if options.decimal.is_none() && decimal == b',' {
        dialect.remarks.push("decimal comma found".to_owned());
    }
    Ok(dialect)
}

pub(super) fn to_usize(v: u64) -> usize {
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
            let any_number =
                f.iter().any(|r| second.bytes.get(r.clone()).is_some_and(|b| is_number(b, dialect.decimal)));
            if !any_number && words.count() * 2 > dialect.names.len() && rows.len() > 2 {
                let units = texts(second.bytes, dialect.delimiter);
                for (name, unit) in dialect.names.iter_mut().zip(&units) {
                    if !unit.is_empty() {
                        *name = format!("{name} ({})", unit.trim_matches(['[', ']', '(', ')']));
                    }
                }
                dialect.skip = second.number;
                let text = format!(
                    "line {} holds the units; they are added to the names in brackets",
                    second.number
                );
                dialect.remarks.push(text);
            }
        }
    } else if options.header != Some(false) {
        // A comment line with as many words as there are columns names them.
        let named =
            all.iter().take_while(|l| l.number < first.number).filter(|l| l.comment).last().map(|l| {
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
