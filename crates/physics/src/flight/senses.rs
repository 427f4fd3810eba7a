//! Sensors and estimator of a flight together.

use super::FlightError;
use super::controller::Motion;
use super::esc::seconds;
use super::estimator::{COAST, Estimator, Held};
use super::faults::Effects;
use super::imu::Sample;
use super::scenario::Scenario;
use super::sensors::{BarometerRun, Fix, MagnetometerRun, SatelliteRun, World};
use crate::Vec3;
use crate::aircraft::Aircraft;
use crate::atmosphere::Air;
use crate::sensors::sources;

/// What the sensors showed last; NaN before.
#[derive(Debug, Clone, Copy)]
pub(super) struct Shown {
    pub field: Vec3,
    pub pressure: f64,
    pub fix: Fix,
}

/// The sensors beside the inertial unit, and what is made of them.
#[derive(Debug)]
pub(super) struct Senses {
    magnetometer: Option<(MagnetometerRun, f64)>,
    barometer: Option<BarometerRun>,
    satellite: Option<SatelliteRun<Held>>,
    pub estimator: Estimator,
    pub shown: Shown,
    sample_period: f64,
    flown: bool,
}

impl Senses {
    /// `None` where the scenario has no sensing.
    pub(super) fn new(
        aircraft: &Aircraft,
        air: &Air,
        scenario: &Scenario,
        world: &World,
        truth: &Motion,
    ) -> Result<Option<Self>, FlightError> {
        let Some(sensing) = &scenario.sensing else { return Ok(None) };
        let imu = aircraft.imu()?;
        let s = &aircraft.sensors;
        let seed = scenario.seed;
        let [_, heading, ..] = sources(aircraft, sensing.earth.as_ref());
        let magnetometer = match (&s.magnetometer, aircraft.magnetic.magnetometer, sensing.earth) {
            (Some(m), Some(at), Some(earth)) if heading.missing.is_none() => {
                Some((MagnetometerRun::new(m, earth, aircraft.magnetic.per_ampere(&at), seed), m.period))
            }
            _ => None,
        };
        let mut estimator = Estimator::new(imu, s, sensing.earth.as_ref(), truth, air.density)
            .ok_or(FlightError::NoEstimate)?;
        if let Some((m, _)) = &magnetometer {
            estimator.align(&m.field(world));
        }
        let nan = f64::NAN;
        Ok(Some(Self {
            magnetometer,
            barometer: s.barometer.as_ref().map(|b| BarometerRun::new(b, air, world, seed)),
            satellite: s.satellite.as_ref().map(|s| SatelliteRun::new(s, seed)),
            estimator,
            shown: Shown {
                field: Vec3::repeat(nan),
                pressure: nan,
                fix: Fix {
                    position: nalgebra::Vector2::repeat(nan),
                    velocity: nalgebra::Vector2::repeat(nan),
                },
            },
            sample_period: imu.sample_period,
            flown: sensing.flown,
        }))
    }

    /// Takes a sample of the inertial unit.
    pub(super) fn inertial(&mut self, sample: &Sample) {
        self.estimator.inertial(sample, self.sample_period);
    }

    /// Takes what the other sensors show by now.
    pub(super) fn look(&mut self, world: &World, truth: &Motion, effects: &Effects) {
        let now = seconds(world.now);
        if let Some((m, period)) = &mut self.magnetometer
            && let Some(field) = m.look(world, effects.stuck_magnetometer)
        {
            self.shown.field = field;
            self.estimator.magnetic(&field, *period);
        }
        if let Some(b) = &mut self.barometer
            && let Some((pressure, height)) = b.look(world, effects.stuck_barometer)
        {
            self.shown.pressure = pressure;
            self.estimator.pressure(height);
        }
        if let Some(s) = &mut self.satellite
            && let Some((taken, fix, held)) = s.look(world, effects.satellites(now), self.estimator.held())
        {
            self.shown.fix = fix;
            let by = self.estimator.fix(now, now - seconds(taken), &fix, &held);
            s.amend(|at, held| {
                held.position += by.position + by.velocity * seconds(at.saturating_sub(taken));
                held.velocity += by.velocity;
            });
        }
        let there = [self.magnetometer.is_some(), self.barometer.is_some(), self.satellite.is_some()];
        self.estimator.told(truth, there);
    }

    /// What the loops fly on.
    pub(super) fn motion(&self, truth: Motion) -> Motion {
        if !self.flown {
            return truth;
        }
        let e = &self.estimator;
        Motion {
            rate: truth.rate,
            attitude: e.attitude,
            velocity: e.velocity,
            position: e.position,
            voltage: truth.voltage,
        }
    }

    /// Whether place and velocity are good enough to fly on.
    pub(super) fn placed(&self, now: f64, effects: &Effects) -> bool {
        match &self.satellite {
            Some(_) if self.flown => self.estimator.age(now) < COAST,
            _ => effects.satellites(now),
        }
    }
}
