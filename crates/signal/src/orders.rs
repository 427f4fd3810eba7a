//! Order tracking: amplitude and phase of the parts of a signal that turn with a rotor, 1/rev, 2/rev, ...
//!
//! The signal is multiplied with e^(-i k phi), phi being the rotor's angle, the integral of its measured speed
//! (trapezium rule), and averaged under a Hann window (heterodyne; Vold and Leuridan 1993 call the sought amplitude the
//! complex envelope of the order). The line comes to rest at zero frequency however the speed moves, and a line above
//! half the sample rate does so as well: at the sampling instants the folded line and the turning phase are the same
//! numbers.
//!
//! Several rotors are solved together by weighted least squares within a window. Two of them are told apart only where
//! their angles drift apart by enough within it: the variance that the neighbours add, (G^-1)_ii with G the normalised
//! Gram matrix of the phasors, is limited by [`MOST_INFLATION`]. For a Hann window of length T and steady speeds that
//! takes a difference of about 0.9/(k T) in revolutions per second.
//!
//! Limits: an amplitude that changes within a window is averaged; an error of the angle that grows within the window
//! (speed logged late or coarsely) makes lines low; the image at minus the frequency is neglected, so a line must turn
//! at least four times within a window.

use nalgebra::DMatrix;
use rustfft::FftPlanner;
use rustfft::num_complex::Complex;

use crate::SignalError;
use crate::robust;

/// Most that neighbours may raise the variance of a separated amplitude.
pub const MOST_INFLATION: f64 = 8.0;
/// Samples worked on at a time.
const CHUNK: usize = 256;

/// What one window holds.
#[derive(Debug, Clone, PartialEq)]
pub struct Window {
    /// Middle of the window, s.
    pub time: f64,
    /// Mean speed of each rotor, rad/s.
    pub speed: Vec<f64>,
    /// Demodulated amplitude by channel, order, rotor: the signal is Re(c e^(i k phi)).
    raw: Vec<Complex<f64>>,
    /// Normalised products of the phasors by order, rotor, rotor.
    gram: Vec<Complex<f64>>,
    rotors: usize,
    orders: usize,
}

impl Window {
    /// Amplitude of an order (by its place in the list) as demodulated with one rotor's angle, neighbours included.
    pub fn raw(&self, channel: usize, order: usize, rotor: usize) -> Option<Complex<f64>> {
        self.raw.get((channel * self.orders + order) * self.rotors + rotor).copied()
    }

    /// How alike the angles of two rotors run within the window, 0 to 1.
    pub fn likeness(&self, order: usize, a: usize, b: usize) -> f64 {
        self.gram.get((order * self.rotors + a) * self.rotors + b).map_or(0.0, |g| g.norm())
    }

    fn inverse(&self, order: usize) -> Option<DMatrix<Complex<f64>>> {
        let n = self.rotors;
        let from = order * n * n;
        let values = self.gram.get(from..from + n * n)?;
        DMatrix::from_row_slice(n, n, values).try_inverse()
    }

    /// Amplitudes of an order that together describe the signal best, also where rotors cannot be told apart: a
    /// little weight on the diagonal shares what they have in common.
    pub(crate) fn shared(&self, channel: usize, order: usize) -> Vec<Complex<f64>> {
        let n = self.rotors;
        let zero = vec![Complex::default(); n];
        let from = order * n * n;
        let Some(values) = self.gram.get(from..from + n * n) else { return zero };
        let weighted =
            DMatrix::from_row_slice(n, n, values) + DMatrix::identity(n, n) * Complex::new(0.01, 0.0);
        let Some(inverse) = weighted.try_inverse() else { return zero };
        (0..n)
            .map(|i| (0..n).map(|j| inverse[(i, j)] * self.raw(channel, order, j).unwrap_or_default()).sum())
            .collect()
    }

    /// Amplitude of an order by rotor with the others taken out, and the factor by which they raise its variance;
    /// `None` for a rotor that cannot be separated from the others in this window.
    pub fn separated(&self, channel: usize, order: usize) -> Vec<Option<(Complex<f64>, f64)>> {
        let n = self.rotors;
        let Some(inverse) = self.inverse(order) else { return vec![None; n] };
        (0..n)
            .map(|i| {
                let inflation = inverse[(i, i)].re;
                if !(inflation.is_finite() && inflation <= MOST_INFLATION) {
                    return None;
                }
                let mut c = Complex::default();
                for j in 0..n {
                    c += inverse[(i, j)] * self.raw(channel, order, j)?;
                }
                Some((c, inflation))
            })
            .collect()
    }
}

