//! Stopping distance, and what it asks of a geofence.
//!
//! Over the reaction time the speed stays. Then the velocity loop asks for gain x speed, at most what the tilt limit
//! gives; the rest of the way it closes exponentially:
//! d = v t + (v^2 - v1^2)/(2 a) + v1/k, v1 = min(v, a/k).

use serde::Serialize;

use crate::STANDARD_GRAVITY;

/// How an aircraft stops.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Brakes {
    /// Time until the deceleration is there, s: delay of the velocity, and the attitude behind its demand.
    pub react: f64,
    /// Deceleration at the tilt limit, m/s^2, what a tail wind pushes taken off.
    pub most: f64,
    /// Velocity gain, 1/s; zero for none (it brakes at the limit to the end).
    pub gain: f64,
}

impl Brakes {
    /// Of loops and airframe: a tilt limit, rad, gains, 1/s, a delay, s, and a tail wind, m/s, on drag area (m^2) and mass (kg).
    pub fn new(
        tilt: f64,
        (velocity_gain, attitude_gain, delay): (f64, f64, f64),
        (wind, drag_area, mass, density): (f64, f64, f64, f64),
    ) -> Self {
        let push = if mass > 0.0 { 0.5 * density * drag_area * wind * wind / mass } else { 0.0 };
        let attitude = if attitude_gain > 0.0 { 1.0 / attitude_gain } else { 0.0 };
        Self {
            react: delay + attitude,
            most: (STANDARD_GRAVITY * tilt.tan() - push).max(0.0),
            gain: velocity_gain,
        }
    }

    /// Distance from a speed, m/s, to rest, m; infinite where the wind is stronger than the brakes.
    pub fn distance(&self, speed: f64) -> f64 {
        if speed <= 0.0 {
            return 0.0;
        }
        if self.most <= 0.0 {
            return f64::INFINITY;
        }
        let last = if self.gain > 0.0 { speed.min(self.most / self.gain) } else { 0.0 };
        let tail = if self.gain > 0.0 { last / self.gain } else { 0.0 };
        speed * self.react + (speed * speed - last * last) / (2.0 * self.most) + tail
    }

    /// How far inside the line a geofence must act, m: what is flown until it is noticed, the stop, and the error of position.
    pub fn fence_margin(&self, speed: f64, notice: f64, position_error: f64) -> f64 {
        speed.max(0.0) * notice + self.distance(speed) + position_error
    }
}
