//! Spectral peaks above a local floor.
//!
//! The floor of a bin is the median of the bins around it. A peak must stand above the floor by
//! more than the scatter of the estimate explains: a bin of n averaged blocks is chi-squared with
//! 2 n degrees of freedom (Bendat and Piersol), its quantile by Wilson and Hilferty (1931). The
//! frequency between bins comes from a parabola through the logarithm of three bins, right to
//! 0.02 bins for a Hann window; the power is what the bins of the peak hold above the floor,
//! divided by the share of a line that these bins catch.

use crate::robust;
use crate::spectrum::Density;

/// A peak.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Peak {
    /// Frequency, Hz.
    pub frequency: f64,
    /// Bin of the maximum.
    pub bin: usize,
    /// Lower and upper bin counted to the peak.
    pub bins: (usize, usize),
    /// R.m.s. within the peak above the floor.
    pub rms: f64,
    /// Density of the floor below it.
    pub floor: f64,
    /// Density of the peak over the floor.
    pub prominence: f64,
    /// Whether the peak is as narrow as the window makes a steady line.
    pub line: bool,
}

/// How peaks are found.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Options {
    /// Frequencies below are not looked at, Hz.
    pub low: f64,
    /// Half width of the floor's median, bins.
    pub floor_bins: usize,
    /// Least ratio of density to floor, on top of the statistical one.
    pub least: f64,
    /// At most so many peaks, largest first.
    pub most: usize,
}

impl Default for Options {
    fn default() -> Self {
        Self { low: 0.0, floor_bins: 24, least: 4.0, most: 12 }
    }
}

/// Quantile of chi-squared over its degrees of freedom at `z` standard deviations of the normal
/// (Wilson and Hilferty 1931).
fn chi_ratio(degrees: f64, z: f64) -> f64 {
    let c = 2.0 / (9.0 * degrees);
    (1.0 - c + z * c.sqrt()).max(0.0).powi(3)
}

/// Median of the bins around each bin.
pub fn floor(density: &[f64], half: usize) -> Vec<f64> {
    let n = density.len();
    (0..n)
        .map(|k| {
            // At the ends the window slides inwards instead of shrinking.
            let width = (2 * half + 1).min(n);
            let from = k.saturating_sub(half).min(n - width);
            robust::median(&density[from..from + width]).unwrap_or(0.0)
        })
        .collect()
}

/// Peaks of a density, largest r.m.s. first.
pub fn find(spectrum: &Density, options: &Options) -> Vec<Peak> {
    let d = &spectrum.density;
    if d.len() < 5 {
        return Vec::new();
    }
    let base = floor(d, options.floor_bins);
    let degrees = 2.0 * spectrum.averages.max(1.0);
    // One false peak in about a million bins; relative to the median of the same distribution.
    let threshold = (chi_ratio(degrees, 4.75) / chi_ratio(degrees, 0.0).max(1e-9)).max(options.least);
    let median_bias = chi_ratio(degrees, 0.0).max(1e-9);
    let lobe = spectrum.window.lobe();
    let mut taken = vec![false; d.len()];
    let mut order: Vec<usize> = (1..d.len() - 1)
        .filter(|&k| {
            spectrum.frequency[k] >= options.low
                && d[k] >= d[k - 1]
                && d[k] > d[k + 1]
                && d[k] > threshold * base[k]
        })
        .collect();
    order.sort_by(|a, b| d[*b].total_cmp(&d[*a]));
    let mut peaks = Vec::new();
    for k in order {
        if taken[k] {
            continue;
        }
        let offset = parabola(d, k);
        let (low, high) = extent(d, &base, k, lobe);
        // A side lobe of a peak already taken is not a peak of its own.
        if (low..=high).any(|b| taken[b]) && near_larger(d, &taken, k, lobe) {
            continue;
        }
        let mean_floor = base[k] / median_bias;
        let power: f64 = (low..=high).map(|b| (d[b] - base[b] / median_bias).max(0.0)).sum();
        let share = spectrum.window.captured(offset, low as i64 - k as i64, high as i64 - k as i64).max(0.1);
        let line = is_line(spectrum, k, offset, mean_floor);
        let correction = if line { share } else { 1.0 };
        for t in &mut taken[low..=high] {
            *t = true;
        }
        peaks.push(Peak {
            frequency: (k as f64 + offset) * spectrum.resolution,
            bin: k,
            bins: (low, high),
            rms: (power * spectrum.resolution / correction).sqrt(),
            floor: mean_floor,
            prominence: if mean_floor > 0.0 { d[k] / mean_floor } else { f64::INFINITY },
            line,
        });
    }
    peaks.sort_by(|a, b| b.rms.total_cmp(&a.rms));
    peaks.truncate(options.most);
    peaks
}

/// Offset of the maximum from bin `k`, in bins, by a parabola through the logarithms.
fn parabola(d: &[f64], k: usize) -> f64 {
    let (a, b, c) = (d[k - 1], d[k], d[k + 1]);
    if a > 0.0 && b > 0.0 && c > 0.0 {
        let (a, b, c) = (a.ln(), b.ln(), c.ln());
        let curvature = a - 2.0 * b + c;
        if curvature < 0.0 {
            return (0.5 * (a - c) / curvature).clamp(-0.5, 0.5);
        }
    }
    0.0
}

/// Walks down both flanks until the floor or the next rise.
fn extent(d: &[f64], base: &[f64], k: usize, lobe: usize) -> (usize, usize) {
    let last = d.len() - 1;
    let mut low = k.saturating_sub(lobe);
    while low > 0 && d[low - 1] < d[low] && d[low] > 2.0 * base[low] {
        low -= 1;
    }
    let mut high = (k + lobe).min(last);
    while high < last && d[high + 1] < d[high] && d[high] > 2.0 * base[high] {
        high += 1;
    }
    (low, high)
}

fn near_larger(d: &[f64], taken: &[bool], k: usize, lobe: usize) -> bool {
    let from = k.saturating_sub(3 * lobe);
    let to = (k + 3 * lobe).min(d.len() - 1);
    (from..=to).any(|b| taken[b] && d[b] > 100.0 * d[k])
}

/// Whether the flanks fall as fast as the window's own.
fn is_line(spectrum: &Density, k: usize, offset: f64, floor: f64) -> bool {
    let d = &spectrum.density;
    let top = d[k] - floor;
    let expected =
        |b: f64| (spectrum.window.line_gain(b - offset) / spectrum.window.line_gain(offset)).powi(2);
    [-1_i64, 1].iter().all(|&side| {
        let Some(b) = k.checked_add_signed(side as isize) else { return false };
        d.get(b).is_some_and(|v| (v - floor).max(0.0) <= (1.5 * expected(side as f64) + 0.1) * top)
    })
}
