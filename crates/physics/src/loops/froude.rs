//! Froude scaling: what a figure of one size means at another, gravity being the same.
//!
//! With N the ratio of lengths, times scale by sqrt(N), frequencies by 1/sqrt(N), speeds by sqrt(N), masses by N^3, inertias
//! by N^5, forces by N^3, moments by N^4 (standard similitude; Wolowicz, Bowman and Gilbert 1979, NASA TP-1435).

/// Length that the limits of full-size rotorcraft are scaled from, m: the main rotor of a utility helicopter of the
/// class that they were written for.
pub const FULL_SIZE: f64 = 16.4;

/// A frequency at a length `from` (m), carried to a length `to` (m).
pub fn frequency(value: f64, from: f64, to: f64) -> f64 {
    value * (from / to).sqrt()
}

/// A time at a length `from` (m), carried to a length `to` (m).
pub fn time(value: f64, from: f64, to: f64) -> f64 {
    value * (to / from).sqrt()
}

/// A mass at a length `from` (m), carried to a length `to` (m), density being the same.
pub fn mass(value: f64, from: f64, to: f64) -> f64 {
    value * (to / from).powi(3)
}

/// A moment of inertia at a length `from` (m), carried to a length `to` (m), density being the same.
pub fn inertia(value: f64, from: f64, to: f64) -> f64 {
    value * (to / from).powi(5)
}

/// Least attitude bandwidth of an aircraft with the diagonal `length` (m), rad/s: 2 rad/s of ADS-33E Level 1 (pitch, roll,
/// small amplitude, divided attention; the limit from memory) at full size.
pub fn attitude_bandwidth(length: f64) -> f64 {
    frequency(2.0, FULL_SIZE, length)
}

/// Largest phase delay of an aircraft with the diagonal `length` (m), s: 0.15 s of ADS-33E Level 1 (from memory) at full size.
pub fn phase_delay(length: f64) -> f64 {
    time(0.15, FULL_SIZE, length)
}
