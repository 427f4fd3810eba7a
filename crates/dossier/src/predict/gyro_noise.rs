//! What the gyro's own noise asks of the rotors: r.m.s. of demanded angular acceleration.
//!
//! It rests on the IMU, the filters and the gains. Where an input moves none of them, what was computed at the
//! central aircraft holds.

use physics::aircraft::{Aircraft, Filter, Imu, Missing, RateLoop};
use physics::loops::noise;

use super::nominal::required_crossover;

/// R.m.s. by axis, with what it rests on.
#[derive(Debug, Clone)]
pub(super) struct GyroNoise {
    imu: Imu,
    filters: Vec<Filter>,
    rate_loop: Option<RateLoop>,
    from: f64,
    rms: Result<[f64; 3], Missing>,
}

/// Lower end of the band, Hz: three crossovers, where the loop no longer answers.
fn lower_end(aircraft: &Aircraft, imu: &Imu) -> f64 {
    (3.0 * required_crossover(aircraft) / std::f64::consts::TAU).min(0.25 / imu.sample_period)
}

impl GyroNoise {
    /// Of an aircraft with an IMU.
    pub(super) fn new(aircraft: &Aircraft) -> Option<Self> {
        let imu = aircraft.imu.clone()?;
        let from = lower_end(aircraft, &imu);
        let rms = all_axes(aircraft, &imu, from);
        Some(Self {
            imu,
            filters: aircraft.filters.clone(),
            rate_loop: aircraft.rate_loop.clone(),
            from,
            rms,
        })
    }

    /// R.m.s. of demanded angular acceleration about each axis, rad/s^2, above three crossovers.
    ///
    /// # Errors
    /// The key of the aircraft file that is missing.
    pub(super) fn rms(aircraft: &Aircraft, imu: &Imu, near: Option<&Self>) -> Result<[f64; 3], Missing> {
        let from = lower_end(aircraft, imu);
        match near {
            Some(n)
                if n.from == from
                    && n.imu == *imu
                    && n.filters == aircraft.filters
                    && n.rate_loop == aircraft.rate_loop =>
            {
                n.rms.clone()
            }
            _ => all_axes(aircraft, imu, from),
        }
    }
}

fn all_axes(aircraft: &Aircraft, imu: &Imu, from: f64) -> Result<[f64; 3], Missing> {
    let mut out = [0.0; 3];
    let gains = |axis: usize| aircraft.rate_loop.as_ref().map(|l| (l.p[axis], l.i[axis], l.d[axis]));
    for axis in 0..3 {
        // Axes with the same gains ask for the same.
        out[axis] = match (0..axis).find(|k| gains(*k).is_some() && gains(*k) == gains(axis)) {
            Some(same) => out[same],
            None => {
                let transfer = noise::gyro_to_command(aircraft, axis)?;
                noise::rms(&transfer, &|_| imu.rate_noise * imu.rate_noise, from, 0.5 / imu.sample_period)
            }
        };
    }
    Ok(out)
}
