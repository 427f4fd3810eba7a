//! Lag and moment of a speed step, fitted to the samples of the sound themselves.
//!
//! y(t) = sum over orders k of Re{(c_k + d_k q(t)) exp(i k phi(t))} + noise, where phi is the phase
//! of [`Step`](super::model::Step) and q its share gone: amplitude and phase of every line may differ
//! before and after, since the room and the microphone answer differently at each frequency. For
//! a given phase the c and d are linear (variable projection); all are refined together by
//! Gauss-Newton steps. No window stands between the signal and the lag. The noise is whitened by an
//! autoregression of the residuals (generalised least squares; Cochrane and Orcutt 1949 for the
//! principle), the covariance comes from the whitened fit.
//!
//! Wrong where the response is not of first order: the residual then grows, and the covariance
//! with it, over the correlation time of the residual (Newey and West 1987).

use std::f64::consts::{FRAC_1_SQRT_2, PI, TAU};

use nalgebra::{DMatrix, DVector};
use rustfft::num_complex::Complex;

use super::model::{COUNT, Step};
use super::track::TrackStep;
use crate::SignalError;
use crate::lsq;

/// A fitted step.
#[derive(Debug, Clone, PartialEq)]
pub struct StepFit {
    /// Start of the response, s: when the speed begins to change.
    pub at: f64,
    /// Its standard uncertainty, s.
    pub at_error: f64,
    /// Time constant, s.
    pub lag: f64,
    /// Its standard uncertainty, s.
    pub lag_error: f64,
    /// Blade passage before, Hz.
    pub from: f64,
    /// Blade passage after, where the lag has died out, before drift, Hz.
    pub to: f64,
    /// Drift of the level after the step, Hz/s.
    pub drift: f64,
    /// Its change, Hz/s^2.
    pub bend: f64,
    /// Lines over all that is left, in the band of the lines, dB.
    pub signal_to_noise: f64,
    /// Share of the variance that the lines explain.
    pub explained: f64,
    /// Orders used, in blade passages.
    pub orders: Vec<f64>,
    /// First and last moment of the samples used, s.
    pub span: (f64, f64),
}

impl StepFit {
    /// Blade passage at a moment, Hz.
    pub fn frequency(&self, time: f64) -> f64 {
        let u = time - self.at;
        if u <= 0.0 {
            return self.from;
        }
        let (tau, a, b) = (self.lag, self.drift, self.bend);
        let p = |u: f64| self.to + a * (u - tau) + b * ((0.5 * u - tau) * u + tau * tau);
        p(u) + (self.from - p(0.0)) * (-u / tau).exp()
    }
}

/// What the model itself leaves in the start of the response, s, of a rise and of a fall, however clear the sound.
/// Planted drives with one disturbance at a time, 40 dB clearer than usual, leave in a rise (68 % of the cases)
/// 0.30 ms for a stand that rocks, 0.18 ms for lines that turn their phase with the speed, 0.09 ms for the supply's
/// sag, 0.03 ms for lines that grow, 0.6 ms for all at once; in a fall, which starts from the louder side, 0.24 ms.
/// With none of them the fit is as sure as it says. Lines that follow a power of the speed and turn in proportion to
/// it halve this in a clear sound, and lose as much in a usual one, where their turn cannot be told from the start.
const START_MODEL: (f64, f64) = (0.7e-3, 0.36e-3);
/// The same in the time constant, as a share of it.
const LAG_MODEL: (f64, f64) = (0.01, 0.0);

/// Standard deviation of what a supply sags after a step, as a share of the step (common practice, no source).
const SAG: f64 = 0.03;
/// Time within which it does, s (common practice, no source); where it is shorter the rate bends by more, which has half
/// as much again of room.
const SAG_TIME: f64 = 0.5;

/// Order of the autoregression that whitens.
const WHITEN: usize = 12;

/// Samples at a rate just above the highest line.
pub(super) struct Band {
    pub(super) y: Vec<f64>,
    start: f64,
    pub(super) period: f64,
}

