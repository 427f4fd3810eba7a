//! Velocity and position loops of the flight model.
//!
//! Velocity: acceleration asked for = gain x error + integral, in earth axes; the horizontal part as the tilt that
//! gives it at constant height, the vertical part as lift. Position: velocity demand = gain x error, limited
//! in speed. Velocity and position come late by a stated delay, in whole periods of the rate loop.
//!
//! Saturation. The horizontal acceleration asked for is shortened to what the largest tilt gives, its direction
//! kept; lift has the limits of the height hold. Anti-windup: while a limit binds, the integral moves only where
//! that lessens the demand. Taking over from other control the integral begins at what was being asked
//! for, so that nothing jumps.

use std::collections::VecDeque;

use crate::aircraft::{PositionLoop, VelocityLoop};
use crate::{STANDARD_GRAVITY, Vec3};

/// What the loops ask for.
#[derive(Debug, Clone, Copy)]
pub(super) struct Wanted {
    pub roll: f64,
    pub pitch: f64,
    /// Upward acceleration, m/s^2.
    pub up: f64,
}

/// The loops as they run.
#[derive(Debug)]
pub(super) struct OuterLoops {
    velocity: VelocityLoop,
    position: Option<PositionLoop>,
    /// Acceleration, earth axes, m/s^2.
    integral: Vec3,
    /// Whether the tilt and the lift were at a limit in the last run.
    tilted: bool,
    pub lift_limited: bool,
    /// Place that the position loop holds, earth axes, m.
    pub place: Vec3,
    /// Velocity and position on their way, the oldest first.
    coming: VecDeque<(Vec3, Vec3)>,
    late: usize,
}

impl OuterLoops {
    pub(super) fn new(velocity: VelocityLoop, position: Option<PositionLoop>, period: f64) -> Self {
        let late = (velocity.delay / period).round() as usize;
        Self {
            velocity,
            position,
            integral: Vec3::zeros(),
            tilted: false,
            lift_limited: false,
            place: Vec3::zeros(),
            coming: VecDeque::with_capacity(late + 1),
            late,
        }
    }

    /// Takes the motion of this run; gives velocity and position as they arrive.
    pub(super) fn receive(&mut self, velocity: Vec3, position: Vec3) -> (Vec3, Vec3) {
        self.coming.push_back((velocity, position));
        while self.coming.len() > self.late + 1 {
            self.coming.pop_front();
        }
        self.coming.front().copied().unwrap_or((velocity, position))
    }

    /// Begins to hold `place` with the acceleration that was being asked for.
    pub(super) fn take_over(&mut self, place: Vec3, asked: Vec3) {
        self.place = place;
        self.integral = asked;
        (self.tilted, self.lift_limited) = (false, false);
    }

    /// Velocity demand that brings the aircraft to the place held.
    pub(super) fn to_place(&self, position: &Vec3) -> Vec3 {
        let Some(outer) = &self.position else { return Vec3::zeros() };
        let error = self.place - position;
        let flat = Vec3::new(error.x, error.y, 0.0) * outer.gain;
        let down = (outer.height_gain * error.z).clamp(-outer.climb_limit, outer.climb_limit);
        shortened(flat, outer.speed_limit).0 + Vec3::new(0.0, 0.0, down)
    }

    /// Tilt and lift for a velocity demand (earth) at a heading, rad.
    pub(super) fn run(&mut self, demand: &Vec3, velocity: &Vec3, heading: f64, dt: f64) -> Wanted {
        let error = demand - velocity;
        let flat = Vec3::new(error.x, error.y, 0.0);
        let kept = Vec3::new(self.integral.x, self.integral.y, 0.0);
        let most = STANDARD_GRAVITY * self.velocity.tilt_limit.tan();
        let (asked, tilted) = shortened(flat * self.velocity.gain + kept, most);
        if !tilted || flat.dot(&asked) <= 0.0 {
            self.integral += flat * (self.velocity.integral * dt);
        }
        self.tilted = tilted;
        let down = self.velocity.climb_gain * error.z + self.integral.z;
        if !self.lift_limited || error.z * down <= 0.0 {
            self.integral.z += self.velocity.climb_integral * error.z * dt;
        }
        let (sin, cos) = heading.sin_cos();
        let forward = cos * asked.x + sin * asked.y;
        let right = -sin * asked.x + cos * asked.y;
        // Direction of the thrust (forward, right, -g): pitch first, then roll.
        let pitch = -(forward / STANDARD_GRAVITY).atan();
        let roll = (right / forward.hypot(STANDARD_GRAVITY)).atan();
        Wanted { roll, pitch, up: -down }
    }
}

/// A vector shortened to a length, and whether it had to be.
fn shortened(v: Vec3, most: f64) -> (Vec3, bool) {
    let size = v.norm();
    if size > most { (v * (most / size), true) } else { (v, false) }
}
