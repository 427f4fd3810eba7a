//! Yaw by cant: what tilting every rotor sideways gives in yaw and takes in lift.
//!
//! Model. Every thrust axis is tilted about its arm by the same cant d, above zero with the rotor's reaction and below
//! zero against it ([`crate::layout::canted_axis`]). With k the torque per thrust and r the arm of a hub from the centre
//! of gravity, a rotor on a symmetric layout then yaws in the sense of its reaction with
//!
//! > k cos d + r sin d per N of thrust,
//!
//! which is nothing at tan d = -k/r and reversed beyond. Lift falls with cos d. Thrusts at trim, and what each can give
//! more and less, are those of [`super::authority`], so that an off-centre mass and a weak rotor are in it.
//!
//! Left out: the wakes of canted rotors on the frame, and the side force of a canted rotor at an unlike thrust.
//!
//! Source: rigid-body statics.

use serde::Serialize;

use super::{ControlError, authority, effectiveness, hover_trim};
use crate::aircraft::{Aircraft, Station};
use crate::layout::canted_axis;
use crate::{Mat3, Vec3};

/// What is held while the cant changes.
#[derive(Debug, Clone, PartialEq)]
pub struct CantCase<'a> {
    /// Centre of gravity, m.
    pub centre: Vec3,
    /// Inertia about it, kg m^2.
    pub inertia: Mat3,
    /// Torque per thrust of a rotor, m.
    pub reaction_per_thrust: f64,
    /// Weight to be held, N.
    pub weight: f64,
    /// Largest thrust of each rotor, N.
    pub max_thrust: &'a [f64],
    /// Least thrust of each rotor, N.
    pub min_thrust: &'a [f64],
}

/// Yaw and lift at one cant.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Canted {
    /// Cant of every rotor, rad; below zero against the reaction.
    pub cant: f64,
    /// Yaw moment per N of thrust in the sense of the rotor's reaction, the least of all rotors, m; below zero where a
    /// rotor is reversed.
    pub yaw_per_thrust: f64,
    /// Yaw acceleration on the worse side with lift, roll and pitch held, rad/s^2.
    pub acceleration: f64,
    /// Share of the thrust that no longer lifts.
    pub lost_lift: f64,
    /// Ideal hover power over that of upright rotors, less one: thrust to the power of 3/2.
    pub more_power: f64,
}

/// The aircraft with every rotor tilted sideways by `cant`, rad; below zero against the reaction.
pub fn with_cant(aircraft: &Aircraft, cant: f64) -> Aircraft {
    let mut out = aircraft.clone();
    for s in &mut out.stations {
        s.axis = canted_axis(s.at, s.spin, cant, true);
    }
    out
}

/// Cant of a rotor, rad: tilt of its axis about its arm, below zero against the reaction. Zero for a hub without an arm.
pub fn cant_of(station: &Station) -> f64 {
    let reach = station.at.x.hypot(station.at.y);
    if !(reach > 0.0 && reach.is_finite()) {
        return 0.0;
    }
    let across = Vec3::new(-station.at.y / reach, station.at.x / reach, 0.0);
    (station.axis.dot(&across) * station.spin.reaction_sign()).atan2(-station.axis.z)
}

/// Yaw moment per N of each rotor in the sense of its reaction, m.
fn yaw_per_thrust(aircraft: &Aircraft, case: &CantCase<'_>) -> Vec<f64> {
    let matrix = effectiveness(aircraft, &case.centre, case.reaction_per_thrust);
    aircraft.stations.iter().zip(matrix.row(3).iter()).map(|(s, m)| m * s.spin.reaction_sign()).collect()
}

/// The cant against the reaction at which the first rotor no longer yaws, rad, below zero; none where no cant does that.
pub fn reversal(aircraft: &Aircraft, case: &CantCase<'_>) -> Option<f64> {
    // A cos d + B sin d of each rotor, from upright and lying axes.
    let upright = yaw_per_thrust(&with_cant(aircraft, 0.0), case);
    let lying = yaw_per_thrust(&with_cant(aircraft, std::f64::consts::FRAC_PI_2), case);
    upright
        .iter()
        .zip(&lying)
        .filter(|(a, b)| **a > 0.0 && **b > 0.0)
        .map(|(a, b)| -(a / b).atan())
        .max_by(f64::total_cmp)
}

/// Yaw and lift at a cant.
///
/// # Errors
/// No trim, or one that a rotor cannot give.
pub fn canted(aircraft: &Aircraft, case: &CantCase<'_>, cant: f64) -> Result<Canted, ControlError> {
    let tilted = with_cant(aircraft, cant);
    let trim = hover_trim(&tilted, &case.centre, case.reaction_per_thrust, case.weight)?;
    let matrix = effectiveness(&tilted, &case.centre, case.reaction_per_thrust);
    let at = authority(&matrix, &trim.thrusts, case.max_thrust, case.min_thrust, &case.inertia)?;
    let least = yaw_per_thrust(&tilted, case).into_iter().fold(f64::INFINITY, f64::min);
    let lift = tilted.stations.iter().map(|s| -s.axis.z).sum::<f64>() / tilted.stations.len() as f64;
    Ok(Canted {
        cant,
        yaw_per_thrust: least,
        acceleration: at.acceleration[2],
        lost_lift: 1.0 - lift,
        more_power: lift.powf(-1.5) - 1.0,
    })
}
