//! Motors at the common bus: currents and bus voltage for given speeds and voltage fractions.
//!
//! The motor is that of [`crate::powertrain::motor`], without inductance: current i = (c V - K w) / R, with c
//! the fraction of the bus voltage V that the ESC applies and R the winding and the ESC in series,
//! and c i drawn from the bus. A braking ESC lets the current reverse, which feeds the bus; one that
//! does not holds it at zero or above, so that the rotor runs down freely.

use super::plant::{Commands, MOST_ROTORS};
use crate::powertrain::{BatteryModel, MotorModel};

/// Intervals of the open-circuit curve.
const CURVE: usize = 1024;

/// Battery, motors and everything else on the bus.
#[derive(Debug, Clone)]
pub(super) struct Supply {
    pub motor: MotorModel,
    pub battery: BatteryModel,
    /// Constant power of everything but the motors, W.
    pub avionics: f64,
    /// Resistance in each motor's current path, ohm, and one over it.
    pub paths: [f64; MOST_ROTORS],
    per_path: [f64; MOST_ROTORS],
    /// Resistance of the cells as stated, ohm.
    pub cell_resistance_cold: f64,
    /// Open-circuit voltage of the pack at evenly spaced charges, V.
    curve: Vec<f64>,
}

/// State of the bus.
#[derive(Debug, Clone, Copy)]
pub(super) struct Bus {
    pub voltage: f64,
    pub current: f64,
    pub avionics_power: f64,
}

impl Supply {
    pub(super) fn new(motor: MotorModel, battery: BatteryModel, avionics: f64) -> Self {
        let curve = (0..=CURVE).map(|k| battery.open_circuit(k as f64 / CURVE as f64)).collect();
        let path = motor.path_resistance();
        Self {
            paths: [path; MOST_ROTORS],
            per_path: [1.0 / path; MOST_ROTORS],
            cell_resistance_cold: battery.cell_resistance,
            motor,
            battery,
            avionics,
            curve,
        }
    }

    /// Sets the resistance in the current path of motor k, ohm; a nonsense one is left out.
    pub(super) fn set_path(&mut self, k: usize, path: f64) {
        if let Some((own, inverse)) = self.paths.get_mut(k).zip(self.per_path.get_mut(k))
            && path > 0.0
            && path.is_finite()
        {
            (*own, *inverse) = (path, 1.0 / path);
        }
    }

    /// Open-circuit voltage of the pack, V, at a charge of 0 to 1: linear between 1025 points of its curve.
    pub(super) fn open_circuit(&self, charge: f64) -> f64 {
        let place = (charge * CURVE as f64).clamp(0.0, CURVE as f64);
        let below = (place as usize).min(CURVE - 1);
        match self.curve.get(below..below + 2) {
            Some([a, b]) => a + (place - below as f64) * (b - a),
            _ => 0.0,
        }
    }

    /// No-load torque at a speed, N m, as opposed to the rotation. The constant torque of the motor
    /// model is faded within about 1 rad/s of standstill, so that a stopped rotor stays stopped.
    pub(super) fn friction(&self, speed: f64) -> f64 {
        // tanh is 1 to the last digit from 20 on.
        let fade = if speed > 20.0 { 1.0 } else { speed.tanh() };
        self.motor.kt * self.motor.no_load(speed) * fade
    }

    /// Rate of the RC pair's voltage, V/s, at that voltage, V, and a current, A.
    pub(super) fn polarisation_rate(&self, voltage: f64, current: f64) -> f64 {
        let time = self.battery.polarisation_time;
        if time > 0.0 { (current * self.battery.polarisation_resistance - voltage) / time } else { 0.0 }
    }

    /// Solves the bus behind a source voltage, V (open circuit less RC pair), and writes the motor
    /// currents, A. Closed form: the motors are linear in the bus voltage, the avionics draw constant
    /// power. Which of the motors that cannot brake carry no current is found by leaving
    /// them out one round after another; each exclusion lowers the bus, so it is never taken back.
    /// Where the source cannot carry the avionics as well, the bus is at the voltage of greatest power
    /// and they get what there is.
    pub(super) fn bus(&self, source: f64, commands: &Commands, speeds: &[f64], currents: &mut [f64]) -> Bus {
        let (kt, braking) = (self.motor.kt, self.motor.braking);
        let resistance = self.battery.ohmic_resistance();
        let chops = self.motor.chopping > 0.0;
        // Edges of chopping draw whichever way the current goes.
        let share = |c: f64, drives: bool| {
            if !chops {
                return c;
            }
            let edges = self.motor.chopping_at(c);
            if drives { c + edges } else { c - edges }
        };
        let (mut voltage, mut power) = (f64::INFINITY, self.avionics);
        // Which motors the last round took as driven, a bit each.
        let mut last = u32::MAX;
        for _ in 0..=speeds.len() + 1 {
            let (mut slope, mut emf, mut driven) = (0.0, 0.0, 0_u32);
            for (k, (c, &w)) in commands.iter().zip(speeds).enumerate() {
                let Some(c) = *c else { continue };
                let drives = c * voltage >= kt * w;
                driven |= u32::from(drives) << k;
                if drives || braking {
                    let share = share(c, drives) * self.per_path[k];
                    slope += share * c;
                    emf += share * w;
                }
            }
            if driven == last {
                break;
            }
            let first = last == u32::MAX;
            last = driven;
            let a = 1.0 + resistance * slope;
            let b = source + resistance * kt * emf;
            let root = b * b - 4.0 * a * resistance * self.avionics;
            voltage = if root >= 0.0 {
                power = self.avionics;
                (b + root.sqrt()) / (2.0 * a)
            } else {
                power = b * b / (4.0 * a * resistance);
                b / (2.0 * a)
            };
            if first && braking && !chops {
                break;
            }
        }
        let mut drawn = if voltage > 0.0 { power / voltage } else { 0.0 };
        for (((c, &w), current), per_path) in commands.iter().zip(speeds).zip(currents).zip(&self.per_path) {
            *current = 0.0;
            if let Some(c) = *c {
                let free = (c * voltage - w * kt) * per_path;
                *current = if braking { free } else { free.max(0.0) };
                drawn += c * *current;
                if chops {
                    drawn += self.motor.chopping_at(c) * current.abs();
                }
            }
        }
        Bus { voltage, current: drawn, avionics_power: power }
    }
}
