//! Rows of a short hop: rotor columns and rates on one time grid.
//!
//! A rate is the integral of the rotors' moments, of what disturbs, and noise on top. Rates and
//! integrated columns are averaged over blocks of some milliseconds, which takes out the gyro's noise
//! and the rotors' own line, and pass the whitening filter of a random walk (disturbing moments) seen
//! through white noise (the sensor): e = y - x, x' = x + K e, the innovations of its steady Kalman
//! filter (Anderson and Moore 1979, ch. 9, from memory). K is not known: several are tried, each is
//! monic, so that their likelihoods compare. Only the time off the ground counts: from where the
//! thrust has reached most of its level to where it falls again, or to a landing that jolts.

use super::posterior::{Axis, Channel};

/// Block, s.
const BLOCK: f64 = 0.009;
/// Share of the hop's thrust above which it is taken to be off the ground.
const OFF_GROUND: f64 = 0.85;
/// Times from there until no leg drags that are tried, s.
const CLEAR: [f64; 4] = [0.02, 0.06, 0.12, 0.2];
/// Fewest blocks beyond the nuisance.
const FEWEST: usize = 8;
/// Time constants of the drives that are tried when speeds are not logged, s.
const LAGS: [f64; 5] = [0.008, 0.018, 0.04, 0.09, 0.2];
/// Gains of the whitening filter that are tried.
const GAINS: [f64; 3] = [0.7, 0.3, 0.1];
/// Mean specific force at full command over gravity, below which it did not leave the ground for sure.
const LIFTED: f64 = 1.06;
/// Specific force that is a jolt, m/s^2.
const JOLT: f64 = 25.0;
/// Share of the blocks that counts as independent: gusts and the tether last for several.
const INDEPENDENT: f64 = 0.3;

/// A hop on a uniform grid.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Hop {
    /// Period, s.
    pub period: f64,
    /// Command or speed by output.
    pub drive: Vec<Vec<f64>>,
    /// Whether `drive` is measured speed.
    pub speeds: bool,
    /// Gyro channels.
    pub rate: [Vec<f64>; 3],
    /// Magnitude of specific force, m/s^2, where logged.
    pub force: Option<Vec<f64>>,
}

fn lagged(x: &[f64], lag: f64, period: f64) -> Vec<f64> {
    let keep = (-period / lag).exp();
    let mut y = x.first().copied().unwrap_or(0.0);
    x.iter()
        .map(|v| {
            y = keep * y + (1.0 - keep) * v;
            y
        })
        .collect()
}

/// Time off the ground as samples.
fn off_ground(hop: &Hop, total: &[f64]) -> Option<(usize, usize)> {
    let mut sorted: Vec<f64> = total.to_vec();
    sorted.sort_by(f64::total_cmp);
    let level = *sorted.get(sorted.len() * 9 / 10)?;
    if level <= 0.0 {
        return None;
    }
    let high = |t: &f64| *t >= OFF_GROUND * level;
    let (first, end) = (total.iter().position(high)?, total.iter().rposition(high)?);
    // In the air specific force is thrust over mass: its mean says at which share of the thrust it left.
    let lift = hop.force.as_ref().and_then(|f| {
        let on = f.get(first..end).filter(|on| !on.is_empty())?;
        Some(on.iter().sum::<f64>() / on.len() as f64 / 9.806_65)
    });
    if lift.is_some_and(|l| l < LIFTED) {
        return None;
    }
    let share = lift.map_or(OFF_GROUND, |l| (1.02 / l).clamp(0.75, 0.98));
    let from = total.iter().position(|t| *t >= share * level)?;
    let last = total.iter().rposition(|t| *t >= 0.7 * OFF_GROUND * level)?;
    // A landing ends it; the first moments may still scrape.
    let block = ((2.0 * BLOCK / hop.period) as usize).max(1);
    let late = from + (0.1 / hop.period) as usize;
    let jolt = hop.force.as_ref().and_then(|f| {
        f.chunks(block)
            .enumerate()
            .map(|(k, c)| (k * block, c.iter().sum::<f64>() / c.len() as f64))
            .find(|(k, v)| *k > late && *v > JOLT)
    });
    let to = jolt.map_or(last, |(k, _)| k.min(last));
    (to > from).then_some((from, to))
}

/// Moments of the three channels under every model that is tried. Empty when there is too little
/// time off the ground.
pub(super) fn models(hop: &Hop) -> Vec<[Channel; 3]> {
    let length = hop.rate[0].len();
    if hop.drive.is_empty() || hop.drive.iter().any(|d| d.len() != length) || !(hop.period > 0.0) {
        return Vec::new();
    }
    // The same stretch for every lag: that of a middle one.
    let gauge: Vec<Vec<f64>> =
        hop.drive.iter().map(|d| if hop.speeds { d.clone() } else { lagged(d, 0.03, hop.period) }).collect();
    let total: Vec<f64> = (0..length).map(|k| gauge.iter().map(|d| d[k] * d[k]).sum()).collect();
    let Some(stretch) = off_ground(hop, &total) else { return Vec::new() };
    let lags: &[Option<f64>] = &if hop.speeds { vec![None] } else { LAGS.map(Some).to_vec() };
    // A leg that drags spoils the start: of several starts the one from which free slopes explain most.
    CLEAR
        .iter()
        .map(|clear| {
            let from = stretch.0 + (clear / hop.period) as usize;
            let all: Vec<[Channel; 3]> =
                lags.iter().flat_map(|&lag| axes(hop, lag, (from, stretch.1))).collect();
            let evidence = |m: &[Channel; 3]| m.iter().map(|c| c.lateral.evidence()).sum::<f64>();
            let best = all.iter().map(evidence).fold(f64::NEG_INFINITY, f64::max);
            (best, all)
        })
        .filter(|(_, all)| !all.is_empty())
        .max_by(|a, b| a.0.total_cmp(&b.0))
        .map(|(_, all)| all)
        .unwrap_or_default()
}

