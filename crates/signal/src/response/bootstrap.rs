//! Intervals by resampling the disturbance: every bin is given the size of the disturbance in a bin nearby
//! and a phase by chance (local bootstrap; Paparoditis and Politis 1999).

use super::fit::Fit;
use super::model::Plant;

/// Reproducible uniform numbers (Steele, Lea and Flood 2014, SplitMix64).
struct Chance(u64);

impl Chance {
    fn next(&mut self) -> f64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        ((z ^ (z >> 31)) >> 11) as f64 / (1u64 << 53) as f64
    }
}

/// Bins about one that its disturbance may be drawn from.
const REACH: usize = 15;

/// `count` plants as they might have come out, to first order in the disturbance. The same `seed` gives the same plants.
pub fn plants(fit: &Fit, count: usize, seed: u64) -> Vec<Plant> {
    let n = fit.influence.len();
    let mut chance = Chance(seed);
    let spread = fit.enlarged.sqrt();
    (0..count)
        .map(|_| {
            let mut moves = vec![0.0; fit.free.len()];
            for k in 0..n {
                let (low, high) = (k.saturating_sub(REACH), (k + REACH).min(n - 1));
                let from = (low + (chance.next() * (high - low + 1) as f64) as usize).min(high);
                let size = fit.influence[from].0;
                let (sin, cos) = (std::f64::consts::TAU * chance.next()).sin_cos();
                for (m, row) in moves.iter_mut().zip(&fit.influence[k].1) {
                    *m += size * (row.re * cos - row.im * sin);
                }
            }
            fit.free.iter().zip(&moves).fold(fit.plant, |plant, (&p, m)| plant.moved(p, m * spread))
        })
        .collect()
}

/// Interval that holds the share `coverage` of a figure over resampled plants; `None` where fewer than nine tenths have one.
pub fn interval(
    fit: &Fit,
    count: usize,
    seed: u64,
    coverage: f64,
    figure: &dyn Fn(&Plant) -> Option<f64>,
) -> Option<(f64, f64)> {
    let mut values: Vec<f64> =
        plants(fit, count, seed).iter().filter_map(figure).filter(|v| v.is_finite()).collect();
    if values.is_empty() || values.len() * 10 < count * 9 {
        return None;
    }
    values.sort_by(f64::total_cmp);
    let at = |share: f64| {
        let place = share * (values.len() - 1) as f64;
        let low = place.floor() as usize;
        let high = (low + 1).min(values.len() - 1);
        values[low] + (values[high] - values[low]) * (place - low as f64)
    };
    Some((at(0.5 - 0.5 * coverage), at(0.5 + 0.5 * coverage)))
}
