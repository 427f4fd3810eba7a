//! From the figures of single steps or levels to one figure with an interval that holds.
//!
//! Every single figure has a standard error from its own residuals, which knows nothing of what
//! differs from one step to the next: where in its period the telemetry sampled, how the stand
//! happened to ring. That excess is estimated with the mean itself (Paule and Mandel 1982), and
//! the error of the mean comes from the weighted scatter of the figures (Hartung 1999; Knapp and
//! Hartung 2003) with Student's factor for their small number. What all figures share, such as a
//! latency of the stand, is not in the scatter and is added by the caller.

use nalgebra::{DMatrix, DVector};

/// A figure from several.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Figure {
    /// Value.
    pub value: f64,
    /// Standard uncertainty, such that 1.96 times it is the half width of the 95 % interval.
    pub uncertainty: f64,
    /// Degrees of freedom behind the scatter.
    pub degrees: f64,
}

impl Figure {
    /// The same with a shared uncertainty added.
    #[must_use]
    pub fn with_shared(self, uncertainty: f64) -> Self {
        Self { uncertainty: self.uncertainty.hypot(uncertainty), ..self }
    }
    /// The same times a factor.
    #[must_use]
    pub fn scaled(self, factor: f64) -> Self {
        Self { value: self.value * factor, uncertainty: (self.uncertainty * factor).abs(), ..self }
    }
}

/// Student's t that 97.5 % stay below, by the expansion in 1/degrees (Abramowitz and Stegun
/// 26.7.5); exact values below 3 degrees. Off by less than 1 % from 3 degrees on.
pub fn student(degrees: f64) -> f64 {
    const Z: f64 = 1.959_963_984_540_054;
    if !(degrees >= 1.0) {
        return 12.706;
    }
    if degrees < 3.0 {
        // Between the exact 12.706, 4.303 and 3.182 linearly in 1/degrees.
        let x = 1.0 / degrees;
        return if degrees < 2.0 {
            4.303 + (12.706 - 4.303) * (x - 0.5) / 0.5
        } else {
            3.182 + (4.303 - 3.182) * (x - 1.0 / 3.0) / (0.5 - 1.0 / 3.0)
        };
    }
    let v = degrees;
    let z3 = Z.powi(3);
    let z5 = Z.powi(5);
    let z7 = Z.powi(7);
    Z + (z3 + Z) / (4.0 * v)
        + (5.0 * z5 + 16.0 * z3 + 3.0 * Z) / (96.0 * v * v)
        + (3.0 * z7 + 19.0 * z5 + 17.0 * z3 - 15.0 * Z) / (384.0 * v.powi(3))
}

/// Factor from a standard error with few degrees of freedom to a standard uncertainty.
pub fn expansion(degrees: f64) -> f64 {
    student(degrees) / 1.959_963_984_540_054
}

/// A weighted straight fit of figures on covariates, with the excess scatter between them.
#[derive(Debug, Clone, PartialEq)]
pub struct Spread {
    /// Coefficients: the constant first.
    pub coefficients: Vec<Figure>,
    /// Standard deviation between figures beyond their own errors.
    pub excess: f64,
    /// Indices of figures left out as outliers.
    pub left_out: Vec<usize>,
}

impl Spread {
    /// The constant.
    pub fn constant(&self) -> Option<Figure> {
        self.coefficients.first().copied()
    }
}

/// Least factor on the variances where the figures agree better than their errors say.
const LEAST_SCALE: f64 = 0.05;

/// Fits `values` with their standard `errors` on a constant and `covariates` (each as long as the
/// values). `priors` gives a known standard deviation about zero of a covariate's coefficient,
/// where there is one. A figure alone keeps its own error.
pub fn spread(
    values: &[f64],
    errors: &[f64],
    covariates: &[Vec<f64>],
    priors: &[Option<f64>],
) -> Option<Spread> {
    spread_at_least(values, errors, covariates, priors, LEAST_SCALE)
}

/// As [`spread`], with the least factor by which the scatter may scale the variances of the figures: one where the errors
/// hold what the figures at hand need not show.
pub fn spread_at_least(
    values: &[f64],
    errors: &[f64],
    covariates: &[Vec<f64>],
    priors: &[Option<f64>],
    least: f64,
) -> Option<Spread> {
    let usable: Vec<usize> = (0..values.len())
        .filter(|&i| {
            values[i].is_finite()
                && errors.get(i).is_some_and(|e| e.is_finite() && *e > 0.0)
                && covariates.iter().all(|c| c.get(i).is_some_and(|v| v.is_finite()))
        })
        .collect();
    // A covariate that the figures are too few for is dropped, unless a prior carries it.
    let mut used: Vec<usize> = Vec::new();
    let mut free = 1;
    for (j, c) in covariates.iter().enumerate() {
        let prior = priors.get(j).copied().flatten();
        let varies = usable.iter().any(|&i| usable.first().is_some_and(|&k| (c[i] - c[k]).abs() > 1e-12));
        if varies && (prior.is_some() || usable.len() >= free + 3) {
            used.push(j);
            free += usize::from(prior.is_none());
        }
    }
    let mut kept = usable;
    let mut left_out = Vec::new();
    for round in 0..2 {
        let fit = weighted(values, errors, covariates, priors, &kept, &used, least)?;
        if round == 1 || kept.len() < 5 {
            return Some(finish(&fit, covariates.len(), &used, left_out));
        }
        // Far outliers only: a step that was disturbed.
        // About their median: one far figure drags the mean along.
        let scatter = crate::robust::deviation(&fit.residuals)?;
        let middle = crate::robust::median(&fit.residuals)?;
        let far: Vec<usize> = kept
            .iter()
            .zip(&fit.residuals)
            .filter(|(i, r)| (*r - middle).abs() > 6.0 * scatter.max(errors[**i]))
            .map(|(i, _)| *i)
            .collect();
        if far.is_empty() || kept.len() - far.len() < 3 {
            return Some(finish(&fit, covariates.len(), &used, left_out));
        }
        kept.retain(|i| !far.contains(i));
        left_out = far;
    }
    None
}

