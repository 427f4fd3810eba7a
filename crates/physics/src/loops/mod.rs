//! Control loops in the frequency domain: filters, the chain from gyro to airframe, latency, margins, noise.
//!
//! The chain is linear and continuous in time where the aircraft is, and takes each sampled part by its exact
//! response (filters) or by its mean (a wait of unknown phase is a hold). That is right well below half the
//! loop rate; see [`chain`] for the limits.

pub mod chain;
pub mod damping;
pub mod disturbance;
pub mod effect;
pub mod filter;
pub mod filter_search;
pub mod froude;
pub mod gains;
pub mod handling;
pub mod hold;
pub mod inflow;
pub mod ledger;
pub mod margins;
pub mod noise;
pub mod outer;
pub mod response;
pub mod search;
pub mod stage;

pub use nalgebra::Complex;