/// Tracks orders of several rotors in several channels, in constant memory.
#[derive(Debug)]
pub struct Tracker {
    period: f64,
    half: usize,
    rotors: usize,
    orders: Vec<u32>,
    channels: usize,
    /// Angle of each rotor, rad, and its speed at the last sample.
    angle: Vec<f64>,
    last: Vec<Option<f64>>,
    /// Place within the half window; windows overlap by half.
    at: usize,
    /// Rising half of the window.
    rise: Vec<f64>,
    started: bool,
    time: f64,
    now: Sums,
    rising: Sums,
    /// Rising part of the half before.
    before: Sums,
    chunk: Chunk,
}

/// Sums over half a window.
#[derive(Debug, Clone)]
struct Sums {
    line: Vec<Complex<f64>>,
    gram: Vec<Complex<f64>>,
    speed: Vec<f64>,
    weight: f64,
}

impl Sums {
    fn new(lines: usize, gram: usize, rotors: usize) -> Self {
        Self {
            line: vec![Complex::default(); lines],
            gram: vec![Complex::default(); gram],
            speed: vec![0.0; rotors],
            weight: 0.0,
        }
    }
    fn clear(&mut self) {
        self.line.fill(Complex::default());
        self.gram.fill(Complex::default());
        self.speed.fill(0.0);
        self.weight = 0.0;
    }
}

#[derive(Debug, Clone)]
struct Chunk {
    re: Vec<f64>,
    im: Vec<f64>,
    /// Angle turned within each sample, its sine and cosine.
    turned: Vec<f64>,
    sine: Vec<f64>,
    cosine: Vec<f64>,
    weight: Vec<f64>,
    weighted: Vec<f64>,
    product: Vec<f64>,
}

/// Largest angle for which the series below is good to rounding, rad.
const SMALL: f64 = 0.5;

/// Sines and cosines of small angles by their Taylor series (the terms left out are below 1e-15 up to [`SMALL`]), without a
/// branch, so that the compiler makes vectors of it; by the library where any angle is larger.
fn small_turns(angles: &[f64], sines: &mut [f64], cosines: &mut [f64]) {
    if !angles.iter().all(|a| a.abs() <= SMALL) {
        for ((a, s), c) in angles.iter().zip(sines).zip(cosines) {
            (*s, *c) = a.sin_cos();
        }
        return;
    }
    for ((a, s), c) in angles.iter().zip(sines).zip(cosines) {
        let x = a * a;
        let odd = 1.0 - x * (1.0 / 110.0) * (1.0 - x * (1.0 / 156.0));
        let odd = 1.0 - x * (1.0 / 42.0) * (1.0 - x * (1.0 / 72.0) * odd);
        *s = a * (1.0 - x * (1.0 / 6.0) * (1.0 - x * (1.0 / 20.0) * odd));
        let even = 1.0 - x * (1.0 / 90.0) * (1.0 - x * (1.0 / 132.0));
        let even = 1.0 - x * (1.0 / 30.0) * (1.0 - x * (1.0 / 56.0) * even);
        *c = 1.0 - x * 0.5 * (1.0 - x * (1.0 / 12.0) * even);
    }
}

/// Dot product in eight lanes.
fn dot(a: &[f64], b: &[f64]) -> f64 {
    let mut lanes = [0.0; 8];
    let (x, y) = (a.chunks_exact(8), b.chunks_exact(8));
    let rest: f64 = x.remainder().iter().zip(y.remainder()).map(|(a, b)| a * b).sum();
    for (p, q) in x.zip(y) {
        for ((l, a), b) in lanes.iter_mut().zip(p).zip(q) {
            *l += a * b;
        }
    }
    lanes.iter().sum::<f64>() + rest
}

/// Four sums at once: a.re, a.im, b.re, b.im.
fn dots(a: &[f64], b: &[f64], re: &[f64], im: &[f64]) -> [f64; 4] {
    let mut lanes = [[0.0; 4]; 4];
    let whole = a.len() / 4 * 4;
    for (((p, q), r), i) in
        a.chunks_exact(4).zip(b.chunks_exact(4)).zip(re.chunks_exact(4)).zip(im.chunks_exact(4))
    {
        for k in 0..4 {
            lanes[0][k] += p[k] * r[k];
            lanes[1][k] += p[k] * i[k];
            lanes[2][k] += q[k] * r[k];
            lanes[3][k] += q[k] * i[k];
        }
    }
    let mut out = [0.0; 4];
    for (o, l) in out.iter_mut().zip(&lanes) {
        *o = l.iter().sum();
    }
    for k in whole..a.len() {
        out[0] += a[k] * re[k];
        out[1] += a[k] * im[k];
        out[2] += b[k] * re[k];
        out[3] += b[k] * im[k];
    }
    out
}

