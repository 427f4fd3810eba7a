//! Measured coefficients on a grid, bilinear in rotor speed and advance ratio.

use serde::Serialize;

/// C_T and C_P on a grid of rotor speed and advance ratio.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Table {
    /// Rotor speeds, rad/s, ascending.
    pub speeds: Vec<f64>,
    /// Advance ratios J = V/(n D), ascending, beginning at 0.
    pub advance: Vec<f64>,
    /// C_T, row by speed, column by advance ratio.
    pub ct: Vec<Vec<f64>>,
    /// C_P, likewise.
    pub cp: Vec<Vec<f64>>,
}

/// One measured row of a rotor.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct TableRow {
    /// Rotor speed, rad/s.
    pub speed: f64,
    /// Advance ratio J = V/(n D).
    pub advance: f64,
    /// C_T.
    pub ct: f64,
    /// C_P.
    pub cp: f64,
}

/// Rows that do not make a table. Row numbers begin at 1.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum TableError {
    /// No rows.
    #[error("the rotor table has no rows")]
    Empty,
    /// A value that cannot be.
    #[error("row {row} of the rotor table: {what} is {value}, but must be {allowed}")]
    Value {
        /// Row.
        row: usize,
        /// Which value.
        what: &'static str,
        /// The value.
        value: f64,
        /// What it may be.
        allowed: &'static str,
    },
    /// The same point twice.
    #[error("the rotor table has advance ratio {advance} at {speed} rad/s twice")]
    Twice {
        /// Rotor speed, rad/s.
        speed: f64,
        /// Advance ratio.
        advance: f64,
    },
    /// A speed without a static row.
    #[error("the rotor table has no row with advance ratio 0 at {speed} rad/s")]
    NoStatic {
        /// Rotor speed, rad/s.
        speed: f64,
    },
    /// A speed with only the static row while others have more.
    #[error(
        "at {speed} rad/s the rotor table has only the static row, while other speeds reach advance ratio {advance}"
    )]
    OnlyStatic {
        /// Rotor speed, rad/s.
        speed: f64,
        /// Largest advance ratio of the table.
        advance: f64,
    },
}

/// Index of the interval that holds `x`, and the place in it from 0 to 1 (clamped at the ends).
fn locate(grid: &[f64], x: f64) -> (usize, f64) {
    let above = grid.partition_point(|g| *g <= x);
    if above == 0 {
        return (0, 0.0);
    }
    let index = above - 1;
    match (grid.get(index), grid.get(above)) {
        (Some(low), Some(high)) => (index, (x - low) / (high - low)),
        _ => (index, 0.0),
    }
}

/// Value in a row at an interval and place; the end holds. Zero for an empty row.
fn pick(row: &[f64], (index, place): (usize, f64)) -> f64 {
    let low = row.get(index).copied().unwrap_or(0.0);
    let high = row.get(index + 1).copied().unwrap_or(low);
    low + place * (high - low)
}

