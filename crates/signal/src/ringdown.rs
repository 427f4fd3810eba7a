//! Decaying oscillations: frequency and damping.
//!
//! y(t) = c + exp(-s t) (a cos w t + b sin w t). Damping ratio z = s / sqrt(s^2 + w^2); for
//! successive maxima the logarithmic decrement d = 2 pi z / sqrt(1 - z^2) (Thomson, Theory of
//! Vibration, sec. 2.8). For given s and w the rest is linear (variable projection, Golub and
//! Pereyra 1973), so a coarse search finds the start and Gauss-Newton steps with halving finish.

use std::f64::consts::{PI, TAU};

use nalgebra::{DMatrix, DVector};

use crate::SignalError;
use crate::lsq;
use crate::robust;

/// A fitted ring-down.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct RingDown {
    /// Frequency of the oscillation (damped), Hz.
    pub frequency: f64,
    /// Its standard uncertainty, Hz.
    pub frequency_error: f64,
    /// Damping ratio.
    pub damping: f64,
    /// Its standard uncertainty.
    pub damping_error: f64,
    /// Decay rate s, 1/s; negative when the oscillation grows.
    pub decay: f64,
    /// Amplitude at the first sample.
    pub amplitude: f64,
    /// Level it rings about.
    pub offset: f64,
    /// R.m.s. of what the fit leaves.
    pub residual: f64,
    /// Share of the variance that the fit explains.
    pub explained: f64,
}

impl RingDown {
    /// Undamped natural frequency, Hz.
    pub fn natural(&self) -> f64 {
        self.frequency.hypot(self.decay / TAU)
    }
}

fn columns(n: usize, period: f64, decay: f64, omega: f64) -> DMatrix<f64> {
    DMatrix::from_fn(n, 3, |i, j| {
        let t = i as f64 * period;
        let e = (-decay * t).exp();
        match j {
            0 => e * (omega * t).cos(),
            1 => e * (omega * t).sin(),
            _ => 1.0,
        }
    })
}

fn project(y: &DVector<f64>, period: f64, decay: f64, omega: f64) -> Option<(lsq::Fit, f64)> {
    let x = columns(y.len(), period, decay, omega);
    let fit = lsq::fit(&x, y, None).ok()?;
    let square = fit.residuals.norm_squared();
    square.is_finite().then_some((fit, square))
}

