//! Smoothing without delay.

use crate::SignalError;

/// Zero-phase low-pass: a second-order Butterworth (bilinear transform, cut-off pre-warped) run
/// forwards and backwards over the series extended by odd reflection at both ends. `cutoff` is
/// the -3 dB frequency of both passes together, Hz.
///
/// # Errors
/// A cut-off outside 0 to half the rate; fewer than four samples.
pub fn low_pass(values: &[f64], rate: f64, cutoff: f64) -> Result<Vec<f64>, SignalError> {
    let n = values.len();
    if n < 4 {
        return Err(SignalError::TooShort { need: 4, got: n });
    }
    if !(cutoff > 0.0 && cutoff < 0.5 * rate) {
        return Err(SignalError::Range { what: "cut-off", value: cutoff, low: 0.0, high: 0.5 * rate });
    }
    if let Some(index) = values.iter().position(|v| !v.is_finite()) {
        return Err(SignalError::NotFinite { index });
    }
    // Two passes of 1/(1 + x^4) are down to one half in power where x^4 = sqrt(2) - 1.
    let warped = (std::f64::consts::PI * cutoff / rate).tan();
    let k = warped / (2.0_f64.sqrt() - 1.0).powf(0.25);
    let norm = 1.0 / (1.0 + std::f64::consts::SQRT_2 * k + k * k);
    let b = [k * k * norm, 2.0 * k * k * norm, k * k * norm];
    let a = [2.0 * (k * k - 1.0) * norm, (1.0 - std::f64::consts::SQRT_2 * k + k * k) * norm];
    let pad = ((3.0 * rate / cutoff).ceil() as usize).min(n - 1);
    let mut x = Vec::with_capacity(n + 2 * pad);
    x.extend((1..=pad).rev().map(|i| 2.0 * values[0] - values[i]));
    x.extend_from_slice(values);
    x.extend((1..=pad).map(|i| 2.0 * values[n - 1] - values[n - 1 - i]));
    for _ in 0..2 {
        // Transposed direct form II, started in the steady state of the first value.
        let first = x[0];
        let mut s2 = first * (b[2] - a[1]);
        let mut s1 = first * (b[1] - a[0]) + s2;
        for v in &mut x {
            let y = b[0] * *v + s1;
            s1 = b[1] * *v - a[0] * y + s2;
            s2 = b[2] * *v - a[1] * y;
            *v = y;
        }
        x.reverse();
    }
    Ok(x[pad..pad + n].to_vec())
}