impl Band {
    fn time(&self, i: usize) -> f64 {
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

/// Basis for given orders and phase: `each` columns an order, 4, or 6 with what goes up and down again
/// in between.
fn basis(band: &Band, orders: &[f64], step: &Step, each: usize) -> DMatrix<f64> {
    let n = band.y.len();
    let mut x = DMatrix::zeros(n, each * orders.len());
    // Whole multiples of the lowest line come from it by products.
    let base = orders.first().copied().unwrap_or(1.0);
    let multiple: Option<Vec<u32>> = orders
        .iter()
        .map(|k| {
            let m = k / base;
            ((m - m.round()).abs() < 1e-9 && m < 33.0).then_some(m.round() as u32)
        })
        .collect();
    for i in 0..n {
        let (phase, share) = step.at(band.time(i));
        let turn = Complex::cis(base * phase);
        let (mut power, mut reached) = (Complex::new(1.0, 0.0), 0);
        for (k, order) in orders.iter().enumerate() {
            let (s, c) = match multiple.as_ref().and_then(|m| m.get(k)) {
                Some(&m) => {
                    while reached < m {
                        power *= turn;
                        reached += 1;
                    }
                    (power.im, power.re)
                }
                None => (order * phase).sin_cos(),
            };
            x[(i, each * k)] = c;
            x[(i, each * k + 1)] = s;
            x[(i, each * k + 2)] = share * c;
            x[(i, each * k + 3)] = share * s;
            if each == 6 {
                let bump = 4.0 * share * (1.0 - share);
                x[(i, each * k + 4)] = bump * c;
                x[(i, each * k + 5)] = bump * s;
            }
        }
    }
    x
}

/// Least squares by the normal equations, columns scaled; `None` when they depend on each other.
/// `prior` adds to the diagonal, `pull` to the right-hand side.
fn normal(x: &DMatrix<f64>, y: &DVector<f64>, prior: &[f64], pull: &[f64]) -> Option<DVector<f64>> {
    let p = x.ncols();
    let scale: Vec<f64> = (0..p).map(|k| x.column(k).norm()).collect();
    if scale.iter().any(|s| s.is_nan() || *s <= 0.0) {
        return None;
    }
    let mut a = lsq::gram(x);
    let mut b = lsq::project(x, y.as_slice());
    for k in 0..p {
        a[(k, k)] += prior.get(k).copied().unwrap_or(0.0);
        b[k] += pull.get(k).copied().unwrap_or(0.0);
    }
    for i in 0..p {
        b[i] /= scale[i];
        for j in 0..p {
            a[(i, j)] /= scale[i] * scale[j];
        }
        a[(i, i)] += 1e-11;
    }
    let mut z = a.cholesky()?.solve(&b);
    for i in 0..p {
        z[i] /= scale[i];
    }
    z.iter().all(|v| v.is_finite()).then_some(z)
}

/// Autoregression by Yule and Walker with Levinson's recursion: prediction-error filter.
fn autoregression(e: &[f64], order: usize) -> Vec<f64> {
    let n = e.len();
    let order = order.min(n / 8);
    let r: Vec<f64> = (0..=order)
        .map(|k| e[k..].iter().zip(&e[..n - k]).map(|(a, b)| a * b).sum::<f64>() / n as f64)
        .collect();
    let mut a = vec![1.0];
    let mut error = r[0] * (1.0 + 1e-9);
    if error.is_nan() || error <= 0.0 {
        return a;
    }
    for k in 1..=order {
        let sum: f64 = (0..k).map(|j| a[j] * r[k - j]).sum();
        let reflection = -sum / error;
        let mut next = a.clone();
        next.push(0.0);
        for j in 1..=k {
            next[j] += reflection * a.get(k - j).copied().unwrap_or(0.0);
        }
        a = next;
        error *= 1.0 - reflection * reflection;
        if error.is_nan() || error <= 0.0 {
            break;
        }
    }
    a
}

fn whiten(filter: &[f64], column: &[f64]) -> Vec<f64> {
    let p = filter.len() - 1;
    (p..column.len()).map(|i| filter.iter().enumerate().map(|(k, f)| f * column[i - k]).sum()).collect()
}

fn whiten_matrix(filter: &[f64], x: &DMatrix<f64>) -> DMatrix<f64> {
    let p = filter.len() - 1;
    let n = x.nrows().saturating_sub(p);
    let mut out = DMatrix::zeros(n, x.ncols());
    for j in 0..x.ncols() {
        let w = whiten(filter, x.column(j).as_slice());
        out.column_mut(j).copy_from_slice(&w);
    }
    out
}

struct Fitter<'a> {
    band: &'a Band,
    orders: Vec<f64>,
    filter: Vec<f64>,
    /// Parameters that are free.
    free: Vec<usize>,
    limits: (f64, f64, f64),
    /// Columns an order.
    each: usize,
    /// What is known before: one over the square of the usual size of each linear coefficient and of
    /// each parameter, in noise variances; empty for nothing.
    known: Known,
    /// How long the level before stood, s.
    held: f64,
}

/// Precisions of what is known before, times the noise variance.
#[derive(Clone, Default)]
struct Known {
    linear: Vec<f64>,
    parameter: [f64; COUNT],
}

struct Fitted {
    p: [f64; COUNT],
    c: Vec<f64>,
    square: f64,
    /// Residuals before whitening.
    raw: Vec<f64>,
}

impl Fitter<'_> {
    fn allowed(&self, p: &[f64; COUNT]) -> bool {
        let (first, last, most) = self.limits;
        let tau = p[3].exp();
        p.iter().all(|v| v.is_finite())
            && p[2] > first
            && p[2] < last
            && tau > 5e-4
            && tau < most
            && p[0] > 0.0
    }

