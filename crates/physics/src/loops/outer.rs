//! Attitude, velocity and position loops around the rate loop, and the loop broken at the motor command.
//!
//! Attitude demand - attitude, times the attitude gain, is the rate demand; velocity error times the velocity gain
//! is the horizontal acceleration asked for, as a tilt of that over g; position error times the position gain is
//! the velocity demand. Small angles; the estimates of attitude, velocity and position are taken as free of
//! delay and error, drag is left out. Gains are 1/s throughout.

use nalgebra::Complex;
use serde::Serialize;

use super::chain::RateChain;
use super::margins::{Margins, margins};
use super::stage::{Element, Path};

/// Gains of the loops outside the rate loop, 1/s; zero for a loop that is open.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Default)]
pub struct Outer {
    /// Attitude gain.
    pub attitude: f64,
    /// Velocity gain.
    pub velocity: f64,
    /// Position gain.
    pub position: f64,
}

const FROM: f64 = 1e-3;
const TO: f64 = 1e5;

impl Outer {
    /// Number of loops closed.
    fn closed(&self) -> u32 {
        [self.attitude, self.velocity, self.position].iter().take_while(|g| **g != 0.0).count() as u32
    }

    /// What the loops ask of the rate for a rate of one at s: the sum of the feedback through attitude, velocity and position.
    fn feedback(&self, s: Complex<f64>) -> Complex<f64> {
        let a = s.inv() * self.attitude;
        let v = a * s.inv() * self.velocity;
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

    /// Velocity loop gain at s: velocity gain x closed attitude loop / s.
    pub fn velocity_gain_at(&self, outer: &Outer, s: Complex<f64>) -> Complex<f64> {
        self.attitude_closed_at(outer.attitude, s) * outer.velocity / s
    }

    /// Position loop gain at s: position gain x closed velocity loop / s.
    pub fn position_gain_at(&self, outer: &Outer, s: Complex<f64>) -> Complex<f64> {
        let open = self.velocity_gain_at(outer, s);
        open / (Complex::new(1.0, 0.0) + open) * outer.position / s
    }

    /// Margins of the attitude loop, the rate loop closed.
    pub fn attitude_margins(&self, gain: f64) -> Margins {
        margins(&|omega| self.attitude_gain_at(gain, Complex::new(0.0, omega)), FROM, TO, 1)
    }

    /// Margins of the velocity loop, the attitude loop closed.
    pub fn velocity_margins(&self, outer: &Outer) -> Margins {
        margins(&|omega| self.velocity_gain_at(outer, Complex::new(0.0, omega)), FROM, TO, 1)
    }

    /// Margins of the position loop, the velocity loop closed.
    pub fn position_margins(&self, outer: &Outer) -> Margins {
        margins(&|omega| self.position_gain_at(outer, Complex::new(0.0, omega)), FROM, TO, 1)
    }
}
