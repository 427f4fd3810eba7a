//! A polar table of the user's own, carried past its ends.
//!
//! Rows of Reynolds number, angle of attack, C_l and C_d; linear in the angle, linear in the logarithm
//! of the Reynolds number, the nearest polar beyond the first and last. Past the last angle the forces
//! follow Viterna & Corrigan 1982 (NASA CP-2230): C_d = 1.98 sin^2 + B cos and
//! C_l = 0.99 sin 2 alpha + A cos^2 / sin, A and B from the last row; below the first angle likewise,
//! mirrored. Beyond 90 deg either way they are those of a flat plate.

use std::f64::consts::{FRAC_PI_2, PI};

use serde::Serialize;

use super::{Coefficients, FLAT_PLATE_DRAG, compressibility};

/// One measured row.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct PolarRow {
    /// Reynolds number on the chord.
    pub reynolds: f64,
    /// Angle of attack, rad.
    pub alpha: f64,
    /// Lift coefficient.
    pub lift: f64,
    /// Drag coefficient.
    pub drag: f64,
}

/// Rows that do not make a table.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum PolarError {
    /// A number that cannot be; rows count from 1.
    #[error("row {row} of the polar table: {what} is {value}")]
    Value {
        /// Row.
        row: usize,
        /// Which number.
        what: &'static str,
        /// Its value.
        value: f64,
    },
    /// Too few angles at a Reynolds number.
    #[error(
        "the polar at Reynolds number {reynolds} has {count} angles; 4 or more are needed, rising lift among them"
    )]
    Few {
        /// Reynolds number.
        reynolds: f64,
        /// Angles there.
        count: usize,
    },
    /// Nothing.
    #[error("the polar table has no rows")]
    Empty,
}

/// One polar.
#[derive(Debug, Clone, PartialEq, Serialize)]
struct Polar {
    log_reynolds: f64,
    /// Angle, lift, drag, by angle.
    rows: Vec<[f64; 3]>,
    slope: f64,
    zero: f64,
}

/// Polars by Reynolds number.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct PolarTable {
    polars: Vec<Polar>,
}

impl PolarTable {
    /// A table from rows in any order.
    ///
    /// # Errors
    /// A number that cannot be, or too few angles.
    pub fn from_rows(rows: &[PolarRow]) -> Result<Self, PolarError> {
        for (i, row) in rows.iter().enumerate() {
            let bad = |what, value| Err(PolarError::Value { row: i + 1, what, value });
            if !(row.reynolds.is_finite() && row.reynolds > 0.0) {
                return bad("Reynolds number", row.reynolds);
            }
            if row.alpha.is_nan() || row.alpha.abs() >= FRAC_PI_2 {
                return bad("angle of attack (rad)", row.alpha);
            }
            if row.lift.is_nan() || row.lift.abs() >= 10.0 {
                return bad("lift coefficient", row.lift);
            }
            if !(row.drag > 0.0 && row.drag < 10.0) {
                return bad("drag coefficient", row.drag);
            }
        }
        let mut rows = rows.to_vec();
        rows.sort_by(|a, b| a.reynolds.total_cmp(&b.reynolds).then(a.alpha.total_cmp(&b.alpha)));
        let mut polars = Vec::new();
        for group in rows.chunk_by(|a, b| a.reynolds == b.reynolds) {
            let mut list: Vec<[f64; 3]> = group.iter().map(|r| [r.alpha, r.lift, r.drag]).collect();
            list.dedup_by(|a, b| a[0] == b[0]);
            let reynolds = group.first().map_or(0.0, |r| r.reynolds);
            let few = PolarError::Few { reynolds, count: list.len() };
            if list.len() < 4 {
                return Err(few);
            }
            let (slope, zero) = slope_and_zero(&list).ok_or(few)?;
            polars.push(Polar { log_reynolds: reynolds.ln(), rows: list, slope, zero });
        }
        if polars.is_empty() { Err(PolarError::Empty) } else { Ok(Self { polars }) }
    }

