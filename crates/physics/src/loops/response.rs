//! Step responses of closed loops, with their delays exact.
//!
//! Method: numerical inversion of the Laplace transform by a Fourier series along a shifted line (Dubner and Abate
//! 1968; Crump 1976). For 0 <= t <= P,
//!
//! > y(t) = e^(s0 t)/P [ F(s0)/2 + sum over k of Re( F(s0 + j k pi/P) e^(j k pi t/P) ) ] + error,
//! > error of about e^(-2 s0 P) y(2 P + t)
//!
//! with F = T(s)/s, P at least twice the time asked for and e^(-2 s0 P) = 1e-9 (1e-7 where the step is looked at). The series is cut where F has become
//! negligible, with its last half tapered. Where there is a motor lag the error is below 1e-6; a loop of an integrator
//! and a delay alone has a kink where the delay ends, rounded by some 1e-5 s times its slope. Needs no
//! rational form, no Pade form and no stability.

use std::f64::consts::PI;

use nalgebra::Complex;
use rustfft::FftPlanner;
use serde::Serialize;

use super::chain::RateChain;

/// Longest response, in points.
const MOST_POINTS: usize = 100_000;
/// Most terms of the series.
const MOST_TERMS: usize = 80_000;
/// What is left of the series, as a fraction of the step, before its last half is tapered.
const FINEST: f64 = 1e-8;
/// The same where the figures of the step are all that is asked for.
const SEEN: f64 = 1e-3;

/// Why there is no step response.
#[derive(Debug, Clone, Copy, PartialEq, thiserror::Error, Serialize)]
pub enum ResponseError {
    /// The closed loop is unstable.
    #[error("the closed loop is unstable")]
    Unstable,
    /// Duration or step cannot be used.
    #[error("a response over {duration} s in steps of {dt} s cannot be computed")]
    Span {
        /// Duration, s.
        duration: f64,
        /// Step, s.
        dt: f64,
    },
}

/// A response to a unit step at time zero.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Step {
    /// Interval between the values, s; the first is at time zero.
    pub dt: f64,
    /// Values.
    pub value: Vec<f64>,
}

/// Figures of a step response towards one.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct StepFigures {
    /// Time to half the step, s.
    pub delay: Option<f64>,
    /// Time from 10 % to 90 %, s.
    pub rise: Option<f64>,
    /// Largest excess over one, as a fraction; zero if none.
    pub overshoot: f64,
    /// Time of the largest value, s.
    pub peak_time: f64,
    /// Time after which the response stays within 5 %, s; `None` if it does not within the span.
    pub settling: Option<f64>,
}

impl Step {
    /// First time the response reaches `level`, s, by linear interpolation.
    pub fn time_to(&self, level: f64) -> Option<f64> {
        let place = self.value.iter().position(|&v| v >= level)?;
        if place == 0 {
            return Some(0.0);
        }
        let (a, b) = (self.value[place - 1], self.value[place]);
        Some(self.dt * (place as f64 - (b - level) / (b - a)))
    }

    /// Figures of the response.
    pub fn figures(&self) -> StepFigures {
        let (place, top) =
            self.value.iter().copied().enumerate().max_by(|a, b| a.1.total_cmp(&b.1)).unwrap_or((0, 0.0));
        let rise = match (self.time_to(0.1), self.time_to(0.9)) {
            (Some(low), Some(high)) => Some(high - low),
            _ => None,
        };
        let settling = match self.value.iter().rposition(|v| (v - 1.0).abs() > 0.05) {
            None => Some(0.0),
            Some(last) if last + 1 < self.value.len() => Some(self.dt * (last + 1) as f64),
            Some(_) => None,
        };
        StepFigures {
            delay: self.time_to(0.5),
            rise,
            overshoot: (top - 1.0).max(0.0),
            peak_time: self.dt * place as f64,
            settling,
        }
    }
}

/// Response to a unit step of a system with transfer function `transfer` (of s, rad/s) that is at rest at time zero.
///
/// Values at 0, `dt`, 2 `dt` ... up to `duration`, s. The transfer function must fall off at high frequency
/// and have no pole with a real part above 5/`duration`.
pub fn step(
    transfer: &dyn Fn(Complex<f64>) -> Complex<f64>,
    duration: f64,
    dt: f64,
) -> Result<Step, ResponseError> {
    step_within(transfer, duration, dt, 1e-9, FINEST)
}

