//! The controller's own idea of its motion, from sensors: our own small estimator of published parts.
//!
//! Attitude: the complementary filter of Mahony, Hamel & Pflimlin (*IEEE Trans. Automatic Control* 53, 2008, 1203): the gyro
//! is integrated, less its estimated bias, and turned towards directions measured in the body; the same innovation, slower,
//! makes the bias. The heading is turned by the horizontal part of the magnetic field. Roll and pitch are turned by the
//! accelerometer against gravity less the acceleration that the satellite velocity shows (Hua, *Control Engineering
//! Practice* 18, 2010, 723), without fixes against gravity alone: long accelerations then tilt it.
//!
//! Place and velocity: the accelerometer, turned into earth axes, is integrated twice. At a fix a filter of four states per
//! axis (place, velocity, acceleration by tilt, its rate by the gyro's bias) corrects it by the steady gain of
//! [`crate::kalman`]. A fix is late: it is held against what the estimate was when it was taken (its time stamp is taken as
//! exact), and the correction is carried on to the present.
//!
//! Height: the vertical acceleration is integrated twice, and corrected by the barometer with a filter of three states
//! (height, climb, error of the acceleration), the estimate passing the same lag as the pressure.
//!
//! The noise that the filters reckon with is what the aircraft file states, with allowances that are our own choice. Gains
//! are steady: nothing is learnt in flight. It starts with the true motion, but for a heading by the magnetometer, and
//! knows nothing of the biases. All about the inertial unit's place is taken as about the centre of mass.

use nalgebra::{Matrix1, Matrix3, Matrix4, RowVector3, SMatrix, UnitQuaternion, Vector2};

use super::controller::Motion;
use super::imu::Sample;
use super::sensors::{Fix, Lag};
use crate::aircraft::Imu;
use crate::kalman::steady_gain;
use crate::sensors::Sensors;
use crate::{STANDARD_GRAVITY, Vec3};

/// Gains of heading and, without fixes, of roll and pitch, 1/s; the bias takes their square over four (damping one).
const HEADING_GAIN: f64 = 0.25;
const TILT_GAIN: f64 = 0.15;
/// Time without a fix after which gravity alone levels, and after which the next fix is taken as it is, s.
const FIX_AGE: f64 = 1.0;
const FIX_LOST: f64 = 2.0;
/// Time without a fix up to which velocity and place by dead reckoning are flown on, s.
pub(super) const COAST: f64 = 5.0;
/// Largest turn that one fix makes, rad: against a wild fix.
const MOST_TURN: f64 = 0.03;
/// Allowances, our own choice: noise density of the acceleration for vibration and gusts on the frame, m/s^2/sqrt(Hz); factor
/// on the gyro's noise density for what the integration leaves; error of pressure as height, m; time in which a walk makes up
/// the stated bias, s; least bias of gyro (rad/s) and accelerometer (m/s^2).
const SHAKEN: f64 = 0.05;
const GYRO_FACTOR: f64 = 3.0;
const PRESSURE_HEIGHT: f64 = 0.3;
const BIAS_TIME: f64 = 20.0;
const LEAST_BIAS: [f64; 2] = [5e-4, 0.01];

/// Gain of a fix: place, velocity, acceleration by tilt and its rate, by innovations of place and velocity.
pub fn fix_gain(
    period: f64,
    acceleration_noise: f64,
    tilt_walk: f64,
    bias_walk: f64,
    position_noise: f64,
    velocity_noise: f64,
) -> Option<SMatrix<f64, 4, 2>> {
    let t = period;
    let (t2, t3) = (t * t / 2.0, t * t * t / 6.0);
    let a = Matrix4::new(1.0, t, t2, t3, 0.0, 1.0, t, t2, 0.0, 0.0, 1.0, t, 0.0, 0.0, 0.0, 1.0);
    let q = Matrix4::from_diagonal(
        &(nalgebra::Vector4::new(0.0, acceleration_noise.powi(2), tilt_walk.powi(2), bias_walk.powi(2)) * t),
    );
    let h = SMatrix::<f64, 2, 4>::new(1.0, 0.0, 0.0, 0.0, 0.0, 1.0, 0.0, 0.0);
    let r = nalgebra::Matrix2::from_diagonal(&Vector2::new(position_noise.powi(2), velocity_noise.powi(2)));
    steady_gain(&a, &q, &h, &r)
}

