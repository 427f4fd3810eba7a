//! Magnetometer, barometer and satellite receiver: each with its own rate, delay and random numbers.
//!
//! They are read at the first run of the rate loop at or after their instants, so late by less than one period of it.
//!
//! - Magnetometer: the earth's field in body axes, the field of the leads at the battery current ([`crate::magnetic`]), what
//!   calibration left, noise.
//! - Barometer: the pressure of the standard's layer at the true height (ISO 2533, lapse 6.5 K/km from the site's
//!   temperature), plus a random walk, plus errors of the port, through a first-order lag, plus noise. Errors of the port:
//!   `wash` x thrust per disc area and `ram` x dynamic pressure of the airspeed. That a port's error is a part of the
//!   dynamic pressure is how position errors are stated everywhere; that the rotors' share goes with the disc loading is our
//!   own assumption. Momentum theory bounds it: close to the disc the pressure is 1/4 of the loading too low above and 3/4 too
//!   high below (from p + rho v^2/2 along the slipstream, Leishman, *Principles of Helicopter Aerodynamics*, 2nd ed., section
//!   2.2; from memory).
//! - Satellites: place with a first-order correlated error, velocity with a white one, horizontal; dropouts whose distances
//!   and lengths are exponentially distributed (our own assumption).
//!
//! Place, pressure and their errors count from the start of the flight: there all are zero, as after a reset at take-off.

use std::collections::VecDeque;

use nalgebra::{UnitQuaternion, Vector2};
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, Exp1, StandardNormal};

use super::esc::nanoseconds;
use crate::aircraft::Imu;
use crate::atmosphere::{Air, GAS_CONSTANT};
use crate::sensors::{Barometer, Bias, DRIFT_TIME, Magnetometer, Satellite};
use crate::{STANDARD_GRAVITY, Vec3};

/// Temperature lapse of the layer, K/m (ISO 2533, table of layers).
const LAPSE: f64 = 6.5e-3;
/// How often a bias takes a step of its walk, s: far shorter than what a walk does.
const WALK_STEP: f64 = 0.05;

/// Streams of random numbers: 1 is the inertial unit's noise, 2 the gusts.
const BIAS_STREAM: u64 = 3;
const MAGNETOMETER_STREAM: u64 = 4;
const BAROMETER_STREAM: u64 = 5;
const SATELLITE_STREAM: u64 = 6;

/// What the sensors are exposed to at an instant.
#[derive(Debug, Clone, Copy)]
pub(super) struct World {
    pub now: u64,
    pub attitude: UnitQuaternion<f64>,
    /// Earth, m/s.
    pub velocity: Vec3,
    /// Earth, m.
    pub position: Vec3,
    /// m/s.
    pub airspeed: f64,
    /// Thrust per disc area, Pa.
    pub loading: f64,
    /// Battery current, A.
    pub current: f64,
}

#[derive(Debug)]
struct Noise(ChaCha8Rng);

impl Noise {
    fn new(seed: u64, stream: u64) -> Self {
        let mut rng = ChaCha8Rng::seed_from_u64(seed);
        rng.set_stream(stream);
        Self(rng)
    }
    fn draw(&mut self) -> f64 {
        StandardNormal.sample(&mut self.0)
    }
    fn three(&mut self) -> Vec3 {
        Vec3::new(self.draw(), self.draw(), self.draw())
    }
    fn wait(&mut self, mean: f64) -> f64 {
        let x: f64 = Exp1.sample(&mut self.0);
        mean * x
    }
}

/// Instants of a sensor.
#[derive(Debug)]
struct Clock {
    period: f64,
    taken: u64,
    next: u64,
}

impl Clock {
    fn new(period: f64) -> Self {
        Self { period, taken: 0, next: 0 }
    }
    fn due(&mut self, now: u64) -> bool {
        if now < self.next {
            return false;
        }
        self.taken += 1;
        self.next = nanoseconds(self.taken as f64 * self.period);
        true
    }
}

/// Readings on their way.
#[derive(Debug)]
struct Late<T> {
    delay: u64,
    coming: VecDeque<(u64, T)>,
}

impl<T: Copy> Late<T> {
    fn new(delay: f64, period: f64) -> Self {
        Self { delay: nanoseconds(delay), coming: VecDeque::with_capacity((delay / period) as usize + 2) }
    }
    fn send(&mut self, now: u64, reading: T) {
        self.coming.push_back((now + self.delay, reading));
    }
    fn receive(&mut self, now: u64) -> Option<T> {
        let &(at, reading) = self.coming.front()?;
        (at <= now).then(|| {
            self.coming.pop_front();
            reading
        })
    }
}