    /// Basis, coefficients, whitened residuals and the sum of squares with what is known before.
    fn project(&self, p: &[f64; COUNT]) -> Option<(DMatrix<f64>, DVector<f64>, DVector<f64>, f64)> {
        if !self.allowed(p) {
            return None;
        }
        let x = basis(self.band, &self.orders, &Step::of(p), self.each);
        let xw = whiten_matrix(&self.filter, &x);
        let yw = DVector::from_vec(whiten(&self.filter, &self.band.y));
        let c = normal(&xw, &yw, &self.known.linear, &[])?;
        let r = yw - &xw * &c;
        let held: f64 = self.known.linear.iter().zip(c.iter()).map(|(k, c)| k * c * c).sum::<f64>()
            + self.known.parameter.iter().zip(p).map(|(k, p)| k * p * p).sum::<f64>();
        let square = r.norm_squared() + held;
        square.is_finite().then_some((x, c, r, square))
    }

    /// Derivatives of the model with respect to the free parameters, before whitening.
    fn slopes(&self, p: &[f64; COUNT], x: &DMatrix<f64>, c: &DVector<f64>) -> DMatrix<f64> {
        let n = self.band.y.len();
        let step = Step::of(p);
        let mut j = DMatrix::zeros(n, self.free.len());
        for i in 0..n {
            let t = self.band.time(i);
            let d = step.slopes(t);
            let (_, share) = step.at(t);
            // Change of the model with the phase, and with the share gone.
            let (mut by_phase, mut by_share) = (0.0, 0.0);
            for (k, order) in self.orders.iter().enumerate() {
                let at = self.each * k;
                let (co, si) = (x[(i, at)], x[(i, at + 1)]);
                let (mut a, mut b) = (c[at] + share * c[at + 2], c[at + 1] + share * c[at + 3]);
                by_share += c[at + 2] * co + c[at + 3] * si;
                if self.each == 6 {
                    let (bump, slope) = (4.0 * share * (1.0 - share), 4.0 - 8.0 * share);
                    a += bump * c[at + 4];
                    b += bump * c[at + 5];
                    by_share += slope * (c[at + 4] * co + c[at + 5] * si);
                }
                by_phase += order * (b * co - a * si);
            }
            let u = t - step.t0;
            let (at0, atau) = if u > 0.0 {
                let e = 1.0 - share;
                (-e / step.tau, -e * u / step.tau)
            } else {
                (0.0, 0.0)
            };
            for (f, k) in self.free.iter().enumerate() {
                let shape = match k {
                    2 => at0,
                    3 => atau,
                    _ => 0.0,
                };
                j[(i, f)] = by_phase * d[*k] + by_share * shape;
            }
        }
        j
    }

