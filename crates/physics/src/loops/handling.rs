//! Bandwidth and phase delay of the attitude response (ADS-33E-PRF, section 3.3.2.1).
//!
//! From the response of attitude to the pilot's control: neutral stability at -180 deg; phase bandwidth at 45 deg
//! above it; gain bandwidth where the gain is 6 dB above that at neutral stability; phase delay = (phase
//! beyond -180 deg at twice the neutral-stability frequency) / (twice that frequency).

use std::f64::consts::{FRAC_PI_4, PI, TAU};

use nalgebra::Complex;
use serde::Serialize;

/// Bandwidth and phase delay.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Bandwidth {
    /// Frequency where the phase is -180 deg, rad/s.
    pub neutral_stability: f64,
    /// Frequency where the phase is -135 deg, rad/s.
    pub phase_bandwidth: f64,
    /// Frequency where the gain is 6 dB above that at neutral stability, rad/s; infinite where there is none.
    pub gain_bandwidth: f64,
    /// Phase delay, s.
    pub phase_delay: f64,
}

impl Bandwidth {
    /// The smaller of both: for a rate response.
    pub fn rate_response(&self) -> f64 {
        self.phase_bandwidth.min(self.gain_bandwidth)
    }
    /// The phase bandwidth alone: for an attitude response (from memory: to be confirmed in the standard).
    pub fn attitude_response(&self) -> f64 {
        self.phase_bandwidth
    }
}

/// Bandwidth of an attitude response over the frequencies `from` to `to`, rad/s.
///
/// `None` if the phase does not fall through -180 deg within the range. At `from` the phase must be within half a
/// turn of zero. The phase is followed along 500 points in each decade: a delay may turn it by less than half a
/// turn from one to the next.
pub fn attitude_bandwidth(attitude: &dyn Fn(f64) -> Complex<f64>, from: f64, to: f64) -> Option<Bandwidth> {
    if !(from > 0.0 && to > from && to.is_finite()) {
        return None;
    }
    let count = ((to / from).log10() * 500.0).ceil().clamp(2.0, 20_000.0) as usize;
    let mut curve: Vec<(f64, f64, f64)> = Vec::with_capacity(count + 1);
    for k in 0..=count {
        let omega = from * (to / from).powf(k as f64 / count as f64);
        let value = attitude(omega);
        if !(value.re.is_finite() && value.im.is_finite()) {
            return None;
        }
        let phase = unwrap(value.arg(), curve.last().map_or(0.0, |p| p.1));
        curve.push((omega, phase, value.norm()));
    }
    // Phase near a known one, so that the root finders stay on the same turn.
    let phase_at = |omega: f64, near: f64| unwrap(attitude(omega).arg(), near);
    let falls_through = |level: f64| -> Option<f64> {
        let pair = curve.windows(2).find(|p| p[0].1 > level && p[1].1 <= level)?;
        Some(bisect(&|omega| phase_at(omega, level) - level, pair[0].0, pair[1].0))
    };
    let neutral_stability = falls_through(-PI)?;
    let phase_bandwidth = falls_through(-PI + FRAC_PI_4)?;
    let limit = 10f64.powf(6.0 / 20.0) * attitude(neutral_stability).norm();
    let gain_bandwidth = curve
        .windows(2)
        .take_while(|p| p[0].0 < neutral_stability)
        .filter(|p| p[0].2 > limit && p[1].2 <= limit)
        .last()
        .map_or(f64::INFINITY, |p| bisect(&|omega| attitude(omega).norm() - limit, p[0].0, p[1].0));
    // Follow the phase on to twice the frequency.
    let twice = 2.0 * neutral_stability;
    let mut phase = -PI;
    for k in 1..=200 {
        phase = phase_at(neutral_stability * (1.0 + f64::from(k) / 200.0), phase);
    }
    Some(Bandwidth { neutral_stability, phase_bandwidth, gain_bandwidth, phase_delay: -(phase + PI) / twice })
}

/// The angle moved by whole turns to be nearest to `near`.
fn unwrap(angle: f64, near: f64) -> f64 {
    angle + TAU * ((near - angle) / TAU).round()
}

/// Root of a falling function.
fn bisect(f: &dyn Fn(f64) -> f64, mut low: f64, mut high: f64) -> f64 {
    for _ in 0..60 {
        let middle = (low * high).sqrt();
        if f(middle) > 0.0 {
            low = middle;
        } else {
            high = middle;
        }
    }
    (low * high).sqrt()
}
