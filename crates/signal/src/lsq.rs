//! Linear least squares with covariance.
//!
//! Columns are scaled to unit length, the matrix is reduced by a QR decomposition and the small
//! triangle by a singular value decomposition, so rank and condition are seen rather than
//! suffered (Golub and Van Loan, Matrix Computations, ch. 5). The covariance is the residual
//! variance times the inverse of the normal matrix; for residuals that are correlated in time
//! [`Fit::correlated`] gives the estimate of Newey and West (1987).

use nalgebra::{DMatrix, DVector};

use crate::SignalError;
use crate::robust;

/// Singular values below this fraction of the largest count as zero.
const RANK_TOLERANCE: f64 = 1e-10;

/// Result of a least-squares fit.
#[derive(Debug, Clone, PartialEq)]
pub struct Fit {
    /// Coefficients.
    pub coefficients: DVector<f64>,
    /// Their covariance.
    pub covariance: DMatrix<f64>,
    /// Residuals y - X b, unweighted.
    pub residuals: DVector<f64>,
    /// Residual variance (weighted sum of squares over the degrees of freedom).
    pub variance: f64,
    /// Degrees of freedom.
    pub degrees: usize,
    /// Ratio of the largest to the smallest singular value of the column-scaled matrix.
    pub condition: f64,
    /// Share of the (weighted) variance about the mean that the fit explains.
    pub explained: f64,
    /// Inverse of the normal matrix.
    bread: DMatrix<f64>,
}

impl Fit {
    /// Standard uncertainty of coefficient `k`.
    pub fn error(&self, k: usize) -> f64 {
        self.covariance.get((k, k)).map_or(f64::NAN, |v| v.max(0.0).sqrt())
    }

    /// Coefficient `k`.
    pub fn value(&self, k: usize) -> f64 {
        self.coefficients.get(k).copied().unwrap_or(f64::NAN)
    }

    /// The same fit with a covariance that holds for residuals correlated over up to `lag` rows
    /// (Newey and West 1987, Bartlett weights); without `lag` twice the correlation length of the
    /// residuals, at most an eighth of the rows. Rows must be in time order.
    #[must_use]
    pub fn correlated(mut self, x: &DMatrix<f64>, lag: Option<usize>) -> Self {
        let (n, p) = (x.nrows(), x.ncols());
        if n != self.residuals.len() || p != self.coefficients.len() || n == 0 {
            return self;
        }
        let lag = lag.unwrap_or_else(|| {
            let length = robust::correlation_length(self.residuals.as_slice());
            (2.0 * length).ceil() as usize
        });
        let lag = lag.min(n / 8);
        // Bartlett weights up to the lag are the sums over all runs of lag + 1 rows of the moments
        // u_t = x_t e_t, runs that reach over the ends included: with running sums the effort does
        // not grow with the lag.
        let width = lag + 1;
        let mut total = vec![vec![0.0; p]; n + 1];
        for i in 0..n {
            for j in 0..p {
                total[i + 1][j] = total[i][j] + x[(i, j)] * self.residuals[i];
            }
        }
        let mut s = DMatrix::zeros(p, p);
        let mut run = vec![0.0; p];
        for end in 1..n + width {
            let (high, low) = (end.min(n), end.saturating_sub(width));
            for j in 0..p {
                run[j] = total[high][j] - total[low][j];
            }
            for i in 0..p {
                for j in 0..=i {
                    s[(i, j)] += run[i] * run[j];
                }
            }
        }
        for i in 0..p {
            for j in 0..=i {
                s[(i, j)] /= width as f64;
                s[(j, i)] = s[(i, j)];
            }
        }
        let small_sample = n as f64 / self.degrees.max(1) as f64;
        self.covariance = &self.bread * s * &self.bread * small_sample;
        self
    }
}

/// X'X by sums over whole columns.
pub(crate) fn gram(x: &DMatrix<f64>) -> DMatrix<f64> {
    let (n, p) = (x.nrows(), x.ncols());
    let all = x.as_slice();
    let mut out = DMatrix::zeros(p, p);
    for i in 0..p {
        let a = &all[i * n..(i + 1) * n];
        for j in 0..=i {
            let sum: f64 = dot(a, &all[j * n..(j + 1) * n]);
            out[(i, j)] = sum;
            out[(j, i)] = sum;
        }
    }
    out
}

/// X'y.
pub(crate) fn project(x: &DMatrix<f64>, y: &[f64]) -> DVector<f64> {
    let n = x.nrows();
    let all = x.as_slice();
    DVector::from_iterator(x.ncols(), (0..x.ncols()).map(|i| dot(&all[i * n..(i + 1) * n], y)))
}

