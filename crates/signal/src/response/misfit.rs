//! Misfit of a model to a frequency response in the published convention.
//!
//! > J = (20/n) sum W [ (difference of gain, dB)^2 + 0.01745 (difference of phase, deg)^2 ],
//! > W = (1.58 (1 - e^-coherence))^2
//!
//! over n frequencies spread evenly in the logarithm (Tischler and Remple 2012, Aircraft and Rotorcraft System
//! Identification, ch. 11; constants from memory). At most 100 is acceptable, at most 50 can hardly be told
//! from the data.

use crate::spectrum::Complex64;

/// Misfit up to which a model is acceptable.
pub const ACCEPTABLE: f64 = 100.0;
/// Misfit up to which a model can hardly be told from the data.
pub const CLOSE: f64 = 50.0;

/// Cost over points of (measured response, its coherence, response of the model); not a number without any.
pub fn cost(points: &[(Complex64, f64, Complex64)]) -> f64 {
    let sum: f64 = points
        .iter()
        .map(|(measured, coherence, model)| {
            let ratio = measured / model;
            let weight = (1.58 * (1.0 - (-coherence).exp())).powi(2);
            let gain = 20.0 * ratio.norm().log10();
            let phase = ratio.arg().to_degrees();
            weight * (gain * gain + 0.01745 * phase * phase)
        })
        .sum();
    20.0 * sum / points.len() as f64
}
