//! Several decaying oscillations at once: natural frequencies and damping from a tap.
//!
//! y(t) = c + sum over modes of exp(-s t) (a cos w t + b sin w t) + noise. For given decay rates s
//! and frequencies w the rest is linear (variable projection, Golub and Pereyra 1973). Modes are
//! taken up one at a time from the largest peak of what is left, and all are refined together by
//! Gauss-Newton steps; a mode stays when it lowers the sum of squares by more than the largest of
//! many noise bins would.
//!
//! The noise may fade with the tap and be coloured: weights come from the running size of the
//! residuals, and the covariance of each mode is scaled by the density of the residuals about its
//! frequency over their mean density (the parameters of a narrow mode see the noise about it only;
//! Kay, Statistical Signal Processing, vol. I, ch. 3 and 15). Clipped samples at the start are
//! left out. Limits: linear modes with viscous damping; modes closer than the resolution of the
//! record (1/span) and equally damped come out as one.

use std::f64::consts::TAU;
use std::ops::Range;

use nalgebra::{DMatrix, DVector};
use rustfft::FftPlanner;
use rustfft::num_complex::Complex;

use crate::SignalError;
use crate::lsq;
use crate::robust;

/// One mode.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Mode {
    /// Damped frequency, Hz.
    pub frequency: f64,
    /// Undamped natural frequency, Hz.
    pub natural: f64,
    /// Its standard uncertainty, Hz.
    pub natural_error: f64,
    /// Damping ratio.
    pub damping: f64,
    /// Its standard uncertainty.
    pub damping_error: f64,
    /// Decay rate, 1/s.
    pub decay: f64,
    /// Amplitude at the first sample used.
    pub amplitude: f64,
    /// Phase at the first sample used, rad: amplitude cos(w t + phase).
    pub phase: f64,
}

/// All modes of one tap.
#[derive(Debug, Clone, PartialEq)]
pub struct Modes {
    /// Modes, largest amplitude first.
    pub modes: Vec<Mode>,
    /// Index of the first sample used: what clipped before it is left out.
    pub first: usize,
    /// Samples at either end of the range.
    pub clipped: usize,
    /// Level that the series rings about.
    pub offset: f64,
    /// R.m.s. of what the fit leaves.
    pub residual: f64,
    /// Share of the variance that the modes explain.
    pub explained: f64,
}

/// What is looked for.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Options {
    /// Lowest frequency, Hz.
    pub low: f64,
    /// Highest frequency, Hz.
    pub high: f64,
    /// Most modes.
    pub most: usize,
}

/// Least samples of a fit.
const LEAST: usize = 48;
/// Most samples of a fit: more are decimated or cut.
const MOST: usize = 6000;
/// Fall of the sum of squares that a new mode must bring, in noise variances: four parameters
/// and a place among a thousand bins make 2 ln(1000) + 4 by chance alone; twice that is asked.
const WORTH: f64 = 36.0;

/// Running state: decay and frequency (rad/s) of each mode.
type Poles = Vec<(f64, f64)>;

struct Problem {
    y: DVector<f64>,
    period: f64,
    weights: Vec<f64>,
}

struct Solution {
    poles: Poles,
    linear: lsq::Fit,
    square: f64,
}

impl Problem {
    fn columns(&self, poles: &Poles) -> DMatrix<f64> {
        let n = self.y.len();
        let mut x = DMatrix::from_element(n, 2 * poles.len() + 1, 1.0);
        for (k, (s, w)) in poles.iter().enumerate() {
            // exp((-s + i w) dt) is multiplied up: no call of a sine in the loop.
            let turn = Complex::from_polar((-s * self.period).exp(), w * self.period);
            let mut z = Complex::new(1.0, 0.0);
            for i in 0..n {
                x[(i, 2 * k)] = z.re;
                x[(i, 2 * k + 1)] = z.im;
                z *= turn;
            }
        }
        x
    }

    fn project(&self, poles: &Poles) -> Option<(DMatrix<f64>, lsq::Fit, f64)> {
        let x = self.columns(poles);
        let fit = lsq::fit(&x, &self.y, Some(&self.weights)).ok()?;
        let square = fit.residuals.iter().zip(&self.weights).map(|(r, w)| w * r * r).sum::<f64>();
        square.is_finite().then_some((x, fit, square))
    }

