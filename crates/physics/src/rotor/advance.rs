//! How far the coefficients of a rotor that advances along its axis may be off.
//!
//! The error is taken as a share of the value at rest that grows with the advance ratio J as 2 y - y^2,
//! y = J/J0 up to 1, J0 the advance ratio of no thrust: nothing at rest, where the static uncertainty
//! says all, and one share from no thrust on. The shape is the plainest that leaves the residuals of the
//! propellers below about even over y.
//!
//! *Where the shares come from.* Advancing rows of the 43 development propellers of the UIUC Propeller Data
//! Site, volume 1, that have them (Brandt & Selig, AIAA 2011-1255), the same split as in [`crate::polar::Family`]. Together with
//! the static uncertainty, 95 % of the development rows lie inside shares of 7.1 and 9.2 % (standard; C_T and
//! C_P). The families have seen those propellers: what leaving out adds at rest (5.9 to 7.7 % and 7.1 to 8.1 %)
//! is added here in proportion, to 9.0 and 10.5 %. Of the rotors known at rest and by their pitch, or at rest only,
//! 95 % of the development rows lie inside 16.2 and 14.9 %, or 24.9 and 18.6 %, the value at rest being measured;
//! to that comes the scatter of this figure from propeller to propeller (one standard deviation of a bootstrap
//! over the development propellers).
//!
//! *Limits.* Flow along the axis. What edgewise flow adds ([`crate::edgewise`]) has no measured interval here.

use serde::Serialize;

use super::{Coefficients, Table, USUAL_PITCH, ZERO_THRUST_ADVANCE, law};

/// What a rotor's coefficients along the axis rest on.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
pub enum Known {
    /// Measured: their tolerance is that of the table.
    Measured,
    /// Computed from the blade.
    Blade,
    /// The law for a stated pitch.
    Pitch,
    /// The law for a usual pitch.
    Rest,
}

impl Known {
    /// Standard uncertainty of C_T and C_P from the advance ratio of no thrust on, as shares of their values at rest.
    pub fn uncertainty(self) -> (f64, f64) {
        match self {
            Self::Measured => (0.0, 0.0),
            Self::Blade => (0.090, 0.105),
            Self::Pitch => (0.175, 0.157),
            Self::Rest => (0.274, 0.197),
        }
    }
}

/// Share of the whole error at an advance ratio over that of no thrust.
pub fn growth(y: f64) -> f64 {
    let y = y.clamp(0.0, 1.0);
    2.0 * y - y * y
}

/// Steps of J/J0 where a law becomes a table.
const STEPS: u32 = 16;

impl Coefficients {
    /// The same with C_T and C_P off by a share of their values at rest from the advance ratio of no thrust on.
    /// Where the coefficients do not change along the axis, the law for a pitch over diameter (a usual one where
    /// there is none) is put in first.
    #[must_use]
    pub fn off_in_advance(&self, pitch_over_diameter: Option<f64>, ct: f64, cp: f64) -> Self {
        if ct == 0.0 && cp == 0.0 {
            return self.clone();
        }
        let mut table = match self {
            Self::Table(table) if table.advance.len() > 1 => table.clone(),
            _ => self.by_law(pitch_over_diameter.unwrap_or(USUAL_PITCH)),
        };
        for (thrust, power) in table.ct.iter_mut().zip(&mut table.cp) {
            let none = no_thrust(&table.advance, thrust);
            let first = |row: &[f64]| row.first().copied().unwrap_or(0.0);
            let rest = [first(thrust), first(power)];
            for ((t, p), j) in thrust.iter_mut().zip(power.iter_mut()).zip(&table.advance) {
                let share = growth(j / none);
                *t += ct * rest[0] * share;
                *p += cp * rest[1] * share;
            }
        }
        Self::Table(table)
    }

    /// A table by the law from the values at rest.
    fn by_law(&self, pitch_over_diameter: f64) -> Table {
        let none = ZERO_THRUST_ADVANCE * pitch_over_diameter;
        let shares: Vec<f64> = (0..=STEPS).map(|k| f64::from(k) / f64::from(STEPS)).collect();
        let (speeds, rest): (Vec<f64>, Vec<(f64, f64)>) = match self {
            Self::Constant { ct, cp } => (vec![1.0], vec![(*ct, *cp)]),
            Self::Table(t) => t.speeds.iter().map(|w| (*w, t.at(*w, 0.0))).unzip(),
        };
        let grid = |of: fn((f64, f64), f64) -> f64| -> Vec<Vec<f64>> {
            rest.iter().map(|r| shares.iter().map(|x| of(*r, *x)).collect()).collect()
        };
        Table {
            advance: shares.iter().map(|x| x * none).collect(),
            ct: grid(|r, x| law(r, x).0),
            cp: grid(|r, x| law(r, x).1),
            speeds,
        }
    }
}

/// Advance ratio at which a row of C_T passes zero, carried on along its last slope where it does not.
fn no_thrust(advance: &[f64], ct: &[f64]) -> f64 {
    let last = advance.last().copied().unwrap_or(1.0);
    let crossing = |j: &[f64], c: &[f64]| j[0] + (j[1] - j[0]) * c[0] / (c[0] - c[1]);
    let pairs = || advance.windows(2).zip(ct.windows(2));
    let found = pairs().find(|(_, c)| c[0] > 0.0 && c[1] <= 0.0).or_else(|| pairs().next_back());
    match found.map(|(j, c)| crossing(j, c)) {
        Some(j) if j.is_finite() && j > 0.0 => j.min(2.0 * last),
        _ => last,
    }
}
