//! From noise on the gyro to noise on the command.
//!
//! The loop is taken as open: a spectrum of the gyro as it was logged in flight has the loop's own effect in it
//! already; for the sensor's own noise density it holds above crossover, where nearly all of it is.

use nalgebra::Complex;

use super::filter;
use super::stage::Element;
use crate::aircraft::{Aircraft, Missing};

/// Transfer from the raw gyro (rad/s) to demanded angular acceleration (rad/s^2), as a function of angular
/// frequency, rad/s: filters at the gyro's sample rate, then p + i/s + d s/(1 + d_lag s).
///
/// `axis` is 0 roll, 1 pitch, 2 yaw. Valid below half the sample rate. A filter that cannot be realised counts as missing.
pub fn gyro_to_command(
    aircraft: &Aircraft,
    axis: usize,
) -> Result<impl Fn(f64) -> Complex<f64> + use<>, Missing> {
    let imu = aircraft.imu()?;
    let rate_loop = aircraft.rate_loop()?;
    let sample_rate = 1.0 / imu.sample_period;
    let mut sections = Vec::new();
    for (k, each) in aircraft.filters.iter().enumerate() {
        let part =
            filter::cascade(each, sample_rate).map_err(|_| Missing::new(&format!("filter.{}", k + 1)))?;
        sections.extend(part);
    }
    let gain = |list: &[f64; 3]| list.get(axis).copied().ok_or_else(|| Missing::new("loop.rate.p"));
    let controller = Element::Pid {
        p: gain(&rate_loop.p)?,
        i: gain(&rate_loop.i)?,
        d: gain(&rate_loop.d)?,
        d_lag: rate_loop.d_lag,
    };
    Ok(move |omega: f64| {
        filter::response(&sections, omega, sample_rate) * controller.at(Complex::new(0.0, omega))
    })
}

/// Root mean square of the output over `from` to `to`, Hz.
///
/// `transfer` takes rad/s; `density` is the one-sided power density of the input over Hz, as (rad/s)^2/Hz.
/// By the trapezium rule over 4000 points spaced evenly in frequency; zero for an empty band.
pub fn rms(transfer: &dyn Fn(f64) -> Complex<f64>, density: &dyn Fn(f64) -> f64, from: f64, to: f64) -> f64 {
    const POINTS: usize = 4000;
    if !(from > 0.0 && to > from && to.is_finite()) {
        return 0.0;
    }
    let step = (to - from) / POINTS as f64;
    let mut sum = 0.0;
    for k in 0..=POINTS {
        let frequency = from + step * k as f64;
        let weight = if k == 0 || k == POINTS { 0.5 } else { 1.0 };
        let power = transfer(std::f64::consts::TAU * frequency).norm_sqr() * density(frequency);
        sum += weight * power;
    }
    (sum * step).max(0.0).sqrt()
}
