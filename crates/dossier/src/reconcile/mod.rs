//! Prediction and measurement side by side, and the smallest change of stated inputs that explains all of them.
//!
//! With x the changes of the inputs in their own standard uncertainties, S the effect of one such change on every
//! predicted figure, r = measured - predicted and U the measurements' variances, the most likely x minimises
//! |x|^2 + (r - S x)' U^-1 (r - S x): x = S' (S S' + U)^-1 r (generalised least squares with prior; Rodgers 2000, Inverse
//! Methods for Atmospheric Sounding, eq. 2.31). Two inputs whose effects on all figures are parallel cannot be told apart:
//! the cosine of their columns, each figure counted in its own measurement uncertainty, says so.

mod build;
mod tests_to_tell;

use std::collections::BTreeMap;

use nalgebra::{DMatrix, DVector};
use serde::Serialize;

pub use self::build::{Account, of_build};
pub use self::tests_to_tell::cheapest_test;
use crate::estimate::Estimate;

/// A figure predicted and measured.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Pair {
    /// What it is.
    pub name: String,
    /// Prediction with its sources.
    pub predicted: Estimate,
    /// Measurement.
    pub measured: Estimate,
    /// Difference over its standard uncertainty, before.
    pub score: f64,
    /// The same after the change of inputs, over the measurement's uncertainty alone.
    pub left: f64,
}

/// Change of one input.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Change {
    /// Source: a key of the aircraft file or the site.
    pub source: String,
    /// In its own standard uncertainties.
    pub sigmas: f64,
    /// In SI.
    pub by: f64,
    /// Standard uncertainty of the change, in standard uncertainties of the input: 1 where nothing was learned.
    pub uncertainty: f64,
}

/// Two inputs that explain the same.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Twin {
    /// One.
    pub a: String,
    /// The other.
    pub b: String,
    /// Cosine of their effects, 1 or -1 where nothing tells them apart.
    pub alike: f64,
    /// The cheapest measurement that separates them.
    pub test: String,
}

/// The account.
#[derive(Debug, Clone, PartialEq, Serialize, Default)]
pub struct Reconciliation {
    /// Figures.
    pub pairs: Vec<Pair>,
    /// Changes of inputs, largest in standard uncertainties first.
    pub changes: Vec<Change>,
    /// Inputs that cannot be told apart and matter.
    pub twins: Vec<Twin>,
    /// Sum of squares of what is to be explained, with and without the changes: misfit of the stated inputs, and of the changed
    /// ones with the price of changing them.
    pub misfit: (f64, f64),
}

/// Changes below this are not worth a word, in standard uncertainties.
const WORTH: f64 = 0.3;
/// Cosine above which two inputs cannot be told apart.
const ALIKE: f64 = 0.97;

/// Reconciles figures: name, predicted, measured.
pub fn reconcile(figures: &[(String, Estimate, Estimate)]) -> Reconciliation {
    // What a prediction's inputs and the measurement's own sources are must not mix.
    let figures: Vec<_> = figures
        .iter()
        .filter(|(_, p, m)| m.uncertainty > 0.0 && p.value.is_finite() && m.value.is_finite())
        .collect();
    let mut sources: BTreeMap<&str, usize> = BTreeMap::new();
    for (_, p, _) in &figures {
        for c in &p.contributions {
            let next = sources.len();
            sources.entry(c.source.as_str()).or_insert(next);
        }
    }
    let (n, k) = (figures.len(), sources.len());
    if n == 0 || k == 0 {
        return Reconciliation::default();
    }
    let mut s = DMatrix::<f64>::zeros(n, k);
    let mut u = DMatrix::<f64>::zeros(n, n);
    let mut r = DVector::<f64>::zeros(n);
    let mut scale = vec![0.0; k];
    for (i, (_, p, m)) in figures.iter().enumerate() {
        r[i] = m.value - p.value;
        u[(i, i)] = m.uncertainty.powi(2);
        for c in &p.contributions {
            if let Some(&j) = sources.get(c.source.as_str()) {
                s[(i, j)] = c.effect();
                scale[j] = c.uncertainty;
            }
        }
    }
    let total = &s * s.transpose() + &u;
    let Some(inverse) = total.clone().try_inverse() else { return Reconciliation::default() };
    let gain = s.transpose() * &inverse;
    let x = &gain * &r;
    let spread = DMatrix::identity(k, k) - &gain * &s;
    let left = &r - &s * &x;
    let pairs = figures
        .iter()
        .enumerate()
        .map(|(i, (name, p, m))| Pair {
            name: name.clone(),
            predicted: p.clone(),
            measured: m.clone(),
            score: r[i] / total[(i, i)].sqrt(),
            left: left[i] / m.uncertainty,
        })
        .collect();
    let mut names = vec![""; k];
    for (name, &j) in &sources {
        names[j] = name;
    }
    let mut changes: Vec<Change> = (0..k)
        .filter(|&j| x[j].abs() >= WORTH)
        .map(|j| Change {
            source: names[j].to_owned(),
            sigmas: x[j],
            by: x[j] * scale[j],
            uncertainty: spread[(j, j)].max(0.0).sqrt(),
        })
        .collect();
    changes.sort_by(|a, b| b.sigmas.abs().total_cmp(&a.sigmas.abs()));
    let before: f64 = (0..n).map(|i| r[i] * r[i] / u[(i, i)]).sum();
    let after: f64 = (0..n).map(|i| left[i] * left[i] / u[(i, i)]).sum::<f64>() + x.norm_squared();
    let twins = twins(&s, &u, &x, &names);
    Reconciliation { pairs, changes, twins, misfit: (before, after) }
}

/// Pairs of inputs with parallel effects, at least one of which is asked to move.
fn twins(s: &DMatrix<f64>, u: &DMatrix<f64>, x: &DVector<f64>, names: &[&str]) -> Vec<Twin> {
    let column = |j: usize| -> DVector<f64> {
        DVector::from_iterator(s.nrows(), (0..s.nrows()).map(|i| s[(i, j)] / u[(i, i)].sqrt()))
    };
    let mut out = Vec::new();
    for a in 0..names.len() {
        for b in a + 1..names.len() {
            if x[a].abs().max(x[b].abs()) < WORTH {
                continue;
            }
            let (ca, cb) = (column(a), column(b));
            let (na, nb) = (ca.norm(), cb.norm());
            // One that hardly acts is no rival.
            if na < 0.3 || nb < 0.3 {
                continue;
            }
            let alike = ca.dot(&cb) / (na * nb);
            if alike.abs() >= ALIKE {
                out.push(Twin {
                    a: names[a].to_owned(),
                    b: names[b].to_owned(),
                    alike,
                    test: cheapest_test(&[names[a], names[b]]).to_owned(),
                });
            }
        }
    }
    out.sort_by(|p, q| q.alike.abs().total_cmp(&p.alike.abs()));
    out.truncate(6);
    out
}
