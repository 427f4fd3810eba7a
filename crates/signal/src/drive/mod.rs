//! Fits of a drive on a bench: steps of its command, and steady sweeps. No aircraft.
//!
//! [`step`] finds the steps of a command and gives dead time and time constants; [`mod@sweep`] gives
//! coefficients, motor constants and the command's curve from steady states.

pub mod combine;
pub mod descent;
pub mod levels;
pub mod motor;
pub mod response;
pub mod step;
pub mod sweep;
pub mod windows;