/// Gain of a barometer's sample: height, climb, error of the acceleration.
pub fn height_gain(period: f64, acceleration_noise: f64, bias_walk: f64, noise: f64) -> Option<Vec3> {
    let t = period;
    let a = Matrix3::new(1.0, t, t * t / 2.0, 0.0, 1.0, t, 0.0, 0.0, 1.0);
    let q = Matrix3::from_diagonal(&(Vec3::new(0.0, acceleration_noise.powi(2), bias_walk.powi(2)) * t));
    steady_gain(&a, &q, &RowVector3::new(1.0, 0.0, 0.0), &Matrix1::new(noise * noise))
}

/// Horizontal place and velocity as they were held at an instant.
#[derive(Debug, Clone, Copy)]
pub(super) struct Held {
    pub position: Vector2<f64>,
    pub velocity: Vector2<f64>,
}

/// The estimator as it runs.
#[derive(Debug)]
pub(super) struct Estimator {
    pub attitude: UnitQuaternion<f64>,
    pub velocity: Vec3,
    pub position: Vec3,
    rate_bias: Vec3,
    /// Error of the vertical acceleration, down, m/s^2.
    down_bias: f64,
    fix: SMatrix<f64, 4, 2>,
    height: Vec3,
    lag: Lag,
    /// Instant of the last sample of each, s.
    last: f64,
    last_fix: f64,
    /// Direction of the earth's horizontal field, rad from north.
    declination: f64,
}

impl Estimator {
    /// `None` where the numbers yield no gains.
    pub(super) fn new(
        imu: &Imu,
        sensors: &Sensors,
        earth: Option<&Vec3>,
        motion: &Motion,
        density: f64,
    ) -> Option<Self> {
        let g = STANDARD_GRAVITY;
        let walk = |bias: f64, least: f64| bias.max(least) / BIAS_TIME.sqrt();
        let gyro_walk = walk(sensors.bias.rate.max(sensors.bias.rate_drift), LEAST_BIAS[0]);
        let accel_walk = walk(sensors.bias.accel.max(sensors.bias.accel_drift), LEAST_BIAS[1]);
        let shaken = SHAKEN.max(imu.accel_noise);
        let fix = match &sensors.satellite {
            Some(s) => fix_gain(
                s.period,
                shaken,
                (GYRO_FACTOR * imu.rate_noise).max(LEAST_BIAS[0]) * g,
                gyro_walk * g,
                s.position_noise.max(0.01),
                s.velocity_noise.max(0.01),
            )?,
            None => SMatrix::zeros(),
        };
        let (height, lag) = match &sensors.barometer {
            Some(b) => (
                height_gain(b.period, shaken, accel_walk, PRESSURE_HEIGHT.hypot(b.noise / (density * g)))?,
                Lag::new(b.lag, b.period, motion.position.z),
            ),
            None => (Vec3::zeros(), Lag::new(0.0, 1.0, 0.0)),
        };
        Some(Self {
            attitude: motion.attitude,
            velocity: motion.velocity,
            position: motion.position,
            rate_bias: Vec3::zeros(),
            down_bias: 0.0,
            fix,
            height,
            lag,
            last: 0.0,
            last_fix: 0.0,
            declination: earth.map_or(0.0, |e| e.y.atan2(e.x)),
        })
    }

    /// Time since the last fix, s.
    pub(super) fn age(&self, now: f64) -> f64 {
        now - self.last_fix
    }

    fn turn(&mut self, by_earth: Vec3) {
        let by =
            if by_earth.norm() < 0.05 { small(by_earth) } else { UnitQuaternion::from_scaled_axis(by_earth) };
        self.attitude = by * self.attitude;
    }

    /// Takes a sample of gyro and accelerometer that stands for a time of `dt`.
    pub(super) fn inertial(&mut self, sample: &Sample, dt: f64) {
        self.last += dt;
        let mut rate = sample.rate - self.rate_bias;
        if self.age(self.last) > FIX_AGE
            && let Some(seen) = sample.accel.try_normalize(1.0)
        {
            let level = self.attitude.inverse_transform_vector(&-Vec3::z());
            let innovation = seen.cross(&level);
            rate += innovation * TILT_GAIN;
            self.rate_bias -= innovation * (0.25 * TILT_GAIN * TILT_GAIN * dt);
        }
        self.attitude = UnitQuaternion::new_normalize((self.attitude * small(rate * dt)).into_inner());
        let mut acceleration = self.attitude * sample.accel;
        acceleration.z += STANDARD_GRAVITY + self.down_bias;
        self.position += (self.velocity + acceleration * (0.5 * dt)) * dt;
        self.velocity += acceleration * dt;
    }