/// Bias of the inertial unit as it runs.
#[derive(Debug)]
pub(super) struct Biased {
    noise: Noise,
    pub rate: Vec3,
    pub accel: Vec3,
    step: [f64; 2],
    every: u32,
    count: u32,
}

impl Biased {
    pub(super) fn new(bias: &Bias, imu: &Imu, seed: u64) -> Self {
        let mut noise = Noise::new(seed, BIAS_STREAM);
        let (rate, accel) = (noise.three() * bias.rate, noise.three() * bias.accel);
        let every = (WALK_STEP / imu.sample_period).round().max(1.0);
        let root = (every * imu.sample_period / DRIFT_TIME).sqrt();
        Self {
            noise,
            rate,
            accel,
            step: [bias.rate_drift * root, bias.accel_drift * root],
            every: every as u32,
            count: 0,
        }
    }

    /// Goes on by one sample.
    pub(super) fn walk(&mut self) {
        self.count += 1;
        if self.count >= self.every {
            self.count = 0;
            self.rate += self.noise.three() * self.step[0];
            self.accel += self.noise.three() * self.step[1];
        }
    }
}

/// The magnetometer as it runs.
#[derive(Debug)]
pub(super) struct MagnetometerRun {
    noise: Noise,
    sigma: f64,
    bias: Vec3,
    earth: Vec3,
    per_ampere: Vec3,
    clock: Clock,
    late: Late<Vec3>,
    held: Vec3,
}

impl MagnetometerRun {
    pub(super) fn new(m: &Magnetometer, earth: Vec3, per_ampere: Vec3, seed: u64) -> Self {
        let mut noise = Noise::new(seed, MAGNETOMETER_STREAM);
        let bias = noise.three() * m.bias;
        let (clock, late) = (Clock::new(m.period), Late::new(m.delay, m.period));
        Self { noise, sigma: m.noise, bias, earth, per_ampere, clock, late, held: Vec3::zeros() }
    }

    /// The field without noise, body axes, T.
    pub(super) fn field(&self, world: &World) -> Vec3 {
        world.attitude.inverse_transform_vector(&self.earth) + self.per_ampere * world.current + self.bias
    }

    /// Takes what is due; gives the reading that arrives. `stuck` repeats the last one.
    pub(super) fn look(&mut self, world: &World, stuck: bool) -> Option<Vec3> {
        if self.clock.due(world.now) {
            let fresh = self.field(world) + self.noise.three() * self.sigma;
            if !stuck {
                self.held = fresh;
            }
            self.late.send(world.now, self.held);
        }
        self.late.receive(world.now)
    }
}

/// The standard's layer about a site.
#[derive(Debug, Clone, Copy)]
pub(super) struct Layer {
    pressure: f64,
    temperature: f64,
    exponent: f64,
}

impl Layer {
    pub(super) fn new(air: &Air) -> Self {
        Self {
            pressure: air.pressure,
            temperature: air.temperature,
            exponent: STANDARD_GRAVITY / (GAS_CONSTANT * LAPSE),
        }
    }
    /// Pressure at a height over the site, Pa.
    pub(super) fn pressure(&self, height: f64) -> f64 {
        self.pressure * (1.0 - LAPSE * height / self.temperature).max(0.0).powf(self.exponent)
    }
    /// Height over the site at a pressure, m.
    pub(super) fn height(&self, pressure: f64) -> f64 {
        (1.0 - (pressure / self.pressure).max(0.0).powf(1.0 / self.exponent)) * self.temperature / LAPSE
    }
}

/// First-order lag of an input that runs straight from sample to sample.
#[derive(Debug, Clone, Copy)]
pub(super) struct Lag {
    weights: [f64; 3],
    input: f64,
    pub value: f64,
}

impl Lag {
    pub(super) fn new(lag: f64, period: f64, start: f64) -> Self {
        let weights = if lag > 0.0 {
            let keep = (-period / lag).exp();
            let mean = (1.0 - keep) * lag / period;
            [keep, mean - keep, 1.0 - mean]
        } else {
            [0.0, 0.0, 1.0]
        };
        Self { weights, input: start, value: start }
    }
    pub(super) fn step(&mut self, input: f64) -> f64 {
        let [keep, before, now] = self.weights;
        self.value = keep * self.value + before * self.input + now * input;
        self.input = input;
        self.value
    }
}

