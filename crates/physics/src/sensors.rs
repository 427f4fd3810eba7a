//! What an aircraft carries to tell where it is and which way it points, beside the inertial unit's noise and range.
//!
//! A sensor that is not described is `None`: what needs it is then not estimated ([`sources`] says so by name).

use serde::Serialize;

use crate::Vec3;
use crate::aircraft::{Aircraft, Missing};

/// Time over which a drift is stated, s: a random walk wanders by the stated drift (one standard deviation) in so long.
pub const DRIFT_TIME: f64 = 60.0;

/// Every sensor.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Default)]
pub struct Sensors {
    /// Bias of gyro and accelerometer.
    pub bias: Bias,
    /// Magnetometer; its place is in [`crate::magnetic::Magnetic`].
    pub magnetometer: Option<Magnetometer>,
    /// Barometer.
    pub barometer: Option<Barometer>,
    /// Satellite receiver.
    pub satellite: Option<Satellite>,
}

/// What gyro and accelerometer show too much, each axis by itself: a constant drawn for the flight, and a random walk.
/// Standard deviations; zero where not stated.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Default)]
pub struct Bias {
    /// Gyro, constant, rad/s.
    pub rate: f64,
    /// Gyro, wander in [`DRIFT_TIME`], rad/s.
    pub rate_drift: f64,
    /// Accelerometer, constant, m/s^2.
    pub accel: f64,
    /// Accelerometer, wander in [`DRIFT_TIME`], m/s^2.
    pub accel_drift: f64,
}

/// A magnetometer.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Magnetometer {
    /// Sample period, s.
    pub period: f64,
    /// Delay of a sample, s.
    pub delay: f64,
    /// Standard deviation of one sample per axis, T.
    pub noise: f64,
    /// Standard deviation of what calibration left per axis, T.
    pub bias: f64,
}

/// A barometer.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Barometer {
    /// Sample period, s.
    pub period: f64,
    /// Time constant of the first-order lag of port and filter, s.
    pub lag: f64,
    /// Standard deviation of one sample, Pa.
    pub noise: f64,
    /// Wander in [`DRIFT_TIME`], one standard deviation, Pa.
    pub drift: f64,
    /// Pressure error over thrust per disc area: what the rotors do to the pressure at the port.
    pub wash: f64,
    /// Pressure error over the dynamic pressure of the airspeed.
    pub ram: f64,
}

/// A satellite receiver.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Satellite {
    /// Time between fixes, s.
    pub period: f64,
    /// Delay of a fix, s.
    pub delay: f64,
    /// Standard deviation of the place per horizontal axis, m.
    pub position_noise: f64,
    /// Correlation time of that, s.
    pub correlation: f64,
    /// Standard deviation of the velocity of one fix per horizontal axis, m/s.
    pub velocity_noise: f64,
    /// Mean time from one dropout to the next, s; `None` for no dropouts.
    pub dropout_every: Option<f64>,
    /// Mean length of a dropout, s.
    pub dropout_time: f64,
}

/// Where a flight on estimates takes what its loops work on.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Source {
    /// Which part of the motion.
    pub what: &'static str,
    /// From which sensors it is estimated.
    pub sensors: &'static str,
    /// Why it cannot be, so that the true one is flown.
    pub missing: Option<Missing>,
}

/// What of the motion of an aircraft can be estimated, and from what. `earth` is the earth's field at the site.
///
/// Roll and pitch always can where there is an inertial unit.
pub fn sources(aircraft: &Aircraft, earth: Option<&Vec3>) -> [Source; 4] {
    let s = &aircraft.sensors;
    let need = |there: bool, key: &str| (!there).then(|| Missing::new(key));
    let heading = need(aircraft.magnetic.magnetometer.is_some(), "magnetometer")
        .or_else(|| need(s.magnetometer.is_some(), "magnetometer.rate` and `magnetometer.noise"))
        .or_else(|| need(earth.is_some(), "site.latitude` and `site.longitude"));
    [
        Source {
            what: "roll and pitch",
            sensors: "gyro and accelerometer",
            missing: need(aircraft.imu.is_some(), "imu"),
        },
        Source { what: "heading", sensors: "gyro and magnetometer", missing: heading },
        Source {
            what: "height and climb",
            sensors: "accelerometer and barometer",
            missing: need(s.barometer.is_some(), "barometer"),
        },
        Source {
            what: "place and velocity",
            sensors: "accelerometer and satellite receiver",
            missing: need(s.satellite.is_some(), "satellite"),
        },
    ]
}