    /// Sets what is known of drifts, with the noise that parameters leave.
    fn expect(&mut self, p: &[f64; COUNT]) {
        self.known = Known::default();
        if let Some((_, _, r, square)) = self.project(p) {
            self.known.parameter = drifts(p, square / r.len().max(1) as f64, self.held);
        }
    }

    /// Gauss-Newton steps until the sum of squares falls by less than the share `enough`.
    fn refine(&self, start: [f64; COUNT], rounds: usize, enough: f64) -> Option<Fitted> {
        let mut p = start;
        let (mut x, mut c, mut r, mut square) = self.project(&p)?;
        for _ in 0..rounds {
            let all = self.joint(&p, &x, &c);
            let base = x.ncols();
            let (prior, pull) = self.priors(&p, &c);
            let Some(step) = normal(&all, &r, &prior, &pull) else { break };
            let mut factor = 1.0;
            let mut fall = 0.0;
            let mut moved = false;
            for _ in 0..8 {
                let mut next = p;
                for (f, k) in self.free.iter().enumerate() {
                    let most = if *k == 3 { 0.5 } else { f64::INFINITY };
                    next[*k] += (factor * step[base + f]).clamp(-most, most);
                }
                if let Some((nx, nc, nr, s)) = self.project(&next)
                    && s <= square
                {
                    fall = (square - s) / square.max(f64::MIN_POSITIVE);
                    (p, x, c, r, square) = (next, nx, nc, nr, s);
                    moved = true;
                    break;
                }
                factor *= 0.35;
            }
            if !moved || fall < enough {
                break;
            }
        }
        let raw = DVector::from_column_slice(&self.band.y) - &x * &c;
        Some(Fitted { p, c: c.as_slice().to_vec(), square, raw: raw.as_slice().to_vec() })
    }

    /// Diagonal and right-hand side of what is known before, for all columns of a joint step.
    fn priors(&self, p: &[f64; COUNT], c: &DVector<f64>) -> (Vec<f64>, Vec<f64>) {
        let free = || self.free.iter().map(|k| self.known.parameter[*k]);
        let linear = |k: usize| self.known.linear.get(k).copied().unwrap_or(0.0);
        let prior: Vec<f64> = (0..c.len()).map(linear).chain(free()).collect();
        let pull: Vec<f64> = (0..c.len())
            .map(|k| -linear(k) * c[k])
            .chain(self.free.iter().map(|k| -self.known.parameter[*k] * p[*k]))
            .collect();
        (prior, pull)
    }

    fn joint(&self, p: &[f64; COUNT], x: &DMatrix<f64>, c: &DVector<f64>) -> DMatrix<f64> {
        let j = self.slopes(p, x, c);
        let mut all = DMatrix::zeros(x.nrows(), x.ncols() + j.ncols());
        all.columns_mut(0, x.ncols()).copy_from(x);
        all.columns_mut(x.ncols(), j.ncols()).copy_from(&j);
        whiten_matrix(&self.filter, &all)
    }

