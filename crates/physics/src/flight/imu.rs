//! Inertial measurement unit: sampling, delay, white noise, range, and bias where a flight has sensing.
//!
//! The delay stands for the sensor's own filtering and transfer: a sample shows the motion of that
//! much earlier. The noise is white up to half the sample rate: standard deviation = density
//! x sqrt(sample rate / 2) (one-sided density; IEEE Std 952 convention, from memory). Nothing is
//! done against folding: vibration above half the sample rate appears below it. The range cuts off each sample with all
//! that shakes it.

use std::collections::VecDeque;

use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};

use super::esc::nanoseconds;
use super::plant::Outputs;
use super::sensors::Biased;
use crate::Vec3;
use crate::aircraft::Imu;
use crate::sensors::Bias;

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
    bias: Option<Biased>,
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
    pub(super) fn new(imu: &Imu, centre: &Vec3, seed: u64, bias: Option<&Bias>) -> Self {
        let mut rng = ChaCha8Rng::seed_from_u64(seed);
        rng.set_stream(1);
        let root = (0.5 / imu.sample_period).sqrt();
        let late = imu.delay.rem_euclid(imu.sample_period);
        Self {
            rng,
            bias: bias.map(|b| Biased::new(b, imu, seed)),
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
        let (mut rate, mut accel) = (*omega, self.specific_force(omega, outputs));
        if let Some(bias) = &mut self.bias {
            bias.walk();
            rate += bias.rate;
            accel += bias.accel;
        }
        let rate = self.read(&rate, self.gyro_sigma, self.rate_range);
        let accel = self.read(&accel, self.accel_sigma, self.accel_range);
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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::sensors::DRIFT_TIME;

    fn imu() -> Imu {
        Imu {
            sample_period: 0.05,
            delay: 0.0,
            rate_range: 30.0,
            rate_noise: 2e-3,
            accel_range: 20.0,
            accel_noise: 0.0,
            at: Vec3::zeros(),
        }
    }

    /// Overlapping Allan variance of a rate by its sum (IEEE Std 952-1997, annex C; from memory).
    fn allan(angle: &[f64], period: f64, n: usize) -> f64 {
        let terms = angle.windows(2 * n + 1).map(|w| (w[2 * n] - 2.0 * w[n] + w[0]).powi(2));
        terms.sum::<f64>() / (2.0 * (n as f64 * period).powi(2) * (angle.len() - 2 * n) as f64)
    }

    #[test]
    fn val_noise_and_walk_have_the_allan_variance_of_the_standard() {
        // One-sided density n: n^2/(2 tau); walk K: K^2 tau/3. A constant bias has none.
        let bias = Bias { rate: 0.05, rate_drift: 0.01, accel: 0.0, accel_drift: 0.0 };
        let walk = bias.rate_drift / DRIFT_TIME.sqrt();
        let samples = 80_000;
        let mut found = [0.0; 2];
        let spans = [4_usize, 400];
        for seed in 0..4 {
            let mut sensor = Sensor::new(&imu(), &Vec3::zeros(), seed, Some(&bias));
            let mut angles = vec![vec![0.0]; 3];
            for _ in 0..samples {
                sensor.sample(&Vec3::zeros(), &Outputs::new());
                let rate = sensor.receive(u64::MAX).map_or(Vec3::zeros(), |s| s.rate);
                for (angle, r) in angles.iter_mut().zip(rate.iter()) {
                    angle.push(angle.last().copied().unwrap_or(0.0) + r * 0.05);
                }
            }
            for (f, n) in found.iter_mut().zip(spans) {
                *f += angles.iter().map(|a| allan(a, 0.05, n)).sum::<f64>() / 12.0;
            }
        }
        for (f, n) in found.iter().zip(spans) {
            let tau = n as f64 * 0.05;
            let expected = (imu().rate_noise.powi(2) / (2.0 * tau) + walk.powi(2) * tau / 3.0).sqrt();
            let what = format!("Allan deviation of a gyro at {tau} s, rad/s");
            println!(
                "VALIDATION|sensing|{what}|IEEE Std 952-1997, annex C, from memory|{expected:.9}|{:.9}|4.0e-2 relative",
                f.sqrt()
            );
            assert!((f.sqrt() / expected - 1.0).abs() < 0.04, "{} {expected}", f.sqrt());
        }
    }

    #[test]
    fn val_range_cuts_the_shaking_signal() {
        // -g + A sin: cut at -R the mean rises by A/pi (sqrt(1 - c^2) - c acos(c)), c = (R - g)/A.
        let mut sensor = Sensor::new(&Imu { rate_noise: 0.0, ..imu() }, &Vec3::zeros(), 1, None);
        let (g, amplitude, samples) = (9.81, 15.0, 10_000);
        let mut mean = 0.0;
        for k in 0..samples {
            let mut out = Outputs::new();
            out.specific_force.z =
                -g + amplitude * (std::f64::consts::TAU * 0.061_803_4 * f64::from(k)).sin();
            sensor.sample(&Vec3::zeros(), &out);
            mean += sensor.receive(u64::MAX).map_or(0.0, |s| s.accel.z) / f64::from(samples);
        }
        let c: f64 = (imu().accel_range - g) / amplitude;
        let expected = -g + amplitude / std::f64::consts::PI * ((1.0 - c * c).sqrt() - c * c.acos());
        println!(
            "VALIDATION|sensing|mean of an accelerometer that clips, m/s^2|mean of a cut sine, closed form|{expected:.9}|{mean:.9}|1.0e-2"
        );
        assert!((mean - expected).abs() < 0.01, "{mean} {expected}");
    }
}
