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

use std::f64::consts::{PI, TAU};

use super::band::Band;
use super::fitter::{Fitted, Fitter};
use super::known::{Known, bends, drifts};
use super::model::{COUNT, Step};
use super::track::TrackStep;
use super::whiten::{autoregression, whiten};
use crate::SignalError;

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

/// Order of the autoregression that whitens.
const WHITEN: usize = 12;

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
