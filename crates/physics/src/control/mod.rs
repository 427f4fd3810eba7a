//! What the rotors can do to the aircraft as a rigid body: effectiveness, trim, mixing, authority.
//!
//! Model. A rotor at hub position r (from the centre of gravity c) with thrust axis a (unit vector) and
//! thrust T gives the force T a and the moment
//!
//! > M = T [ (r - c) x a - s k a ]
//!
//! with k = Q/T the torque per thrust, m, and s = +1 for `ccw`, -1 for `cw`. A rotor that turns
//! counter-clockwise seen from above has its angular velocity along its upward axis, so that the reaction
//! on the airframe is along the downward one: positive yaw for `ccw` (right-hand rule, z down). The reaction
//! acts along the rotor's own axis, so that a canted rotor also gives a little roll and pitch by it.
//!
//! Range: hover and slow flight. Hub moments and in-plane forces of edgewise flight, and wakes that blow
//! on one another but for coaxial pairs, are left out. Lateral forces of canted rotors are not balanced by
//! the trim: in a symmetric layout they cancel.
//!
//! Source: rigid-body statics; sense of axes by ISO 1151.

mod authority;
mod cant;
mod rotor_out;
mod solve;
mod trim;

pub use authority::{Authority, authority};
pub use cant::{CantCase, Canted, cant_of, canted, reversal, with_cant};
pub use rotor_out::{RotorOut, single_rotor_out};
pub use trim::{Trim, hover_trim, mixer};

use nalgebra::DMatrix;
use serde::Serialize;

use crate::Vec3;
use crate::aircraft::{Aircraft, Station};

/// What a combination of thrusts acts on: the rows of the effectiveness matrix.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "lowercase")]
pub enum Axis {
    /// Force along -z.
    Lift,
    /// Moment about x.
    Roll,
    /// Moment about y.
    Pitch,
    /// Moment about z.
    Yaw,
}

impl Axis {
    /// All, in the order of the rows.
    pub const ALL: [Self; 4] = [Self::Lift, Self::Roll, Self::Pitch, Self::Yaw];

    /// `lift`, `roll`, `pitch` or `yaw`.
    pub fn word(self) -> &'static str {
        match self {
            Self::Lift => "lift",
            Self::Roll => "roll",
            Self::Pitch => "pitch",
            Self::Yaw => "yaw",
        }
    }
}

/// Why a question of control has no answer.
#[derive(Debug, Clone, PartialEq, thiserror::Error, Serialize)]
pub enum ControlError {
    /// The aircraft has no rotors.
    #[error("the aircraft has no rotors")]
    NoRotors,
    /// A list does not have one entry for each rotor.
    #[error("{what}: {got} entries for {need} rotors")]
    Length {
        /// Which list.
        what: &'static str,
        /// Entries given.
        got: usize,
        /// Rotors.
        need: usize,
    },
    /// A number is not finite, or a matrix has not four rows.
    #[error("{what} cannot be used: not finite, or of the wrong size")]
    Unusable {
        /// Which input.
        what: &'static str,
    },
    /// No combination of thrusts acts on this axis alone.
    #[error("{} cannot be controlled on its own{}", axis.word(), tied(tied_to))]
    NotControllable {
        /// The axis.
        axis: Axis,
        /// Axes that move with it, whatever the thrusts; empty if nothing acts on it at all.
        tied_to: Vec<Axis>,
    },
    /// Weight cannot be held with roll and pitch moments at zero.
    #[error(
        "no thrusts hold {weight:.2} N with roll and pitch moments at zero; what remains is {roll:.3} and {pitch:.3} N m"
    )]
    NoTrim {
        /// Weight, N.
        weight: f64,
        /// Remaining roll moment of the nearest combination of thrusts, N m.
        roll: f64,
        /// Remaining pitch moment, N m.
        pitch: f64,
    },
    /// The centre of gravity lies outside the rotors: one of them would have to pull down.
    #[error("rotor {} would have to push down with {:.2} N to hold the balance", rotor + 1, -thrust)]
    NegativeThrust {
        /// Index of the rotor.
        rotor: usize,
        /// Its thrust, N, negative.
        thrust: f64,
    },
    /// The trim needs more or less than a rotor can give.
    #[error("rotor {} needs {thrust:.2} N at trim and can give {least:.2} to {most:.2} N", rotor + 1)]
    TrimOutOfRange {
        /// Index of the rotor.
        rotor: usize,
        /// Its thrust at trim, N.
        thrust: f64,
        /// Least thrust, N.
        least: f64,
        /// Largest thrust, N.
        most: f64,
    },
    /// The inertia tensor is singular.
    #[error("the inertia tensor cannot be inverted")]
    Inertia,
    /// The linear programme failed numerically.
    #[error("the linear programme failed: {0}")]
    Solver(String),
}

