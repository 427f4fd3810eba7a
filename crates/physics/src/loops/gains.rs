//! Search for the gain that leaves a stated phase margin.

use std::f64::consts::PI;

use serde::Serialize;

use super::chain::RateChain;

/// Gains found for a margin.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct GainChoice {
    /// Factor on today's gains.
    pub factor: f64,
    /// Proportional gain, 1/s.
    pub p: f64,
    /// Integral gain, 1/s^2.
    pub i: f64,
    /// Derivative gain, dimensionless.
    pub d: f64,
    /// Crossover, rad/s.
    pub crossover: f64,
}

/// Lowest and highest frequency of the search, rad/s, and points in each decade.
const FROM: f64 = 1e-2;
const DECADES: usize = 6;
const PER_DECADE: usize = 200;

/// Frequencies where the phase of the loop falls through -180 deg plus the margin, rad/s, ascending.
///
/// With i/p and d/p held the phase does not depend on the gain, so that the crossover of the sought gain is one of these.
fn candidates(chain: &RateChain, phase_margin: f64) -> Vec<f64> {
    let above = |omega: f64| chain.phase(omega) + PI - phase_margin;
    let mut found = Vec::new();
    let point = |k: usize| FROM * 10f64.powf(k as f64 / PER_DECADE as f64);
    for k in 0..DECADES * PER_DECADE {
        let (mut low, mut high) = (point(k), point(k + 1));
        if !(above(low) > 0.0 && above(high) <= 0.0) {
            continue;
        }
        for _ in 0..80 {
            let middle = (low * high).sqrt();
            if above(middle) > 0.0 {
                low = middle;
            } else {
                high = middle;
            }
        }
        found.push((low * high).sqrt());
    }
    found
}

/// The largest gain that leaves `phase_margin` (rad) in a stable loop, with the ratios i/p and d/p held.
///
/// `None` where no gain gives the margin: the delays are too long for the ratio i/p, or all gains are zero.
pub fn for_phase_margin(chain: &RateChain, phase_margin: f64) -> Option<GainChoice> {
    if !(phase_margin > 0.0 && phase_margin < PI) {
        return None;
    }
    let mut choices: Vec<(f64, f64)> = candidates(chain, phase_margin)
        .into_iter()
        .filter_map(|omega| {
            let factor = 1.0 / chain.loop_gain(omega).norm();
            (factor.is_finite() && factor > 0.0).then_some((factor, omega))
        })
        .collect();
    choices.sort_by(|a, b| b.0.total_cmp(&a.0));
    for (factor, crossover) in choices {
        let tuned = chain.clone().scaled(factor);
        let margins = tuned.margins();
        if margins.stable && margins.phase_margin > phase_margin - 1e-6 {
            let (p, i, d) = tuned.gains();
            return Some(GainChoice { factor, p, i, d, crossover });
        }
    }
    None
}

/// The crossover of that gain, rad/s.
pub fn crossover_at_phase_margin(chain: &RateChain, phase_margin: f64) -> Option<f64> {
    for_phase_margin(chain, phase_margin).map(|choice| choice.crossover)
}