    /// Covariance of the free parameters, over the correlation time of the scores.
    fn covariance(&self, p: &[f64; COUNT]) -> Option<(DMatrix<f64>, f64)> {
        let (x, c, r, _) = self.project(p)?;
        let all = self.joint(p, &x, &c);
        let (prior, _) = self.priors(p, &c);
        let q = all.ncols();
        let scale: Vec<f64> = (0..q).map(|k| all.column(k).norm().max(f64::MIN_POSITIVE)).collect();
        let scaled = DMatrix::from_fn(all.nrows(), q, |i, k| all[(i, k)] / scale[k]);
        let mut gram = lsq::gram(&scaled);
        for k in 0..q {
            gram[(k, k)] += prior.get(k).copied().unwrap_or(0.0) / (scale[k] * scale[k]);
        }
        let inverse = gram.try_inverse()?;
        let degrees = all.nrows().saturating_sub(q + self.filter.len()).max(1) as f64;
        let variance = r.norm_squared() / degrees;
        let base = x.ncols();
        let m = self.free.len();
        let plain = DMatrix::from_fn(m, m, |a, b| {
            variance * inverse[(base + a, base + b)] / (scale[base + a] * scale[base + b])
        });
        Some((plain, variance))
    }
}

/// What is known before of drifts, in noise variances: within [`SAG_TIME`] a supply sags or recovers by [`SAG`] of the
/// step, at a rate that dies out over the same time. Speed goes with voltage, so that at the lower level it drifts by
/// less. After a fall the supply recovers what it had sagged while the higher level stood, for `held` s.
fn drifts(p: &[f64; COUNT], noise: f64, held: f64) -> [f64; COUNT] {
    let step = (p[1] - p[0]).abs();
    let most = p[0].abs().max(p[1].abs());
    let rate = SAG / SAG_TIME;
    let built = if p[1] < p[0] { 1.0 - (-held / SAG_TIME).exp() } else { 1.0 };
    let mut out = [0.0; COUNT];
    for (k, size, level) in
        [(4, rate * built, p[1]), (5, 1.5 * rate / SAG_TIME * built, p[1]), (6, rate, p[0])]
    {
        out[k] = precision(size * step * level.abs() / most, noise);
    }
    out
}

fn precision(size: f64, noise: f64) -> f64 {
    if size > 0.0 { noise / (size * size) } else { 0.0 }
}

/// The same for the way that lines take between two levels: one that grows as a power of the speed,
/// and turns its phase with the room, leaves the straight line between its values before and after by
/// some eight per cent of the larger one, in both quadratures together.
fn bends(fitted: &Fitted, fitter: &Fitter<'_>, noise: f64) -> Vec<f64> {
    let each = fitter.each;
    (0..fitter.orders.len())
        .flat_map(|k| {
            let c = |j: usize| fitted.c.get(each * k + j).copied().unwrap_or(0.0);
            let before = c(0).hypot(c(1));
            let after = (c(0) + c(2)).hypot(c(1) + c(3));
            let bend = precision(0.08 * FRAC_1_SQRT_2 * before.max(after), noise);
            [0.0, 0.0, 0.0, 0.0, bend, bend]
        })
        .collect()
}

/// Frequency near `guess` (Hz) at which the lines of a stretch are strongest.
fn plateau(band: &Band, from: f64, until: f64, guess: f64, orders: &[f64]) -> Option<f64> {
    let index: Vec<usize> =
        (0..band.y.len()).filter(|i| band.time(*i) >= from && band.time(*i) <= until).collect();
    let (first, last) = (*index.first()?, *index.last()?);
    let n = last - first + 1;
    let span = n as f64 * band.period;
    if n < 24 {
        return None;
    }
    let power = |f: f64| -> f64 {
        orders
            .iter()
            .map(|k| {
                let (mut re, mut im) = (0.0, 0.0);
                let (ds, dc) = (TAU * k * f * band.period).sin_cos();
                let (mut s, mut c) = (0.0, 1.0);
                for (j, v) in band.y[first..=last].iter().enumerate() {
                    let w = (PI * (j as f64 + 0.5) / n as f64).sin();
                    re += w * v * c;
                    im += w * v * s;
                    (c, s) = (c * dc - s * ds, s * dc + c * ds);
                }
                re * re + im * im
            })
            .sum()
    };
    let step = 0.2 / span / orders.iter().copied().fold(1.0, f64::max);
    let reach = (0.03 * guess).max(0.8 / span);
    let count = (2.0 * reach / step).ceil() as i32;
    let best = (0..=count)
        .map(|k| guess - reach + step * f64::from(k))
        .map(|f| (power(f), f))
        .max_by(|a, b| a.0.total_cmp(&b.0))?
        .1;
    let (l, m, r) = (power(best - step), power(best), power(best + step));
    let curve = l - 2.0 * m + r;
    Some(if curve < 0.0 { best + step * (0.5 * (l - r) / curve).clamp(-1.0, 1.0) } else { best })
}

