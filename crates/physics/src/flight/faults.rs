//! What may fail in a flight, and when.

use serde::Serialize;

use super::drive::Supply;
use super::imu::Sample;
use super::plant::Plant;
use crate::Vec3;
use crate::aircraft::Aircraft;
use crate::mass::mass_properties;

/// What fails.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
#[serde(rename_all = "kebab-case", tag = "fault")]
pub enum FaultKind {
    /// The motor of a rotor (from 0) gets no current any more: it runs down.
    RotorStop {
        /// Rotor, from 0.
        rotor: usize,
    },
    /// A damaged propeller: thrust and torque of a rotor times a factor.
    RotorPartial {
        /// Rotor, from 0.
        rotor: usize,
        /// What is left, 0 to 1.
        left: f64,
    },
    /// The ESC of a rotor answers later by so much, s.
    EscSlow {
        /// Rotor, from 0.
        rotor: usize,
        /// Added dead time, s.
        by: f64,
    },
    /// The gyro of an axis (0 roll, 1 pitch, 2 yaw) stays at the value it had.
    StuckSensor {
        /// Axis.
        axis: usize,
    },
    /// The accelerometer stays at the values it had. Only felt by a flight on estimates, as are the next two.
    StuckAccelerometer,
    /// The magnetometer stays at the values it had.
    StuckMagnetometer,
    /// The barometer stays at the value it had.
    StuckBarometer,
    /// The radio link is lost for a time.
    LinkLoss {
        /// Time, s; infinite for good.
        lasts: f64,
    },
    /// The resistance of one cell of the pack grows by a factor.
    WeakCell {
        /// Factor on the cell's resistance.
        factor: f64,
    },
    /// No satellite position or velocity for a time. On estimates the loops that need them go on by dead reckoning for 5 s;
    /// then, and on the true motion at once, they level the aircraft meanwhile.
    SatelliteLoss {
        /// Time, s; infinite for good.
        lasts: f64,
    },
    /// The payload moves.
    PayloadShift {
        /// By so much, body axes, m.
        by: Vec3,
    },
    /// The payload is dropped.
    PayloadDrop,
}

/// A fault at a time.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Fault {
    /// Time, s.
    pub at: f64,
    /// What fails.
    #[serde(flatten)]
    pub kind: FaultKind,
}

/// Why a fault cannot happen to an aircraft, in words.
pub fn objection(fault: &Fault, aircraft: &Aircraft) -> Option<String> {
    let n = aircraft.stations.len();
    let rotor = |r: usize| (r >= n).then(|| format!("rotor {} of {n} rotors", r + 1));
    let share = |what: &str, v: f64, low: f64, high: f64| {
        (!(low..=high).contains(&v)).then(|| format!("{what} is {v}, but must be {low} to {high}"))
    };
    if !(fault.at >= 0.0 && fault.at.is_finite()) {
        return Some(format!("a fault at {} s", fault.at));
    }
    match fault.kind {
        FaultKind::RotorStop { rotor: r } => rotor(r),
        FaultKind::RotorPartial { rotor: r, left } => {
            rotor(r).or_else(|| share("what is left", left, 0.0, 1.0))
        }
        FaultKind::EscSlow { rotor: r, by } => rotor(r).or_else(|| share("the added time (s)", by, 0.0, 1.0)),
        FaultKind::StuckSensor { axis } => (axis > 2).then(|| "an axis is roll, pitch or yaw".to_owned()),
        FaultKind::StuckAccelerometer => None,
        FaultKind::StuckMagnetometer => {
            let there = aircraft.magnetic.magnetometer.is_some() && aircraft.sensors.magnetometer.is_some();
            (!there).then(|| "the aircraft file describes no magnetometer with rate and noise".to_owned())
        }
        FaultKind::StuckBarometer => aircraft
            .sensors
            .barometer
            .is_none()
            .then(|| "the aircraft file describes no barometer".to_owned()),
        FaultKind::LinkLoss { lasts } | FaultKind::SatelliteLoss { lasts } => {
            (lasts.is_nan() || lasts < 0.0).then(|| "a loss lasts zero or more".to_owned())
        }
        FaultKind::WeakCell { factor } => share("the factor", factor, 1.0, 100.0),
        FaultKind::PayloadShift { .. } | FaultKind::PayloadDrop => {
            (!aircraft.bodies.iter().any(|b| b.payload)).then(|| "the aircraft carries no payload".to_owned())
        }
    }
}

