//! Nonlinear least squares for a handful of parameters: Levenberg-Marquardt steps (Marquardt 1963)
//! with central differences, and the covariance from the curvature at the end.

use nalgebra::DMatrix;

use crate::SignalError;
use crate::lsq;

/// A fitted set of parameters.
#[derive(Debug, Clone, PartialEq)]
pub struct Solution {
    /// Parameters.
    pub parameters: Vec<f64>,
    /// Residuals at them.
    pub residuals: Vec<f64>,
    /// Sum of squares of the residuals.
    pub square: f64,
    /// Inverse of the normal matrix: times the variance of a residual, the covariance.
    pub inverse: DMatrix<f64>,
    /// Derivatives of the residuals with respect to the parameters.
    pub jacobian: DMatrix<f64>,
    /// Whether the steps settled.
    pub settled: bool,
}

impl Solution {
    /// Standard uncertainty of parameter `k` when residuals are independent with the variance that
    /// they show.
    pub fn error(&self, k: usize) -> f64 {
        let degrees = self.residuals.len().saturating_sub(self.parameters.len()).max(1) as f64;
        self.inverse.get((k, k)).map_or(f64::NAN, |v| (v * self.square / degrees).max(0.0).sqrt())
    }
}

/// Minimises the sum of squares of `residuals(parameters)` from `start`; `scale` is the size of a
/// change of each parameter that matters. `None` from the function marks parameters out of bounds.
///
/// # Errors
/// A start out of bounds, fewer residuals than parameters, or parameters that the residuals do not fix.
pub fn solve(
    residuals: &dyn Fn(&[f64]) -> Option<Vec<f64>>,
    start: &[f64],
    scale: &[f64],
) -> Result<Solution, SignalError> {
    let p = start.len();
    let bad = SignalError::NoConvergence { iterations: 0 };
    let mut x = start.to_vec();
    let mut r = residuals(&x).ok_or(bad)?;
    let square = |r: &[f64]| r.iter().map(|v| v * v).sum::<f64>();
    let mut best = square(&r);
    let n = r.len();
    if scale.len() != p {
        return Err(SignalError::Length { left: p, right: scale.len() });
    }
    if n <= p {
        return Err(SignalError::TooShort { need: p + 1, got: n });
    }
    if !best.is_finite() {
        return Err(bad);
    }
    let derive = |x: &[f64], r: &[f64]| -> Option<DMatrix<f64>> {
        let mut j = DMatrix::zeros(n, p);
        for k in 0..p {
            let h = 1e-4 * scale[k];
            let at = |by: f64| {
                let mut y = x.to_vec();
                y[k] += by;
                residuals(&y).filter(|r| r.len() == n)
            };
            match (at(h), at(-h)) {
                (Some(a), Some(b)) => (0..n).for_each(|i| j[(i, k)] = (a[i] - b[i]) / (2.0 * h)),
                (Some(a), None) => (0..n).for_each(|i| j[(i, k)] = (a[i] - r[i]) / h),
                (None, Some(b)) => (0..n).for_each(|i| j[(i, k)] = (r[i] - b[i]) / h),
                (None, None) => return None,
            }
        }
        Some(j)
    };
    let mut damp = 1e-3;
    let mut settled = false;
    let mut j = derive(&x, &r).ok_or(bad)?;
    for _ in 0..60 {
        let normal = lsq::gram(&j);
        let gradient = lsq::project(&j, &r);
        let mut moved = false;
        for _ in 0..12 {
            let mut a = normal.clone();
            for k in 0..p {
                a[(k, k)] += damp * a[(k, k)].max(1e-30);
            }
            let step = a.cholesky().map(|c| c.solve(&gradient));
            let Some(step) = step else {
                damp *= 10.0;
                continue;
            };
            let next: Vec<f64> = (0..p).map(|k| x[k] - step[k]).collect();
            if let Some(rn) = residuals(&next).filter(|r| r.len() == n) {
                let s = square(&rn);
                if s <= best {
                    let size = (0..p).map(|k| (step[k] / scale[k]).abs()).fold(0.0, f64::max);
                    settled = size < 1e-7 || (best - s) <= 1e-12 * best;
                    (x, r, best) = (next, rn, s);
                    damp = (damp * 0.2).max(1e-12);
                    moved = true;
                    break;
                }
            }
            damp *= 6.0;
        }
        settled |= !moved;
        j = derive(&x, &r).ok_or(bad)?;
        if settled {
            break;
        }
    }
    // Columns to unit length before the inverse.
    let norm: Vec<f64> = (0..p).map(|k| j.column(k).norm()).collect();
    if norm.iter().any(|v| v.is_nan() || *v <= 0.0) {
        let rank = norm.iter().filter(|v| **v > 0.0).count();
        return Err(SignalError::Singular { rank, columns: p });
    }
    let scaled = DMatrix::from_fn(n, p, |i, k| j[(i, k)] / norm[k]);
    let inverse = lsq::gram(&scaled)
        .try_inverse()
        .filter(|m| (0..p).all(|k| m[(k, k)].is_finite() && m[(k, k)] > 0.0))
        .ok_or(SignalError::Singular { rank: p - 1, columns: p })?;
    let inverse = DMatrix::from_fn(p, p, |a, b| inverse[(a, b)] / (norm[a] * norm[b]));
    Ok(Solution { parameters: x, residuals: r, square: best, inverse, jacobian: j, settled })
}