    fn jacobian(&self, x: &DMatrix<f64>, linear: &lsq::Fit, modes: usize) -> DMatrix<f64> {
        let (n, p) = (x.nrows(), x.ncols());
        let mut j = DMatrix::zeros(n, p + 2 * modes);
        j.columns_mut(0, p).copy_from(x);
        for k in 0..modes {
            let (a, b) = (linear.value(2 * k), linear.value(2 * k + 1));
            for i in 0..n {
                let t = i as f64 * self.period;
                let (c, s) = (x[(i, 2 * k)], x[(i, 2 * k + 1)]);
                j[(i, p + 2 * k)] = -t * (a * c + b * s);
                j[(i, p + 2 * k + 1)] = t * (b * c - a * s);
            }
        }
        j
    }

    fn refine(&self, start: Poles, options: &Options) -> Option<Solution> {
        let mut poles = start;
        let (mut x, mut linear, mut square) = self.project(&poles)?;
        let count = poles.len();
        for _ in 0..40 {
            let j = self.jacobian(&x, &linear, count);
            let Ok(step) = lsq::fit(&j, &linear.residuals, Some(&self.weights)) else { break };
            let base = x.ncols();
            let mut factor = 1.0;
            let mut moved = false;
            for _ in 0..10 {
                let next: Poles = poles
                    .iter()
                    .enumerate()
                    .map(|(k, (s, w))| {
                        let ds = factor * step.value(base + 2 * k);
                        let dw = factor * step.value(base + 2 * k + 1);
                        let w = (w + dw).clamp(TAU * 0.5 * options.low, TAU * 1.2 * options.high);
                        ((s + ds).clamp(1e-4 * w, 0.9 * w), w)
                    })
                    .collect();
                if let Some((nx, nl, ns)) = self.project(&next)
                    && ns <= square
                {
                    let fall = (square - ns) / square.max(f64::MIN_POSITIVE);
                    (poles, x, linear, square) = (next, nx, nl, ns);
                    moved = fall > 1e-10;
                    break;
                }
                factor *= 0.4;
            }
            if !moved {
                break;
            }
        }
        Some(Solution { poles, linear, square })
    }

    /// Weighted residuals of unit mean square.
    fn whitened(&self, residuals: &DVector<f64>) -> Vec<f64> {
        residuals.iter().zip(&self.weights).map(|(r, w)| r * w.sqrt()).collect()
    }

    /// Start of one more mode from the largest peak of what is left, searched over damping.
    fn candidate(&self, residuals: &DVector<f64>, options: &Options) -> Option<(f64, f64)> {
        let n = self.y.len();
        let size = (2 * n).next_power_of_two();
        let rate = 1.0 / self.period;
        let density = density(&self.whitened(residuals), size);
        let bin = rate / size as f64;
        let (low, high) = ((options.low / bin).ceil() as usize, (options.high / bin).floor() as usize);
        let peak = (low..=high.min(density.len().saturating_sub(1)))
            .max_by(|a, b| density[*a].total_cmp(&density[*b]))?;
        let mut best: Option<(f64, (f64, f64))> = None;
        for shift in [-1.0, -0.5, 0.0, 0.5, 1.0] {
            let w = TAU * (peak as f64 + shift) * bin;
            if w <= 0.0 {
                continue;
            }
            for z in [0.002, 0.006, 0.015, 0.04, 0.1, 0.25] {
                let one = vec![(z * w, w)];
                let x = self.columns(&one);
                let Ok(fit) = lsq::fit(&x, residuals, Some(&self.weights)) else { continue };
                let square: f64 = fit.residuals.iter().zip(&self.weights).map(|(r, w)| w * r * r).sum();
                if best.is_none_or(|(b, _)| square < b) {
                    best = Some((square, (z * w, w)));
                }
            }
        }
        best.map(|(_, pole)| pole)
    }
}

