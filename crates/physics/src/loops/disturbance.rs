//! Rejection of disturbances: bandwidth and peak.
//!
//! A disturbance added to the output of a loop appears there as S = 1/(1 + L). Bandwidth: the frequency where |S|
//! rises through -3 dB; peak: the largest |S| (Berger, Ivler, Berrios, Tischler and Miller 2016, the use of
//! both as handling criteria; definitions from memory).

use nalgebra::Complex;
use serde::Serialize;

/// Bandwidth and peak of the rejection of disturbances.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Rejection {
    /// Frequency where |S| rises through -3 dB, rad/s.
    pub bandwidth: f64,
    /// Largest |S|, as a ratio.
    pub peak: f64,
    /// Its frequency, rad/s.
    pub peak_frequency: f64,
}

/// Points in each decade.
const PER_DECADE: f64 = 300.0;

/// Rejection of a loop gain (of omega, rad/s) between two frequencies, rad/s. The loop must be stable. `None` where |S|
/// is not below -3 dB at `from`.
pub fn rejection(loop_gain: &dyn Fn(f64) -> Complex<f64>, from: f64, to: f64) -> Option<Rejection> {
    if !(from > 0.0 && to > from && to.is_finite()) {
        return None;
    }
    let size = |omega: f64| (Complex::new(1.0, 0.0) + loop_gain(omega)).norm().recip();
    let count = ((to / from).log10() * PER_DECADE).ceil().clamp(2.0, 20_000.0) as usize;
    let level = 10f64.powf(-3.0 / 20.0);
    let (mut bandwidth, mut peak, mut peak_frequency) = (None, 0.0, from);
    let mut previous = (from, size(from));
    if previous.1 > level {
        return None;
    }
    for k in 1..=count {
        let omega = from * (to / from).powf(k as f64 / count as f64);
        let here = size(omega);
        if bandwidth.is_none() && here > level {
            let (mut low, mut high) = (previous.0, omega);
            for _ in 0..50 {
                let middle = (low * high).sqrt();
                if size(middle) > level { high = middle } else { low = middle }
            }
            bandwidth = Some((low * high).sqrt());
        }
        if here > peak {
            (peak, peak_frequency) = (here, omega);
        }
        previous = (omega, here);
    }
    Some(Rejection { bandwidth: bandwidth?, peak, peak_frequency })
}
