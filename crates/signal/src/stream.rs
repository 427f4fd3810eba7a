//! Spectra of records that do not fit into memory: samples are pushed as they are read, and what is
//! kept does not grow with the length of the record.
//!
//! [`WelchStream`] gives what [`crate::spectrum::welch`] gives on the same stretches. Two real blocks a and b go
//! through one complex transform as a + i b; as |Z(k)|^2 + |Z(N - k)|^2 = 2 |A(k)|^2 + 2 |B(k)|^2 (Bergland 1968,
//! "A fast Fourier transform algorithm for real-valued series", CACM 11(10)) the sum over blocks needs no unpacking.

use rustfft::num_complex::Complex;
use rustfft::{Fft, FftPlanner};
use std::sync::Arc;

use crate::SignalError;
use crate::spectrum::{Density, Detrend, Options};

/// Cuts a series that arrives in pieces into overlapping blocks.
#[derive(Debug, Clone)]
struct Cutter {
    length: usize,
    step: usize,
    /// Samples not yet given out as the beginning of a block.
    held: Vec<f64>,
}

impl Cutter {
    fn new(length: usize, step: usize) -> Self {
        Self { length, step, held: Vec::with_capacity(length + step) }
    }

    /// Calls `block` with each block that is complete. Reads straight from `samples` where a block lies inside.
    fn push(&mut self, samples: &[f64], mut block: impl FnMut(&[f64])) {
        let mut from = 0;
        // Blocks that begin in what is held.
        while !self.held.is_empty() {
            let need = self.length.saturating_sub(self.held.len());
            let take = need.min(samples.len() - from);
            self.held.extend_from_slice(&samples[from..from + take]);
            from += take;
            if self.held.len() < self.length {
                return;
            }
            block(&self.held);
            // The rest of this block, when the next one begins within it, stays.
            self.held.drain(..self.step);
            if self.held.len() <= from {
                // What is left came all from `samples`: go on reading there.
                from -= self.held.len();
                self.held.clear();
            }
        }
        while from + self.length <= samples.len() {
            block(&samples[from..from + self.length]);
            from += self.step;
        }
        self.held.extend_from_slice(samples.get(from..).unwrap_or(&[]));
    }

    fn clear(&mut self) {
        self.held.clear();
    }
}

/// Transform with window and scale, as of one block.
struct Engine {
    fft: Arc<dyn Fft<f64>>,
    window: Vec<f64>,
    buffer: Vec<Complex<f64>>,
    scratch: Vec<Complex<f64>>,
    options: Options,
    scale: f64,
}

impl std::fmt::Debug for Engine {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Engine").field("options", &self.options).finish_non_exhaustive()
    }
}

impl Engine {
    fn new(rate: f64, options: &Options) -> Result<Self, SignalError> {
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
        Ok(Self {
            fft,
            window,
            buffer: vec![Complex::default(); options.length],
            scratch,
            options: *options,
            scale,
        })
    }

    fn mean(&self, block: &[f64]) -> f64 {
        match self.options.detrend {
            Detrend::None => 0.0,
            Detrend::Constant => sum(block) / block.len() as f64,
        }
    }

    /// Puts a block into the real parts and clears the imaginary ones.
    fn load(&mut self, block: &[f64]) {
        let mean = self.mean(block);
        for ((b, x), w) in self.buffer.iter_mut().zip(block).zip(&self.window) {
            *b = Complex::new((x - mean) * w, 0.0);
        }
    }

    /// Puts a second block into the imaginary parts.
    fn load_second(&mut self, block: &[f64]) {
        let mean = self.mean(block);
        for ((b, x), w) in self.buffer.iter_mut().zip(block).zip(&self.window) {
            b.im = (x - mean) * w;
        }
    }

    fn transform(&mut self) {
        self.fft.process_with_scratch(&mut self.buffer, &mut self.scratch);
    }

    fn bins(&self) -> usize {
        self.options.length / 2 + 1
    }

    /// One-sided density of one bin from its squared magnitude.
    fn density(&self, bin: usize, square: f64) -> f64 {
        let nyquist = self.options.length.is_multiple_of(2) && bin == self.bins() - 1;
        self.scale * if bin == 0 || nyquist { square } else { 2.0 * square }
    }

    fn frequency(&self, rate: f64) -> Vec<f64> {
        (0..self.bins()).map(|k| k as f64 * rate / self.options.length as f64).collect()
    }
}

