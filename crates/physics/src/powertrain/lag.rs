//! How fast the rotor follows a change of voltage.
//!
//! Linearised about a steady speed, J d(omega)/dt = Kt (v - Kt omega)/R - Q(omega) with Q going as
//! omega^2 gives one time constant, J / (Kt^2/R + 2 Q/omega). An ESC that does not brake leaves the
//! rotor to its own drag when the command falls: J / (2 Q/omega). Eddy currents that grow with speed add
//! their slope of torque to both. R is that of the warm winding and
//! the ESC; J is motor and rotor; the battery's sag is left out (it makes all rotors together
//! slower, a single one hardly).

use serde::Serialize;

use super::error::{PowertrainError, above_zero};
use super::motor::MotorModel;
use crate::aircraft::Aircraft;

/// Time constants of rotor speed, s.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct MotorLag {
    /// With the motor driving, or braking actively.
    pub braked: f64,
    /// Coasting down on the rotor's drag alone. Endless for a rotor without drag.
    pub freewheeling: f64,
}

/// Motor lag about a rotor speed, rad/s, at an air density, kg/m^3.
pub fn motor_lag(aircraft: &Aircraft, speed: f64, density: f64) -> Result<MotorLag, PowertrainError> {
    let motor = MotorModel::new(aircraft)?;
    let speed = above_zero("rotor speed (rad/s)", speed)?;
    let density = above_zero("air density (kg/m^3)", density)?;
    let drag = 2.0 * aircraft.rotor.torque(speed, 0.0, density) / speed + motor.kt * motor.no_load_slope;
    let electric = motor.kt * motor.kt / motor.path_resistance();
    Ok(MotorLag { braked: motor.inertia / (electric + drag), freewheeling: motor.inertia / drag })
}
