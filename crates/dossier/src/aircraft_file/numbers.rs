//! A small CSV table of numbers: named columns with units, every row complete.

use std::path::Path;

use crate::diagnostic::Diagnostic;
use crate::units::{Dimension, Unit, parse_unit, shortened};

/// Most rows that are read.
const MOST_ROWS: usize = 20_000;

/// One column.
pub(crate) struct Column {
    /// Names it may have, without its unit.
    pub(crate) names: &'static [&'static str],
    pub(crate) dimension: Dimension,
    /// Least and largest value, SI.
    pub(crate) low: f64,
    pub(crate) high: f64,
    /// What it is, for people.
    pub(crate) what: &'static str,
}

/// One row, SI, in the order of the asked columns.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Row {
    pub(crate) line: usize,
    pub(crate) values: Vec<f64>,
}

/// Reads a table. Lines that begin with # are comments.
///
/// # Errors
/// All that is wrong with it, each with its line.
pub(crate) fn read(
    file: &Path,
    text: &str,
    what: &str,
    columns: &[Column],
    help: &str,
) -> Result<Vec<Row>, Vec<Diagnostic>> {
    let mut lines = text
        .lines()
        .enumerate()
        .map(|(i, l)| (i + 1, l))
        .filter(|(_, l)| !l.trim().is_empty() && !l.trim_start().starts_with('#'));
    let Some((header_line, header)) = lines.next() else {
        return Err(vec![Diagnostic::error(file, format!("the {what} is empty")).at(1, 1).help(help)]);
    };
    let error = |line: usize, message: String| Diagnostic::error(file, message).at(line, 1).help(help);
    let mut places: Vec<Option<(usize, Unit)>> = columns.iter().map(|_| None).collect();
    let mut errors = Vec::new();
    let heads: Vec<&str> = header.split(',').map(str::trim).collect();
    for (at, cell) in heads.iter().enumerate() {
        let words = cell.trim_matches('"').replace(['[', ']', '(', ')'], " ");
        let mut parts = words.split_whitespace();
        let name = parts.next().unwrap_or("");
        let unit = parts.collect::<Vec<_>>().join(" ");
        let found = columns.iter().position(|c| c.names.iter().any(|n| n.eq_ignore_ascii_case(name)));
        let Some((column, slot)) = found.and_then(|k| Some((columns.get(k)?, places.get_mut(k)?))) else {
            errors.push(error(header_line, format!("the column `{}` is not known", shortened(name))));
            continue;
        };
        if slot.is_some() {
            errors.push(error(header_line, format!("the column `{name}` stands twice")));
            continue;
        }
        match parse_unit(&unit, column.dimension) {
            Ok(u) => *slot = Some((at, u)),
            Err(e) => errors.push(error(header_line, format!("column `{name}`: {e}"))),
        }
    }
    if errors.is_empty() {
        for (column, _) in columns.iter().zip(&places).filter(|(_, p)| p.is_none()) {
            let name = column.names.first().copied().unwrap_or("");
            errors.push(error(header_line, format!("the column `{name}` ({}) is missing", column.what)));
        }
    }
    if !errors.is_empty() {
        return Err(errors);
    }
    let mut rows = Vec::new();
    for (line, text) in lines {
        if rows.len() >= MOST_ROWS {
            errors.push(error(line, format!("the {what} has more than {MOST_ROWS} rows")));
            break;
        }
        let cells: Vec<&str> = text.split(',').map(str::trim).collect();
        if cells.len() != heads.len() {
            errors.push(error(
                line,
                format!("expected {} cells, found {}; decimals have a point", heads.len(), cells.len()),
            ));
            continue;
        }
        let mut values = Vec::with_capacity(columns.len());
        for (column, place) in columns.iter().zip(&places) {
            let Some((at, unit)) = place else { continue };
            let cell = cells.get(*at).copied().unwrap_or("");
            match cell.parse::<f64>().ok().filter(|x| x.is_finite()).map(|x| unit.to_si(x)) {
                Some(x) if (column.low..=column.high).contains(&x) => values.push(x),
                Some(_) => errors.push(error(
                    line,
                    format!("`{}` is out of range for the {}", shortened(cell), column.what),
                )),
                None => errors
                    .push(error(line, format!("`{}` is not a number ({})", shortened(cell), column.what))),
            }
        }
        rows.push(Row { line, values });
    }
    if rows.is_empty() && errors.is_empty() {
        errors.push(error(header_line, format!("the {what} has no rows")));
    }
    if errors.is_empty() { Ok(rows) } else { Err(errors) }
}