/// Sum in eight lanes, which the compiler turns into vector instructions.
fn sum(x: &[f64]) -> f64 {
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

/// Welch's estimate of a density from samples that arrive in pieces of any size.
#[derive(Debug)]
pub struct WelchStream {
    engine: Engine,
    cutter: Cutter,
    rate: f64,
    /// Sum of |Z|^2 over all transforms, both halves.
    square: Vec<f64>,
    /// A block waits in the buffer for its partner.
    half: bool,
    /// Blocks in each stretch so far.
    counts: Vec<usize>,
    count: usize,
    longest: usize,
    samples: usize,
}

impl WelchStream {
    /// For samples at `rate`, Hz.
    ///
    /// # Errors
    /// A rate that is not positive; an overlap of a whole block; a block of fewer than two samples.
    pub fn new(rate: f64, options: &Options) -> Result<Self, SignalError> {
        let engine = Engine::new(rate, options)?;
        Ok(Self {
            cutter: Cutter::new(options.length, options.length - options.overlap),
            square: vec![0.0; options.length],
            engine,
            rate,
            half: false,
            counts: Vec::new(),
            count: 0,
            longest: 0,
            samples: 0,
        })
    }

    /// Takes the next samples of the stretch.
    pub fn push(&mut self, samples: &[f64]) {
        self.samples += samples.len();
        let (engine, square, half, count) =
            (&mut self.engine, &mut self.square, &mut self.half, &mut self.count);
        self.cutter.push(samples, |block| {
            *count += 1;
            if *half {
                engine.load_second(block);
                engine.transform();
                for (s, z) in square.iter_mut().zip(&engine.buffer) {
                    *s += z.re * z.re + z.im * z.im;
                }
            } else {
                engine.load(block);
            }
            *half = !*half;
        });
    }

    /// The stretch has ended: the next sample does not follow the last one.
    pub fn gap(&mut self) {
        self.cutter.clear();
        self.longest = self.longest.max(self.samples);
        self.samples = 0;
        // Stretches without a block say nothing and would make the list grow.
        if self.count > 0 {
            self.counts.push(self.count);
        }
        self.count = 0;
    }

    /// Blocks so far.
    pub fn blocks(&self) -> usize {
        self.counts.iter().sum::<usize>() + self.count
    }

    /// The density of all that was pushed.
    ///
    /// # Errors
    /// No stretch held a block.
    pub fn finish(mut self) -> Result<Density, SignalError> {
        self.gap();
        let blocks = self.blocks();
        if blocks == 0 {
            return Err(SignalError::TooShort { need: self.engine.options.length, got: self.longest });
        }
        if self.half {
            self.engine.transform();
            for (s, z) in self.square.iter_mut().zip(&self.engine.buffer) {
                *s += z.norm_sqr();
            }
        }
        let n = self.square.len();
        let density = (0..self.engine.bins())
            .map(|k| {
                let both = 0.5 * (self.square[k] + self.square[(n - k) % n]);
                self.engine.density(k, both) / blocks as f64
            })
            .collect();
        Ok(Density {
            frequency: self.engine.frequency(self.rate),
            density,
            blocks,
            averages: crate::spectrum::independent(
                &self.engine.window,
                self.engine.options.length - self.engine.options.overlap,
                &self.counts,
            ),
            resolution: self.rate / n as f64,
            window: self.engine.options.window,
        })
    }
}

/// Density by time: one row for each block.
#[derive(Debug, Clone, PartialEq)]
pub struct Spectrogram {
    /// Middle of each block, s from the first sample of its stretch plus the stretch's start.
    pub time: Vec<f64>,
    /// Frequencies, Hz.
    pub frequency: Vec<f64>,
    /// Density by block, (unit)^2/Hz.
    pub density: Vec<Vec<f64>>,
}

/// A spectrogram whose rows are given out as they are complete.
#[derive(Debug)]
pub struct SpectrogramStream {
    engine: Engine,
    cutter: Cutter,
    rate: f64,
    start: f64,
    given: usize,
    row: Vec<f64>,
}

impl SpectrogramStream {
    /// For samples at `rate`, Hz, the first of them at time `start`, s.
    ///
    /// # Errors
    /// As [`WelchStream::new`].
    pub fn new(rate: f64, start: f64, options: &Options) -> Result<Self, SignalError> {
        let engine = Engine::new(rate, options)?;
        Ok(Self {
            cutter: Cutter::new(options.length, options.length - options.overlap),
            row: vec![0.0; engine.bins()],
            engine,
            rate,
            start,
            given: 0,
        })
    }

    /// Frequencies of the rows, Hz.
    pub fn frequency(&self) -> Vec<f64> {
        self.engine.frequency(self.rate)
    }

    /// Takes the next samples; `row` gets the middle of each complete block, s, and its density.
    pub fn push(&mut self, samples: &[f64], mut row: impl FnMut(f64, &[f64])) {
        let step = self.engine.options.length - self.engine.options.overlap;
        let middle = 0.5 * self.engine.options.length as f64 / self.rate;
        let (engine, out, given) = (&mut self.engine, &mut self.row, &mut self.given);
        let (start, rate) = (self.start, self.rate);
        self.cutter.push(samples, |block| {
            engine.load(block);
            engine.transform();
            for (k, o) in out.iter_mut().enumerate() {
                *o = engine.density(k, engine.buffer[k].norm_sqr());
            }
            row(start + (*given * step) as f64 / rate + middle, out);
            *given += 1;
        });
    }

    /// The stretch has ended; the next one begins at `start`, s.
    pub fn gap(&mut self, start: f64) {
        self.cutter.clear();
        self.start = start;
        self.given = 0;
    }
}

/// Density by time of a whole stretch that begins at `start`, s.
///
/// # Errors
/// As [`WelchStream::new`]; a stretch shorter than a block.
pub fn spectrogram(x: &[f64], rate: f64, start: f64, options: &Options) -> Result<Spectrogram, SignalError> {
    let mut stream = SpectrogramStream::new(rate, start, options)?;
    let mut out = Spectrogram { time: Vec::new(), frequency: stream.frequency(), density: Vec::new() };
    stream.push(x, |t, row| {
        out.time.push(t);
        out.density.push(row.to_vec());
    });
    if out.time.is_empty() {
        return Err(SignalError::TooShort { need: options.length, got: x.len() });
    }
    Ok(out)
}

/// Density by rotor speed: the spectra of all blocks in which the rotor turned about as fast.
#[derive(Debug, Clone, PartialEq)]
pub struct SpeedMap {
    /// Middle of each class of speed, in the speed's unit.
    pub speed: Vec<f64>,
    /// Frequencies, Hz.
    pub frequency: Vec<f64>,
    /// Mean density by class, (unit)^2/Hz.
    pub density: Vec<Vec<f64>>,
    /// Blocks in each class.
    pub blocks: Vec<usize>,
}

/// A rotor-speed map from samples that arrive in pieces.
#[derive(Debug)]
pub struct SpeedMapStream {
    spectra: SpectrogramStream,
    speeds: Cutter,
    low: f64,
    width: f64,
    sums: Vec<Vec<f64>>,
    blocks: Vec<usize>,
}

impl SpeedMapStream {
    /// Classes of equal width between two speeds; blocks outside are left out.
    ///
    /// # Errors
    /// As [`WelchStream::new`]; a range of speed that is empty.
    pub fn new(
        rate: f64,
        options: &Options,
        (low, high): (f64, f64),
        classes: usize,
    ) -> Result<Self, SignalError> {
        let spectra = SpectrogramStream::new(rate, 0.0, options)?;
        if !(high > low && low.is_finite() && high.is_finite() && classes > 0) {
            return Err(SignalError::Range {
                what: "speed range",
                value: high - low,
                low: 0.0,
                high: f64::INFINITY,
            });
        }
        Ok(Self {
            sums: vec![vec![0.0; spectra.engine.bins()]; classes],
            blocks: vec![0; classes],
            speeds: Cutter::new(options.length, options.length - options.overlap),
            spectra,
            low,
            width: (high - low) / classes as f64,
        })
    }

    /// Takes samples with the speed at each.
    ///
    /// # Errors
    /// Two series of different lengths.
    pub fn push(&mut self, samples: &[f64], speed: &[f64]) -> Result<(), SignalError> {
        if samples.len() != speed.len() {
            return Err(SignalError::Length { left: samples.len(), right: speed.len() });
        }
        let mut classes = Vec::new();
        let (low, width, count) = (self.low, self.width, self.blocks.len());
        self.speeds.push(speed, |s| {
            let at = (sum(s) / s.len() as f64 - low) / width;
            classes.push((at >= 0.0 && at < count as f64).then_some(at as usize));
        });
        let mut next = classes.into_iter();
        let (sums, blocks) = (&mut self.sums, &mut self.blocks);
        self.spectra.push(samples, |_, row| {
            if let Some(class) = next.next().flatten() {
                blocks[class] += 1;
                for (s, r) in sums[class].iter_mut().zip(row) {
                    *s += r;
                }
            }
        });
        Ok(())
    }

    /// The stretch has ended.
    pub fn gap(&mut self) {
        self.speeds.clear();
        self.spectra.gap(0.0);
    }

    /// The map of all that was pushed; classes without a block are left out.
    pub fn finish(self) -> SpeedMap {
        let mut map = SpeedMap {
            speed: Vec::new(),
            frequency: self.spectra.frequency(),
            density: Vec::new(),
            blocks: Vec::new(),
        };
        for (k, (mut sum, n)) in self.sums.into_iter().zip(self.blocks).enumerate() {
            if n > 0 {
                sum.iter_mut().for_each(|s| *s /= n as f64);
                map.speed.push(self.low + (k as f64 + 0.5) * self.width);
                map.density.push(sum);
                map.blocks.push(n);
            }
        }
        map
    }
}
