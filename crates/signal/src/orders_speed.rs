//! Rotor speed from the vibration itself, where it is not logged.
//!
//! A rotor leaves ridges at 1/rev and blade passage (and their doubles) in the spectrogram. The sequence of speeds whose
//! ridges stand out most, while the speed moves no faster than a rotor can, is the best path through a lattice of
//! frequency by time: dynamic programming (Bellman 1957; Viterbi 1967), on a logarithmic grid of speed. Where command
//! and bus voltage are logged their product tells how the speed changes from moment to moment, to a constant factor, and
//! the path is charged for departing from that.
//!
//! The confidence compares the best path with the best one that keeps away from it: a signal that does not hold the
//! answer gives two paths of nearly the same worth. With all rotors at nearly one speed the ridge is that of the mean.

use crate::SignalError;
use crate::robust;
use crate::spectrum::Options;
use crate::stream::spectrogram;

/// What is looked for.
#[derive(Debug, Clone, PartialEq)]
pub struct Search {
    /// Lowest and highest speed, rev/s.
    pub range: (f64, f64),
    /// Blades, for blade passage; 1/rev and 2/rev alone where not known.
    pub blades: Option<u32>,
    /// Length of the transformed blocks, s.
    pub block: f64,
    /// Most that the speed changes within one second, as a fraction.
    pub agility: f64,
}

impl Default for Search {
    fn default() -> Self {
        Self { range: (20.0, 400.0), blades: None, block: 0.25, agility: 1.5 }
    }
}

/// Speed as found.
#[derive(Debug, Clone, PartialEq)]
pub struct SpeedTrack {
    /// Times, s.
    pub time: Vec<f64>,
    /// Speed, rev/s.
    pub turns: Vec<f64>,
    /// Share of the worth of the best path by which it beats the best other one, 0 to 1. Below 0.15 take it as not
    /// found.
    pub confidence: f64,
    /// Share of the blocks in which the path stands on a ridge.
    pub seen: f64,
}

/// Below this confidence a track is a guess.
pub const LEAST_CONFIDENCE: f64 = 0.15;

/// Logarithmic grid: neighbours differ by this fraction.
const GRID: f64 = 0.004;
/// The other path keeps away by this fraction.
const APART: f64 = 0.08;
/// Height of a ridge over the floor counts up to this, nepers of power.
const CAP: f64 = 5.0;

/// Finds the speed in one stretch of one or more channels that begin at `start`, s. `prior`, one value per sample, is in
/// proportion to the speed expected (command times bus voltage); any constant factor.
///
/// # Errors
/// A stretch shorter than three blocks; channels of different lengths; a range of speed that is empty or out of sight.
pub fn track(
    channels: &[&[f64]],
    rate: f64,
    start: f64,
    prior: Option<&[f64]>,
    search: &Search,
) -> Result<SpeedTrack, SignalError> {
    let n = channels.first().map_or(0, |c| c.len());
    if let Some(c) = channels.iter().chain(prior.iter()).find(|c| c.len() != n) {
        return Err(SignalError::Length { left: n, right: c.len() });
    }
    let (low, high) = search.range;
    if !(low > 0.0 && high > low && high.is_finite()) {
        return Err(SignalError::Range { what: "highest speed", value: high, low, high: f64::INFINITY });
    }
    let mut length = 32;
    while (length * 2) as f64 <= search.block * rate * 1.5 {
        length *= 2;
    }
    if n < 3 * length {
        return Err(SignalError::TooShort { need: 3 * length, got: n });
    }
    let options = Options { overlap: length / 2, ..Options::hann(length) };
    let heights = heights(channels, rate, start, &options)?;
    let grid: Vec<f64> =
        (0..).map(|k| low * (GRID * f64::from(k)).exp()).take_while(|f| *f <= high).collect();
    let worth: Vec<Vec<f64>> = heights
        .rows
        .iter()
        .map(|row| grid.iter().map(|f| comb(row, *f, rate, length, search.blades)).collect())
        .collect();
    let step = (length / 2) as f64 / rate;
    let moves = prior_moves(prior, length, worth.len());
    let reach = ((search.agility * step / GRID).ceil() as usize).clamp(1, 120);
    let (path, total) = best(&worth, &moves, reach, None);
    let apart = (APART / GRID).round() as usize;
    let (_, other) = best(&worth, &moves, reach, Some((&path, apart)));
    let seen =
        path.iter().zip(&worth).filter(|(p, w)| w[**p] > 1.0).count() as f64 / path.len().max(1) as f64;
    let confidence =
        if total > 0.0 { ((total - other.max(0.0)) / total).clamp(0.0, 1.0) * seen } else { 0.0 };
    let turns = path.iter().zip(&worth).map(|(p, w)| refine(&grid, w, *p)).collect();
    Ok(SpeedTrack { time: heights.time, turns, confidence, seen })
}

struct Heights {
    time: Vec<f64>,
    /// Logarithm of density over its floor, by block and bin, added over channels.
    rows: Vec<Vec<f64>>,
}

