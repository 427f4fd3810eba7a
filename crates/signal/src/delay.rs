//! Delay between two series from the phase of their cross spectrum.

use std::f64::consts::TAU;

use crate::spectrum::Cross;

/// A delay of y behind x.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Delay {
    /// Delay, s, positive when y comes later.
    pub delay: f64,
    /// Standard uncertainty, s.
    pub uncertainty: f64,
    /// Bins used.
    pub bins: usize,
}

/// Fits phase = -2 pi f tau through the origin over the bins between two frequencies whose
/// coherence is at least `least`. Each bin weighs by the inverse variance of its phase,
/// (1 - g)/(2 n g) (Bendat and Piersol); the uncertainty is enlarged by the scatter about the
/// line, so a phase that is no pure delay says so. Phase is unwrapped from the low end: the delay
/// may not exceed half a period at the first bin.
pub fn phase_delay(cross: &Cross, low: f64, high: f64, least: f64) -> Option<Delay> {
    let coherence = cross.coherence();
    let mut previous = 0.0;
    let (mut sxx, mut sxy) = (0.0, 0.0);
    let mut used = Vec::new();
    for k in 1..cross.frequency.len() {
        let f = cross.frequency[k];
        let g = coherence[k].min(1.0 - 1e-9);
        if f < low || f > high || g < least {
            continue;
        }
        let raw = cross.xy[k].arg();
        let phase = raw - TAU * ((raw - previous) / TAU).round();
        previous = phase;
        let weight = 2.0 * cross.averages * g / (1.0 - g);
        sxx += weight * (TAU * f).powi(2);
        sxy -= weight * TAU * f * phase;
        used.push((f, phase, weight));
    }
    if used.len() < 3 || sxx.is_nan() || sxx <= 0.0 {
        return None;
    }
    let delay = sxy / sxx;
    let chi: f64 =
        used.iter().map(|(f, p, w)| w * (p + TAU * f * delay).powi(2)).sum::<f64>() / (used.len() - 1) as f64;
    // Neighbouring bins of a Hann window share half their information.
    let uncertainty = (1.5 * chi.max(1.0) / sxx).sqrt();
    Some(Delay { delay, uncertainty, bins: used.len() })
}
