//! Reads the CSV table of rotor coefficients: `speed rpm,advance,ct,cp`.

use std::path::Path;

use physics::rotor::Table;

use super::spec::nearest;
use crate::diagnostic::Diagnostic;
use crate::units::{Dimension, Unit, UnitError, parse_unit, shortened};

/// Most rows that are read.
const MOST_ROWS: usize = 20_000;

const HEADER_HELP: &str = "the first line names the columns with their units: speed rpm,advance,ct,cp";

#[derive(Clone, Copy, PartialEq)]
enum Column {
    Speed,
    Advance,
    Ct,
    Cp,
}

const COLUMNS: [(&str, Column); 4] =
    [("speed", Column::Speed), ("advance", Column::Advance), ("ct", Column::Ct), ("cp", Column::Cp)];

/// One row with its line.
struct Row {
    line: usize,
    speed: f64,
    advance: f64,
    ct: f64,
    cp: f64,
}

/// Parses the table.
///
/// # Errors
/// All that is wrong with it, each with line and column.
pub(crate) fn parse(file: &Path, text: &str) -> Result<Table, Vec<Diagnostic>> {
    let mut errors: Vec<Diagnostic> = Vec::new();
    let mut lines = text
        .lines()
        .enumerate()
        .map(|(i, l)| (i + 1, l))
        .filter(|(_, l)| !l.trim().is_empty() && !l.trim_start().starts_with('#'));
    let Some((header_line, header)) = lines.next() else {
        return Err(vec![Diagnostic::error(file, "the rotor table is empty").at(1, 1).help(HEADER_HELP)]);
    };
    let columns = read_header(file, header_line, header)?;
    let mut rows = Vec::new();
    for (line, text) in lines {
        if rows.len() >= MOST_ROWS {
            errors.push(
                Diagnostic::error(file, format!("the rotor table has more than {MOST_ROWS} rows"))
                    .at(line, 1)
                    .help("thin it out: a few speeds and advance ratios are enough"),
            );
            break;
        }
        match read_row(file, line, text, &columns) {
            Ok(row) => rows.push(row),
            Err(mut e) => errors.append(&mut e),
        }
    }
    if errors.is_empty() { grid(file, header_line, &rows) } else { Err(errors) }
}

fn read_header(file: &Path, line: usize, header: &str) -> Result<Vec<(Column, Unit)>, Vec<Diagnostic>> {
    let mut errors = Vec::new();
    let mut columns: Vec<(Column, Unit)> = Vec::new();
    if !header.contains(',') && (header.contains(';') || header.contains('\t')) {
        return Err(vec![
            Diagnostic::error(file, "the columns are not separated by commas")
                .at(line, 1)
                .found(shortened(header))
                .help(format!("separate columns by commas and write decimals with a point; {HEADER_HELP}")),
        ]);
    }
    for (column, cell) in cells(header) {
        let at = |message: String, help: String| {
            Diagnostic::error(file, message).at(line, column).found(shortened(cell)).help(help)
        };
        let words = cell.trim_matches('"').replace(['[', ']', '(', ')'], " ");
        let mut parts = words.split_whitespace();
        let name = parts.next().unwrap_or("").to_lowercase();
        let unit_text = parts.collect::<Vec<_>>().join(" ");
        let Some((_, kind)) = COLUMNS.iter().find(|(n, _)| *n == name) else {
            let near = nearest(&name, COLUMNS.iter().map(|(n, _)| *n));
            let help =
                near.map_or_else(|| HEADER_HELP.to_owned(), |n| format!("did you mean `{n}`? {HEADER_HELP}"));
            errors.push(at(format!("the column `{}` is not known", shortened(&name)), help));
            continue;
        };
        if columns.iter().any(|(k, _)| k == kind) {
            errors.push(at(format!("the column `{name}` stands twice"), HEADER_HELP.to_owned()));
            continue;
        }
        let expected = if *kind == Column::Speed { Dimension::AngularSpeed } else { Dimension::Ratio };
        // Revolutions per second are often written as a frequency.
        let unit = if *kind == Column::Speed && unit_text == "Hz" { "rev/s" } else { &unit_text };
        match parse_unit(unit, expected) {
            Ok(u) => columns.push((*kind, u)),
            Err(UnitError::MissingUnit { .. }) => {
                errors.push(at("the column `speed` names no unit".to_owned(), HEADER_HELP.to_owned()));
            }
            Err(e) => errors.push(at(e.to_string(), HEADER_HELP.to_owned())),
        }
    }
    for (name, kind) in COLUMNS {
        let named = cells(header).any(|(_, c)| c.trim_matches('"').to_lowercase().starts_with(name));
        if !columns.iter().any(|(k, _)| *k == kind) && !named {
            errors.push(
                Diagnostic::error(file, format!("the column `{name}` is missing"))
                    .at(line, 1)
                    .found(shortened(header))
                    .help(HEADER_HELP),
            );
        }
    }
    if errors.is_empty() { Ok(columns) } else { Err(errors) }
}

/// Cells of a line with the column, from 1, where each begins.
fn cells(line: &str) -> impl Iterator<Item = (usize, &str)> {
    let mut column = 1;
    line.split(',').map(move |raw| {
        let lead = raw.chars().take_while(|c| c.is_whitespace()).count();
        let here = column + lead;
        column += raw.chars().count() + 1;
        (here, raw.trim())
    })
}

