//! A parachute: descent, least height, drift, what arrives on the ground.
//!
//! Descent: v = sqrt(2 m g/(rho C_D A)). Least height: the fall with drag until it is open, h = vt^2/g ln cosh(g t/vt), and
//! the way in which the open canopy brings the fall down to 1.1 times its descent,
//! x = v^2/(2 g) ln((v0^2 - v^2)/(v1^2 - v^2)). The canopy opens at once at its time; its shock is not modelled.

use serde::Serialize;

use super::impact::{kinetic, terminal_speed};
use crate::STANDARD_GRAVITY as G;

/// A parachute.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Parachute {
    /// Drag area C_D A of the canopy, m^2.
    pub drag_area: f64,
    /// Its mass with its release, kg.
    pub mass: f64,
    /// Time from the failure until the canopy carries, s.
    pub opens: f64,
}

/// What it does.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Descent {
    /// Steady descent, m/s.
    pub descent: f64,
    /// Least height above ground for the descent to be steady, m.
    pub least_height: f64,
    /// Speed of the fall when it opens, m/s.
    pub opening_speed: f64,
    /// Drift from the height asked about, m.
    pub drift: f64,
    /// Energy at the ground with the drift's speed in it, J.
    pub energy: f64,
    /// Drop in vacuum that arrives as fast, m.
    pub as_drop: f64,
}

impl Parachute {
    /// The descent of an aircraft (mass in kg with the parachute, drag area without it in m^2) from a height, m, in a wind,
    /// m/s. `None` where nothing comes down in a way that the formulas hold for.
    pub fn descent(
        &self,
        mass: f64,
        drag_area: f64,
        height: f64,
        wind: f64,
        density: f64,
    ) -> Option<Descent> {
        if !(mass > 0.0 && self.drag_area > 0.0 && density > 0.0) {
            return None;
        }
        let descent = terminal_speed(mass, self.drag_area + drag_area, density);
        let free = terminal_speed(mass, drag_area, density);
        let (fallen, fast) = if free.is_finite() {
            let x = G * self.opens / free;
            (free * free / G * x.cosh().ln(), free * x.tanh())
        } else {
            (0.5 * G * self.opens.powi(2), G * self.opens)
        };
        let near = 1.1 * descent;
        let slowing = if fast > near {
            let (v2, a, b) = (descent * descent, fast * fast, near * near);
            v2 / (2.0 * G) * ((a - v2) / (b - v2)).ln()
        } else {
            0.0
        };
        let least_height = fallen + slowing;
        let under = (height - fallen).max(0.0);
        Some(Descent {
            descent,
            least_height,
            opening_speed: fast,
            drift: wind * under / descent,
            energy: kinetic(mass, descent.hypot(wind)),
            as_drop: descent * descent / (2.0 * G),
        })
    }
}

/// Drag area of a round canopy of a flat diameter, m, and a drag coefficient on its flat area, m^2.
pub fn canopy(diameter: f64, coefficient: f64) -> f64 {
    0.25 * std::f64::consts::PI * diameter * diameter * coefficient
}

/// Drag area, m^2, for a descent, m/s.
pub fn drag_area_for(mass: f64, descent: f64, density: f64) -> f64 {
    2.0 * mass * G / (density * descent * descent)
}