/// Periodogram of a series padded to `size`, bins 0 to half.
fn density(values: &[f64], size: usize) -> Vec<f64> {
    let mut buffer: Vec<Complex<f64>> = values.iter().map(|v| Complex::new(*v, 0.0)).collect();
    buffer.resize(size, Complex::new(0.0, 0.0));
    FftPlanner::new().plan_fft_forward(size).process(&mut buffer);
    let scale = 1.0 / values.len().max(1) as f64;
    buffer[..=size / 2].iter().map(|z| z.norm_sqr() * scale).collect()
}

/// Samples that stand at either end of the range, and the index after the last of them, when
/// they come in runs (a sensor or a recorder at its limit).
pub fn clipped(values: &[f64]) -> (usize, usize) {
    let (low, high) =
        values.iter().fold((f64::INFINITY, f64::NEG_INFINITY), |(a, b), v| (a.min(*v), b.max(*v)));
    let near = 1e-6 * (high - low);
    if near.is_nan() || near <= 0.0 {
        return (0, 0);
    }
    let at = |v: f64| {
        if v >= high - near {
            1
        } else if v <= low + near {
            -1
        } else {
            0
        }
    };
    let (mut count, mut last, mut run) = (0, 0, 0);
    for (i, v) in values.iter().enumerate() {
        let side = at(*v);
        run = if side != 0 && i > 0 && at(values[i - 1]) == side { run + 1 } else { 0 };
        // Two neighbours at the very same end: a smooth peak does that on a coarse grid only.
        if run == 1 {
            count += 2;
        } else if run > 1 {
            count += 1;
        }
        if run >= 1 {
            last = i + 1;
        }
    }
    if count >= 3 { (count, last) } else { (0, 0) }
}

/// Low-pass by a windowed sinc and every `factor`-th sample, with fully covered outputs only: a
/// decaying oscillation passes such a filter with its frequency and decay unchanged.
fn decimate(values: &[f64], factor: usize) -> Vec<f64> {
    let half = 8 * factor;
    let taps: Vec<f64> = (0..=2 * half)
        .map(|i| {
            let u = (i as f64 - half as f64) / factor as f64;
            let sinc = if u == 0.0 { 1.0 } else { (TAU * 0.5 * u).sin() / (TAU * 0.5 * u) };
            sinc * (0.54 + 0.46 * (TAU * 0.5 * (i as f64 - half as f64) / half as f64).cos()) / factor as f64
        })
        .collect();
    (half..values.len().saturating_sub(half))
        .step_by(factor)
        .map(|c| taps.iter().zip(&values[c - half..=c + half]).map(|(a, b)| a * b).sum())
        .collect()
}

/// Running standard deviation of residuals, as weights relative to their mean.
fn running_weights(residuals: &DVector<f64>) -> Vec<f64> {
    let n = residuals.len();
    let half = (n / 16).max(8);
    let mut sum = vec![0.0; n + 1];
    for i in 0..n {
        sum[i + 1] = sum[i] + residuals[i] * residuals[i];
    }
    let variance: Vec<f64> = (0..n)
        .map(|i| {
            let (a, b) = (i.saturating_sub(half), (i + half).min(n));
            (sum[b] - sum[a]) / (b - a) as f64
        })
        .collect();
    let mean = sum[n] / n as f64;
    variance.iter().map(|v| mean / v.max(1e-4 * mean).max(f64::MIN_POSITIVE)).collect()
}