/// The barometer as it runs.
#[derive(Debug)]
pub(super) struct BarometerRun {
    noise: Noise,
    spec: Barometer,
    density: f64,
    layer: Layer,
    walk: f64,
    step: f64,
    /// Error of the port at the start.
    zero: f64,
    lag: Lag,
    clock: Clock,
    held: f64,
}

impl BarometerRun {
    pub(super) fn new(spec: &Barometer, air: &Air, world: &World, seed: u64) -> Self {
        let layer = Layer::new(air);
        let pressure = layer.pressure(-world.position.z);
        let mut run = Self {
            noise: Noise::new(seed, BAROMETER_STREAM),
            spec: *spec,
            density: air.density,
            layer,
            walk: 0.0,
            step: spec.drift * (spec.period / DRIFT_TIME).sqrt(),
            zero: 0.0,
            lag: Lag::new(spec.lag, spec.period, pressure),
            clock: Clock::new(spec.period),
            held: pressure,
        };
        run.zero = run.port(world);
        run
    }

    fn port(&self, world: &World) -> f64 {
        self.spec.wash * world.loading + self.spec.ram * 0.5 * self.density * world.airspeed.powi(2)
    }

    /// Takes what is due: pressure, Pa, and the height that it stands for, m.
    pub(super) fn look(&mut self, world: &World, stuck: bool) -> Option<(f64, f64)> {
        if !self.clock.due(world.now) {
            return None;
        }
        self.walk += self.step * self.noise.draw();
        let truth = self.layer.pressure(-world.position.z) + self.port(world) - self.zero + self.walk;
        let fresh = self.lag.step(truth) + self.spec.noise * self.noise.draw();
        if !stuck {
            self.held = fresh;
        }
        Some((self.held, self.layer.height(self.held)))
    }
}

/// Horizontal place (m) and velocity (m/s) as a fix has them.
#[derive(Debug, Clone, Copy)]
pub(super) struct Fix {
    pub position: Vector2<f64>,
    pub velocity: Vector2<f64>,
}

/// The satellite receiver as it runs. `T` is what the estimator held when a fix was taken.
#[derive(Debug)]
pub(super) struct SatelliteRun<T> {
    noise: Noise,
    spec: Satellite,
    keep: f64,
    error: Vector2<f64>,
    zero: Vector2<f64>,
    /// Dropout: begins, ends, s.
    gap: (f64, f64),
    clock: Clock,
    late: Late<(u64, Fix, T)>,
}

impl<T: Copy> SatelliteRun<T> {
    pub(super) fn new(spec: &Satellite, seed: u64) -> Self {
        let mut noise = Noise::new(seed, SATELLITE_STREAM);
        let error = Vector2::new(noise.draw(), noise.draw()) * spec.position_noise;
        let mut run = Self {
            noise,
            spec: *spec,
            keep: if spec.correlation > 0.0 { (-spec.period / spec.correlation).exp() } else { 0.0 },
            error,
            zero: error,
            gap: (f64::INFINITY, f64::INFINITY),
            clock: Clock::new(spec.period),
            late: Late::new(spec.delay, spec.period),
        };
        run.following(0.0);
        run
    }

    fn following(&mut self, from: f64) {
        if let Some(every) = self.spec.dropout_every {
            let begins = from + self.noise.wait(every);
            self.gap = (begins, begins + self.noise.wait(self.spec.dropout_time));
        }
    }

    /// Takes a fix that is due, with `held` beside it; gives the one that arrives with its instant.
    pub(super) fn look(&mut self, world: &World, there: bool, held: T) -> Option<(u64, Fix, T)> {
        if self.clock.due(world.now) {
            let time = super::esc::seconds(world.now);
            while time >= self.gap.1 {
                self.following(self.gap.1);
            }
            let fresh = Vector2::new(self.noise.draw(), self.noise.draw());
            let root = self.spec.position_noise * (1.0 - self.keep * self.keep).max(0.0).sqrt();
            self.error = self.error * self.keep + fresh * root;
            let jitter = Vector2::new(self.noise.draw(), self.noise.draw()) * self.spec.velocity_noise;
            if there && time < self.gap.0 {
                let fix = Fix {
                    position: world.position.xy() + self.error - self.zero,
                    velocity: world.velocity.xy() + jitter,
                };
                self.late.send(world.now, (world.now, fix, held));
            }
        }
        self.late.receive(world.now)
    }

    /// Changes what is held beside the fixes that are on their way, given their instants.
    pub(super) fn amend(&mut self, mut change: impl FnMut(u64, &mut T)) {
        for (_, (taken, _, held)) in &mut self.late.coming {
            change(*taken, held);
        }
    }
}