/// Means over blocks.
fn blocks(x: &[f64], block: usize) -> Vec<f64> {
    x.chunks_exact(block).map(|c| c.iter().sum::<f64>() / block as f64).collect()
}

fn integral(x: &[f64], period: f64) -> Vec<f64> {
    let mut sum = 0.0;
    x.iter()
        .map(|v| {
            let half = 0.5 * v * period;
            sum += 2.0 * half;
            sum - half
        })
        .collect()
}

fn whitened(x: &[f64], gain: f64) -> Vec<f64> {
    let mut state = 0.0;
    x.iter()
        .map(|y| {
            let e = y - state;
            state += gain * e;
            e
        })
        .collect()
}

/// For one lag of the drives (none with measured speeds), the moments by gain of the whitening.
fn axes(hop: &Hop, lag: Option<f64>, (from, to): (usize, usize)) -> Vec<[Channel; 3]> {
    let n = hop.drive.len();
    let block = ((BLOCK / hop.period).round() as usize).max(1);
    let count = to.saturating_sub(from) / block;
    if count < FEWEST + 5 {
        return Vec::new();
    }
    let drive: Vec<Vec<f64>> =
        hop.drive.iter().map(|d| lag.map_or_else(|| d.clone(), |l| lagged(d, l, hop.period))).collect();
    let cut = |x: &[f64]| -> Vec<f64> { x[from..to].to_vec() };
    let sum = |x: &[f64]| blocks(&integral(x, hop.period), block);
    let square: Vec<Vec<f64>> = drive.iter().map(|d| cut(d).iter().map(|v| v * v).collect()).collect();
    let total: Vec<f64> = (0..to - from).map(|k| square.iter().map(|s| s[k]).sum()).collect();
    let thrust: Vec<Vec<f64>> = square.iter().map(|s| sum(s)).collect();
    // The rotors' own acceleration, integrated, is their speed.
    let spin: Vec<Vec<f64>> = drive.iter().map(|d| blocks(&cut(d), block)).collect();
    let rate: Vec<Vec<f64>> = hop.rate.iter().map(|r| cut(r)).collect();
    let ramp: Vec<f64> = (0..count).map(|k| k as f64).collect();
    let make = |c: usize, gain: f64, lateral: bool| -> Axis {
        let (a, b) = ((c + 1) % 3, (c + 2) % 3);
        let product: Vec<f64> = rate[a].iter().zip(&rate[b]).map(|(x, y)| x * y).collect();
        // Initial rate, damping, gyroscopic product; about a lateral axis a constant moment and the
        // off-centre mass as well.
        let mut nuisance = vec![vec![1.0; count], sum(&rate[c]), sum(&product)];
        if lateral {
            nuisance.push(ramp.clone());
            nuisance.push(sum(&total));
        }
        let nuisance = orthonormal(nuisance.iter().map(|x| whitened(x, gain)).collect());
        let columns: Vec<Vec<f64>> = thrust
            .iter()
            .chain(&spin)
            .map(|x| cleaned(cleaned(whitened(x, gain), &nuisance), &nuisance))
            .collect();
        let target = cleaned(whitened(&blocks(&rate[c], block), gain), &nuisance);
        let width = 2 * n;
        let mut gram = vec![0.0; width * width];
        for i in 0..width {
            for j in 0..=i {
                let product = dot(&columns[i], &columns[j]);
                gram[i * width + j] = product;
                gram[j * width + i] = product;
            }
        }
        Axis {
            rotors: n,
            gram,
            cross: columns.iter().map(|x| dot(x, &target)).collect(),
            total: dot(&target, &target),
            // The same number in either role, so that roles compare.
            samples: (INDEPENDENT * (count as f64 - 5.0)).max(1.0),
        }
    };
    let channel =
        |c: usize, gain: f64| Channel { lateral: make(c, gain, true), vertical: make(c, gain, false) };
    GAINS.iter().map(|&g| [channel(0, g), channel(1, g), channel(2, g)]).collect()
}

fn dot(a: &[f64], b: &[f64]) -> f64 {
    a.iter().zip(b).map(|(x, y)| x * y).sum()
}

fn cleaned(mut x: Vec<f64>, basis: &[Vec<f64>]) -> Vec<f64> {
    for b in basis {
        let along = dot(&x, b);
        for (v, u) in x.iter_mut().zip(b) {
            *v -= along * u;
        }
    }
    x
}

/// Gram and Schmidt, twice over; columns that hold nothing new fall out.
fn orthonormal(columns: Vec<Vec<f64>>) -> Vec<Vec<f64>> {
    let mut basis: Vec<Vec<f64>> = Vec::new();
    for c in columns {
        let size = dot(&c, &c).sqrt();
        let x = cleaned(cleaned(c, &basis), &basis);
        let left = dot(&x, &x).sqrt();
        if left > 1e-8 * size && left > 0.0 {
            basis.push(x.into_iter().map(|v| v / left).collect());
        }
    }
    basis
}
