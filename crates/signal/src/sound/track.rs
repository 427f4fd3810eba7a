//! Coarse track of the blade passage: a harmonic sum over short spectra, joined by dynamic
//! programming (Bellman 1957; harmonic sum after Noll 1969).

use std::f64::consts::TAU;

use rustfft::FftPlanner;
use rustfft::num_complex::Complex;

use super::band::Band;
use crate::SignalError;
use crate::robust;

/// What is looked for.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TrackOptions {
    /// Lowest blade passage, Hz.
    pub low: f64,
    /// Highest blade passage, Hz.
    pub high: f64,
    /// Multiples of the blade passage that are summed.
    pub orders: usize,
}

impl TrackOptions {
    /// The usual range as far as a recording of `rate` samples per second reaches.
    pub fn for_rate(rate: f64) -> Self {
        let usual = Self::default();
        Self { high: usual.high.min(0.2 * rate).max(1.5 * usual.low), ..usual }
    }
}

impl Default for TrackOptions {
    fn default() -> Self {
        Self { low: 40.0, high: 900.0, orders: 4 }
    }
}

/// Whether the track is on the blade passage itself and not on half or twice of it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Octave {
    /// Power of the lines midway between the multiples over that of the multiples, dB. High: the
    /// true fundamental may be half of the track.
    pub half: f64,
    /// Power of the odd multiples over that of the even ones, dB. Low: it may be twice the track.
    pub odd: f64,
    /// Both are far from the level where it could be either.
    pub sure: bool,
}

/// Blade passage against time.
#[derive(Debug, Clone, PartialEq)]
pub struct Track {
    /// Time of the middle of each window, s.
    pub time: Vec<f64>,
    /// Blade passage, Hz.
    pub frequency: Vec<f64>,
    /// Power of the multiples over the floor about them, dB.
    pub strength: Vec<f64>,
    /// Length of the window, s.
    pub window: f64,
    /// Octave.
    pub octave: Octave,
}

impl Track {
    /// The same track at `factor` times the frequency: where the octave is known from elsewhere.
    #[must_use]
    pub fn scaled(mut self, factor: f64) -> Self {
        self.frequency.iter_mut().for_each(|f| *f *= factor);
        self
    }
}

/// Lines this far below the others count as of another kind, dB.
const APART: f64 = 9.0;

struct Frames {
    /// Power over the local floor, by frame and bin.
    ratio: Vec<Vec<f64>>,
    power: Vec<Vec<f64>>,
    time: Vec<f64>,
    bin: f64,
}

fn frames(audio: &[f64], rate: f64, window: usize, hop: usize, top: f64) -> Frames {
    let size = (4 * window).next_power_of_two();
    let bin = rate / size as f64;
    let keep = ((top / bin).ceil() as usize + 2).min(size / 2);
    let weights: Vec<f64> =
        (0..window).map(|i| 0.5 - 0.5 * (TAU * (i as f64 + 0.5) / window as f64).cos()).collect();
    let fft = FftPlanner::new().plan_fft_forward(size);
    let (mut ratio, mut power, mut time) = (Vec::new(), Vec::new(), Vec::new());
    let mut start = 0;
    while start + window <= audio.len() {
        let mut buffer: Vec<Complex<f64>> = audio[start..start + window]
            .iter()
            .zip(&weights)
            .map(|(a, w)| Complex::new(a * w, 0.0))
            .collect();
        buffer.resize(size, Complex::new(0.0, 0.0));
        fft.process(&mut buffer);
        let p: Vec<f64> = buffer[..=keep].iter().map(|z| z.norm_sqr()).collect();
        // Floor: the lower quartile of the bins in blocks of about 400 Hz.
        let block = ((400.0 / bin) as usize).max(16);
        let floors: Vec<f64> = (0..p.len())
            .step_by(block)
            .map(|a| {
                let (a, b) = (a.saturating_sub(block / 2), (a + block + block / 2).min(p.len()));
                robust::quantile(&p[a..b], 0.4).unwrap_or(0.0)
            })
            .collect();
        let least = floors.iter().copied().fold(0.0, f64::max) * 1e-9 + f64::MIN_POSITIVE;
        let r = p.iter().enumerate().map(|(k, v)| v / floors[k / block].max(least)).collect();
        ratio.push(r);
        power.push(p);
        time.push((start as f64 + 0.5 * window as f64) / rate);
        start += hop;
    }
    Frames { ratio, power, time, bin }
}

/// Largest value within a bin of a frequency.
fn at(row: &[f64], frequency: f64, bin: f64) -> f64 {
    let k = (frequency / bin).round() as usize;
    let (a, b) = (k.saturating_sub(1), (k + 1).min(row.len().saturating_sub(1)));
    if a > b { 0.0 } else { row[a..=b].iter().copied().fold(0.0, f64::max) }
}