fn tied(axes: &[Axis]) -> String {
    if axes.is_empty() {
        return ": no rotor acts on it".to_owned();
    }
    let words: Vec<&str> = axes.iter().map(|a| a.word()).collect();
    format!(": it is tied to {}", words.join(" and "))
}

/// Direction of a rotor's angular velocity for `ccw`: its axis, or the opposite if that points down.
fn upward(station: &Station) -> Vec3 {
    if station.axis.z > 0.0 { -station.axis } else { station.axis }
}

/// Moment on the airframe by the reaction of one rotor per N of its thrust, N m per N.
fn reaction(station: &Station, reaction_per_thrust: f64) -> Vec3 {
    upward(station) * (-station.spin.reaction_sign() * reaction_per_thrust)
}

/// Control effectiveness: 4 x N. Row 0 is lift (force along -z) in N per N of thrust, rows 1 to 3 are
/// the moments about x, y, z in N m per N, about `centre` (the centre of gravity, m).
///
/// `reaction_per_thrust` is torque over thrust of one rotor, m; the lower one of a coaxial pair has more by
/// [`crate::rotor::Rotor::lower_torque_factor`], so that a trim balances torques and not thrusts.
pub fn effectiveness(aircraft: &Aircraft, centre: &Vec3, reaction_per_thrust: f64) -> DMatrix<f64> {
    let mut matrix = DMatrix::zeros(4, aircraft.stations.len());
    let lower = if aircraft.stations.iter().any(|s| s.below.is_some()) {
        reaction_per_thrust * aircraft.rotor.lower_torque_factor(reaction_per_thrust)
    } else {
        reaction_per_thrust
    };
    for (column, station) in aircraft.stations.iter().enumerate() {
        let per_thrust = if station.below.is_some() { lower } else { reaction_per_thrust };
        let moment = (station.at - centre).cross(&station.axis) + reaction(station, per_thrust);
        matrix[(0, column)] = -station.axis.z;
        for k in 0..3 {
            matrix[(k + 1, column)] = moment[k];
        }
    }
    matrix
}

/// Moments by the rotors' own acceleration: 3 x N, N m per (N/s) of thrust rate.
///
/// A rotor that speeds up pushes back with J domega/dt along its axis, in the sense of its torque. With
/// thrust as the square of speed, domega/dt = omega/(2 T) dT/dt. `inertia` is that of all that turns
/// (rotor and motor bell), kg m^2; `speed`, rad/s, and `thrust`, N, are those of each rotor at trim.
pub fn acceleration_effectiveness(
    aircraft: &Aircraft,
    inertia: f64,
    speed: f64,
    thrust: f64,
) -> Result<DMatrix<f64>, ControlError> {
    if !(thrust > 0.0 && thrust.is_finite() && speed.is_finite() && inertia.is_finite()) {
        return Err(ControlError::Unusable { what: "thrust, speed or inertia" });
    }
    let mut matrix = DMatrix::zeros(3, aircraft.stations.len());
    for (column, station) in aircraft.stations.iter().enumerate() {
        let moment = reaction(station, inertia * speed / (2.0 * thrust));
        for k in 0..3 {
            matrix[(k, column)] = moment[k];
        }
    }
    Ok(matrix)
}

/// Time constant of the lead that rotor acceleration gives to yaw by reaction, s: J omega / (2 Q).
///
/// The reaction on the airframe is Q + J domega/dt, that is Q0 (1 + lead s) per relative change of torque,
/// with Q as the square of speed. The share of yaw that comes from cant has no such lead.
pub fn reaction_lead(inertia: f64, speed: f64, torque: f64) -> f64 {
    if torque > 0.0 { inertia * speed / (2.0 * torque) } else { 0.0 }
}

/// Yaw moment of each rotor with and without its cant.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct YawSign {
    /// Yaw moment per N of thrust with everything, N m per N.
    pub per_rotor: Vec<f64>,
    /// Yaw moment per N of thrust by reaction torque alone, N m per N.
    pub reaction_only: Vec<f64>,
    /// Indices of the rotors whose yaw has the opposite sign to their reaction.
    pub reversed: Vec<usize>,
}

/// Compares each rotor's yaw moment with that of its reaction alone: a cant against the reaction can reverse it.
pub fn yaw_sign(aircraft: &Aircraft, centre: &Vec3, reaction_per_thrust: f64) -> YawSign {
    let matrix = effectiveness(aircraft, centre, reaction_per_thrust);
    let per_rotor: Vec<f64> = matrix.row(3).iter().copied().collect();
    let reaction_only: Vec<f64> =
        aircraft.stations.iter().map(|s| reaction(s, reaction_per_thrust).z).collect();
    let reversed = (0..per_rotor.len()).filter(|&k| per_rotor[k] * reaction_only[k] < 0.0).collect();
    YawSign { per_rotor, reaction_only, reversed }
}
