//! Attitude, velocity and position loops around the rate loop, and the loop broken at the motor command.
//!
//! Attitude demand - attitude, times the attitude gain, is the rate demand; velocity error times the velocity gain,
//! and its integral, are the horizontal acceleration asked for, as a tilt of that over g; position error times the
//! position gain is the velocity demand. Small angles; the estimate of attitude is taken as free of delay and
//! error, those of velocity and position come late by a stated delay. Drag makes the velocity die away at a stated rate
//! in its closed loop; the open loops and their margins leave it out, as it vanishes about a hover.
//!
//! A heading error turns the horizontal acceleration that is asked for. With both horizontal components as one
//! complex number, north + j east, the loop gain is multiplied by e^(j error): the phase margin on one side of
//! zero frequency falls by just the error.

use nalgebra::Complex;
use serde::Serialize;

use super::chain::RateChain;
use super::margins::{Margins, margins};
use super::response::{ResponseError, Step, step_seen};
use super::stage::{Element, Path};

/// Gains of the loops outside the rate loop; zero for a loop that is open.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Default)]
pub struct Outer {
    /// Attitude gain, 1/s.
    pub attitude: f64,
    /// Velocity gain, 1/s.
    pub velocity: f64,
    /// Integral gain of the velocity loop, 1/s^2.
    pub integral: f64,
    /// Position gain, 1/s.
    pub position: f64,
    /// Delay of the velocity and position that the loops work on, s.
    pub delay: f64,
    /// Decay of the velocity by drag, 1/s: see [`drag_decay`].
    pub drag: f64,
}

/// Decay of the velocity by drag, 1/s, as far as a linear loop can have it: the secant of the square law, half density
/// (kg/m^3) x drag area (m^2) x speed (m/s) over the mass (kg). Right at that speed, too much below it.
pub fn drag_decay(density: f64, drag_area: f64, speed: f64, mass: f64) -> f64 {
    let decay = 0.5 * density * drag_area * speed / mass;
    if decay.is_finite() && decay > 0.0 { decay } else { 0.0 }
}

const FROM: f64 = 1e-3;
const TO: f64 = 1e5;

impl Outer {
    /// Number of loops closed.
    fn closed(&self) -> u32 {
        let loops = [self.attitude, self.velocity, self.position].iter().take_while(|g| **g != 0.0).count();
        loops as u32 + u32::from(loops > 1 && self.integral != 0.0)
    }

    /// What the velocity loop makes of an error at s: gain and integral.
    fn controller(&self, s: Complex<f64>) -> Complex<f64> {
        s.inv() * self.integral + self.velocity
    }

    /// How velocity and position come to the loops.
    fn late(&self, s: Complex<f64>) -> Complex<f64> {
        (-s * self.delay).exp()
    }

    /// What the loops ask of the rate for a rate of one at s: the sum of the feedback through attitude, velocity and position.
    fn feedback(&self, s: Complex<f64>) -> Complex<f64> {
        let a = s.inv() * self.attitude;
        let v = a * s.inv() * self.controller(s) * self.late(s);
        a + v + v * s.inv() * self.position
    }
}

impl RateChain {
    /// Loop gain at s with the loop cut at the motor command alone, the outer loops closed.
    pub fn motor_gain_at(&self, outer: &Outer, s: Complex<f64>) -> Complex<f64> {
        let one = Complex::new(1.0, 0.0);
        let (mut sensing, mut controller, mut from_demand, mut forward) = (one, one, one, one);
        for stage in &self.stages {
            let at = stage.element.at(s);
            match (stage.path, &stage.element) {
                (Path::Sensing, _) => sensing *= at,
                (Path::Controller, Element::Pid { p, i, .. }) => {
                    controller *= at;
                    from_demand *= s.inv() * *i + *p;
                }
                (Path::Controller, _) => {
                    controller *= at;
                    from_demand *= at;
                }
                (Path::Forward, _) => forward *= at,
            }
        }
        forward * (sensing * controller + from_demand * outer.feedback(s))
    }

    /// Margins with the loop cut at the motor command, the outer loops closed.
    pub fn motor_margins(&self, outer: &Outer) -> Margins {
        let poles = self.integrators() + outer.closed();
        margins(&|omega| self.motor_gain_at(outer, Complex::new(0.0, omega)), FROM, TO, poles)
    }

    /// Velocity loop gain at s: closed attitude loop / s x (gain + integral / s) x delay.
    pub fn velocity_gain_at(&self, outer: &Outer, s: Complex<f64>) -> Complex<f64> {
        self.acceleration_at(outer, s) * outer.late(s) / s
    }

    /// Horizontal acceleration by an error of velocity of one at s.
    fn acceleration_at(&self, outer: &Outer, s: Complex<f64>) -> Complex<f64> {
        self.attitude_closed_at(outer.attitude, s) * outer.controller(s)
    }

    /// Velocity over velocity demand, closed loop, at s.
    pub fn velocity_closed_at(&self, outer: &Outer, s: Complex<f64>) -> Complex<f64> {
        let forward = self.acceleration_at(outer, s);
        forward / (s + outer.drag + forward * outer.late(s))
    }

    /// Position loop gain at s: position gain x closed velocity loop / s x delay.
    pub fn position_gain_at(&self, outer: &Outer, s: Complex<f64>) -> Complex<f64> {
        self.velocity_closed_at(outer, s) * outer.late(s) * outer.position / s
    }

    /// Response of the velocity to a unit step of velocity demand. Linear: no limit of tilt.
    ///
    /// # Errors
    /// A loop that is unstable, a span that cannot be computed.
    pub fn velocity_step(&self, outer: &Outer, duration: f64, dt: f64) -> Result<Step, ResponseError> {
        let inner = self.margins().stable && self.attitude_margins(outer.attitude).stable;
        if !(inner && self.velocity_margins(outer).stable) {
            return Err(ResponseError::Unstable);
        }
        step_seen(&|s| self.velocity_closed_at(outer, s), duration, dt)
    }

    /// Margins of the attitude loop, the rate loop closed.
    pub fn attitude_margins(&self, gain: f64) -> Margins {
        margins(&|omega| self.attitude_gain_at(gain, Complex::new(0.0, omega)), FROM, TO, 1)
    }

    /// Margins of the velocity loop, the attitude loop closed.
    pub fn velocity_margins(&self, outer: &Outer) -> Margins {
        let poles = 1 + u32::from(outer.integral != 0.0);
        margins(&|omega| self.velocity_gain_at(outer, Complex::new(0.0, omega)), FROM, TO, poles)
    }

    /// Margins of the position loop, the velocity loop closed.
    pub fn position_margins(&self, outer: &Outer) -> Margins {
        margins(&|omega| self.position_gain_at(outer, Complex::new(0.0, omega)), FROM, TO, 1)
    }
}
