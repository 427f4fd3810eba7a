//! Samples of a stretch of sound at a rate just above its highest line.

use std::f64::consts::PI;

/// Samples at a rate just above the highest line.
pub(super) struct Band {
    pub(super) y: Vec<f64>,
    start: f64,
    pub(super) period: f64,
}

impl Band {
    pub(super) fn time(&self, i: usize) -> f64 {
        self.start + i as f64 * self.period
    }

    /// Low-pass below `top` and every n-th sample of the stretch; the filter is symmetric.
    pub(super) fn new(audio: &[f64], rate: f64, from: f64, until: f64, top: f64) -> Self {
        let factor = ((rate / (2.9 * top)).floor() as usize).max(1);
        let half = if factor == 1 { 0 } else { 6 * factor };
        // Only where the filter is fully covered.
        let first = ((from.max(0.0) * rate) as usize).clamp(half.min(audio.len()), audio.len());
        let last = ((until.max(0.0) * rate) as usize).min(audio.len().saturating_sub(half));
        if factor == 1 {
            let y = audio[first..last.max(first)].to_vec();
            return Self { y, start: first as f64 / rate, period: 1.0 / rate };
        }
        let cut = 1.0 / factor as f64;
        let taps: Vec<f64> = (0..=2 * half)
            .map(|i| {
                let u = i as f64 - half as f64;
                let sinc = if u == 0.0 { cut } else { (PI * cut * u).sin() / (PI * u) };
                sinc * (0.54 + 0.46 * (PI * u / half as f64).cos())
            })
            .collect();
        let y = (first..last)
            .step_by(factor)
            .map(|c| {
                taps.iter()
                    .enumerate()
                    .filter_map(|(k, t)| (c + k).checked_sub(half).and_then(|i| audio.get(i)).map(|a| a * t))
                    .sum()
            })
            .collect();
        Self { y, start: first as f64 / rate, period: factor as f64 / rate }
    }
}
