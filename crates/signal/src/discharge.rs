//! A battery that is emptied: open-circuit curve, series resistance and one RC pair from voltage and
//! current.
//!
//! V = E(q) - R0 I - x, dx/dt = (R1 I - x)/tau, with q the charge drawn. E is piecewise linear between
//! knots of q, so that for a given tau all is linear; tau is searched, then refined with the rest by
//! Gauss-Newton steps (variable projection). Residuals of a model this plain are correlated over
//! time: the covariance allows for it (Newey and West 1987). The pair starts empty: the battery
//! rested before.
//!
//! Wrong where temperature or the resistance change much on the way; where the current hardly varies E
//! and R0 cannot be told apart, and the fit says so.

use nalgebra::{DMatrix, DVector};

use crate::SignalError;
use crate::lsq;
use crate::robust;

/// What a discharge shows.
#[derive(Debug, Clone, PartialEq)]
pub struct Discharge {
    /// Charge drawn at the knots of the open-circuit curve, A s.
    pub charge: Vec<f64>,
    /// Open-circuit voltage there, V.
    pub open_circuit: Vec<f64>,
    /// Its standard uncertainty, V.
    pub open_circuit_error: Vec<f64>,
    /// Series resistance, ohm, with its standard uncertainty.
    pub series: (f64, f64),
    /// Resistance of the RC pair, ohm, with its standard uncertainty.
    pub pair: (f64, f64),
    /// Time constant of the pair, s, with its standard uncertainty.
    pub time: (f64, f64),
    /// Charge drawn in all, A s.
    pub drawn: f64,
    /// R.m.s. of what the fit leaves, V.
    pub residual: f64,
    /// Fitted voltage at each sample used, V.
    pub fitted: Vec<f64>,
    /// Index of each sample used.
    pub used: Vec<usize>,
}

impl Discharge {
    /// Open-circuit voltage after `charge` drawn, A s; held at the ends.
    pub fn open_circuit_at(&self, charge: f64) -> f64 {
        hats(&self.charge, charge).iter().map(|(k, w)| self.open_circuit[*k] * w).sum()
    }
}

/// Charge drawn up to each sample, A s, by trapezoids.
pub fn charge(time: &[f64], current: &[f64]) -> Vec<f64> {
    let mut sum = 0.0;
    (0..time.len())
        .map(|i| {
            if i > 0 {
                sum += 0.5 * (current[i] + current[i - 1]) * (time[i] - time[i - 1]);
            }
            sum
        })
        .collect()
}

/// The two knots about a charge with their weights.
fn hats(knots: &[f64], q: f64) -> Vec<(usize, f64)> {
    let last = knots.len() - 1;
    if q <= knots[0] {
        return vec![(0, 1.0)];
    }
    if q >= knots[last] {
        return vec![(last, 1.0)];
    }
    let k = knots.partition_point(|x| *x <= q).clamp(1, last);
    let share = (q - knots[k - 1]) / (knots[k] - knots[k - 1]);
    vec![(k - 1, 1.0 - share), (k, share)]
}

/// Current through a first-order lag, exact for a current that is straight between samples, and its
/// derivative with respect to the time constant.
fn lagged(time: &[f64], current: &[f64], tau: f64) -> (Vec<f64>, Vec<f64>) {
    let pass = |tau: f64| {
        let mut x = 0.0;
        (0..time.len())
            .map(|i| {
                if i > 0 {
                    let h = time[i] - time[i - 1];
                    let (a, slope) = (current[i - 1], (current[i] - current[i - 1]) / h);
                    let e = (-h / tau).exp();
                    // x' = (i - x)/tau with i = a + slope u.
                    x = x * e + (a - slope * tau) * (1.0 - e) + slope * h;
                }
                x
            })
            .collect::<Vec<f64>>()
    };
    let x = pass(tau);
    let h = 1e-4 * tau;
    let d = pass(tau + h).iter().zip(pass(tau - h)).map(|(a, b)| (a - b) / (2.0 * h)).collect();
    (x, d)
}

/// Most samples of the fit.
const MOST: usize = 3000;