impl Tracker {
    /// For `channels` channels at `rate`, Hz, windows of `window` seconds (rounded to an even number of samples)
    /// that overlap by half, and the orders given (1 for 1/rev).
    ///
    /// # Errors
    /// A rate or window that is not positive; a window of fewer than eight samples; no rotor, order or channel; an order
    /// of zero or above 64.
    pub fn new(
        rate: f64,
        window: f64,
        rotors: usize,
        orders: &[u32],
        channels: usize,
    ) -> Result<Self, SignalError> {
        if !(rate > 0.0 && rate.is_finite()) {
            return Err(SignalError::Range { what: "rate", value: rate, low: 0.0, high: f64::INFINITY });
        }
        let half = (0.5 * window * rate).round();
        if !(4.0..1e9).contains(&half) {
            return Err(SignalError::Range {
                what: "window",
                value: window,
                low: 8.0 / rate,
                high: 1e9 / rate,
            });
        }
        if let Some(bad) = orders.iter().find(|o| **o == 0 || **o > 64) {
            return Err(SignalError::Range { what: "order", value: f64::from(*bad), low: 1.0, high: 64.0 });
        }
        for (what, n) in [("rotors", rotors), ("orders", orders.len()), ("channels", channels)] {
            if n == 0 {
                return Err(SignalError::Range { what, value: 0.0, low: 1.0, high: f64::INFINITY });
            }
        }
        let lines = channels * orders.len() * rotors;
        let gram = orders.len() * rotors * rotors;
        let sums = Sums::new(lines, gram, rotors);
        let phasors = orders.len() * rotors * CHUNK;
        let step = std::f64::consts::PI / half;
        // Middle of the sample: rising and falling halves add up to one exactly.
        let rise = (0..half as usize).map(|k| 0.5 - 0.5 * (step * (k as f64 + 0.5)).cos()).collect();
        Ok(Self {
            period: 1.0 / rate,
            half: half as usize,
            rotors,
            orders: orders.to_vec(),
            channels,
            angle: vec![0.0; rotors],
            last: vec![None; rotors],
            at: 0,
            rise,
            started: false,
            time: 0.0,
            now: sums.clone(),
            rising: sums.clone(),
            before: sums,
            chunk: Chunk {
                re: vec![0.0; phasors],
                im: vec![0.0; phasors],
                turned: vec![0.0; CHUNK],
                sine: vec![0.0; CHUNK],
                cosine: vec![0.0; CHUNK],
                weight: vec![0.0; CHUNK],
                weighted: vec![0.0; CHUNK],
                product: vec![0.0; 2 * CHUNK],
            },
        })
    }

    /// A new stretch begins at `time`, s.
    pub fn gap(&mut self, time: f64) {
        self.at = 0;
        self.started = false;
        self.time = time;
        self.angle.fill(0.0);
        self.last.fill(None);
        self.now.clear();
        self.rising.clear();
        self.before.clear();
    }

    /// Takes the next samples of all channels with the speed of each rotor, rad/s, at each of them; `out` gets each
    /// complete window.
    ///
    /// # Errors
    /// Series of different lengths or numbers.
    pub fn push(
        &mut self,
        channels: &[&[f64]],
        speeds: &[&[f64]],
        mut out: impl FnMut(Window),
    ) -> Result<(), SignalError> {
        if channels.len() != self.channels {
            return Err(SignalError::Length { left: channels.len(), right: self.channels });
        }
        if speeds.len() != self.rotors {
            return Err(SignalError::Length { left: speeds.len(), right: self.rotors });
        }
        let n = channels[0].len();
        if let Some(other) = channels.iter().chain(speeds).find(|c| c.len() != n) {
            return Err(SignalError::Length { left: n, right: other.len() });
        }
        let mut from = 0;
        while from < n {
            let take = CHUNK.min(n - from).min(self.half - self.at);
            self.work(channels, speeds, from, take);
            from += take;
            self.at += take;
            if self.at == self.half
                && let Some(w) = self.close()
            {
                out(w);
            }
        }
        Ok(())
    }