fn heights(channels: &[&[f64]], rate: f64, start: f64, options: &Options) -> Result<Heights, SignalError> {
    let mut time = Vec::new();
    let mut rows: Vec<Vec<f64>> = Vec::new();
    for c in channels {
        let s = spectrogram(c, rate, start, options)?;
        // The floor by bin: the median over time would take a steady ridge for floor, so it is taken along
        // frequency, from the mean spectrum smoothed by a running median.
        let bins = s.frequency.len();
        let mean: Vec<f64> =
            (0..bins).map(|k| s.density.iter().map(|d| d[k]).sum::<f64>() / s.density.len() as f64).collect();
        let floor = crate::peaks::floor(&mean, 12.max(bins / 40));
        for (t, d) in s.density.iter().enumerate() {
            let row: Vec<f64> = d
                .iter()
                .zip(&floor)
                .map(|(d, f)| if *f > 0.0 { (d / f).max(1e-3).ln().clamp(-1.0, CAP) } else { 0.0 })
                .collect();
            match rows.get_mut(t) {
                Some(r) => r.iter_mut().zip(&row).for_each(|(a, b)| *a = a.max(*b)),
                None => rows.push(row),
            }
        }
        time = s.time;
    }
    Ok(Heights { time, rows })
}

/// Worth of a speed in one block: the ridges where its orders would stand. An order above half the rate is left out.
fn comb(row: &[f64], turns: f64, rate: f64, length: usize, blades: Option<u32>) -> f64 {
    let blades = blades.unwrap_or(2).max(2);
    let resolution = rate / length as f64;
    let at = |f: f64| -> Option<f64> {
        let x = f / resolution;
        let k = x.floor() as usize;
        let (a, b) = (row.get(k)?, row.get(k + 1)?);
        let t = x - k as f64;
        Some(a + (b - a) * t)
    };
    let one = at(turns).unwrap_or(0.0);
    let passage = at(f64::from(blades) * turns).unwrap_or(0.0);
    let double = at(2.0 * f64::from(blades) * turns).unwrap_or(0.0);
    // A half of the true speed would find blade passage on the true 1/rev: what lies between the orders of the
    // candidate must be low.
    let between = at(1.5 * turns).unwrap_or(0.0).max(0.0) + at(0.5 * turns).unwrap_or(0.0).max(0.0);
    one + passage + 0.4 * double - 0.5 * between
}

/// How the prior moves from block to block, in grid steps; zero where there is none.
fn prior_moves(prior: Option<&[f64]>, length: usize, blocks: usize) -> Vec<Option<f64>> {
    let Some(p) = prior else { return vec![None; blocks] };
    let mean: Vec<f64> = (0..blocks)
        .map(|b| p.get(b * length / 2..b * length / 2 + length).and_then(robust::mean).unwrap_or(f64::NAN))
        .collect();
    (0..blocks)
        .map(|b| {
            let before = mean.get(b.checked_sub(1)?)?;
            let ratio = mean[b] / before;
            (ratio > 0.0 && ratio.is_finite()).then(|| ratio.ln() / GRID)
        })
        .collect()
}

/// Best path and its worth; with `away`, the best path that keeps at least so many grid steps from another.
fn best(
    worth: &[Vec<f64>],
    moves: &[Option<f64>],
    reach: usize,
    away: Option<(&[usize], usize)>,
) -> (Vec<usize>, f64) {
    let m = worth.first().map_or(0, Vec::len);
    if m == 0 {
        return (Vec::new(), 0.0);
    }
    let barred = |t: usize, f: usize| {
        away.is_some_and(|(path, apart)| path.get(t).is_some_and(|p| p.abs_diff(f) < apart))
    };
    let value = |t: usize, f: usize| if barred(t, f) { -1e6 } else { worth[t][f] };
    let mut score: Vec<f64> = (0..m).map(|f| value(0, f)).collect();
    let mut back: Vec<Vec<u32>> = Vec::with_capacity(worth.len());
    for t in 1..worth.len() {
        // Without a prior the speed is charged for moving; with one, for moving otherwise.
        let (expected, spread) = match moves.get(t).copied().flatten() {
            Some(e) => (e, 0.25 * reach as f64 + 2.0),
            None => (0.0, 0.4 * reach as f64 + 2.0),
        };
        let mut next = vec![f64::NEG_INFINITY; m];
        let mut from = vec![0_u32; m];
        for f in 0..m {
            let centre = f as f64 - expected;
            let low = (centre - reach as f64).max(0.0) as usize;
            let high = ((centre + reach as f64).max(0.0) as usize).min(m - 1);
            for g in low.min(m - 1)..=high {
                let departure = (f as f64 - g as f64 - expected) / spread;
                let s = score[g] - 0.5 * departure * departure;
                if s > next[f] {
                    next[f] = s;
                    from[f] = g as u32;
                }
            }
            next[f] += value(t, f);
        }
        back.push(from);
        score = next;
    }
    let (mut at, total) =
        score.iter().copied().enumerate().max_by(|a, b| a.1.total_cmp(&b.1)).unwrap_or((0, 0.0));
    let mut path = vec![at];
    for from in back.iter().rev() {
        at = from[at] as usize;
        path.push(at);
    }
    path.reverse();
    (path, total)
}

/// Frequency between grid points by a parabola.
fn refine(grid: &[f64], worth: &[f64], at: usize) -> f64 {
    if at == 0 || at + 1 >= grid.len() {
        return grid[at];
    }
    let (a, b, c) = (worth[at - 1], worth[at], worth[at + 1]);
    let curvature = a - 2.0 * b + c;
    let offset = if curvature < 0.0 { (0.5 * (a - c) / curvature).clamp(-0.5, 0.5) } else { 0.0 };
    grid[at] * (GRID * offset).exp()
}