/// Sum of products in eight running parts, which the compiler can do side by side.
fn dot(a: &[f64], b: &[f64]) -> f64 {
    let mut parts = [0.0; 8];
    let (ca, cb) = (a.chunks_exact(8), b.chunks_exact(8));
    let rest: f64 = ca.remainder().iter().zip(cb.remainder()).map(|(x, y)| x * y).sum();
    for (x, y) in ca.zip(cb) {
        for k in 0..8 {
            parts[k] += x[k] * y[k];
        }
    }
    parts.iter().sum::<f64>() + rest
}

/// Solves min sum w_i (y_i - x_i b)^2. `weights` are inverse variances up to a common factor.
///
/// # Errors
/// Not more rows than columns; lengths that differ; dependent columns; values that are not finite.
pub fn fit(x: &DMatrix<f64>, y: &DVector<f64>, weights: Option<&[f64]>) -> Result<Fit, SignalError> {
    let (n, p) = (x.nrows(), x.ncols());
    if y.len() != n {
        return Err(SignalError::Length { left: n, right: y.len() });
    }
    if let Some(w) = weights
        && w.len() != n
    {
        return Err(SignalError::Length { left: n, right: w.len() });
    }
    if p == 0 || n <= p {
        return Err(SignalError::TooShort { need: p + 1, got: n });
    }
    for i in 0..n {
        let finite = y[i].is_finite()
            && (0..p).all(|j| x[(i, j)].is_finite())
            && weights.is_none_or(|w| w[i].is_finite() && w[i] >= 0.0);
        if !finite {
            return Err(SignalError::NotFinite { index: i });
        }
    }
    let mut a = x.clone();
    let mut b = y.clone();
    if let Some(w) = weights {
        for i in 0..n {
            let r = w[i].sqrt();
            b[i] *= r;
            a.row_mut(i).scale_mut(r);
        }
    }
    let mut scale = vec![1.0; p];
    for (j, mut column) in a.column_iter_mut().enumerate() {
        let norm = column.norm();
        if norm > 0.0 {
            scale[j] = norm;
            column /= norm;
        }
    }
    let qr = a.qr();
    let mut qtb = b.clone();
    qr.q_tr_mul(&mut qtb);
    let top = qtb.rows(0, p).into_owned();
    let svd = qr.r().svd(true, true);
    let (Some(u), Some(vt)) = (svd.u.as_ref(), svd.v_t.as_ref()) else {
        return Err(SignalError::NoConvergence { iterations: 0 });
    };
    let largest = svd.singular_values.max();
    let smallest = svd.singular_values.min();
    let rank = svd.singular_values.iter().filter(|s| **s > RANK_TOLERANCE * largest).count();
    if rank < p || largest.is_nan() || largest <= 0.0 {
        return Err(SignalError::Singular { rank, columns: p });
    }
    let mut z = u.transpose() * top;
    for (k, s) in svd.singular_values.iter().enumerate() {
        z[k] /= s;
    }
    let mut coefficients = vt.transpose() * z;
    let mut bread = DMatrix::zeros(p, p);
    for i in 0..p {
        for j in 0..p {
            let sum: f64 = (0..p).map(|k| vt[(k, i)] * vt[(k, j)] / svd.singular_values[k].powi(2)).sum();
            bread[(i, j)] = sum / (scale[i] * scale[j]);
        }
    }
    for j in 0..p {
        coefficients[j] /= scale[j];
    }
    let residuals = y - x * &coefficients;
    let weight = |i: usize| weights.map_or(1.0, |w| w[i]);
    let square: f64 = (0..n).map(|i| weight(i) * residuals[i].powi(2)).sum();
    let total: f64 = (0..n).map(weight).sum();
    let mean = (0..n).map(|i| weight(i) * y[i]).sum::<f64>() / total;
    let about: f64 = (0..n).map(|i| weight(i) * (y[i] - mean).powi(2)).sum();
    let degrees = n - p;
    let variance = square / degrees as f64;
    Ok(Fit {
        coefficients,
        covariance: &bread * variance,
        residuals,
        variance,
        degrees,
        condition: largest / smallest,
        explained: if about > 0.0 { 1.0 - square / about } else { 0.0 },
        bread,
    })
}

/// Fits columns given as slices, with a constant column at the end when `constant` is set.
/// Returns the matrix too, for [`Fit::correlated`].
///
/// # Errors
/// As [`fit`].
pub fn fit_columns(
    columns: &[&[f64]],
    y: &[f64],
    constant: bool,
) -> Result<(Fit, DMatrix<f64>), SignalError> {
    let n = y.len();
    for c in columns {
        if c.len() != n {
            return Err(SignalError::Length { left: n, right: c.len() });
        }
    }
    let p = columns.len() + usize::from(constant);
    let x = DMatrix::from_fn(n, p, |i, j| columns.get(j).map_or(1.0, |c| c[i]));
    let f = fit(&x, &DVector::from_column_slice(y), None)?;
    Ok((f, x))
}
