//! How far gusts move an aircraft that holds its place and height.
//!
//! Gusts push by drag and, vertically, by the rotors' axial flow; the loops push back. With the loops of
//! [`super::outer`] closed, a horizontal acceleration a by the wind moves the aircraft by
//!
//! > x = a / (s (s + d) + A(s) C(s) e^(-s T) (s + k))
//!
//! with A the closed attitude loop, C gain and integral of the velocity loop, T the delay of velocity and position, k the
//! position gain and d the decay by drag; in height A is what stands between a demand of thrust and thrust, the sag of the
//! bus included. A gust u along a wind W lifts by carrying off the induced flow; and as the aircraft leans into the wind, a part
//! of it runs along the rotors' axes and sinks it, through the lean that is there and through the lean that answers it. The variance is
//! the integral of the gust's spectrum times the square of that response, and the gusts are Dryden's in the form of
//! [`crate::flight::Wind`] (MIL-F-8785C, from memory), carried past by the mean wind.
//!
//! Linear about the mean wind: a tilt or a climb at its limit is not in it. No estimator: place and velocity are true and
//! late.

use std::f64::consts::{FRAC_PI_2, PI};

use nalgebra::Complex;
use serde::Serialize;

use super::chain::RateChain;
use super::margins::margins;
use super::outer::Outer;
use super::response::{ResponseError, Step, step_seen};
use crate::STANDARD_GRAVITY;
use crate::flight::{Turbulence, Wind};

/// Points of the integral over frequency, evenly in its logarithm, rad/s.
const POINTS: usize = 48;
const FROM: f64 = 3e-3;
const TO: f64 = 30.0;

/// Spectrum of one component of the gusts.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Gust {
    /// Intensity, m/s.
    pub sigma: f64,
    /// Length over convection speed, s.
    pub time: f64,
    /// Along the mean wind: one pole; else across and vertical.
    pub along: bool,
}

impl Gust {
    /// One-sided density at `omega` (rad/s), (m/s)^2 s/rad; its integral is the square of the intensity.
    pub fn density(&self, omega: f64) -> f64 {
        let x = (omega * self.time).powi(2);
        let level = self.sigma.powi(2) * self.time / PI;
        if self.along { 2.0 * level / (1.0 + x) } else { level * (1.0 + 3.0 * x) / (1.0 + x).powi(2) }
    }
}

/// Gusts along, across and vertical of a mean wind, m/s, at a height, m. None without wind.
pub fn gusts(wind: f64, height: f64) -> Option<[Gust; 3]> {
    match Wind::dryden(crate::Vec3::new(wind, 0.0, 0.0), height).gusts {
        Turbulence::Dryden { sigma, length } if wind > 0.0 => {
            Some(std::array::from_fn(|k| Gust { sigma: sigma[k], time: length[k] / wind, along: k == 0 }))
        }
        _ => None,
    }
}

/// Vertical loops.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Vertical {
    /// Climb gain, 1/s, and its integral, 1/s^2.
    pub climb: (f64, f64),
    /// Height gain, 1/s.
    pub height: f64,
    /// Thrust gained per thrust asked: the bus sags as all rotors draw more ([`super::effect::Effect::lift`]).
    pub lift: f64,
    /// What the motors take longer as all speed up together, s ([`super::effect::Lift`]).
    pub slower: f64,
    /// Decay of the climb rate by the rotors' axial flow in the mean wind, 1/s ([`super::damping::climb_damping`]). With
    /// that by drag it is also the acceleration by a vertical gust of 1 m/s.
    pub decay: f64,
    /// Decay of the climb rate by the body's drag in the mean wind, 1/s.
    pub body: f64,
    /// Upward acceleration by a wind of 1 m/s more along the mean one, 1/s ([`super::damping::lift_by_wind`]).
    pub lifted: f64,
}

impl Vertical {
    /// Thrust over what is asked for of all rotors together at s, 1 at rest but for the sag.
    pub fn thrust_at(&self, chain: &RateChain, s: Complex<f64>) -> Complex<f64> {
        chain.thrust_at(s) / (s * self.slower + 1.0)
    }

    /// Vertical acceleration by an error of climb speed of one at s.
    fn asked_at(&self, chain: &RateChain, s: Complex<f64>) -> Complex<f64> {
        self.thrust_at(chain, s) * self.lift * (s.inv() * self.climb.1 + self.climb.0)
    }

    /// Climb speed over its demand, closed loop, at s; the loop works on a climb speed that is late by `delay`, s.
    pub fn climb_closed_at(&self, chain: &RateChain, delay: f64, s: Complex<f64>) -> Complex<f64> {
        let forward = self.asked_at(chain, s);
        forward / (s + self.decay + forward * (-s * delay).exp())
    }