impl Table {
    /// A table from measured rows in any order.
    ///
    /// Every speed needs a static row (advance ratio 0), and all speeds or none need rows beyond.
    /// Advance ratios may differ between speeds: each speed is interpolated on the union of all,
    /// and holds its own last value beyond its own last advance ratio.
    pub fn from_rows(rows: &[TableRow]) -> Result<Self, TableError> {
        for (index, row) in rows.iter().enumerate() {
            let bad = |what, value, allowed| Err(TableError::Value { row: index + 1, what, value, allowed });
            if !(row.speed.is_finite() && row.speed > 0.0) {
                return bad("speed", row.speed, "above 0");
            }
            if !(row.advance.is_finite() && row.advance >= 0.0) {
                return bad("advance ratio", row.advance, "0 or more");
            }
            if !row.ct.is_finite() || (row.advance == 0.0 && row.ct <= 0.0) {
                return bad("ct", row.ct, "above 0 at advance ratio 0, and a number elsewhere");
            }
            if !row.cp.is_finite() || (row.advance == 0.0 && row.cp <= 0.0) {
                return bad("cp", row.cp, "above 0 at advance ratio 0, and a number elsewhere");
            }
        }
        let mut rows = rows.to_vec();
        rows.sort_by(|a, b| a.speed.total_cmp(&b.speed).then(a.advance.total_cmp(&b.advance)));
        let mut advance: Vec<f64> = rows.iter().map(|row| row.advance).collect();
        advance.sort_by(f64::total_cmp);
        advance.dedup();
        let Some(&last) = advance.last() else { return Err(TableError::Empty) };
        let mut table = Self { speeds: Vec::new(), advance, ct: Vec::new(), cp: Vec::new() };
        for group in rows.chunk_by(|a, b| a.speed == b.speed) {
            let speed = group.first().map_or(0.0, |row| row.speed);
            let own: Vec<f64> = group.iter().map(|row| row.advance).collect();
            if own.first() != Some(&0.0) {
                return Err(TableError::NoStatic { speed });
            }
            if let Some(pair) = own.windows(2).find(|pair| pair[0] == pair[1]) {
                return Err(TableError::Twice { speed, advance: pair[0] });
            }
            if own.len() == 1 && last > 0.0 {
                return Err(TableError::OnlyStatic { speed, advance: last });
            }
            let ct: Vec<f64> = group.iter().map(|row| row.ct).collect();
            let cp: Vec<f64> = group.iter().map(|row| row.cp).collect();
            table.speeds.push(speed);
            table.ct.push(table.advance.iter().map(|j| pick(&ct, locate(&own, *j))).collect());
            table.cp.push(table.advance.iter().map(|j| pick(&cp, locate(&own, *j))).collect());
        }
        Ok(table)
    }

    /// C_T and C_P at a rotor speed, rad/s, and advance ratio; the ends hold, except that the first
    /// slope is carried on to negative advance ratios.
    pub fn at(&self, speed: f64, advance: f64) -> (f64, f64) {
        let row = locate(&self.speeds, speed);
        let column = if advance < 0.0 {
            match (self.advance.first(), self.advance.get(1)) {
                (Some(low), Some(high)) => (0, (advance - low) / (high - low)),
                _ => (0, 0.0),
            }
        } else {
            locate(&self.advance, advance)
        };
        let value = |grid: &[Vec<f64>]| {
            let low = grid.get(row.0).map_or(0.0, |line| pick(line, column));
            let high = grid.get(row.0 + 1).map_or(low, |line| pick(line, column));
            low + row.1 * (high - low)
        };
        (value(&self.ct), value(&self.cp))
    }

    /// Static C_T, its slope over speed (s/rad), C_P and its slope.
    pub(super) fn at_rest(&self, speed: f64) -> [f64; 4] {
        let (index, place) = locate(&self.speeds, speed);
        let inside = self.speeds.first().is_some_and(|first| speed >= *first);
        let width = match (self.speeds.get(index), self.speeds.get(index + 1)) {
            (Some(low), Some(high)) if inside => high - low,
            _ => f64::INFINITY,
        };
        let value = |grid: &[Vec<f64>]| {
            let low = grid.get(index).and_then(|line| line.first()).copied().unwrap_or(0.0);
            let high = grid.get(index + 1).and_then(|line| line.first()).copied().unwrap_or(low);
            (low + place * (high - low), (high - low) / width)
        };
        let ((ct, ct_slope), (cp, cp_slope)) = (value(&self.ct), value(&self.cp));
        [ct, ct_slope, cp, cp_slope]
    }

    /// Speed, rad/s, at which C_T omega^2 has a value, static, by Newton's method; `None` where it
    /// does not settle (a strongly falling C_T).
    pub(super) fn speed_at_rest(&self, target: f64) -> Option<f64> {
        let mut speed = (target / self.at_rest(f64::MAX)[0]).sqrt();
        for _ in 0..30 {
            let [ct, ct_slope, ..] = self.at_rest(speed);
            let slope = speed * (2.0 * ct + ct_slope * speed);
            let step = (ct * speed * speed - target) / slope;
            let next = speed - step;
            if !(slope > 0.0 && next > 0.0 && next.is_finite()) {
                return None;
            }
            speed = next;
            if step.abs() <= 1e-14 * speed {
                return Some(speed);
            }
        }
        None
    }
}
