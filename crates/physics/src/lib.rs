//! Models of electric multirotors: air, rotors, powertrain, mass, control, loops, flight.
//!
//! Pure functions of their arguments: no files, no clock, no environment, no printing.
//! Everything is SI and `f64`. Body axes are x forward, y right, z down (ISO 1151).
//! Rotation is positive by the right hand about these axes: roll right, nose up, yaw right
//! (clockwise seen from above).
//!
//! Propeller coefficients are those of the propeller trade: T = C_T rho n^2 D^4 and
//! P = C_P rho n^3 D^5, with n in revolutions per second.

pub mod aircraft;
pub mod atmosphere;
pub mod bem;
pub mod control;
pub mod edgewise;
pub mod flight;
pub mod homeward;
pub mod interference;
pub mod kalman;
pub mod layout;
pub mod loops;
pub mod magnetic;
pub mod mass;
pub mod polar;
pub mod powertrain;
pub mod root;
pub mod rotor;
pub mod sensors;
pub mod siting;
pub mod structure;

/// A vector in body axes (x forward, y right, z down) or, where said, in the earth frame.
pub type Vec3 = nalgebra::Vector3<f64>;
/// A 3 x 3 matrix in body axes.
pub type Mat3 = nalgebra::Matrix3<f64>;

/// Standard acceleration of gravity, m/s^2 (ISO 80000-3; CGPM 1901).
pub const STANDARD_GRAVITY: f64 = 9.806_65;