/// What faults have done so far to what the run holds; the rest they do to the plant.
#[derive(Debug, Clone)]
pub(super) struct Effects {
    pub stopped: Vec<bool>,
    pub stuck: [Option<f64>; 3],
    pub stuck_accel: Option<Vec3>,
    pub stuck_magnetometer: bool,
    pub stuck_barometer: bool,
    link_until: f64,
    satellite_until: f64,
}

impl Effects {
    pub(super) fn new(rotors: usize) -> Self {
        Self {
            stopped: vec![false; rotors],
            stuck: [None; 3],
            stuck_accel: None,
            stuck_magnetometer: false,
            stuck_barometer: false,
            link_until: f64::NEG_INFINITY,
            satellite_until: f64::NEG_INFINITY,
        }
    }

    /// Whether the link is there.
    pub(super) fn link(&self, now: f64) -> bool {
        now >= self.link_until
    }

    /// Whether satellite position and velocity are there.
    pub(super) fn satellites(&self, now: f64) -> bool {
        now >= self.satellite_until
    }

    /// A sample as a stuck sensor shows it.
    pub(super) fn seen(&self, sample: &mut Sample) {
        sample.accel = self.stuck_accel.unwrap_or(sample.accel);
        for (value, stuck) in sample.rate.iter_mut().zip(self.stuck) {
            if let Some(s) = stuck {
                *value = s;
            }
        }
    }

    /// Lets a fault happen. Delays of ESCs are for the caller: it has the paths.
    pub(super) fn happen(
        &mut self,
        fault: &Fault,
        plant: &mut Plant<'_>,
        aircraft: &Aircraft,
        sample: &Sample,
    ) {
        match fault.kind {
            FaultKind::RotorStop { rotor } => {
                if let Some(s) = self.stopped.get_mut(rotor) {
                    *s = true;
                }
            }
            FaultKind::RotorPartial { rotor, left } => {
                if let Some(h) = plant.hubs.get_mut(rotor) {
                    h.thrust_factor *= left;
                    h.torque_factor *= left;
                }
            }
            FaultKind::EscSlow { .. } => {}
            FaultKind::StuckSensor { axis } => {
                if let Some((s, r)) = self.stuck.get_mut(axis).zip(sample.rate.get(axis)) {
                    *s = Some(*r);
                }
            }
            FaultKind::StuckAccelerometer => self.stuck_accel = Some(sample.accel),
            FaultKind::StuckMagnetometer => self.stuck_magnetometer = true,
            FaultKind::StuckBarometer => self.stuck_barometer = true,
            FaultKind::LinkLoss { lasts } => self.link_until = fault.at + lasts,
            FaultKind::SatelliteLoss { lasts } => self.satellite_until = fault.at + lasts,
            FaultKind::WeakCell { factor } => weaken(&mut plant.supply, factor),
            FaultKind::PayloadShift { by } => {
                let mut bodies = aircraft.bodies.clone();
                bodies.iter_mut().filter(|b| b.payload).for_each(|b| b.at += by);
                plant.carry(aircraft, &mass_properties(&bodies));
            }
            FaultKind::PayloadDrop => {
                plant.carry(aircraft, &mass_properties(&aircraft.without_payload().bodies));
            }
        }
    }
}

/// One cell of a series string with a greater resistance.
fn weaken(supply: &mut Supply, factor: f64) {
    let whole = 1.0 + (factor - 1.0) / supply.battery.series.max(1.0);
    supply.battery.cell_resistance *= whole;
    supply.cell_resistance_cold *= whole;
}