struct Weighted {
    coefficients: DVector<f64>,
    errors: Vec<f64>,
    residuals: Vec<f64>,
    excess: f64,
    degrees: f64,
}

fn weighted(
    values: &[f64],
    errors: &[f64],
    covariates: &[Vec<f64>],
    priors: &[Option<f64>],
    kept: &[usize],
    used: &[usize],
    least: f64,
) -> Option<Weighted> {
    let (n, p) = (kept.len(), used.len() + 1);
    let prior: Vec<Option<f64>> = used.iter().map(|&j| priors.get(j).copied().flatten()).collect();
    let free = 1 + prior.iter().filter(|p| p.is_none()).count();
    if n < free {
        return None;
    }
    let row = |i: usize| DVector::from_fn(p, |j, _| if j == 0 { 1.0 } else { covariates[used[j - 1]][i] });
    let fit = |excess: f64, scale: f64| -> Option<(DVector<f64>, DMatrix<f64>, Vec<f64>, f64)> {
        let mut normal = DMatrix::zeros(p, p);
        let mut right = DVector::zeros(p);
        for &i in kept {
            let w = 1.0 / (scale * (errors[i].powi(2) + excess * excess));
            let x = row(i);
            normal += &x * x.transpose() * w;
            right += x * (w * values[i]);
        }
        for (j, s) in prior.iter().enumerate() {
            if let Some(s) = s {
                normal[(j + 1, j + 1)] += 1.0 / s.max(1e-300).powi(2);
            }
        }
        let inverse = normal.try_inverse()?;
        let b = &inverse * right;
        let residuals: Vec<f64> = kept.iter().map(|&i| values[i] - row(i).dot(&b)).collect();
        let mut q: f64 = kept
            .iter()
            .zip(&residuals)
            .map(|(&i, r)| r * r / (scale * (errors[i].powi(2) + excess * excess)))
            .sum();
        for (j, s) in prior.iter().enumerate() {
            if let Some(s) = s {
                q += (b[j + 1] / s.max(1e-300)).powi(2);
            }
        }
        Some((b, inverse, residuals, q))
    };
    let degrees = (n - free) as f64;
    let mut excess = 0.0;
    if degrees > 0.0 && fit(0.0, 1.0)?.3 > degrees {
        let (mut low, mut high) = (0.0, 0.0_f64);
        for &i in kept {
            high = high.max((values[i] - values[kept[0]]).abs()).max(errors[i]);
        }
        high *= 4.0;
        for _ in 0..50 {
            let middle = 0.5 * (low + high);
            if fit(middle, 1.0)?.3 > degrees {
                low = middle;
            } else {
                high = middle;
            }
        }
        excess = 0.5 * (low + high);
    }
    let q = fit(excess, 1.0)?.3;
    // The scatter scales the errors, downwards too, where there are enough figures to show it: below
    // three degrees of freedom a lucky agreement would pass for precision.
    let scale = if degrees >= 3.0 { (q / degrees).max(least) } else { 1.0 };
    let (coefficients, inverse, residuals, _) = fit(excess, scale)?;
    let factor = if degrees >= 3.0 { expansion(degrees) } else { 1.0 };
    let errors = (0..p)
        .map(|j| {
            let own = inverse[(j, j)].max(0.0).sqrt() * factor;
            match j.checked_sub(1).and_then(|j| prior[j]) {
                // What the prior says is known however well the figures agree.
                Some(s) => own.min(s),
                None => own,
            }
        })
        .collect();
    Some(Weighted { coefficients, errors, residuals, excess, degrees })
}

fn finish(fit: &Weighted, covariates: usize, used: &[usize], left_out: Vec<usize>) -> Spread {
    let figure =
        |j: usize| Figure { value: fit.coefficients[j], uncertainty: fit.errors[j], degrees: fit.degrees };
    let mut coefficients = vec![figure(0)];
    for j in 0..covariates {
        coefficients.push(match used.iter().position(|u| *u == j) {
            Some(k) => figure(k + 1),
            None => Figure { value: 0.0, uncertainty: f64::INFINITY, degrees: 0.0 },
        });
    }
    Spread { coefficients, excess: fit.excess, left_out }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn val_student_quantiles() {
        // Table of percentage points, two-sided 5 %: standard statistical tables.
        for (v, t) in [(1.0, 12.706), (2.0, 4.303), (3.0, 3.182), (5.0, 2.571), (10.0, 2.228), (30.0, 2.042)]
        {
            assert!((student(v) / t - 1.0).abs() < 0.01, "{v}: {} against {t}", student(v));
        }
    }

    #[test]
    fn prop_one_disturbed_step_is_left_out() {
        let values = [1.0, 1.01, 0.99, 1.02, 0.98, 3.0];
        let s = spread(&values, &[0.01; 6], &[], &[]).unwrap();
        assert_eq!(s.left_out, vec![5]);
        assert!((s.constant().unwrap().value - 1.0).abs() < 1e-3);
    }
}
