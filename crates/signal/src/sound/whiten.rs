//! Whitening by an autoregression of the residuals.

use nalgebra::DMatrix;

/// Autoregression by Yule and Walker with Levinson's recursion: prediction-error filter.
pub(super) fn autoregression(e: &[f64], order: usize) -> Vec<f64> {
    let n = e.len();
    let order = order.min(n / 8);
    let r: Vec<f64> = (0..=order)
        .map(|k| e[k..].iter().zip(&e[..n - k]).map(|(a, b)| a * b).sum::<f64>() / n as f64)
        .collect();
    let mut a = vec![1.0];
    let mut error = r[0] * (1.0 + 1e-9);
    if error.is_nan() || error <= 0.0 {
        return a;
    }
    for k in 1..=order {
        let sum: f64 = (0..k).map(|j| a[j] * r[k - j]).sum();
        let reflection = -sum / error;
        let mut next = a.clone();
        next.push(0.0);
        for j in 1..=k {
            next[j] += reflection * a.get(k - j).copied().unwrap_or(0.0);
        }
        a = next;
        error *= 1.0 - reflection * reflection;
        if error.is_nan() || error <= 0.0 {
            break;
        }
    }
    a
}

pub(super) fn whiten(filter: &[f64], column: &[f64]) -> Vec<f64> {
    let p = filter.len() - 1;
    (p..column.len()).map(|i| filter.iter().enumerate().map(|(k, f)| f * column[i - k]).sum()).collect()
}

pub(super) fn whiten_matrix(filter: &[f64], x: &DMatrix<f64>) -> DMatrix<f64> {
    let p = filter.len() - 1;
    let n = x.nrows().saturating_sub(p);
    let mut out = DMatrix::zeros(n, x.ncols());
    for j in 0..x.ncols() {
        let w = whiten(filter, x.column(j).as_slice());
        out.column_mut(j).copy_from_slice(&w);
    }
    out
}