    /// Heading error that a field shows, rad; `None` where it has no horizontal part.
    fn heading_error(&self, field: &Vec3) -> Option<f64> {
        let seen = self.attitude * field;
        let size = seen.xy().norm();
        (size > 1e-9).then(|| wrapped(self.declination - seen.y.atan2(seen.x)))
    }

    /// Begins with the heading of the magnetometer.
    pub(super) fn align(&mut self, field: &Vec3) {
        if let Some(error) = self.heading_error(field) {
            self.turn(Vec3::z() * error);
        }
    }

    /// Takes a sample of the magnetometer that stands for a time of `dt`.
    pub(super) fn magnetic(&mut self, field: &Vec3, dt: f64) {
        let Some(error) = self.heading_error(field) else { return };
        let down = self.attitude.inverse_transform_vector(&Vec3::z());
        self.rate_bias -= down * (0.25 * HEADING_GAIN * HEADING_GAIN * error * dt);
        self.turn(Vec3::z() * (HEADING_GAIN * error * dt).clamp(-1.0, 1.0));
    }

    /// Takes the height that the pressure stands for.
    pub(super) fn pressure(&mut self, height: f64) {
        let innovation = -height - self.lag.step(self.position.z);
        let by = self.height * innovation;
        self.position.z += by.x;
        self.velocity.z += by.y;
        self.down_bias += by.z;
    }

    /// What a fix is to be held against later.
    pub(super) fn held(&self) -> Held {
        Held { position: self.position.xy(), velocity: self.velocity.xy() }
    }

    /// Takes a fix of age `late` (s) with what was held then; gives the correction as of that instant.
    pub(super) fn fix(&mut self, now: f64, late: f64, fix: &Fix, held: &Held) -> Held {
        let (dp, dv) = (fix.position - held.position, fix.velocity - held.velocity);
        let lost = self.age(now) > FIX_LOST;
        self.last_fix = now;
        let by = if lost {
            Held { position: dp, velocity: dv }
        } else {
            let gain = self.fix;
            let part = |row: usize| dp * gain[(row, 0)] + dv * gain[(row, 1)];
            let (tilt, drift) = (part(2) / STANDARD_GRAVITY, part(3) / STANDARD_GRAVITY);
            let limit = |v: f64| v.clamp(-MOST_TURN, MOST_TURN);
            // A turn (x, y) of the specific force (0, 0, -g) is an acceleration (-g y, g x).
            self.turn(Vec3::new(limit(tilt.y), limit(-tilt.x), 0.0));
            let drift = Vec3::new(limit(drift.y), limit(-drift.x), 0.0);
            self.rate_bias -= self.attitude.inverse_transform_vector(&drift);
            Held { position: part(0), velocity: part(1) }
        };
        let carried = by.position + by.velocity * late;
        self.position += Vec3::new(carried.x, carried.y, 0.0);
        self.velocity += Vec3::new(by.velocity.x, by.velocity.y, 0.0);
        by
    }

    /// Puts the true values in the place of what has no sensor.
    pub(super) fn told(&mut self, truth: &Motion, [heading, height, place]: [bool; 3]) {
        if !heading {
            let error = wrapped(truth.attitude.euler_angles().2 - self.attitude.euler_angles().2);
            self.turn(Vec3::z() * error);
        }
        if !height {
            (self.position.z, self.velocity.z) = (truth.position.z, truth.velocity.z);
        }
        if !place {
            (self.position.x, self.position.y) = (truth.position.x, truth.position.y);
            (self.velocity.x, self.velocity.y) = (truth.velocity.x, truth.velocity.y);
        }
    }
}

/// A small turn, exact to the third order.
fn small(by: Vec3) -> UnitQuaternion<f64> {
    let half = by * 0.5;
    UnitQuaternion::new_unchecked(nalgebra::Quaternion::new(
        1.0 - 0.5 * half.norm_squared(),
        half.x,
        half.y,
        half.z,
    ))
}

fn wrapped(angle: f64) -> f64 {
    let turn = std::f64::consts::TAU;
    angle - turn * (angle / turn).round()
}
