//! Predictions with uncertainty: every output of [`nominal`] as an estimate whose contributions
//! name the inputs of the aircraft file and of the site.

mod airspeed;
mod bearing;
mod compass;
pub mod freeze;
mod gyro_noise;
mod homeward;
mod nominal;
mod outer_loops;
mod payload;
mod propagate;
mod rate_loop;
mod reach;
mod slopes;

pub use airspeed::AIRSPEED_CHARGE;
pub use bearing::{dwell, separation};
pub use homeward::brakes;
pub use nominal::{
    Group, Lags, Nominal, Output, SiteAir, dead_time, delay_budget, drive_delay, lags, loop_lag, mean_arm,
    nominal, required_crossover, rotor_centre, shares,
};
pub(crate) use outer_loops::{outer, vertical};
pub use propagate::{Measured, Prediction, Subject};