/// Follows the blade passage through a recording of `rate` samples per second.
///
/// # Errors
/// A recording shorter than two windows, bounds that do not fit the rate, values that are not finite.
pub fn track(audio: &[f64], rate: f64, options: &TrackOptions) -> Result<Track, SignalError> {
    let (low, high) = (options.low, options.high);
    let nyquist = 0.5 * rate;
    if !(low > 0.0 && high > 1.2 * low && high < nyquist) {
        return Err(SignalError::Range {
            what: "blade passage, Hz",
            value: high,
            low: 1.2 * low,
            high: nyquist,
        });
    }
    if let Some(index) = audio.iter().position(|v| !v.is_finite()) {
        return Err(SignalError::NotFinite { index });
    }
    let top = ((options.orders.clamp(1, 8) as f64 + 0.6) * high).min(0.98 * nyquist);
    let thinned = Band::new(audio, rate, 0.0, audio.len() as f64 / rate, top);
    let (audio, rate) = (thinned.y.as_slice(), 1.0 / thinned.period);
    let nyquist = 0.5 * rate;
    // Long enough for three periods of the lowest, short enough for a drive's lag.
    let seconds = (3.5 / low).clamp(0.040, 0.080);
    let window = (seconds * rate) as usize;
    let hop = ((0.004 * rate) as usize).max(1);
    if audio.len() < 2 * window {
        return Err(SignalError::TooShort { need: 2 * window, got: audio.len() });
    }
    let orders = options.orders.clamp(1, 8);
    let top = ((orders as f64 + 0.6) * high).min(0.98 * nyquist);
    let f = frames(audio, rate, window, hop, top);
    let step: f64 = 1.01;
    let count = ((high / low).ln() / step.ln()).ceil() as usize + 1;
    let grid: Vec<f64> = (0..count).map(|k| low * step.powi(k as i32)).collect();
    let score: Vec<Vec<f64>> = f
        .ratio
        .iter()
        .map(|row| {
            grid.iter()
                .map(|g| {
                    let mut sum = 0.0;
                    for h in 1..=orders {
                        let x = h as f64 * g;
                        if x > top {
                            break;
                        }
                        let weight = 0.85_f64.powi(h as i32 - 1);
                        // Midway lines speak for half the frequency: they take off a little.
                        let line = at(row, x, f.bin).max(1.0).ln().min(8.0);
                        let midway = at(row, x - 0.5 * g, f.bin).max(1.0).ln().min(8.0);
                        sum += weight * (line - 0.35 * midway);
                    }
                    sum
                })
                .collect()
        })
        .collect();
    let path = join(&score, 12, 0.35);
    let mut frequency: Vec<f64> =
        path.iter().enumerate().map(|(t, k)| refine(&f.power[t], grid[*k], f.bin, orders, top)).collect();
    let strength = frequency
        .iter()
        .enumerate()
        .map(|(t, x)| {
            let sum: f64 = (1..=orders).map(|h| at(&f.ratio[t], h as f64 * x, f.bin)).sum();
            10.0 * (sum / orders as f64).max(1e-12).log10()
        })
        .collect();
    let mut octave = judge(&f, &frequency, orders, top);
    if octave.odd < -APART && frequency.iter().all(|x| 2.0 * x <= 1.05 * high) {
        // Odd multiples hardly sound: they are the shaft's own, and the blades pass twice as often.
        frequency.iter_mut().for_each(|x| *x *= 2.0);
        octave = judge(&f, &frequency, orders, top);
    } else if octave.half > -0.3 * APART && frequency.iter().all(|x| 0.5 * x >= 0.95 * low) {
        let halved: Vec<f64> = frequency.iter().map(|x| 0.5 * x).collect();
        let other = judge(&f, &halved, orders, top);
        if other.odd > -0.5 * APART {
            frequency = halved;
            octave = other;
        }
    }
    Ok(Track { time: f.time, frequency, strength, window: window as f64 / rate, octave })
}

/// Best path through scores: at most `reach` grid steps from frame to frame, each at `cost`.
fn join(score: &[Vec<f64>], reach: usize, cost: f64) -> Vec<usize> {
    let Some(first) = score.first() else { return Vec::new() };
    let n = first.len();
    let mut total = first.clone();
    let mut from: Vec<Vec<usize>> = Vec::with_capacity(score.len());
    for row in &score[1..] {
        let mut next = vec![f64::NEG_INFINITY; n];
        let mut back = vec![0; n];
        for k in 0..n {
            for j in k.saturating_sub(reach)..=(k + reach).min(n - 1) {
                let v = total[j] - cost * k.abs_diff(j) as f64;
                if v > next[k] {
                    next[k] = v;
                    back[k] = j;
                }
            }
            next[k] += row[k];
        }
        total = next;
        from.push(back);
    }
    let mut k = (0..n).max_by(|a, b| total[*a].total_cmp(&total[*b])).unwrap_or(0);
    let mut path = vec![k];
    for back in from.iter().rev() {
        k = back[k];
        path.push(k);
    }
    path.reverse();
    path
}

