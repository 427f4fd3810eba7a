//! Predictions with uncertainty: every output of [`nominal`] as an estimate whose contributions
//! name the inputs of the aircraft file and of the site.

mod airspeed;
pub mod freeze;
mod nominal;
mod propagate;
mod rate_loop;

pub use airspeed::AIRSPEED_CHARGE;
pub use nominal::{
    Group, Nominal, Output, SiteAir, delay_budget, loop_lag, mean_arm, nominal, required_crossover,
    rotor_centre, shares,
};
pub use propagate::{Measured, Prediction, Subject};
