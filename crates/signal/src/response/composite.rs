//! Frequency response from blocks of several lengths, combined.
//!
//! Long blocks see low frequencies, short ones average more. At every frequency the spectra of all lengths are
//! combined by least squares with weights (least random error / random error)^4, after Tischler and Remple 2012,
//! ch. 10 (exponent from memory), so that the length that sees best decides. Blocks overlap by half under a Hann window.
//!
//! Direct estimate: S_uy/S_uu, right only where no loop is closed. Joint estimate: S_ry/S_ru, right in closed loop
//! where r comes from outside it. With e = y - G u, the joint estimate's relative random error is
//! sqrt(S_ee S_rr / (2 n)) / |S_ry|.

use crate::SignalError;
use crate::spectrum::{Complex64, Options, cross, gain_random_error};

use super::spectra::Stretch;

/// Response at one frequency.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Point {
    /// Frequency, Hz.
    pub frequency: f64,
    /// Joint estimate S_ry/S_ru.
    pub joint: Complex64,
    /// Its random error, relative.
    pub joint_error: f64,
    /// Coherence of reference and output, or of reference and input where that is less.
    pub coherence: f64,
    /// Direct estimate S_uy/S_uu.
    pub direct: Complex64,
    /// Its random error, relative.
    pub direct_error: f64,
    /// Coherence of input and output.
    pub direct_coherence: f64,
    /// Density of the reference, (unit)^2/Hz.
    pub reference: f64,
    /// Length of the blocks that weigh most, s.
    pub window: f64,
}

/// Spectra of the three series at one frequency from one length of block.
#[derive(Clone, Copy, Default)]
struct Set {
    rr: f64,
    uu: f64,
    yy: f64,
    ru: Complex64,
    ry: Complex64,
    uy: Complex64,
}

impl Set {
    fn add(&mut self, other: &Self, weight: f64) {
        self.rr += weight * other.rr;
        self.uu += weight * other.uu;
        self.yy += weight * other.yy;
        self.ru += other.ru * weight;
        self.ry += other.ry * weight;
        self.uy += other.uy * weight;
    }
    fn coherence(cross: Complex64, a: f64, b: f64) -> f64 {
        if a > 0.0 && b > 0.0 { (cross.norm_sqr() / (a * b)).min(1.0) } else { 0.0 }
    }
}

struct Spectra {
    frequency: Vec<f64>,
    sets: Vec<Set>,
    averages: f64,
    window: f64,
}

/// Spectra of one length of block up to a frequency.
fn of_length(stretches: &[Stretch<'_>], rate: f64, length: usize, high: f64) -> Result<Spectra, SignalError> {
    let options = Options::hann(length);
    let ru: Vec<(&[f64], &[f64])> = stretches.iter().map(|s| (s.reference, s.input)).collect();
    let ry: Vec<(&[f64], &[f64])> = stretches.iter().map(|s| (s.reference, s.output)).collect();
    let uy: Vec<(&[f64], &[f64])> = stretches.iter().map(|s| (s.input, s.output)).collect();
    let (a, (b, c)) = rayon::join(
        || cross(&ru, rate, &options),
        || rayon::join(|| cross(&ry, rate, &options), || cross(&uy, rate, &options)),
    );
    let (ru, ry, uy) = (a?, b?, c?);
    let count = ru.frequency.iter().take_while(|f| **f <= high * 1.5).count();
    let sets = (0..count)
        .map(|k| Set { rr: ru.xx[k], uu: ru.yy[k], yy: ry.yy[k], ru: ru.xy[k], ry: ry.xy[k], uy: uy.xy[k] })
        .collect();
    Ok(Spectra {
        frequency: ru.frequency[..count].to_vec(),
        sets,
        averages: ru.averages,
        window: length as f64 / rate,
    })
}

/// Periods of a frequency that a block must hold for it to be read there.
const LEAST_PERIODS: f64 = 2.5;

/// Response at `count` frequencies between `low` and `high` (Hz), evenly spread in the logarithm.
///
/// `windows` are lengths of blocks in seconds; those that no stretch holds are left out.
///
/// # Errors
/// No length fits, or the series differ in length.
pub fn response(
    stretches: &[Stretch<'_>],
    rate: f64,
    windows: &[f64],
    low: f64,
    high: f64,
    count: usize,
) -> Result<Vec<Point>, SignalError> {
    if !(low > 0.0 && high > low && high < 0.5 * rate) {
        return Err(SignalError::Range { what: "high", value: high, low, high: 0.5 * rate });
    }
    let mut all = Vec::new();
    let mut error = SignalError::TooShort { need: 16, got: 0 };
    for window in windows {
        let length = (window * rate).round() as usize;
        if length < 16 {
            continue;
        }
        match of_length(stretches, rate, length, high) {
            Ok(s) => all.push(s),
            Err(e) => error = e,
        }
    }
    if all.is_empty() {
        return Err(error);
    }
    let frequency = |k: usize| low * (high / low).powf(k as f64 / count.saturating_sub(1).max(1) as f64);
    Ok((0..count).filter_map(|k| point(&all, frequency(k))).collect())
}

fn point(all: &[Spectra], frequency: f64) -> Option<Point> {
    let mut seen: Vec<(Set, f64, f64, f64)> = Vec::new();
    for s in all.iter().filter(|s| frequency * s.window >= LEAST_PERIODS) {
        let above = s.frequency.partition_point(|f| *f < frequency).max(1);
        let (Some(a), Some(b)) = (s.sets.get(above - 1), s.sets.get(above)) else { continue };
        let part = (frequency - s.frequency[above - 1]) / (s.frequency[above] - s.frequency[above - 1]);
        let mut set = Set::default();
        set.add(a, 1.0 - part);
        set.add(b, part);
        let error = joint_error(&set, s.averages);
        if error.is_finite() {
            seen.push((set, error, s.averages, s.window));
        }
    }
    let least = seen.iter().map(|s| s.1).min_by(f64::total_cmp)?.max(1e-9);
    let mut set = Set::default();
    let (mut total, mut averages, mut heaviest) = (0.0, 0.0, (0.0, 0.0));
    for (each, error, n, window) in &seen {
        let weight = (least / error.max(1e-9)).powi(4);
        set.add(each, weight);
        total += weight;
        averages += weight * n;
        if weight > heaviest.0 {
            heaviest = (weight, *window);
        }
    }
    let averages = averages / total;
    let scale = 1.0 / total;
    let mut mean = Set::default();
    mean.add(&set, scale);
    let coherence = Set::coherence(mean.ry, mean.rr, mean.yy).min(Set::coherence(mean.ru, mean.rr, mean.uu));
    let direct_coherence = Set::coherence(mean.uy, mean.uu, mean.yy);
    Some(Point {
        frequency,
        joint: mean.ry / mean.ru,
        joint_error: joint_error(&mean, averages),
        coherence,
        direct: mean.uy / mean.uu,
        direct_error: gain_random_error(direct_coherence, averages),
        direct_coherence,
        reference: mean.rr,
        window: heaviest.1,
    })
}

fn joint_error(s: &Set, averages: f64) -> f64 {
    if s.ru.norm() <= 0.0 || s.ry.norm() <= 0.0 || averages <= 0.0 {
        return f64::INFINITY;
    }
    let g = s.ry / s.ru;
    // S_uy is conj(U) Y.
    let rest = (s.yy - 2.0 * (g.conj() * s.uy).re + g.norm_sqr() * s.uu).max(0.0);
    (rest * s.rr / (2.0 * averages)).sqrt() / s.ry.norm()
}
