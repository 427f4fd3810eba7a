//! The controller as flown: the command about an axis regressed on rate error, its integral and the rate's derivative.

use nalgebra::{DMatrix, DVector};
use signal::lsq;
use signal::spectrum::Complex64;

use super::data::Flown;

/// Gains in units of the command about the axis.
#[derive(Debug, Clone, Copy)]
pub(in crate::findings) struct Controller {
    /// Per rad/s.
    pub(in crate::findings) p: f64,
    /// Per rad.
    pub(in crate::findings) i: f64,
    /// Per rad/s^2.
    pub(in crate::findings) d: f64,
    d_lag: f64,
    /// Share of the command's variance that the regression explains.
    pub(in crate::findings) explained: f64,
    /// Relative standard uncertainty of p.
    pub(in crate::findings) relative_error: f64,
}

/// Least share of the command's variance that must be explained.
const LEAST_EXPLAINED: f64 = 0.9;

impl Controller {
    /// Of the stretches flown. Says what is missing where the command is not that of such a controller.
    pub(super) fn of(flown: &Flown) -> Result<Self, String> {
        let mut best: Option<(usize, Self)> = None;
        for index in 0..2 {
            if let Some(c) = regress(flown, index)
                && best.as_ref().is_none_or(|b| c.explained > b.1.explained)
            {
                best = Some((index, c));
            }
        }
        let Some((index, c)) = best.filter(|b| b.1.p > 0.0) else {
            return Err("commands that answer the rate error as a rate controller's do".to_owned());
        };
        if c.explained < LEAST_EXPLAINED {
            return Err(format!(
                "commands that a proportional, integral and derivative controller explains: only {:.0} % of their \
                 variance is (saturation, other terms, or demand and rate logged elsewhere than the controller sees them)",
                100.0 * c.explained
            ));
        }
        flown.use_power(index);
        Ok(c)
    }

    /// Command per rate, of the feedback, sign turned: p + i/s + d s/(1 + d_lag s).
    pub(in crate::findings) fn feedback(&self, omega: f64) -> Complex64 {
        let s = Complex64::new(0.0, omega);
        s.inv() * self.i + s * self.d / (s * self.d_lag + 1.0) + self.p
    }

    /// The same at a point s, and what acts on the demand: p + i/s.
    pub(in crate::findings) fn at_point(&self, s: Complex64) -> (Complex64, Complex64) {
        let demand = s.inv() * self.i + self.p;
        (demand + s * self.d / (s * self.d_lag + 1.0), demand)
    }

    /// Poles of the controller at zero.
    pub(in crate::findings) fn integrators(&self) -> u32 {
        if self.i > 0.0 { 1 } else { 0 }
    }
}

fn regress(flown: &Flown, index: usize) -> Option<Controller> {
    let commands = flown.commands.get(index)?;
    let dt = flown.period();
    let stretches = commands.len();
    let base = 2 + usize::from(flown.derivative.is_some());
    let width = base + stretches;
    let total: usize = commands.iter().map(Vec::len).sum();
    let every = total.div_ceil(30_000).max(1);
    let (mut rows, mut y) = (Vec::new(), Vec::new());
    for (place, ((r, seen), u)) in flown.demand().iter().zip(&flown.seen).zip(commands).enumerate() {
        let (mut integral, mut slope) = (0.0, 0.0);
        for k in 0..u.len() {
            let error = r[k] - seen[k];
            integral += error * dt;
            if let Some(lag) = flown.derivative
                && k > 0
            {
                let keep = if lag > 0.0 { (-dt / lag).exp() } else { 0.0 };
                slope = keep * slope + (1.0 - keep) * (seen[k] - seen[k - 1]) / dt;
            }
            if k % every != 0 {
                continue;
            }
            let mut row = vec![0.0; width];
            row[0] = error;
            row[1] = integral;
            if base == 3 {
                row[2] = -slope;
            }
            row[base + place] = 1.0;
            rows.extend(row);
            y.push(u[k]);
        }
    }
    let x = DMatrix::from_row_slice(y.len(), width, &rows);
    let f = lsq::fit(&x, &DVector::from_vec(y), None).ok()?.correlated(&x, None);
    let p = f.value(0);
    Some(Controller {
        p,
        i: f.value(1).max(0.0),
        d: if base == 3 { f.value(2) } else { 0.0 },
        d_lag: flown.derivative.unwrap_or(0.0),
        explained: f.explained,
        relative_error: f.error(0) / p.abs().max(1e-300),
    })
}