fn read_row(
    file: &Path,
    line: usize,
    text: &str,
    columns: &[(Column, Unit)],
) -> Result<Row, Vec<Diagnostic>> {
    let mut errors = Vec::new();
    let found: Vec<(usize, &str)> = cells(text).collect();
    if found.len() != columns.len() {
        return Err(vec![
            Diagnostic::error(file, format!("expected {} cells, found {}", columns.len(), found.len()))
                .at(line, 1)
                .found(shortened(text))
                .help("a row is like 4000,0.1,0.098,0.041; decimals have a point, not a comma"),
        ]);
    }
    let mut row = Row { line, speed: 0.0, advance: 0.0, ct: 0.0, cp: 0.0 };
    for ((column, cell), (kind, unit)) in found.iter().zip(columns) {
        let at = |message: String, help: &str| {
            Diagnostic::error(file, message).at(line, *column).found(shortened(cell)).help(help)
        };
        let Some(x) = cell.parse::<f64>().ok().filter(|x| x.is_finite()) else {
            errors.push(at(
                "this is not a finite number".to_owned(),
                "write a number such as 0.098, without a unit",
            ));
            continue;
        };
        let x = unit.to_si(x);
        let (name, low, high, help) = match kind {
            Column::Speed => ("speed", 0.0, 1e5, "rotor speeds are above 0"),
            Column::Advance => {
                ("advance", 0.0, 5.0, "the advance ratio V/(n D) is 0 in hover and positive in climb")
            }
            Column::Ct => ("ct", -1.0, 1.0, "C_T = T/(rho n^2 D^4) lies between -1 and 1"),
            Column::Cp => ("cp", -1.0, 1.0, "C_P = P/(rho n^3 D^5) lies between -1 and 1"),
        };
        if x < low || x > high || (*kind == Column::Speed && x <= 0.0) {
            errors.push(at(format!("`{cell}` is out of range for the column `{name}`"), help).key(name));
            continue;
        }
        match kind {
            Column::Speed => row.speed = x,
            Column::Advance => row.advance = x,
            Column::Ct => row.ct = x,
            Column::Cp => row.cp = x,
        }
    }
    if errors.is_empty() { Ok(row) } else { Err(errors) }
}

/// Distinct values, ascending.
fn distinct(mut values: Vec<f64>) -> Vec<f64> {
    values.sort_by(f64::total_cmp);
    values.dedup_by(|a, b| (*a - *b).abs() <= 1e-9 * b.abs().max(1e-9));
    values
}

fn near(values: &[f64], x: f64) -> Option<usize> {
    values.iter().position(|v| (v - x).abs() <= 1e-9 * v.abs().max(1e-9))
}

/// Puts the rows on their grid. Every speed must have every advance ratio; static rows are needed.
fn grid(file: &Path, header_line: usize, rows: &[Row]) -> Result<Table, Vec<Diagnostic>> {
    let mut errors = Vec::new();
    if rows.is_empty() {
        return Err(vec![
            Diagnostic::error(file, "the rotor table has no rows")
                .at(header_line, 1)
                .help("a row is like 4000,0,0.105,0.040"),
        ]);
    }
    let speeds = distinct(rows.iter().map(|r| r.speed).collect());
    let advance = distinct(rows.iter().map(|r| r.advance).collect());
    if advance.first().is_none_or(|a| *a != 0.0) {
        errors.push(
            Diagnostic::error(file, "the table has no static rows (advance 0)")
                .at(header_line, 1)
                .key("advance")
                .help("add rows with advance 0: hover is computed from them"),
        );
    }
    let mut cells: Vec<Vec<Option<(f64, f64)>>> = vec![vec![None; advance.len()]; speeds.len()];
    for r in rows {
        let slot = near(&speeds, r.speed)
            .and_then(|i| cells.get_mut(i))
            .and_then(|row| near(&advance, r.advance).and_then(|j| row.get_mut(j)));
        match slot {
            Some(slot @ None) => *slot = Some((r.ct, r.cp)),
            _ => errors.push(
                Diagnostic::error(file, "this speed and advance ratio stand twice")
                    .at(r.line, 1)
                    .key("speed")
                    .help("keep one row for each pair"),
            ),
        }
        if r.advance == 0.0 && (r.ct <= 0.0 || r.cp <= 0.0) {
            errors.push(
                Diagnostic::error(file, "static ct and cp are above zero")
                    .at(r.line, 1)
                    .key("ct")
                    .help("a rotor that lifts has positive ct and takes power; check the signs"),
            );
        }
    }
    let mut missing = 0;
    let mut first = None;
    for (speed, row) in speeds.iter().zip(&cells) {
        for (a, cell) in advance.iter().zip(row) {
            if cell.is_none() {
                missing += 1;
                first.get_or_insert((*speed, *a));
            }
        }
    }
    if let Some((speed, a)) = first {
        let rpm = speed * 60.0 / std::f64::consts::TAU;
        errors.push(
            Diagnostic::error(file, format!("{missing} cells of the grid are missing; the first is {rpm:.0} rpm at advance {a}"))
                .at(header_line, 1)
                .key("advance")
                .help("give every speed the same advance ratios; measured points between them are to be interpolated first"),
        );
    }
    if !errors.is_empty() {
        return Err(errors);
    }
    let part = |f: fn((f64, f64)) -> f64| -> Vec<Vec<f64>> {
        cells.iter().map(|row| row.iter().map(|c| c.map_or(0.0, f)).collect()).collect()
    };
    Ok(Table { ct: part(|c| c.0), cp: part(|c| c.1), speeds, advance })
}