/// The same for a step that is looked at and compared: a shorter series, right to 1e-4 of the step where there is a
/// motor lag.
///
/// # Errors
/// As [`step`].
pub fn step_seen(
    transfer: &dyn Fn(Complex<f64>) -> Complex<f64>,
    duration: f64,
    dt: f64,
) -> Result<Step, ResponseError> {
    step_within(transfer, duration, dt, 1e-7, SEEN)
}

/// `echo` is the share of the response after 2 P that comes back into it.
fn step_within(
    transfer: &dyn Fn(Complex<f64>) -> Complex<f64>,
    duration: f64,
    dt: f64,
    echo: f64,
    accuracy: f64,
) -> Result<Step, ResponseError> {
    let count = duration / dt;
    if !(duration > 0.0 && dt > 0.0 && count.is_finite() && count <= MOST_POINTS as f64) {
        return Err(ResponseError::Span { duration, dt });
    }
    let points = count.round() as usize + 1;
    // The instants are those of a discrete Fourier transform of this size, so that the series is one transform.
    let size = (4 * points).next_power_of_two();
    let span = 0.5 * size as f64 * dt;
    let shift = -echo.ln() / (2.0 * span);
    let spacing = PI / span;
    let image = |k: usize| {
        let s = Complex::new(shift, k as f64 * spacing);
        transfer(s) / s
    };
    // What the last terms may still add, seen through the growth e^(shift t).
    let negligible = accuracy * span / (shift * duration).exp();
    let mut terms = Vec::new();
    let mut quiet = 0usize;
    for k in 0..MOST_TERMS {
        let term = image(k);
        // A term, times the number of terms that still matter in a series that falls as a square.
        quiet = if term.norm_sqr() * (k * k) as f64 <= negligible * negligible { quiet + 1 } else { 0 };
        terms.push(term);
        if quiet > 50 && k > 200 {
            break;
        }
    }
    let half = terms.len() / 2;
    for (k, term) in terms.iter_mut().enumerate().skip(half) {
        let along = (k - half) as f64 / half.max(1) as f64;
        *term *= (along * PI / 2.0).cos().powi(2);
    }
    // At t = j dt the factor of term k is e^(2 pi i j k / size): terms whose k differ by the size go together.
    let mut folded = vec![Complex::new(0.0, 0.0); size];
    for (k, term) in terms.iter().enumerate().rev() {
        let part = if k == 0 { Complex::new(term.re / 2.0, 0.0) } else { *term };
        if let Some(bin) = folded.get_mut(k % size) {
            *bin += part;
        }
    }
    FftPlanner::new().plan_fft_inverse(size).process(&mut folded);
    let value = folded
        .iter()
        .take(points)
        .enumerate()
        .map(|(j, sum)| (shift * j as f64 * dt).exp() / span * sum.re)
        .collect();
    Ok(Step { dt, value })
}

/// Response of the rate to a unit step of rate demand, closed loop.
///
/// `duration` and `dt` in s. The demand enters at the controller, through p and i; the derivative acts on the
/// measured rate. Linear: no saturation.
pub fn closed_step(chain: &RateChain, duration: f64, dt: f64) -> Result<Step, ResponseError> {
    if !chain.margins().stable {
        return Err(ResponseError::Unstable);
    }
    step(&|s| chain.closed_at(s), duration, dt)
}

/// Response of the attitude to a unit step of attitude demand with this attitude gain, 1/s.
///
/// Linear: no limit on the rate demand.
pub fn attitude_step(chain: &RateChain, gain: f64, duration: f64, dt: f64) -> Result<Step, ResponseError> {
    let inner = chain.margins();
    let outer = super::margins::margins(
        &|omega| chain.attitude_gain_at(gain, Complex::new(0.0, omega)),
        1e-3,
        1e5,
        1,
    );
    if !(inner.stable && outer.stable) {
        return Err(ResponseError::Unstable);
    }
    step_seen(&|s| chain.attitude_closed_at(gain, s), duration, dt)
}
