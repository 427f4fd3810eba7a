//! Derivative by a sliding polynomial (Savitzky and Golay 1964).

use nalgebra::{DMatrix, DVector};

use crate::SignalError;

/// Smoothed value (`derivative` 0) or derivative of a uniform series: at each sample a polynomial
/// of `degree` is fitted to the `2 half + 1` samples around it; at the ends the first and last full
/// polynomials are evaluated off centre.
///
/// The gain of a quadratic's first derivative falls to -3 dB near 0.29/(half period): choose
/// `half` so that the band of interest lies below a third of that.
///
/// # Errors
/// Fewer samples than the window; a degree that the window cannot carry.
pub fn savitzky_golay(
    values: &[f64],
    period: f64,
    half: usize,
    degree: usize,
    derivative: usize,
) -> Result<Vec<f64>, SignalError> {
    let width = 2 * half + 1;
    let n = values.len();
    if n < width {
        return Err(SignalError::TooShort { need: width, got: n });
    }
    if degree >= width || derivative > degree {
        return Err(SignalError::Range {
            what: "degree",
            value: degree as f64,
            low: derivative as f64,
            high: (width - 1) as f64,
        });
    }
    let scale = half.max(1) as f64;
    let basis = DMatrix::from_fn(width, degree + 1, |i, j| ((i as f64 - half as f64) / scale).powi(j as i32));
    let normal = basis.transpose() * &basis;
    let inverse = normal.try_inverse().ok_or(SignalError::Singular { rank: degree, columns: degree + 1 })?;
    let project = inverse * basis.transpose();
    // d^k/dt^k of sum c_j (t/(scale T))^j at t = x scale T.
    let unit = (scale * period).powi(derivative as i32);
    let row = |x: f64| -> Vec<f64> {
        let factors = DVector::from_fn(degree + 1, |j, _| {
            if j < derivative {
                0.0
            } else {
                let falling: f64 = (0..derivative).map(|d| (j - d) as f64).product();
                falling * x.powi((j - derivative) as i32)
            }
        });
        (factors.transpose() * &project / unit).iter().copied().collect()
    };
    let apply = |weights: &[f64], block: &[f64]| weights.iter().zip(block).map(|(w, v)| w * v).sum::<f64>();
    let centre = row(0.0);
    Ok((0..n)
        .map(|i| {
            if i < half {
                apply(&row((i as f64 - half as f64) / scale), &values[..width])
            } else if i + half >= n {
                let x = (i as f64 - (n - 1 - half) as f64) / scale;
                apply(&row(x), &values[n - width..])
            } else {
                apply(&centre, &values[i - half..=i + half])
            }
        })
        .collect())
}