    /// Phasors and sums of `take` samples from `from`.
    fn work(&mut self, channels: &[&[f64]], speeds: &[&[f64]], from: usize, take: usize) {
        let orders = self.orders.len();
        self.chunk.weight[..take].copy_from_slice(&self.rise[self.at..self.at + take]);
        let weight: f64 = self.chunk.weight[..take].iter().sum();
        self.now.weight += take as f64;
        self.rising.weight += weight;
        for (rotor, speed) in speeds.iter().enumerate() {
            let speed = &speed[from..from + take];
            let mut angle = self.angle[rotor];
            let turned = &mut self.chunk.turned[..take];
            // The first sample of a stretch has not turned yet.
            let mut last = self.last[rotor].unwrap_or(-speed[0]);
            for (t, w) in turned.iter_mut().zip(speed) {
                *t = 0.5 * (last + w) * self.period;
                last = *w;
            }
            let (sines, cosines) = (&mut self.chunk.sine[..take], &mut self.chunk.cosine[..take]);
            small_turns(turned, sines, cosines);
            let (mut sin, mut cos) = angle.sin_cos();
            for k in 0..take {
                angle += turned[k];
                (cos, sin) = (cos * cosines[k] - sin * sines[k], cos * sines[k] + sin * cosines[k]);
                let (mut re, mut im) = (1.0, 0.0);
                let mut power = 0;
                for (o, order) in self.orders.iter().enumerate() {
                    if *order < power {
                        (re, im, power) = (1.0, 0.0, 0);
                    }
                    while power < *order {
                        (re, im) = (re * cos - im * sin, re * sin + im * cos);
                        power += 1;
                    }
                    let place = (rotor * orders + o) * CHUNK + k;
                    self.chunk.re[place] = re;
                    self.chunk.im[place] = im;
                }
            }
            self.angle[rotor] = angle % std::f64::consts::TAU;
            self.last[rotor] = Some(last);
            self.now.speed[rotor] += speed.iter().sum::<f64>();
            self.rising.speed[rotor] += dot(speed, &self.chunk.weight[..take]);
        }
        for (c, x) in channels.iter().enumerate() {
            let x = &x[from..from + take];
            for ((p, v), w) in self.chunk.weighted[..take].iter_mut().zip(x).zip(&self.chunk.weight) {
                *p = v * w;
            }
            for o in 0..orders {
                for rotor in 0..self.rotors {
                    let place = (rotor * orders + o) * CHUNK;
                    let (re, im) = (&self.chunk.re[place..place + take], &self.chunk.im[place..place + take]);
                    let s = dots(x, &self.chunk.weighted[..take], re, im);
                    let line = (c * orders + o) * self.rotors + rotor;
                    self.now.line[line] += Complex::new(s[0], -s[1]);
                    self.rising.line[line] += Complex::new(s[2], -s[3]);
                }
            }
        }
        let weight = &self.chunk.weight[..take];
        for o in 0..orders {
            for a in 0..self.rotors {
                for b in a + 1..self.rotors {
                    let (pa, pb) = ((a * orders + o) * CHUNK, (b * orders + o) * CHUNK);
                    // e^(-i k phi_a) e^(i k phi_b)
                    for k in 0..take {
                        let (ar, ai) = (self.chunk.re[pa + k], self.chunk.im[pa + k]);
                        let (br, bi) = (self.chunk.re[pb + k], self.chunk.im[pb + k]);
                        self.chunk.product[k] = ar * br + ai * bi;
                        self.chunk.product[CHUNK + k] = ar * bi - ai * br;
                    }
                    let (re, im) = (&self.chunk.product[..take], &self.chunk.product[CHUNK..CHUNK + take]);
                    let g = (o * self.rotors + a) * self.rotors + b;
                    self.now.gram[g] += Complex::new(re.iter().sum(), im.iter().sum());
                    self.rising.gram[g] += Complex::new(dot(re, weight), dot(im, weight));
                }
            }
        }
    }