/// Fits the modes of a uniform series that begins when nothing drives it any more.
///
/// # Errors
/// Fewer than 48 samples after those that clipped; values that are not finite; bounds outside 0 to
/// half the rate; nothing that rings.
pub fn fit(values: &[f64], period: f64, options: &Options) -> Result<Modes, SignalError> {
    if let Some(index) = values.iter().position(|v| !v.is_finite()) {
        return Err(SignalError::NotFinite { index });
    }
    let nyquist = 0.5 / period;
    let (low, high) = (options.low, options.high);
    if !(low > 0.0 && high > low && high <= nyquist) {
        return Err(SignalError::Range { what: "frequency bound", value: high, low, high: nyquist });
    }
    let (clipped, mut first) = clipped(values);
    let mut used = values[first..].to_vec();
    let mut period = period;
    let factor = (0.5 / period / (1.6 * high)).floor().min(used.len() as f64 / 512.0) as usize;
    if factor >= 2 {
        used = decimate(&used, factor);
        first += 8 * factor;
        period *= factor as f64;
    }
    used.truncate(MOST);
    let n = used.len();
    if n < LEAST {
        return Err(SignalError::TooShort { need: LEAST, got: n });
    }
    let mut problem = Problem { y: DVector::from_vec(used), period, weights: vec![1.0; n] };
    let settled = SignalError::NoConvergence { iterations: 40 };
    let mut best: Option<Solution> = None;
    for pass in 0..2 {
        if pass == 1 {
            let Some(b) = &best else { break };
            problem.weights = running_weights(&b.linear.residuals);
            best = problem.refine(b.poles.clone(), options);
        }
        loop {
            let count = best.as_ref().map_or(0, |b| b.poles.len());
            if count >= options.most || n <= 4 * (count + 1) + 8 {
                break;
            }
            let (residuals, square) = match &best {
                Some(b) => (b.linear.residuals.clone(), b.square),
                None => {
                    let mean = problem.y.mean();
                    let r = problem.y.map(|v| v - mean);
                    let square = r.norm_squared();
                    (r, square)
                }
            };
            let Some(next) = problem.candidate(&residuals, options) else { break };
            let mut poles = best.as_ref().map(|b| b.poles.clone()).unwrap_or_default();
            poles.push(next);
            let Some(solution) = problem.refine(poles, options) else { break };
            // The noise that the mode must beat is that about its own frequency.
            let white = problem.whitened(&solution.linear.residuals);
            let (_, w) = solution.poles[count];
            let colour = colour(&white, period, w / TAU, &solution.poles).max(1.0);
            let noise = solution.square / (n - 4 * (count + 1) - 1) as f64;
            if square - solution.square < WORTH * colour * noise {
                break;
            }
            best = Some(solution);
        }
    }
    let Some(best) = best else { return Err(settled) };
    finish(&problem, &best, first, clipped)
}

/// Density of whitened residuals about a frequency over their mean density. Bins that the modes
/// themselves took up are left out.
fn colour(white: &[f64], period: f64, frequency: f64, poles: &Poles) -> f64 {
    let n = white.len();
    let size = n.next_power_of_two();
    let d = density(white, size);
    let bin = 1.0 / (period * size as f64);
    let free = |k: usize| {
        poles.iter().all(|(s, w)| {
            let width = (1.5 / (n as f64 * period)).max(0.5 * s / TAU);
            (k as f64 * bin - w / TAU).abs() > width
        })
    };
    let all: Vec<f64> = (1..d.len()).filter(|k| free(*k)).map(|k| d[k]).collect();
    let centre = (frequency / bin).round() as usize;
    // Bins of the padded transform overlap: count a width of the record's own resolution.
    let reach = 24 * size / n;
    let near: Vec<f64> = (centre.saturating_sub(reach).max(1)..=(centre + reach).min(d.len() - 1))
        .filter(|k| free(*k))
        .map(|k| d[k])
        .collect();
    match (robust::mean(&near), robust::mean(&all)) {
        (Some(a), Some(b)) if b > 0.0 && near.len() >= 8 => (a / b).clamp(0.05, 1e3),
        _ => 1.0,
    }
}