/// Fits a ring-down to a uniform series that begins when nothing drives it any more. `low` and
/// `high` bound the frequency, Hz.
///
/// # Errors
/// Fewer than 12 samples; bounds outside 0 to half the rate; no fit that settles.
pub fn fit(values: &[f64], period: f64, low: f64, high: f64) -> Result<RingDown, SignalError> {
    let n = values.len();
    if n < 12 {
        return Err(SignalError::TooShort { need: 12, got: n });
    }
    if let Some(index) = values.iter().position(|v| !v.is_finite()) {
        return Err(SignalError::NotFinite { index });
    }
    let nyquist = 0.5 / period;
    if !(low > 0.0 && high > low && high <= nyquist) {
        return Err(SignalError::Range { what: "frequency bound", value: high, low, high: nyquist });
    }
    let y = DVector::from_column_slice(values);
    let span = n as f64 * period;
    let (mut decay, mut omega, mut best) = (0.0, 0.0, f64::INFINITY);
    // The spacing is a quarter of the resolution of the record, at most a tenth of the frequency.
    let mut f = low;
    while f <= high {
        let w = TAU * f;
        for z in [0.0, 0.03, 0.1, 0.25, 0.5] {
            let s = w * z / (1.0_f64 - z * z).sqrt();
            if let Some((_, square)) = project(&y, period, s, w)
                && square < best
            {
                (decay, omega, best) = (s, w, square);
            }
        }
        f += (0.25 / span).clamp(0.02 * f, 0.1 * f);
    }
    if !best.is_finite() {
        return Err(SignalError::NoConvergence { iterations: 0 });
    }
    let most = 60;
    let mut settled = false;
    let mut jacobian = DMatrix::zeros(n, 5);
    for _ in 0..most {
        let Some((linear, square)) = project(&y, period, decay, omega) else { break };
        let (a, b) = (linear.value(0), linear.value(1));
        let x = columns(n, period, decay, omega);
        for i in 0..n {
            let t = i as f64 * period;
            let (c, s) = (x[(i, 0)], x[(i, 1)]);
            jacobian[(i, 0)] = c;
            jacobian[(i, 1)] = s;
            jacobian[(i, 2)] = 1.0;
            jacobian[(i, 3)] = -t * (a * c + b * s);
            jacobian[(i, 4)] = t * (b * c - a * s);
        }
        let Ok(step) = lsq::fit(&jacobian, &linear.residuals, None) else { break };
        let (ds, dw) = (step.value(3), step.value(4));
        let mut factor = 1.0;
        let mut moved = false;
        for _ in 0..12 {
            let (s, w) = (decay + factor * ds, omega + factor * dw);
            if w > 0.0
                && let Some((_, next)) = project(&y, period, s, w)
                && next <= square
            {
                let change = (factor * dw / omega).abs() + (factor * ds / omega).abs();
                (decay, omega) = (s, w);
                settled = change < 1e-12 || (square - next) <= 1e-15 * square;
                moved = true;
                break;
            }
            factor *= 0.5;
        }
        if !moved {
            settled = true;
        }
        if settled {
            break;
        }
    }
    if !settled {
        return Err(SignalError::NoConvergence { iterations: most });
    }
    let (linear, square) =
        project(&y, period, decay, omega).ok_or(SignalError::NoConvergence { iterations: most })?;
    let residual = (square / n as f64).sqrt();
    let degrees = (n - 5).max(1) as f64;
    // Correlated residuals carry less information than their number says.
    let stretch = robust::correlation_length(linear.residuals.as_slice());
    let variance = square / degrees * stretch;
    let covariance = (jacobian.transpose() * &jacobian).try_inverse().map(|m| m * variance);
    let natural = decay.hypot(omega);
    let damping = decay / natural;
    let (mut frequency_error, mut damping_error) = (f64::NAN, f64::NAN);
    if let Some(c) = covariance {
        frequency_error = c[(4, 4)].max(0.0).sqrt() / TAU;
        let (gs, gw) = (omega * omega / natural.powi(3), -decay * omega / natural.powi(3));
        let v = gs * gs * c[(3, 3)] + 2.0 * gs * gw * c[(3, 4)] + gw * gw * c[(4, 4)];
        damping_error = v.max(0.0).sqrt();
    }
    Ok(RingDown {
        frequency: omega / TAU,
        frequency_error,
        damping,
        damping_error,
        decay,
        amplitude: linear.value(0).hypot(linear.value(1)),
        offset: linear.value(2),
        residual,
        explained: linear.explained,
    })
}

/// Damping ratio from two extrema of opposite side that follow each other (half a period apart),
/// measured from the level: d = ln(first/second) = pi z / sqrt(1 - z^2).
pub fn damping_from_half_cycle(first: f64, second: f64) -> Option<f64> {
    let ratio = (first / second).abs();
    (ratio > 0.0 && ratio.is_finite()).then(|| {
        let d = ratio.ln();
        d / d.hypot(PI)
    })
}

/// Visible half-cycles of a series about `level`: how often it goes from beyond `floor` on one
/// side to beyond `floor` on the other. The first excursion itself does not count.
pub fn half_cycles(values: &[f64], level: f64, floor: f64) -> u32 {
    let mut side = 0_i8;
    let mut count = 0;
    for v in values {
        let d = v - level;
        let now = if d > floor {
            1
        } else if d < -floor {
            -1
        } else {
            continue;
        };
        if side != 0 && now != side {
            count += 1;
        }
        side = now;
    }
    count
}