/// Frequency within a grid step, from the bins of all multiples: parabola through the logarithm,
/// weighted by power and order.
fn refine(power: &[f64], guess: f64, bin: f64, orders: usize, top: f64) -> f64 {
    let (mut sum, mut total) = (0.0, 0.0);
    for h in 1..=orders {
        let x = h as f64 * guess;
        if x > top {
            break;
        }
        let reach = ((0.012 * x / bin).ceil() as usize).max(2);
        let centre = (x / bin).round() as usize;
        let (a, b) =
            (centre.saturating_sub(reach).max(1), (centre + reach).min(power.len().saturating_sub(2)));
        if a > b {
            continue;
        }
        let Some(k) = (a..=b).max_by(|i, j| power[*i].total_cmp(&power[*j])) else { continue };
        let (l, m, r) = (power[k - 1].ln(), power[k].ln(), power[k + 1].ln());
        let curve = l - 2.0 * m + r;
        let shift = if curve < 0.0 { (0.5 * (l - r) / curve).clamp(-0.5, 0.5) } else { 0.0 };
        let weight = power[k] * (h * h) as f64;
        if weight.is_finite() {
            sum += weight * (k as f64 + shift) * bin / h as f64;
            total += weight;
        }
    }
    if total > 0.0 { sum / total } else { guess }
}

/// Power of the lines over the floor that noise alone does not reach, dB (the path picks the best of
/// many bins, which brings noise to about 8).
const HEARD: f64 = 12.0;

fn judge(f: &Frames, frequency: &[f64], orders: usize, top: f64) -> Octave {
    let strong: Vec<f64> = frequency
        .iter()
        .enumerate()
        .map(|(t, x)| (1..=orders).map(|h| at(&f.ratio[t], h as f64 * x, f.bin)).sum::<f64>() / orders as f64)
        .collect();
    let heard = 10.0 * robust::median(&strong).unwrap_or(0.0).max(1e-12).log10() > HEARD;
    let (mut whole, mut half, mut odd, mut even) = (0.0, 0.0, 0.0, 0.0);
    for (t, x) in frequency.iter().enumerate() {
        // Bins where the floor itself would pass for a line count as nothing.
        let above = |y: f64| {
            let r = at(&f.ratio[t], y, f.bin);
            if y <= top && r > 6.0 { at(&f.power[t], y, f.bin) } else { 0.0 }
        };
        for h in 1..=orders.max(2) {
            let line = above(h as f64 * x);
            whole += line;
            half += above((h as f64 - 0.5) * x);
            if h % 2 == 1 { odd += line } else { even += line }
        }
    }
    let db = |a: f64, b: f64| {
        if b <= 0.0 && a <= 0.0 { 0.0 } else { 10.0 * (a.max(1e-30) / b.max(1e-30)).log10().clamp(-6.0, 6.0) }
    };
    let (half, odd) = (db(half, whole), db(odd, even));
    Octave { half, odd, sure: heard && whole > 0.0 && half < -APART && odd > -0.6 * APART }
}

/// A change of level in a track.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TrackStep {
    /// Last moment of the level before, s.
    pub start: f64,
    /// First moment of the level after, s.
    pub end: f64,
    /// Blade passage before, Hz.
    pub from: f64,
    /// Blade passage after, Hz.
    pub to: f64,
    /// Since when the level before has held, s.
    pub since: f64,
    /// Until when the level after holds, s.
    pub until: f64,
    /// Whether the level before is the first of the track.
    pub first: bool,
}

/// Steps of a track: levels held for `hold` seconds that differ by more than `least` (a share).
pub fn steps(track: &Track, hold: f64, least: f64) -> Vec<TrackStep> {
    let n = track.frequency.len();
    // Single frames that fell on another line are no levels.
    let smooth: Vec<f64> = (0..n)
        .map(|i| {
            let (a, b) = (i.saturating_sub(2), (i + 3).min(n));
            robust::median(&track.frequency[a..b]).unwrap_or(f64::NAN)
        })
        .collect();
    let level = |a: usize, b: usize| robust::median(&smooth[a..b]).unwrap_or(f64::NAN);
    let mut levels: Vec<(usize, usize, f64)> = Vec::new();
    let mut a = 0;
    while a < n {
        let mut b = a + 1;
        let (mut low, mut high) = (smooth[a], smooth[a]);
        while b < n {
            let (l, h) = (low.min(smooth[b]), high.max(smooth[b]));
            if h > l * (1.0 + 0.5 * least) {
                break;
            }
            (low, high) = (l, h);
            b += 1;
        }
        if track.time[b - 1] - track.time[a] >= hold {
            let value = level(a, b);
            match levels.last_mut() {
                Some(last) if (last.2 / value - 1.0).abs() < least => last.1 = b,
                _ => levels.push((a, b, value)),
            }
            a = b;
        } else {
            a += 1;
        }
    }
    levels
        .windows(2)
        .map(|w| {
            let ((a, b, from), (c, d, to)) = (w[0], w[1]);
            TrackStep {
                start: track.time[b - 1],
                end: track.time[c],
                from,
                to,
                since: track.time[a],
                until: track.time[d - 1],
                first: a == 0,
            }
        })
        .filter(|s| (s.to / s.from).ln().abs() > least)
        .collect()
}