fn finish(problem: &Problem, best: &Solution, first: usize, clipped: usize) -> Result<Modes, SignalError> {
    let settled = SignalError::NoConvergence { iterations: 40 };
    let (x, linear, square) = problem.project(&best.poles).ok_or(settled)?;
    let count = best.poles.len();
    let n = problem.y.len();
    let j = problem.jacobian(&x, &linear, count);
    let base = x.ncols();
    let mut weighted = j.clone();
    for (i, w) in problem.weights.iter().enumerate() {
        weighted.row_mut(i).scale_mut(w.sqrt());
    }
    let scale: Vec<f64> = (0..j.ncols()).map(|c| weighted.column(c).norm().max(f64::MIN_POSITIVE)).collect();
    for (c, s) in scale.iter().enumerate() {
        weighted.column_mut(c).scale_mut(1.0 / s);
    }
    let normal = lsq::gram(&weighted);
    let inverse = normal.try_inverse().ok_or(settled)?;
    let degrees = n.saturating_sub(4 * count + 1).max(1) as f64;
    let white = problem.whitened(&linear.residuals);
    let mut modes: Vec<Mode> = best
        .poles
        .iter()
        .enumerate()
        .map(|(k, (s, w))| {
            let (is, iw) = (base + 2 * k, base + 2 * k + 1);
            let variance = square / degrees * colour(&white, problem.period, w / TAU, &best.poles);
            let c = |a: usize, b: usize| variance * inverse[(a, b)] / (scale[a] * scale[b]);
            let natural = s.hypot(*w);
            let (fs, fw) = (s / natural, w / natural);
            let (gs, gw) = (w * w / natural.powi(3), -s * w / natural.powi(3));
            let spread = |a: f64, b: f64| {
                (a * a * c(is, is) + 2.0 * a * b * c(is, iw) + b * b * c(iw, iw)).max(0.0).sqrt()
            };
            let (a, b) = (linear.value(2 * k), linear.value(2 * k + 1));
            Mode {
                frequency: w / TAU,
                natural: natural / TAU,
                natural_error: spread(fs, fw) / TAU,
                damping: s / natural,
                damping_error: spread(gs, gw),
                decay: *s,
                amplitude: a.hypot(b),
                phase: (-b).atan2(a),
            }
        })
        .collect();
    modes.sort_by(|a, b| b.amplitude.total_cmp(&a.amplitude));
    Ok(Modes {
        modes,
        first,
        clipped,
        offset: linear.value(2 * count),
        residual: (linear.residuals.norm_squared() / n as f64).sqrt(),
        explained: linear.explained,
    })
}

/// Stretches that ring freely after a tap: from a tap's peak to the next tap or to the end of what
/// can be seen above the rest. `skip` is the time that the tap itself may last, s.
pub fn taps(values: &[f64], period: f64, skip: f64) -> Vec<Range<usize>> {
    let n = values.len();
    let Some(centre) = robust::median(values) else { return Vec::new() };
    let size: Vec<f64> = values.iter().map(|v| (v - centre).abs()).collect();
    let most = size.iter().copied().fold(0.0, f64::max);
    // The quietest blocks of the record are taken as its rest: a slow mode may ring through most of it.
    let block = ((0.02 / period) as usize).clamp(4, n.max(4));
    let quiet: Vec<f64> = size.chunks(block).filter_map(robust::rms).collect();
    let rest = robust::quantile(&quiet, 0.02).unwrap_or(0.0);
    let threshold = (6.0 * rest).max(0.2 * most);
    if !(most > 0.0 && period > 0.0) {
        return Vec::new();
    }
    // Envelope that falls with a time constant of 20 ms: a ring-down is one event, two taps are two.
    let fall = (-period / 0.02).exp();
    let quiet = ((0.15 / period) as usize).max(4);
    let (mut starts, mut last): (Vec<usize>, Option<usize>) = (Vec::new(), None);
    // Compared is with the envelope before the blow itself, which takes some milliseconds to rise.
    let back = (((skip + 0.002) / period).ceil() as usize).max(1);
    let mut envelope = Vec::with_capacity(n);
    for (i, v) in size.iter().enumerate() {
        let before = i.checked_sub(back).and_then(|k| envelope.get(k)).copied().unwrap_or(rest);
        let last_value = envelope.last().copied().unwrap_or(0.0);
        envelope.push((last_value * fall).max(*v));
        // A new tap rises well above what still rings.
        if *v > threshold && *v > 2.5 * before && last.is_none_or(|l| i - l > quiet) {
            starts.push(i);
            last = Some(i);
        }
    }
    let contact = ((skip / period).ceil() as usize).max(1);
    let mut out = Vec::new();
    for (k, start) in starts.iter().enumerate() {
        let until = starts.get(k + 1).map_or(n, |s| s.saturating_sub(contact));
        let early = (start + 2 * contact + ((0.01 / period) as usize)).min(until);
        let peak = (*start..early).max_by(|a, b| size[*a].total_cmp(&size[*b])).unwrap_or(*start);
        let from = peak + contact;
        if until.saturating_sub(from) < LEAST {
            continue;
        }
        // Until the r.m.s. over 50 ms has come down to the rest, and half as long again.
        let width = ((0.05 / period) as usize).max(8);
        let floor = (1.3 * rest).max(1e-3 * most);
        let end = (from..until)
            .step_by(width)
            .find(|i| robust::rms(&size[*i..(*i + width).min(until)]).is_some_and(|r| r < floor))
            .map_or(until, |i| (i + (i - from) / 2 + width).min(until));
        if end - from >= LEAST {
            out.push(from..end);
        }
    }
    out
}

