//! Transform of one block with its window and scale, for spectra of whole stretches and of streams.

use std::sync::Arc;

use rustfft::num_complex::Complex;
use rustfft::{Fft, FftPlanner};

use crate::SignalError;
use crate::spectrum::{Detrend, Options};

/// Transform, window and scale for blocks of one length.
pub(crate) struct Plan {
    fft: Arc<dyn Fft<f64>>,
    window: Vec<f64>,
    scale: f64,
    pub(crate) options: Options,
    /// What was loaded, or its transform.
    pub(crate) buffer: Vec<Complex<f64>>,
    scratch: Vec<Complex<f64>>,
}

impl std::fmt::Debug for Plan {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Plan").field("options", &self.options).finish_non_exhaustive()
    }
}

impl Plan {
    /// For samples at `rate`, Hz.
    pub(crate) fn new(rate: f64, options: &Options) -> Result<Self, SignalError> {
        if !(rate > 0.0 && rate.is_finite()) {
            return Err(SignalError::Range { what: "rate", value: rate, low: 0.0, high: f64::INFINITY });
        }
        if options.length < 2 {
            return Err(SignalError::TooShort { need: 2, got: options.length });
        }
        if options.overlap >= options.length {
            return Err(SignalError::Range {
                what: "overlap",
                value: options.overlap as f64,
                low: 0.0,
                high: (options.length - 1) as f64,
            });
        }
        let window = options.window.samples(options.length);
        let scale = 1.0 / (rate * window.iter().map(|w| w * w).sum::<f64>());
        let fft = FftPlanner::new().plan_fft_forward(options.length);
        let scratch = vec![Complex::default(); fft.get_inplace_scratch_len()];
        let buffer = vec![Complex::default(); options.length];
        Ok(Self { fft, window, scale, options: *options, buffer, scratch })
    }

    fn mean(&self, block: &[f64]) -> f64 {
        match self.options.detrend {
            Detrend::None => 0.0,
            Detrend::Constant => sum(block) / block.len() as f64,
        }
    }

    /// Puts a block into the real parts and clears the imaginary ones.
    pub(crate) fn load(&mut self, block: &[f64]) {
        let mean = self.mean(block);
        for ((b, x), w) in self.buffer.iter_mut().zip(block).zip(&self.window) {
            *b = Complex::new((x - mean) * w, 0.0);
        }
    }

    /// Puts a second block into the imaginary parts.
    pub(crate) fn load_second(&mut self, block: &[f64]) {
        let mean = self.mean(block);
        for ((b, x), w) in self.buffer.iter_mut().zip(block).zip(&self.window) {
            b.im = (x - mean) * w;
        }
    }

    /// Transforms what was loaded, in place.
    pub(crate) fn process(&mut self) {
        self.fft.process_with_scratch(&mut self.buffer, &mut self.scratch);
    }

    /// Transform of one block, zero to half the rate.
    pub(crate) fn transform(&mut self, block: &[f64]) -> Vec<Complex<f64>> {
        self.load(block);
        self.process();
        self.buffer[..self.bins()].to_vec()
    }

    /// Bins from zero to half the rate.
    pub(crate) fn bins(&self) -> usize {
        self.options.length / 2 + 1
    }

    /// Samples from the start of one block to that of the next.
    pub(crate) fn step(&self) -> usize {
        self.options.length - self.options.overlap
    }

    /// One-sided density of one bin from its squared magnitude: twice for all bins but zero and half
    /// the rate.
    pub(crate) fn density(&self, bin: usize, square: f64) -> f64 {
        let nyquist = self.options.length.is_multiple_of(2) && bin == self.bins() - 1;
        self.scale * if bin == 0 || nyquist { square } else { 2.0 * square }
    }

    /// Starts of the blocks that fit into so many samples.
    pub(crate) fn starts(&self, samples: usize) -> impl Iterator<Item = usize> + use<> {
        let (length, step) = (self.options.length, self.step());
        (0..).map(move |k| k * step).take_while(move |s| s + length <= samples)
    }

    pub(crate) fn frequency(&self, rate: f64) -> Vec<f64> {
        (0..self.bins()).map(|k| k as f64 * rate / self.options.length as f64).collect()
    }

    /// Independent blocks that would give the variance of an average over overlapping blocks of white noise
    /// (Welch 1967, equation for the variance); `counts` are the blocks of each stretch.
    pub(crate) fn averages(&self, counts: &[usize]) -> f64 {
        let (window, step) = (&self.window, self.step());
        let square: f64 = window.iter().map(|w| w * w).sum();
        let shared: Vec<f64> = (1..)
            .map(|lag| lag * step)
            .take_while(|shift| *shift < window.len())
            .map(|shift| {
                (window[shift..].iter().zip(window).map(|(a, b)| a * b).sum::<f64>() / square).powi(2)
            })
            .collect();
        let mut total = 0.0;
        let n: usize = counts.iter().sum();
        for &blocks in counts {
            total += blocks as f64;
            for (k, c) in shared.iter().enumerate().take(blocks.saturating_sub(1)) {
                total += 2.0 * (blocks - k - 1) as f64 * c;
            }
        }
        (n as f64).powi(2) / total
    }
}

/// Sum in eight lanes, which the compiler turns into vector instructions.
pub(crate) fn sum(x: &[f64]) -> f64 {
    let mut lanes = [0.0; 8];
    let chunks = x.chunks_exact(8);
    let rest: f64 = chunks.remainder().iter().sum();
    for c in chunks {
        for (l, v) in lanes.iter_mut().zip(c) {
            *l += v;
        }
    }
    lanes.iter().sum::<f64>() + rest
}
