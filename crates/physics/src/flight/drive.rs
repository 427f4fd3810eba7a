//! Motors at the common bus: currents and bus voltage for given speeds and voltage fractions.
//!
//! The motor is that of [`crate::powertrain::motor`], without inductance: current i = (c V - K w) / R, with c
//! the fraction of the bus voltage V that the ESC applies and R the winding and the ESC in series,
//! and c i drawn from the bus. A braking ESC lets the current reverse, which feeds the bus; one that
//! does not holds it at zero or above, so that the rotor runs down freely.

use crate::powertrain::{BatteryModel, MotorModel};

/// Battery, motors and everything else on the bus.
#[derive(Debug, Clone)]
pub(super) struct Supply {
    pub motor: MotorModel,
    pub battery: BatteryModel,
    /// Constant power of everything but the motors, W.
    pub avionics: f64,
}

/// State of the bus.
#[derive(Debug, Clone, Copy)]
pub(super) struct Bus {
    pub voltage: f64,
    pub current: f64,
    pub avionics_power: f64,
}

impl Supply {
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
    pub(super) fn bus(
        &self,
        source: f64,
        commands: &[Option<f64>],
        speeds: &[f64],
        currents: &mut [f64],
    ) -> Bus {
        let (kt, path) = (self.motor.kt, self.motor.path_resistance());
        let resistance = self.battery.ohmic_resistance();
        let conducts = |c: f64, w: f64, v: f64| self.motor.braking || c * v >= kt * w;
        // Edges of chopping draw whichever way the current goes.
        let share = |c: f64, w: f64, v: f64| {
            let edges = self.motor.chopping_at(c);
            if c * v >= kt * w { c + edges } else { c - edges }
        };
        let (mut voltage, mut power) = (f64::INFINITY, self.avionics);
        for _ in 0..=commands.len() {
            let (mut slope, mut emf) = (0.0, 0.0);
            for (c, &w) in commands.iter().zip(speeds) {
                if let Some(c) = *c
                    && conducts(c, w, voltage)
                {
                    let share = share(c, w, voltage);
                    slope += share * c;
                    emf += share * w;
                }
            }
            let a = 1.0 + resistance * slope / path;
            let b = source + resistance * kt * emf / path;
            let root = b * b - 4.0 * a * resistance * self.avionics;
            let solved = if root >= 0.0 {
                power = self.avionics;
                (b + root.sqrt()) / (2.0 * a)
            } else {
                power = b * b / (4.0 * a * resistance);
                b / (2.0 * a)
            };
            if solved == voltage {
                break;
            }
            voltage = solved;
        }
        let mut drawn = if voltage > 0.0 { power / voltage } else { 0.0 };
        for ((c, &w), current) in commands.iter().zip(speeds).zip(currents) {
            *current = 0.0;
            if let Some(c) = *c {
                *current = self.motor.current(c * voltage, w);
                drawn += self.motor.supply_current(c, *current);
            }
        }
        Bus { voltage, current: drawn, avionics_power: power }
    }
}