/// A mode over several taps.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct MeanMode {
    /// Natural frequency, Hz.
    pub natural: f64,
    /// Its standard uncertainty, the scatter between taps included, Hz.
    pub natural_error: f64,
    /// Damping ratio.
    pub damping: f64,
    /// Its standard uncertainty.
    pub damping_error: f64,
    /// Mean amplitude.
    pub amplitude: f64,
    /// Taps that show it.
    pub count: usize,
    /// Standard deviation of the frequency between taps beyond what the fits explain, Hz.
    pub scatter: f64,
}

/// Mean with its error and the scatter between values beyond their own errors (DerSimonian and
/// Laird 1986).
pub fn pooled(values: &[(f64, f64)]) -> Option<(f64, f64, f64)> {
    let k = values.len() as f64;
    let weight = |tau: f64, e: f64| 1.0 / (e * e + tau).max(1e-300);
    let mean = |tau: f64| {
        let total: f64 = values.iter().map(|(_, e)| weight(tau, *e)).sum();
        (values.iter().map(|(v, e)| v * weight(tau, *e)).sum::<f64>() / total, total)
    };
    if values.is_empty() {
        return None;
    }
    let (m0, w) = mean(0.0);
    let q: f64 = values.iter().map(|(v, e)| weight(0.0, *e) * (v - m0).powi(2)).sum();
    let w2: f64 = values.iter().map(|(_, e)| weight(0.0, *e).powi(2)).sum();
    let tau = if k > 1.0 { ((q - (k - 1.0)) / (w - w2 / w)).max(0.0) } else { 0.0 };
    let (m, total) = mean(tau);
    let finite = m.is_finite() && total.is_finite() && tau.is_finite();
    finite.then(|| (m, (1.0 / total).sqrt(), tau.sqrt()))
}

/// Averages repeats: modes within 6 % of each other in frequency count as one; those that fewer than
/// half of the taps show are left out. Lowest frequency first.
pub fn average(repeats: &[Modes]) -> Vec<MeanMode> {
    let mut all: Vec<(usize, Mode)> =
        repeats.iter().enumerate().flat_map(|(i, r)| r.modes.iter().map(move |m| (i, *m))).collect();
    all.sort_by(|a, b| a.1.natural.total_cmp(&b.1.natural));
    let mut groups: Vec<Vec<(usize, Mode)>> = Vec::new();
    for (i, m) in all {
        match groups.last_mut() {
            Some(g) if g.last().is_some_and(|(_, l)| m.natural < 1.06 * l.natural) => {
                // Of one tap the larger counts.
                match g.iter_mut().find(|(j, _)| *j == i) {
                    Some(seen) => {
                        if m.amplitude > seen.1.amplitude {
                            seen.1 = m;
                        }
                    }
                    None => g.push((i, m)),
                }
            }
            _ => groups.push(vec![(i, m)]),
        }
    }
    groups
        .into_iter()
        .filter(|g| 2 * g.len() >= repeats.len())
        .filter_map(|g| {
            let f: Vec<_> = g.iter().map(|(_, m)| (m.natural, m.natural_error)).collect();
            let z: Vec<_> = g.iter().map(|(_, m)| (m.damping, m.damping_error)).collect();
            let (natural, natural_error, scatter) = pooled(&f)?;
            let (damping, damping_error, _) = pooled(&z)?;
            let amplitude = g.iter().map(|(_, m)| m.amplitude).sum::<f64>() / g.len() as f64;
            Some(MeanMode {
                natural,
                natural_error,
                damping,
                damping_error,
                amplitude,
                count: g.len(),
                scatter,
            })
        })
        .collect()
}
