//! Rotor speed from sound.
//!
//! A rotor sounds at its blade passage and the multiples of it. [`track`] follows the blade passage
//! through a recording, [`steps`] finds where it goes from one level to another, and [`fit_step`]
//! fits the response itself to the samples, so that no window stands between the lag and its
//! estimate. [`command`] finds the edges of a command line recorded beside the microphone.

mod band;
pub mod command;
mod fit;
mod fitter;
mod known;
mod model;
mod track;
mod whiten;

pub use fit::{StepFit, fit_step};
pub use track::{Octave, Track, TrackOptions, TrackStep, steps, track};

/// Speed of sound in air, m/s, at a temperature in K: 331.3 sqrt(T/273.15) (ideal gas, dry air).
pub fn speed_of_sound(temperature: f64) -> f64 {
    331.3 * (temperature.max(0.0) / 273.15).sqrt()
}
