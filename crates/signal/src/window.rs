//! Windows for spectral estimates (Harris 1978, "On the use of windows for harmonic analysis with
//! the discrete Fourier transform", Proc. IEEE 66(1)). Periodic form, as spectra want it.

use std::f64::consts::TAU;

/// A window.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Window {
    /// No weighting.
    Boxcar,
    /// Raised cosine.
    Hann,
    /// Raised cosine on a pedestal, 0.54 and 0.46.
    Hamming,
    /// Five-term flat top: reads amplitudes right between bins.
    FlatTop,
}

impl Window {
    fn terms(self) -> &'static [f64] {
        match self {
            Self::Boxcar => &[1.0],
            Self::Hann => &[0.5, 0.5],
            Self::Hamming => &[0.54, 0.46],
            Self::FlatTop => &[0.215_578_95, 0.416_631_58, 0.277_263_158, 0.083_578_947, 0.006_947_368],
        }
    }

    /// Samples of the window.
    pub fn samples(self, length: usize) -> Vec<f64> {
        (0..length)
            .map(|n| {
                let phase = TAU * n as f64 / length as f64;
                self.terms()
                    .iter()
                    .enumerate()
                    .map(|(k, a)| if k % 2 == 0 { *a } else { -*a } * (k as f64 * phase).cos())
                    .sum()
            })
            .collect()
    }

    /// Equivalent noise bandwidth in bins: N sum w^2 / (sum w)^2, in the limit of long windows.
    pub fn noise_bandwidth(self) -> f64 {
        let t = self.terms();
        let square: f64 = t.iter().enumerate().map(|(k, a)| if k == 0 { a * a } else { 0.5 * a * a }).sum();
        square / (t[0] * t[0])
    }

    /// Mean of the window: what a line on a bin is multiplied with.
    pub fn coherent_gain(self) -> f64 {
        self.terms()[0]
    }

    /// Half width of the main lobe, bins.
    pub fn lobe(self) -> usize {
        self.terms().len()
    }

    /// Gain for a line `offset` bins away from a bin, relative to one on the bin (long windows):
    /// a sum of shifted Dirichlet kernels.
    pub fn line_gain(self, offset: f64) -> f64 {
        let t = self.terms();
        let kernel = |x: f64| {
            if x.abs() < 1e-9 { 1.0 } else { (std::f64::consts::PI * x).sin() / (std::f64::consts::PI * x) }
        };
        let mut sum = t[0] * kernel(offset);
        for (k, a) in t.iter().enumerate().skip(1) {
            let shift = k as f64;
            // The kernel of a window that runs from 0 to N carries the phase (-1)^k, which cancels
            // the alternating sign of the terms.
            sum += 0.5 * a * (kernel(offset - shift) + kernel(offset + shift));
        }
        (sum / t[0]).abs()
    }

    /// Share of a line's power that the bins from `low` to `high` (relative to the nearest bin)
    /// hold when the line stands `offset` bins above that bin.
    pub fn captured(self, offset: f64, low: i64, high: i64) -> f64 {
        let power = |k: i64| self.line_gain(k as f64 - offset).powi(2);
        // By Parseval's theorem the bins of a line add up to the noise bandwidth.
        let total = self.noise_bandwidth();
        ((low..=high).map(power).sum::<f64>() / total).min(1.0)
    }
}
