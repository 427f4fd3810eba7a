//! Time series: time bases, spectra, peaks, steps, ring-downs, least squares. No input or output,
//! no aircraft.
//!
//! Values are in whatever unit the caller uses; times are seconds, frequencies hertz, unless said
//! otherwise. Nothing here panics on any input: what cannot be computed is a [`SignalError`] or
//! an absent value.

pub mod balance;
pub mod delay;
pub mod derivative;
pub mod discharge;
pub mod drive;
mod error;
pub mod fall;
pub mod filter;
pub mod lsq;
pub mod modes;
pub mod orders;
pub mod orders_residual;
pub mod orders_speed;
pub mod peaks;
pub mod pendulum;
mod plan;
pub mod response;
pub mod ringdown;
pub mod robust;
pub mod sound;
pub mod spectrum;
pub mod steps;
pub mod stream;
pub mod timebase;
pub mod window;

pub use error::SignalError;
