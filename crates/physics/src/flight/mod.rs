//! Flight model: a scenario flown by the aircraft as its file describes it, logged like a real flight.
//!
//! The parts: equations of motion, battery and motors, the command's way through protocol and ESC, the sensors, the
//! estimator that makes attitude, place and velocity of them, the controller with its filters, a simple pilot, wind.
//! A flight flies on the true motion (with gyro noise and stated delays), or on what its sensors tell ([`Sensing`]).
//! Two ways to step ([`Stepping`]). Exact: sensor samples, loop runs, changes of a motor's voltage and rows of the log
//! fall at their instants (to the nanosecond), each ends an integration step, and between them
//! the state is integrated by the classical Runge-Kutta method with steps of 1/16000 s or less.
//! Halving the step changes the logged rates by less than 1e-4 of their range (a test shows it).
//! Grid: one step of Heun's method from one run of the loop to the next; what a motor's voltage does inside acts as its mean, and
//! sensor samples and rows are interpolated. A test states what that changes over 10 s.
//!
//! Timing. The loop runs at whole multiples of its period; the IMU is placed so that a sample has
//! just arrived when the loop runs, as with a loop triggered by the sensor. The filters run at the
//! sensor's rate. The command leaves the controller the computation delay later.
//!
//! A flight of this model is a rehearsal, never evidence about a real aircraft.

mod controller;
mod disc;
mod drive;
mod esc;
mod estimator;
mod faults;
mod guard;
mod imu;
mod log;
mod outer;
mod plant;
pub mod replay;
mod run;
mod scenario;
mod senses;
mod sensors;
mod setup;
mod warmth;
mod wind;

pub use estimator::{fix_gain, height_gain};
pub use faults::{Fault, FaultKind, objection};
pub use guard::{Guard, Mode};
pub use log::{Energy, FlightLog, Hover, Mark, Tap, Truth};
pub use run::fly;
pub use scenario::{Action, Scenario, Segment, Sensing, Start, Stepping, card_flight, rate_steps};
pub use wind::{Turbulence, Wind};

use serde::Serialize;

use crate::aircraft::Missing;
use crate::loops::filter::FilterError;

/// Why a flight cannot be simulated.
#[derive(Debug, Clone, PartialEq, thiserror::Error, Serialize)]
pub enum FlightError {
    /// The aircraft file lacks something.
    #[error(transparent)]
    Missing(#[from] Missing),
    /// A number that the model cannot work with.
    #[error("{what} is {value}, but must be {allowed}")]
    Value {
        /// Which number.
        what: String,
        /// Its value.
        value: f64,
        /// What it may be.
        allowed: &'static str,
    },
    /// The hover that the flight begins with and the controller is set up for does not exist.
    #[error("no hover: {0}")]
    NoHover(String),
    /// A filter cannot be made.
    #[error("filter {number}: {reason}")]
    Filter {
        /// 1-based number in the aircraft file.
        number: usize,
        /// Why.
        reason: FilterError,
    },
    /// A fault that cannot happen to this aircraft.
    #[error("a fault that cannot be: {why}")]
    Fault {
        /// Why.
        why: String,
    },
    /// The stated noise of the sensors yields no steady gain of the estimator.
    #[error("the stated noise and rates of the sensors yield no steady estimate")]
    NoEstimate,
    /// The state ceased to be finite.
    #[error("the simulated motion ran away at {time:.3} s")]
    Diverged {
        /// Time, s.
        time: f64,
    },
}
