//! Frequency responses and transfer functions from flight, open or closed loop.
//!
//! A plant inside a loop cannot be read from its own input: the feedback has carried the disturbances into
//! it. An input from outside the loop (the reference) is free of them. Two estimates through it:
//!
//! - [`composite`]: spectra averaged over blocks of several lengths and combined, then S_ry/S_ru (the joint
//!   input-output method), for looking at;
//! - [`fit`]: a transfer function by optimal instrumental variables on the bins of whole stretches, for figures.
//!
//! [`misfit`] holds a response against a model in the published convention, [`excitation`] says over which band a
//! record can answer, [`bootstrap`] gives intervals without the normal approximation.

pub mod bootstrap;
pub mod composite;
pub mod excitation;
pub mod fit;
pub mod misfit;
pub mod model;
pub mod spectra;

pub use spectra::Stretch;
