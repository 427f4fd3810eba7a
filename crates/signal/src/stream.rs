//! Spectra of records that do not fit into memory: samples are pushed as they are read, and what is
//! kept does not grow with the length of the record.
//!
//! [`WelchStream`] gives what [`crate::spectrum::welch`] gives on the same stretches. Two real blocks a and b go
//! through one complex transform as a + i b; as |Z(k)|^2 + |Z(N - k)|^2 = 2 |A(k)|^2 + 2 |B(k)|^2 (Bergland 1968,
//! "A fast Fourier transform algorithm for real-valued series", CACM 11(10)) the sum over blocks needs no unpacking.

use crate::SignalError;
use crate::plan::{Plan, sum};
use crate::spectrum::{Density, Options};

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

/// Welch's estimate of a density from samples that arrive in pieces of any size.
#[derive(Debug)]
pub struct WelchStream {
    plan: Plan,
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
        let plan = Plan::new(rate, options)?;
        Ok(Self {
            cutter: Cutter::new(options.length, options.length - options.overlap),
            square: vec![0.0; options.length],
            plan,
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
        let (plan, square, half, count) = (&mut self.plan, &mut self.square, &mut self.half, &mut self.count);
        self.cutter.push(samples, |block| {
            *count += 1;
            if *half {
                plan.load_second(block);
                plan.process();
                for (s, z) in square.iter_mut().zip(&plan.buffer) {
                    *s += z.re * z.re + z.im * z.im;
                }
            } else {
                plan.load(block);
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
            return Err(SignalError::TooShort { need: self.plan.options.length, got: self.longest });
        }
        if self.half {
            self.plan.process();
            for (s, z) in self.square.iter_mut().zip(&self.plan.buffer) {
                *s += z.norm_sqr();
            }
        }
        let n = self.square.len();
        let density = (0..self.plan.bins())
            .map(|k| {
                let both = 0.5 * (self.square[k] + self.square[(n - k) % n]);
                self.plan.density(k, both) / blocks as f64
            })
            .collect();
        Ok(Density {
            frequency: self.plan.frequency(self.rate),
            density,
            blocks,
            averages: self.plan.averages(&self.counts),
            resolution: self.rate / n as f64,
            window: self.plan.options.window,
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
    plan: Plan,
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
        let plan = Plan::new(rate, options)?;
        Ok(Self {
            cutter: Cutter::new(options.length, options.length - options.overlap),
            row: vec![0.0; plan.bins()],
            plan,
            rate,
            start,
            given: 0,
        })
    }

    /// Frequencies of the rows, Hz.
    pub fn frequency(&self) -> Vec<f64> {
        self.plan.frequency(self.rate)
    }

    /// Takes the next samples; `row` gets the middle of each complete block, s, and its density.
    pub fn push(&mut self, samples: &[f64], mut row: impl FnMut(f64, &[f64])) {
        let step = self.plan.step();
        let middle = 0.5 * self.plan.options.length as f64 / self.rate;
        let (plan, out, given) = (&mut self.plan, &mut self.row, &mut self.given);
        let (start, rate) = (self.start, self.rate);
        self.cutter.push(samples, |block| {
            plan.load(block);
            plan.process();
            for (k, o) in out.iter_mut().enumerate() {
                *o = plan.density(k, plan.buffer[k].norm_sqr());
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
            sums: vec![vec![0.0; spectra.plan.bins()]; classes],
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