/// Fits a step of a [`Track`](super::Track) to the samples. `orders` are the lines to use, in blade
/// passages (halves and so on for the shaft's own lines); those above the rate are left out.
///
/// # Errors
/// Too little sound before or after the step, no lines, or no response of first order that fits.
pub fn fit_step(audio: &[f64], rate: f64, step: &TrackStep, orders: &[f64]) -> Result<StepFit, SignalError> {
    let lost = SignalError::NoConvergence { iterations: 0 };
    let top_speed = step.from.max(step.to) * 1.06;
    let mut lines: Vec<f64> =
        orders.iter().copied().filter(|k| *k > 0.0 && k * top_speed < 0.47 * rate).collect();
    lines.sort_by(f64::total_cmp);
    let Some(highest) = lines.last().copied() else {
        return Err(SignalError::Range {
            what: "blade passage, Hz",
            value: top_speed,
            low: 0.0,
            high: 0.47 * rate,
        });
    };
    // The window of the track reaches over the step's ends by half its length.
    let middle = 0.5 * (step.start + step.end);
    // The level before may still carry the end of an earlier step.
    let settled =
        if step.first { step.since } else { step.since + (0.4 * (step.start - step.since)).min(0.1) };
    let from = settled.max(step.start - 0.16).max(0.0);
    // How long the first level stood before the recording nobody knows.
    let held = if step.first { f64::INFINITY } else { step.start - step.since };
    let until = step.until.min(step.end + (1.5 * (step.end - step.start)).clamp(0.12, 0.5));
    let need = 0.06;
    if step.start - from < need || until - step.end < need {
        let got = ((step.start - from).min(until - step.end).max(0.0) * rate) as usize;
        return Err(SignalError::TooShort { need: (need * rate) as usize, got });
    }
    let band = Band::new(audio, rate, from, until, highest * top_speed);
    let strong: Vec<f64> = lines.iter().copied().filter(|k| k.fract() == 0.0).collect();
    let guide = if strong.is_empty() { lines.clone() } else { strong };
    let f0 = plateau(&band, from, step.start - 0.01, step.from, &guide).ok_or(lost)?;
    let late = (step.end + 0.02).min(until - 0.05);
    let f1 = plateau(&band, late, until, step.to, &guide).ok_or(lost)?;
    // First: the lowest line alone, on a grid of moments and lags.
    let low = Band::new(audio, rate, from, until, 1.05 * guide[0] * top_speed);
    let reach = (until - middle).max(0.1);
    let limits = (from + 0.02, step.end + 0.02, 0.8 * reach);
    let first = Fitter {
        band: &low,
        orders: vec![guide[0]],
        filter: vec![1.0],
        free: vec![0, 1, 2, 3],
        limits,
        each: 4,
        known: Known::default(),
        held,
    };
    let mut seeds: Vec<(f64, [f64; COUNT])> = Vec::new();
    let earliest = (step.start - 0.045).max(limits.0 + 1e-3);
    let latest = (step.end - 0.01).max(earliest + 0.01);
    let slip = 0.2 / (f1 - f0).abs().max(5.0);
    let stride = slip.clamp(0.001, 0.004).max((latest - earliest) / 28.0);
    let mut t0 = earliest;
    while t0 <= latest {
        let mut tau: f64 = 0.004;
        while tau < limits.2.min(0.4) {
            let p = [TAU * f0, TAU * f1, t0, tau.ln(), 0.0, 0.0, 0.0];
            if let Some((_, _, _, square)) = first.project(&p) {
                seeds.push((square, p));
            }
            tau *= 1.4;
        }
        t0 += stride;
    }
    seeds.sort_by(|a, b| a.0.total_cmp(&b.0));
    // The best of each neighbourhood.
    let mut chosen: Vec<[f64; COUNT]> = Vec::new();
    for (_, p) in &seeds {
        let near = |q: &[f64; COUNT]| (q[2] - p[2]).abs() < 1.5 * stride && (q[3] - p[3]).abs() < 0.3;
        if chosen.len() < 2 && !chosen.iter().any(near) {
            chosen.push(*p);
        }
    }
    let all = vec![0, 1, 2, 3, 4, 5, 6];
    let mut best: Option<Fitted> = None;
    for p in chosen {
        let Some(a) = first.refine(p, 8, 1e-4) else { continue };
        let mut second = Fitter {
            orders: guide.iter().copied().take(2).collect(),
            band: &band,
            free: all.clone(),
            filter: vec![1.0],
            limits,
            each: 4,
            known: Known::default(),
            held,
        };
        second.expect(&a.p);
        let Some(b) = second.refine(a.p, 12, 1e-5) else { continue };
        if best.as_ref().is_none_or(|s| b.square < s.square) {
            best = Some(b);
        }
    }
    let start = best.ok_or(lost)?;
    let mut fitter = Fitter {
        band: &band,
        orders: guide.clone(),
        filter: vec![1.0],
        free: all,
        limits,
        each: 4,
        known: Known::default(),
        held,
    };
    fitter.expect(&start.p);
    let mut fitted = fitter.refine(start.p, 15, 1e-6).ok_or(lost)?;
    if lines.len() > guide.len() {
        fitter.orders.clone_from(&lines);
        fitter.expect(&fitted.p);
        fitted = fitter.refine(fitted.p, 10, 1e-5).ok_or(lost)?;
    }
    let total: f64 = {
        let mean = band.y.iter().sum::<f64>() / band.y.len() as f64;
        band.y.iter().map(|v| (v - mean).powi(2)).sum()
    };
    let left: f64 = fitted.raw.iter().map(|v| v * v).sum();
    for _ in 0..2 {
        fitter.filter = autoregression(&fitted.raw, WHITEN);
        let degrees =
            band.y.len().saturating_sub(fitter.each * fitter.orders.len() + COUNT + WHITEN).max(1) as f64;
        let noise = whiten(&fitter.filter, &fitted.raw).iter().map(|v| v * v).sum::<f64>() / degrees;
        let bends = bends(&fitted, &fitter, noise);
        fitter.known = Known { linear: bends, parameter: drifts(&fitted.p, noise, held) };
        fitter.each = 6;
        fitted = fitter.refine(fitted.p, 20, 1e-8).ok_or(lost)?;
    }
    let (covariance, _) = fitter.covariance(&fitted.p).ok_or(lost)?;
    let s = Step::of(&fitted.p);
    let error = |k: usize| covariance[(k, k)].max(0.0).sqrt();
    let explained = if total > 0.0 { 1.0 - left / total } else { 0.0 };
    if explained.is_nan() || explained < 0.1 {
        return Err(lost);
    }
    let of = |m: (f64, f64)| if s.w1 > s.w0 { m.0 } else { m.1 };
    Ok(StepFit {
        at: s.t0,
        at_error: error(2).hypot(of(START_MODEL)),
        lag: s.tau,
        lag_error: s.tau * error(3).hypot(of(LAG_MODEL)),
        from: s.w0 / TAU,
        to: s.w1 / TAU,
        drift: s.a / TAU,
        bend: s.b / TAU,
        signal_to_noise: 10.0 * (explained / (1.0 - explained).max(1e-12)).log10(),
        explained,
        orders: fitter.orders.clone(),
        span: (from, until),
    })
}
