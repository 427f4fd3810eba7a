//! What is known of drifts and of lines before a step is fitted.

use std::f64::consts::FRAC_1_SQRT_2;

use super::fitter::{Fitted, Fitter};
use super::model::COUNT;

/// Standard deviation of what a supply sags after a step, as a share of the step (common practice, no source).
const SAG: f64 = 0.03;
/// Time within which it does, s (common practice, no source); where it is shorter the rate bends by more, which has half
/// as much again of room.
const SAG_TIME: f64 = 0.5;

/// Precisions of what is known before, times the noise variance.
#[derive(Clone, Default)]
pub(super) struct Known {
    pub(super) linear: Vec<f64>,
    pub(super) parameter: [f64; COUNT],
}

/// What is known before of drifts, in noise variances: within [`SAG_TIME`] a supply sags or recovers by [`SAG`] of the
/// step, at a rate that dies out over the same time. Speed goes with voltage, so that at the lower level it drifts by
/// less. After a fall the supply recovers what it had sagged while the higher level stood, for `held` s.
pub(super) fn drifts(p: &[f64; COUNT], noise: f64, held: f64) -> [f64; COUNT] {
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
pub(super) fn bends(fitted: &Fitted, fitter: &Fitter<'_>, noise: f64) -> Vec<f64> {
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