    /// Ends half a window: the rising part of the half before with the falling part of this one.
    fn close(&mut self) -> Option<Window> {
        let middle = self.time;
        self.time += self.half as f64 * self.period;
        self.at = 0;
        let window = self.started.then(|| {
            let weight = self.before.weight + self.now.weight - self.rising.weight;
            let scale = 1.0 / weight;
            let speed = (0..self.rotors)
                .map(|r| (self.before.speed[r] + self.now.speed[r] - self.rising.speed[r]) * scale)
                .collect();
            let raw = (0..self.now.line.len())
                .map(|l| (self.before.line[l] + self.now.line[l] - self.rising.line[l]) * (2.0 * scale))
                .collect();
            let mut gram = vec![Complex::default(); self.now.gram.len()];
            for o in 0..self.orders.len() {
                for a in 0..self.rotors {
                    let place = |a: usize, b: usize| (o * self.rotors + a) * self.rotors + b;
                    gram[place(a, a)] = Complex::new(1.0, 0.0);
                    for b in a + 1..self.rotors {
                        let g = place(a, b);
                        let v = (self.before.gram[g] + self.now.gram[g] - self.rising.gram[g]) * scale;
                        gram[g] = v;
                        gram[place(b, a)] = v.conj();
                    }
                }
            }
            Window { time: middle, speed, raw, gram, rotors: self.rotors, orders: self.orders.len() }
        });
        self.started = true;
        std::mem::swap(&mut self.before, &mut self.rising);
        self.rising.clear();
        self.now.clear();
        window
    }
}

/// What stands at rest in a demodulated series, against what lies around it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct AtRest {
    /// Mean square of the signal's line, (unit)^2: half the squared amplitude.
    pub power: f64,
    /// Mean square that the surroundings would put into the same bins.
    pub floor: f64,
    /// Blocks averaged.
    pub blocks: usize,
}

impl AtRest {
    /// Line over floor.
    pub fn prominence(&self) -> f64 {
        if self.floor > 0.0 { self.power / self.floor } else { f64::INFINITY }
    }
    /// Power of the line alone.
    pub fn line(&self) -> f64 {
        (self.power - self.floor).max(0.0)
    }
}

/// Looks for a line at zero frequency in demodulated series (amplitudes of windows `step` seconds apart), one per
/// stretch: power within 1.5 bins of zero against the lower quartile of the bins from 3 to `length`/4 on both sides. The lower
/// quartile, since lines of neighbouring rotors stand there.
///
/// `length` values make a block, 8 or more. `None` where no stretch holds a block.
pub fn at_rest(series: &[Vec<Complex<f64>>], length: usize) -> Option<AtRest> {
    if length < 16 {
        return None;
    }
    let window = crate::window::Window::Hann.samples(length);
    let square: f64 = window.iter().map(|w| w * w).sum();
    let fft = FftPlanner::new().plan_fft_forward(length);
    let mut power = vec![0.0; length];
    let mut blocks = 0;
    for s in series {
        let mut from = 0;
        while let Some(block) = s.get(from..from + length) {
            let mut b: Vec<Complex<f64>> = block.iter().zip(&window).map(|(c, w)| c * *w).collect();
            fft.process(&mut b);
            for (p, z) in power.iter_mut().zip(&b) {
                *p += z.norm_sqr();
            }
            blocks += 1;
            from += length / 2;
        }
    }
    if blocks == 0 {
        return None;
    }
    // Sum over all bins = mean square of the complex series = twice that of the real signal.
    let scale = 0.5 / (square * length as f64 * blocks as f64);
    let at = |k: i64| power[k.rem_euclid(length as i64) as usize] * scale;
    let around: Vec<f64> = (3..=(length / 4) as i64).flat_map(|k| [at(k), at(-k)]).collect();
    let quartile = robust::quantile(&around, 0.25)?;
    // Lower quartile of an average of n chi-squared bins over its mean (Wilson and Hilferty 1931).
    let degrees = 2.0 * (blocks as f64 / 1.5).max(1.0);
    let c = 2.0 / (9.0 * degrees);
    let bias = (1.0 - c - 0.6745 * c.sqrt()).max(0.2).powi(3);
    Some(AtRest { power: at(-1) + at(0) + at(1), floor: 3.0 * quartile / bias, blocks })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn small_turns_are_sines_and_cosines() {
        let angles: Vec<f64> = (-500..=500).map(|k| f64::from(k) * 1e-3).collect();
        for list in [angles.clone(), angles.iter().map(|a| 9.0 * a).collect()] {
            let (mut s, mut c) = (vec![0.0; list.len()], vec![0.0; list.len()]);
            small_turns(&list, &mut s, &mut c);
            for ((a, s), c) in list.iter().zip(&s).zip(&c) {
                assert!((s - a.sin()).abs() < 1e-15 && (c - a.cos()).abs() < 1e-15, "{a}");
            }
        }
    }
}
