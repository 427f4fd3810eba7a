//! Power spectra, cross spectra, coherence and frequency response by averaged modified
//! periodograms (Welch 1967), scaled as one-sided densities: the sum over all bins times the bin
//! width is the mean square of the series (Parseval).

use rustfft::num_complex::Complex;
pub use rustfft::num_complex::Complex64;

use crate::SignalError;
use crate::plan::Plan;
use crate::window::Window;

/// What is taken off each block before the transform.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Detrend {
    /// Nothing.
    None,
    /// The block's mean.
    Constant,
}

/// How a spectrum is estimated.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Options {
    /// Window.
    pub window: Window,
    /// Samples per block.
    pub length: usize,
    /// Overlap of neighbouring blocks, samples.
    pub overlap: usize,
    /// Detrending.
    pub detrend: Detrend,
}

impl Options {
    /// Hann window, half overlap, mean taken off.
    pub fn hann(length: usize) -> Self {
        Self { window: Window::Hann, length, overlap: length / 2, detrend: Detrend::Constant }
    }
}

/// A one-sided power spectral density.
#[derive(Debug, Clone, PartialEq)]
pub struct Density {
    /// Frequencies, Hz, from 0 to half the rate.
    pub frequency: Vec<f64>,
    /// Density, (unit)^2/Hz.
    pub density: Vec<f64>,
    /// Blocks averaged.
    pub blocks: usize,
    /// Independent blocks that would give the same variance (Welch 1967, overlap allowed for).
    pub averages: f64,
    /// Bin width, Hz.
    pub resolution: f64,
    /// Window.
    pub window: Window,
}

impl Density {
    /// R.m.s. from the lowest frequency up to each bin, bin included.
    pub fn cumulative_rms(&self) -> Vec<f64> {
        let mut sum = 0.0;
        self.density
            .iter()
            .map(|d| {
                sum += d * self.resolution;
                sum.max(0.0).sqrt()
            })
            .collect()
    }

    /// R.m.s. between two frequencies; bins at the ends count by the part inside.
    pub fn band_rms(&self, low: f64, high: f64) -> f64 {
        let half = 0.5 * self.resolution;
        let sum: f64 = self
            .frequency
            .iter()
            .zip(&self.density)
            .map(|(f, d)| {
                let width = (high.min(f + half) - low.max(f - half)).clamp(0.0, self.resolution);
                d * width
            })
            .sum();
        sum.max(0.0).sqrt()
    }

    /// Relative standard error of one bin: 1/sqrt(averages) (Bendat and Piersol).
    pub fn random_error(&self) -> f64 {
        1.0 / self.averages.max(1.0).sqrt()
    }
}

/// Auto and cross spectra of an input x and an output y.
#[derive(Debug, Clone, PartialEq)]
pub struct Cross {
    /// Frequencies, Hz.
    pub frequency: Vec<f64>,
    /// Density of x.
    pub xx: Vec<f64>,
    /// Density of y.
    pub yy: Vec<f64>,
    /// Cross density conj(X) Y.
    pub xy: Vec<Complex<f64>>,
    /// Blocks averaged.
    pub blocks: usize,
    /// Independent blocks that would give the same variance.
    pub averages: f64,
    /// Bin width, Hz.
    pub resolution: f64,
}

impl Cross {
    /// Magnitude-squared coherence; zero where a spectrum is zero.
    pub fn coherence(&self) -> Vec<f64> {
        (0..self.xy.len())
            .map(|k| {
                let d = self.xx[k] * self.yy[k];
                if d > 0.0 { self.xy[k].norm_sqr() / d } else { 0.0 }
            })
            .collect()
    }

    /// Frequency response y/x with the noise on y: H1 = Pxy / Pxx. Not a number where x is zero.
    pub fn response(&self) -> Vec<Complex<f64>> {
        self.xy.iter().zip(&self.xx).map(|(c, p)| c / p).collect()
    }

    /// Random error of the gain by bin, relative (see [`gain_random_error`]).
    pub fn response_error(&self) -> Vec<f64> {
        self.coherence().iter().map(|g| gain_random_error(*g, self.averages)).collect()
    }
}

/// Relative random error of a gain estimated with coherence `coherence` (magnitude squared) from
/// `averages` independent blocks: sqrt(1 - g) / sqrt(2 n g) (Bendat and Piersol; ISO 7626-2
/// Annex A). Infinite without coherence.
pub fn gain_random_error(coherence: f64, averages: f64) -> f64 {
    if coherence > 0.0 && averages > 0.0 {
        ((1.0 - coherence).max(0.0) / (2.0 * averages * coherence)).sqrt()
    } else {
        f64::INFINITY
    }
}

/// Power spectral density averaged over all blocks that fit into the gap-free stretches.
///
/// # Errors
/// No stretch holds a block; a rate that is not positive; an overlap of a whole block.
pub fn welch(stretches: &[&[f64]], rate: f64, options: &Options) -> Result<Density, SignalError> {
    let mut plan = Plan::new(rate, options)?;
    let mut density = vec![0.0; plan.bins()];
    let mut counts = Vec::new();
    for s in stretches {
        let mut count = 0;
        for start in plan.starts(s.len()) {
            for (d, c) in density.iter_mut().zip(plan.transform(&s[start..start + options.length])) {
                *d += c.norm_sqr();
            }
            count += 1;
        }
        counts.push(count);
    }
    let blocks: usize = counts.iter().sum();
    if blocks == 0 {
        let got = stretches.iter().map(|s| s.len()).max().unwrap_or(0);
        return Err(SignalError::TooShort { need: options.length, got });
    }
    for (k, d) in density.iter_mut().enumerate() {
        *d = plan.density(k, *d) / blocks as f64;
    }
    Ok(Density {
        frequency: plan.frequency(rate),
        density,
        blocks,
        averages: plan.averages(&counts),
        resolution: rate / options.length as f64,
        window: options.window,
    })
}

/// Auto and cross spectra of pairs of stretches (x, y).
///
/// # Errors
/// As [`welch`]; a pair of different lengths.
pub fn cross(stretches: &[(&[f64], &[f64])], rate: f64, options: &Options) -> Result<Cross, SignalError> {
    let mut plan = Plan::new(rate, options)?;
    let mut xx = vec![0.0; plan.bins()];
    let mut yy = vec![0.0; plan.bins()];
    let mut xy = vec![Complex::default(); plan.bins()];
    let mut counts = Vec::new();
    for (x, y) in stretches {
        if x.len() != y.len() {
            return Err(SignalError::Length { left: x.len(), right: y.len() });
        }
        let mut count = 0;
        for start in plan.starts(x.len()) {
            let a = plan.transform(&x[start..start + options.length]);
            let b = plan.transform(&y[start..start + options.length]);
            for k in 0..plan.bins() {
                xx[k] += a[k].norm_sqr();
                yy[k] += b[k].norm_sqr();
                xy[k] += a[k].conj() * b[k];
            }
            count += 1;
        }
        counts.push(count);
    }
    let blocks: usize = counts.iter().sum();
    if blocks == 0 {
        let got = stretches.iter().map(|s| s.0.len()).max().unwrap_or(0);
        return Err(SignalError::TooShort { need: options.length, got });
    }
    for k in 0..plan.bins() {
        let scale = plan.density(k, 1.0) / blocks as f64;
        xx[k] *= scale;
        yy[k] *= scale;
        xy[k] *= scale;
    }
    Ok(Cross {
        frequency: plan.frequency(rate),
        xx,
        yy,
        xy,
        blocks,
        averages: plan.averages(&counts),
        resolution: rate / options.length as f64,
    })
}
