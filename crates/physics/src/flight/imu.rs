//! Inertial measurement unit: sampling, delay, white noise, range.
//!
//! The delay stands for the sensor's own filtering and transfer: a sample shows the motion of that
//! much earlier. The noise is white up to half the sample rate: standard deviation = density
//! x sqrt(sample rate / 2) (one-sided density; IEEE Std 952 convention, from memory). Nothing is
//! done against folding: vibration above half the sample rate appears below it.

use std::collections::VecDeque;

use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};

use super::esc::nanoseconds;
use super::plant::Outputs;
use crate::Vec3;
use crate::aircraft::Imu;

/// One sample of gyro (rad/s) and accelerometer (m/s^2).
#[derive(Debug, Clone, Copy)]
pub(super) struct Sample {
    pub rate: Vec3,
    pub accel: Vec3,
}

/// The sensor as it runs.
#[derive(Debug)]
pub(super) struct Sensor {
    rng: ChaCha8Rng,
    at: Vec3,
    gyro_sigma: f64,
    accel_sigma: f64,
    rate_range: f64,
    accel_range: f64,
    period: f64,
    delay: u64,
    first: f64,
    taken: u64,
    on_the_way: VecDeque<(u64, Sample)>,
}

impl Sensor {
    /// `centre` is the aircraft's centre of mass from the reference point. Samples arrive at whole
    /// multiples of the sample period, when the loop can use them.
    pub(super) fn new(imu: &Imu, centre: &Vec3, seed: u64) -> Self {
        let mut rng = ChaCha8Rng::seed_from_u64(seed);
        rng.set_stream(1);
        let root = (0.5 / imu.sample_period).sqrt();
        let late = imu.delay.rem_euclid(imu.sample_period);
        Self {
            rng,
            at: imu.at - centre,
            gyro_sigma: imu.rate_noise * root,
            accel_sigma: imu.accel_noise * root,
            rate_range: imu.rate_range,
            accel_range: imu.accel_range,
            period: imu.sample_period,
            delay: nanoseconds(imu.delay),
            first: if late > 0.0 { imu.sample_period - late } else { 0.0 },
            taken: 0,
            on_the_way: VecDeque::new(),
        }
    }

    /// Instant of the next sample, ns.
    pub(super) fn next(&self) -> u64 {
        nanoseconds(self.first + self.taken as f64 * self.period)
    }

    /// A sample without noise, for the time before the first one arrives.
    pub(super) fn at_start(&self, omega: &Vec3, outputs: &Outputs) -> Sample {
        Sample { rate: *omega, accel: self.specific_force(omega, outputs) }
    }

    fn specific_force(&self, omega: &Vec3, outputs: &Outputs) -> Vec3 {
        outputs.specific_force
            + outputs.angular_acceleration.cross(&self.at)
            + omega.cross(&omega.cross(&self.at))
    }

    /// Takes the sample that is due.
    pub(super) fn sample(&mut self, omega: &Vec3, outputs: &Outputs) {
        let rate = self.read(omega, self.gyro_sigma, self.rate_range);
        let accel = self.read(&self.specific_force(omega, outputs), self.accel_sigma, self.accel_range);
        // To the nanosecond the sum of instant and delay is a multiple of the period.
        let arrives = self.next() + self.delay;
        self.on_the_way.push_back((arrives.saturating_sub(1), Sample { rate, accel }));
        self.taken += 1;
    }

    fn read(&mut self, truth: &Vec3, sigma: f64, range: f64) -> Vec3 {
        truth.map(|v| {
            let noise: f64 = StandardNormal.sample(&mut self.rng);
            (v + sigma * noise).clamp(-range, range)
        })
    }

    /// The next sample that has arrived by `now`.
    pub(super) fn receive(&mut self, now: u64) -> Option<Sample> {
        match self.on_the_way.front() {
            Some(&(at, sample)) if at <= now => {
                self.on_the_way.pop_front();
                Some(sample)
            }
            _ => None,
        }
    }
}