    /// Climb speed after a unit step of its demand. Linear: no limit of thrust.
    ///
    /// # Errors
    /// A loop that is unstable, a span that cannot be computed.
    pub fn climb_step(
        &self,
        chain: &RateChain,
        delay: f64,
        duration: f64,
        dt: f64,
    ) -> Result<Step, ResponseError> {
        let gain = |w: f64| {
            let s = Complex::new(0.0, w);
            self.asked_at(chain, s) * (-s * delay).exp() / (s + self.decay)
        };
        let poles = u32::from(self.decay <= 0.0) + u32::from(self.climb.1 > 0.0);
        if !(self.climb.0 > 0.0 && margins(&gain, FROM, 1e4, poles).stable) {
            return Err(ResponseError::Unstable);
        }
        step_seen(&|s| self.climb_closed_at(chain, delay, s), duration, dt)
    }
}

/// Lean into a steady wind, m/s, rad: `drag` is the deceleration by it over the wind, 1/s.
pub fn lean(drag: f64, wind: f64) -> f64 {
    (drag * wind / STANDARD_GRAVITY).atan()
}

/// Standard deviations from the place held, m.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Hold {
    /// Along the mean wind.
    pub along: f64,
    /// Across it.
    pub across: f64,
    /// In height.
    pub height: f64,
}

impl Hold {
    /// Distance in the plane that 95 % of the time lies within, m: both components Gaussian.
    pub fn plane_95(&self) -> f64 {
        let (a, b) = (self.along.max(self.across), self.along.min(self.across));
        if a <= 0.0 {
            return 0.0;
        }
        // Share within a circle of r: over the direction, 1 - exp of minus half the squared distance in units of the spread.
        let inside = |r: f64| {
            let steps = 64;
            let mean: f64 = (0..steps)
                .map(|k| {
                    let angle = FRAC_PI_2 * (f64::from(k) + 0.5) / f64::from(steps);
                    let (sin, cos) = angle.sin_cos();
                    // Density of the direction times what of it lies inside; b = 0 is a line along a.
                    let q = (cos / a).powi(2) + (sin / b.max(1e-9 * a)).powi(2);
                    (1.0 - (-0.5 * r * r * q).exp()) / q
                })
                .sum::<f64>()
                / f64::from(steps);
            mean / (a * b.max(1e-9 * a))
        };
        let (mut low, mut high) = (1.5 * a, 3.0 * a);
        for _ in 0..40 {
            let middle = 0.5 * (low + high);
            if inside(middle) < 0.95 { low = middle } else { high = middle }
        }
        0.5 * (low + high)
    }

    /// Error of height that 95 % of the time lies within, m.
    pub fn height_95(&self) -> f64 {
        1.959_964 * self.height
    }
}

/// Standard deviations in gusts about a mean `wind`, m/s. `drag` is the acceleration by a wind of 1 m/s more along it and by
/// one across it, 1/s: by drag density x drag area x mean wind over the mass and half of that, and the rotors' in-plane
/// force. None where a loop is open or the place does not come back.
pub fn hold(
    chain: &RateChain,
    outer: &Outer,
    vertical: &Vertical,
    drag: [f64; 2],
    wind: f64,
    gusts: &[Gust; 3],
) -> Option<Hold> {
    if outer.attitude <= 0.0 || outer.velocity <= 0.0 || outer.position <= 0.0 {
        return None;
    }
    let (mut along, mut across, mut height) = (0.0, 0.0, 0.0);
    let step = (TO / FROM).ln() / POINTS as f64;
    for k in 0..=POINTS {
        let omega = FROM * (step * k as f64).exp();
        let s = Complex::new(0.0, omega);
        let weight = omega * step * if k == 0 || k == POINTS { 0.5 } else { 1.0 };
        let late = (-s * outer.delay).exp();
        let back = chain.attitude_closed_at(outer.attitude, s)
            * (s.inv() * outer.integral + outer.velocity)
            * late
            * (s + outer.position);
        let place = |decay: f64| (s * (s + decay) + back).inv().norm_sqr();
        along += weight * gusts[0].density(omega) * drag[0].powi(2) * place(drag[0]);
        across += weight * gusts[1].density(omega) * drag[1].powi(2) * place(drag[1]);
        if vertical.climb.0 > 0.0 && vertical.height > 0.0 {
            let up = vertical.asked_at(chain, s) * late * (s + vertical.height);
            let decay = vertical.decay + vertical.body;
            let moved = (s * (s + decay) + up).inv().norm_sqr();
            // Of a gust along the wind, what runs along the rotors' axes: by the steady lean, and by the lean that holds the place.
            let answer = back / (s * (s + drag[0]) + back);
            let leant = answer * (drag[0] * wind / STANDARD_GRAVITY) + lean(drag[1], wind).sin();
            height += weight
                * moved
                * (gusts[2].density(omega) * decay.powi(2)
                    + gusts[0].density(omega) * (leant * vertical.decay - vertical.lifted).norm_sqr());
        }
    }
    let out = Hold { along: along.sqrt(), across: across.sqrt(), height: height.sqrt() };
    [out.along, out.across, out.height].iter().all(|v| v.is_finite()).then_some(out)
}