/// Fits a discharge. Times ascend, s; volts; ampere, drawn positive.
///
/// # Errors
/// Fewer than 60 samples, series that differ in length, nothing drawn, or a current that hardly varies.
pub fn fit(time: &[f64], voltage: &[f64], current: &[f64]) -> Result<Discharge, SignalError> {
    let n = time.len();
    if voltage.len() != n || current.len() != n {
        return Err(SignalError::Length { left: n, right: voltage.len().min(current.len()) });
    }
    if n < 60 {
        return Err(SignalError::TooShort { need: 60, got: n });
    }
    for i in 0..n {
        if !(time[i].is_finite() && voltage[i].is_finite() && current[i].is_finite()) {
            return Err(SignalError::NotFinite { index: i });
        }
        if i > 0 && time[i] <= time[i - 1] {
            return Err(SignalError::NoTime);
        }
    }
    let q = charge(time, current);
    let drawn = q[n - 1];
    if drawn.is_nan() || drawn <= 0.0 {
        return Err(SignalError::Range {
            what: "charge drawn, A s",
            value: drawn,
            low: 0.0,
            high: f64::INFINITY,
        });
    }
    let mean = robust::mean(current).unwrap_or(0.0);
    let spread = robust::variance(current).unwrap_or(0.0).sqrt();
    if spread < 0.03 * mean.abs() {
        return Err(SignalError::Range {
            what: "spread of the current over its mean",
            value: spread / mean.abs(),
            low: 0.03,
            high: f64::INFINITY,
        });
    }
    // Knots: closer at both ends, where the curve bends.
    let knots: Vec<f64> =
        [0.0, 0.02, 0.05, 0.1, 0.18, 0.28, 0.4, 0.52, 0.64, 0.75, 0.83, 0.89, 0.93, 0.96, 0.98, 1.0]
            .iter()
            .map(|s| s * drawn)
            .collect();
    let stride = n.div_ceil(MOST).max(1);
    let used: Vec<usize> = (0..n).step_by(stride).collect();
    let m = used.len();
    let k = knots.len();
    let y = DVector::from_iterator(m, used.iter().map(|i| voltage[*i]));
    let matrix = |tau: f64, pair: Option<f64>| {
        let (x, d) = lagged(time, current, tau);
        let mut a = DMatrix::zeros(m, k + 2 + usize::from(pair.is_some()));
        for (row, &i) in used.iter().enumerate() {
            for (knot, weight) in hats(&knots, q[i]) {
                a[(row, knot)] = weight;
            }
            a[(row, k)] = -current[i];
            a[(row, k + 1)] = -x[i];
            if let Some(r) = pair {
                a[(row, k + 2)] = -r * d[i];
            }
        }
        a
    };
    let span = time[n - 1] - time[0];
    let (least, most) = ((3.0 * span / n as f64).max(1e-3), 0.25 * span);
    let mut best: Option<(f64, f64)> = None;
    let mut tau = least;
    while tau <= most {
        if let Ok(f) = lsq::fit(&matrix(tau, None), &y, None)
            && f.value(k + 1) > 0.0
            && best.is_none_or(|(v, _)| f.variance < v)
        {
            best = Some((f.variance, tau));
        }
        tau *= 1.25;
    }
    let singular = SignalError::Singular { rank: k + 1, columns: k + 2 };
    let (_, mut tau) = best.ok_or(singular)?;
    for _ in 0..8 {
        let f = lsq::fit(&matrix(tau, None), &y, None)?;
        let full = lsq::fit(&matrix(tau, Some(f.value(k + 1))), &y, None)?;
        let step = full.value(k + 2);
        tau = (tau + step.clamp(-0.4 * tau, 0.6 * tau)).clamp(least, most);
        if step.abs() < 1e-7 * tau {
            break;
        }
    }
    let f = lsq::fit(&matrix(tau, None), &y, None)?;
    let a = matrix(tau, Some(f.value(k + 1)));
    let full = lsq::fit(&a, &y, None)?.correlated(&a, None);
    let fitted: Vec<f64> = (0..m).map(|i| y[i] - f.residuals[i]).collect();
    Ok(Discharge {
        charge: knots,
        open_circuit: (0..k).map(|i| f.value(i)).collect(),
        open_circuit_error: (0..k).map(|i| full.error(i)).collect(),
        series: (f.value(k), full.error(k)),
        pair: (f.value(k + 1), full.error(k + 1)),
        time: (tau, full.error(k + 2)),
        drawn,
        residual: (f.residuals.norm_squared() / m as f64).sqrt(),
        fitted,
        used,
    })
}
