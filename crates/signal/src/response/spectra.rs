//! Transforms of whole stretches: reference, input and output bin by bin.
//!
//! A stretch should begin and end quietly. The line between its ends is taken off the output (for a plant that
//! integrates that is a constant of the input, hence bin zero alone) and the mean off the others; both ends are
//! tapered over a short time. Bins of one stretch then carry independent disturbances.

use rustfft::FftPlanner;

use crate::SignalError;
use crate::spectrum::Complex64;

/// One gap-free stretch at a uniform rate. The three have the same length.
#[derive(Debug, Clone, Copy)]
pub struct Stretch<'a> {
    /// From outside the loop: the rate demand in rate command, or an injected signal.
    pub reference: &'a [f64],
    /// Input of the plant.
    pub input: &'a [f64],
    /// Output of the plant.
    pub output: &'a [f64],
}

/// How stretches are transformed.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Options {
    /// Sample rate, Hz.
    pub rate: f64,
    /// Lowest frequency, Hz.
    pub low: f64,
    /// Highest frequency, Hz.
    pub high: f64,
    /// Taper at either end, s.
    pub taper: f64,
}

/// One bin of one stretch.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Bin {
    /// Angular frequency, rad/s.
    pub omega: f64,
    /// Reference.
    pub reference: Complex64,
    /// Input.
    pub input: Complex64,
    /// Output.
    pub output: Complex64,
    /// Part of the input that comes from the reference, judged from neighbouring bins alone.
    pub driven: Complex64,
}

/// Bins of all stretches, by ascending frequency.
///
/// Amplitudes are divided by the root of the stretch's length, so that disturbances have the same size in each.
///
/// # Errors
/// Lengths that differ, a sample that is not finite, a band that no stretch resolves.
pub fn bins(stretches: &[Stretch<'_>], options: &Options) -> Result<Vec<Bin>, SignalError> {
    let rate = options.rate;
    if !(rate > 0.0 && rate.is_finite()) {
        return Err(SignalError::Range { what: "rate", value: rate, low: 0.0, high: f64::INFINITY });
    }
    let mut planner = FftPlanner::new();
    let mut all = Vec::new();
    let mut longest = 0;
    for s in stretches {
        let n = s.output.len();
        longest = longest.max(n);
        for other in [s.reference, s.input] {
            if other.len() != n {
                return Err(SignalError::Length { left: other.len(), right: n });
            }
        }
        let width = rate / n.max(1) as f64;
        if n < 16 || options.high < options.low + 4.0 * width {
            continue;
        }
        if let Some(index) = (0..n)
            .find(|&i| !(s.reference[i].is_finite() && s.input[i].is_finite() && s.output[i].is_finite()))
        {
            return Err(SignalError::NotFinite { index });
        }
        let fft = planner.plan_fft_forward(n);
        let taper = ends(n, ((options.taper * rate) as usize).min(n / 4));
        let transform = |x: &[f64], line: bool| -> Vec<Complex64> {
            let mut buffer = prepared(x, line, &taper);
            fft.process(&mut buffer);
            let scale = 1.0 / (n as f64).sqrt();
            buffer.truncate(n / 2);
            buffer.iter_mut().for_each(|v| *v *= scale);
            buffer
        };
        let (r, u, y) = (transform(s.reference, false), transform(s.input, false), transform(s.output, true));
        let first = ((options.low / width).ceil() as usize).max(1);
        let last = ((options.high / width).floor() as usize).min(r.len().saturating_sub(1));
        for k in first..=last {
            all.push(Bin {
                omega: std::f64::consts::TAU * k as f64 * width,
                reference: r[k],
                input: u[k],
                output: y[k],
                driven: driven(&r, &u, k),
            });
        }
    }
    if all.len() < 8 {
        let need = (8.0 * rate / (options.high - options.low).max(1e-9)).min(1e12) as usize;
        return Err(SignalError::TooShort { need, got: longest });
    }
    all.sort_by(|a, b| a.omega.total_cmp(&b.omega));
    Ok(all)
}

/// Weights that rise and fall as a raised cosine over `edge` samples at the ends.
fn ends(n: usize, edge: usize) -> Vec<f64> {
    (0..n)
        .map(|i| {
            let near = i.min(n - 1 - i);
            if near >= edge {
                1.0
            } else {
                0.5 - 0.5 * (std::f64::consts::PI * (near as f64 + 0.5) / edge as f64).cos()
            }
        })
        .collect()
}

/// Mean or end-to-end line off, tapered.
fn prepared(x: &[f64], line: bool, taper: &[f64]) -> Vec<Complex64> {
    let n = x.len();
    let part = (n / 50).max(1);
    let mean = |v: &[f64]| v.iter().sum::<f64>() / v.len().max(1) as f64;
    let (start, end) = if line { (mean(&x[..part]), mean(&x[n - part..])) } else { (mean(x), mean(x)) };
    x.iter()
        .zip(taper)
        .enumerate()
        .map(|(i, (v, w))| {
            let base = start + (end - start) * i as f64 / (n - 1).max(1) as f64;
            Complex64::new((v - base) * w, 0.0)
        })
        .collect()
}

/// The part of the input in bin `k` that the reference explains, with the ratio of both taken from the bins about
/// it but neither from it nor from its next neighbours: the disturbance in the bin has no part in it. Shrunk by
/// the coherence there, so that bins without excitation weigh little (Wiener).
fn driven(r: &[Complex64], u: &[Complex64], k: usize) -> Complex64 {
    let reach = 5.max(k * 6 / 100);
    let low = k.saturating_sub(reach).max(1);
    let high = (k + reach).min(r.len() - 1);
    let (mut rr, mut uu, mut ru) = (0.0, 0.0, Complex64::default());
    let mut count = 0.0;
    for j in low..=high {
        if j.abs_diff(k) < 2 {
            continue;
        }
        rr += r[j].norm_sqr();
        uu += u[j].norm_sqr();
        ru += r[j].conj() * u[j];
        count += 1.0;
    }
    if rr <= 0.0 || uu <= 0.0 || count < 2.0 {
        return Complex64::default();
    }
    let coherence = ru.norm_sqr() / (rr * uu);
    // Coherence of unrelated series is 1/count on average.
    let shrunk = ((coherence * count - 1.0) / (count - 1.0)).clamp(0.0, 1.0);
    r[k] * (ru / rr) * shrunk
}