    pub(super) fn local(&self, reynolds: f64, mach: f64) -> Local<'_> {
        let q = reynolds.max(1.0).ln();
        let above = self.polars.partition_point(|p| p.log_reynolds <= q);
        let low = self.polars.get(above.saturating_sub(1)).or(self.polars.first());
        let high = self.polars.get(above).or(low);
        let place = match (low, high) {
            (Some(a), Some(b)) if b.log_reynolds > a.log_reynolds => {
                ((q - a.log_reynolds) / (b.log_reynolds - a.log_reynolds)).clamp(0.0, 1.0)
            }
            _ => 0.0,
        };
        Local { low, high, place, factor: compressibility(mach) }
    }
}

/// Slope, 1/rad, and zero-lift angle, rad, by least squares over the middle half of the lift range.
fn slope_and_zero(rows: &[[f64; 3]]) -> Option<(f64, f64)> {
    let most = rows.iter().map(|r| r[1]).fold(f64::NEG_INFINITY, f64::max);
    let middle: Vec<_> = rows.iter().filter(|r| r[1].abs() <= 0.6 * most.max(0.3)).collect();
    let n = middle.len() as f64;
    let (mx, my) =
        (middle.iter().map(|r| r[0]).sum::<f64>() / n, middle.iter().map(|r| r[1]).sum::<f64>() / n);
    let sxx: f64 = middle.iter().map(|r| (r[0] - mx).powi(2)).sum();
    let sxy: f64 = middle.iter().map(|r| (r[0] - mx) * (r[1] - my)).sum();
    let slope = sxy / sxx;
    (slope.is_finite() && slope > 0.5).then(|| (slope, mx - my / slope))
}

/// Between two polars.
#[derive(Debug, Clone, Copy)]
pub struct Local<'a> {
    low: Option<&'a Polar>,
    high: Option<&'a Polar>,
    place: f64,
    factor: f64,
}

impl Local<'_> {
    /// Coefficients at an angle of attack, rad.
    pub(super) fn at(&self, alpha: f64) -> Coefficients {
        let one = |p: Option<&Polar>| {
            p.map_or([0.0; 3], |p| {
                let [lift, drag] = p.at(alpha);
                [lift * self.factor, drag, p.slope * self.factor * (alpha - p.zero)]
            })
        };
        let (a, b) = (one(self.low), one(self.high));
        let mix = |i: usize| a[i] + self.place * (b[i] - a[i]);
        let (lift, attached) = (mix(0), mix(2));
        Coefficients { lift, drag: mix(1), attached, separated: f64::from(attached > lift && attached > 0.0) }
    }
}

impl Polar {
    fn at(&self, alpha: f64) -> [f64; 2] {
        let (Some(first), Some(last)) = (self.rows.first(), self.rows.last()) else { return [0.0; 2] };
        // Angles are taken to half a turn either way.
        let alpha = alpha - 2.0 * PI * (alpha / (2.0 * PI)).round();
        if alpha > last[0] {
            past(alpha, last[0].max(0.02), last[1], last[2])
        } else if alpha < first[0] {
            let [lift, drag] = past(-alpha, (-first[0]).max(0.02), -first[1], first[2]);
            [-lift, drag]
        } else {
            let above = self.rows.partition_point(|r| r[0] <= alpha).clamp(1, self.rows.len() - 1);
            match (self.rows.get(above - 1), self.rows.get(above)) {
                (Some(a), Some(b)) => {
                    let t = (alpha - a[0]) / (b[0] - a[0]);
                    [a[1] + t * (b[1] - a[1]), a[2] + t * (b[2] - a[2])]
                }
                _ => [last[1], last[2]],
            }
        }
    }
}

/// Lift and drag past the last angle (Viterna & Corrigan 1982), angles positive.
fn past(alpha: f64, from: f64, lift: f64, drag: f64) -> [f64; 2] {
    let (sin, cos) = alpha.sin_cos();
    let plate = [FLAT_PLATE_DRAG * sin * cos, FLAT_PLATE_DRAG * sin * sin];
    if !(0.0..FRAC_PI_2).contains(&alpha) || from >= FRAC_PI_2 {
        return [plate[0], plate[1].max(drag.min(0.05))];
    }
    let (s, c) = from.sin_cos();
    let a = (lift - FLAT_PLATE_DRAG * s * c) * s / (c * c);
    let b = (drag - FLAT_PLATE_DRAG * s * s) / c;
    if sin < s {
        return [lift, drag];
    }
    [plate[0] + a * cos * cos / sin, (plate[1] + b * cos).max(0.0)]
}
