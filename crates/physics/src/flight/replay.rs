//! Recorded rotor speeds flown through the flight model: body and rotors without motors, battery and loops.
//!
//! From a recorded state of motion on, the body goes where the rotors' forces take it. How far it then stands from
//! the record tells what the forces of the model are worth, without a loop that would bring it back.

use nalgebra::{Quaternion, UnitQuaternion};

use super::FlightError;
use super::plant::{
    ATTITUDE, MOST_ROTORS, POSITION, Plant, RATE, SPEED, VELOCITY, advance, attitude, normalise, put, three,
};
use super::scenario::Scenario;
use super::setup::bare_plant;
use crate::Vec3;
use crate::aircraft::Aircraft;
use crate::atmosphere::Air;

/// Longest step, s.
const STEP: f64 = 1e-3;
/// Steps with the motion kept until the inflow counts as settled.
const SETTLING: usize = 200;

/// State of the body.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Motion {
    /// Position, earth (north, east, down), m.
    pub position: Vec3,
    /// Velocity, earth, m/s.
    pub velocity: Vec3,
    /// Attitude, earth from body.
    pub attitude: UnitQuaternion<f64>,
    /// Body rate, rad/s.
    pub rate: Vec3,
}

/// Speed of a rotor and its rate at an instant.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Turning {
    /// Speed relative to the airframe, rad/s.
    pub speed: f64,
    /// Rate of the speed, rad/s^2.
    pub rate: f64,
}

/// An aircraft to replay records with. Needs motor and battery in the file, though neither takes part; unbalance and blade
/// passage are left out.
#[derive(Debug)]
pub struct Replay<'a> {
    plant: Plant<'a>,
}

impl<'a> Replay<'a> {
    /// `hub_moments`: whether stiff blades give moments to their hubs in wind. Flights of the model leave them out, as the
    /// predicted loops do.
    ///
    /// # Errors
    /// What the flight model lacks or cannot work with.
    pub fn new(aircraft: &'a Aircraft, air: &Air, hub_moments: bool) -> Result<Self, FlightError> {
        let scenario = Scenario { blade_passage: 0.0, ..Scenario::new(Vec::new(), 0, 1.0) };
        let mut plant = bare_plant(aircraft, air, &scenario)?;
        plant.hub_moments = hub_moments;
        plant.hubs.iter_mut().for_each(|h| h.unbalance = 0.0);
        Ok(Self { plant })
    }

    /// Number of rotors.
    pub fn rotors(&self) -> usize {
        self.plant.rotors()
    }

    /// Flies from a state of motion at the time `from`, s, in still air; `speeds` gives what rotor k (from 0) does at a time.
    /// Gives the motion at each of the `times`, s, ascending. The inflow begins settled for the motion at the start.
    pub fn fly(
        &self,
        start: &Motion,
        from: f64,
        times: &[f64],
        speeds: &dyn Fn(f64, usize) -> Turning,
    ) -> Vec<Motion> {
        let n = self.plant.rotors();
        let mut x = vec![0.0; self.plant.states()];
        put(&mut x, POSITION, &start.position);
        put(&mut x, VELOCITY, &start.velocity);
        let q = start.attitude;
        x[ATTITUDE..ATTITUDE + 4].copy_from_slice(&[q.w, q.i, q.j, q.k]);
        put(&mut x, RATE, &start.rate);
        let mut slopes: [Vec<f64>; 4] = std::array::from_fn(|_| vec![0.0; x.len()]);
        let mut trial = x.clone();
        let inflow = SPEED + 2 * n;
        for (k, v) in x[inflow..].iter_mut().enumerate() {
            *v = self.plant.disc.settled(speeds(from, k).speed);
        }
        for _ in 0..SETTLING {
            self.slope(from, &mut x, &mut slopes[0], speeds);
            for (v, rate) in x[inflow..].iter_mut().zip(&slopes[0][inflow..]) {
                *v += 0.25 * STEP * rate;
            }
        }
        let mut out = Vec::with_capacity(times.len());
        let mut now = from;
        for &until in times {
            let steps = ((until - now) / STEP).ceil().max(1.0);
            let h = (until - now) / steps;
            for _ in 0..steps as usize {
                let [k1, k2, k3, k4] = &mut slopes;
                self.slope(now, &mut x, k1, speeds);
                advance(&mut trial, &x, k1, 0.5 * h);
                self.slope(now + 0.5 * h, &mut trial, k2, speeds);
                advance(&mut trial, &x, k2, 0.5 * h);
                self.slope(now + 0.5 * h, &mut trial, k3, speeds);
                advance(&mut trial, &x, k3, h);
                self.slope(now + h, &mut trial, k4, speeds);
                for (i, value) in x.iter_mut().enumerate() {
                    *value += h / 6.0 * (k1[i] + 2.0 * (k2[i] + k3[i]) + k4[i]);
                }
                normalise(&mut x);
                now += h;
            }
            out.push(Motion {
                position: three(&x, POSITION),
                velocity: three(&x, VELOCITY),
                attitude: attitude(&x),
                rate: three(&x, RATE),
            });
        }
        out
    }

    /// Derivative at a time, with the speeds of that time put into the state.
    fn slope(&self, at: f64, x: &mut [f64], dx: &mut [f64], speeds: &dyn Fn(f64, usize) -> Turning) {
        let mut rates = [0.0; MOST_ROTORS];
        for ((value, rate), k) in x[SPEED..].iter_mut().zip(&mut rates).zip(0..self.plant.rotors()) {
            let turning = speeds(at, k);
            (*value, *rate) = (turning.speed, turning.rate);
        }
        let spin = self.plant.spin_inertia;
        self.plant.motion(x, &Vec3::zeros(), |k, drag| drag + spin * rates[k], dx);
    }
}

impl Motion {
    /// From components: position and velocity (earth), quaternion w i j k, body rate.
    pub fn new(position: Vec3, velocity: Vec3, q: [f64; 4], rate: Vec3) -> Self {
        let attitude = UnitQuaternion::from_quaternion(Quaternion::new(q[0], q[1], q[2], q[3]));
        Self { position, velocity, attitude, rate }
    }
}
