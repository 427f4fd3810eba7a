//! Windings and battery as they warm up in flight.
//!
//! Each winding is the node of [`crate::powertrain::thermal`], heated by its own current and by friction and iron; without a
//! stated rise it stays at the stated temperature, and with one it begins there. The battery keeps the heat of its resistance:
//! 1000 J/(kg K) (common practice for lithium cells, no source) times the mass of the item called battery, no cooling;
//! its resistance, stated at 25 degC, falls as [`cell_resistance_factor`] says. Without such an item it stays as it is.
//!
//! Both change over tens of seconds: they are brought up to date ten times a second, not in each step.

use super::drive::Supply;
use super::plant::{MOST_ROTORS, Outputs};
use crate::aircraft::{Aircraft, Motor};
use crate::atmosphere::Air;
use crate::powertrain::thermal::{STANDARD_ROOM, Winding, cell_resistance_factor};

/// Heat capacity of a battery, J/(kg K).
const BATTERY_HEAT: f64 = 1000.0;
/// Time between updates, s.
const UPDATE: f64 = 0.1;

/// Temperatures and what has come in since they were brought up to date.
#[derive(Debug)]
pub(super) struct Warmth<'a> {
    motor: &'a Motor,
    winding: Option<Winding>,
    esc_resistance: f64,
    air: f64,
    /// Of each winding, K.
    pub windings: [f64; MOST_ROTORS],
    /// Rise of the battery since the start, K.
    pub battery_rise: f64,
    /// Heat capacity of the battery, J/K; infinite where it has no item.
    battery_heat: f64,
    since: f64,
    /// Integrals of the squared currents, A^2 s.
    squares: [f64; MOST_ROTORS],
    drawn_square: f64,
}

impl<'a> Warmth<'a> {
    pub(super) fn new(aircraft: &Aircraft, motor: &'a Motor, esc_resistance: f64, air: &Air) -> Self {
        let mass: f64 = aircraft
            .bodies
            .iter()
            .filter(|b| b.item.to_lowercase().contains("battery"))
            .map(|b| b.mass)
            .sum();
        Self {
            motor,
            winding: Winding::of(motor),
            esc_resistance,
            air: air.temperature,
            windings: [motor.winding_temperature; MOST_ROTORS],
            battery_rise: 0.0,
            battery_heat: if mass > 0.0 { BATTERY_HEAT * mass } else { f64::INFINITY },
            since: 0.0,
            squares: [0.0; MOST_ROTORS],
            drawn_square: 0.0,
        }
    }

    /// Takes in a step of `h` seconds with what flows in it; `speeds` are the rotors', rad/s.
    pub(super) fn step(&mut self, supply: &mut Supply, out: &Outputs, speeds: &[f64], h: f64) {
        for (sum, current) in self.squares.iter_mut().zip(&out.currents).take(speeds.len()) {
            *sum += current * current * h;
        }
        self.drawn_square += out.battery_current * out.battery_current * h;
        self.since += h;
        if self.since >= UPDATE {
            self.update(supply, speeds);
        }
    }

    fn update(&mut self, supply: &mut Supply, speeds: &[f64]) {
        let time = std::mem::take(&mut self.since);
        if let Some(winding) = &self.winding {
            for (k, &w) in speeds.iter().enumerate() {
                let (temperature, square) = (&mut self.windings[k], std::mem::take(&mut self.squares[k]));
                let current = (square / time).sqrt();
                let other = supply.friction(w) * w;
                *temperature = winding.after(self.motor, current, other, self.air, *temperature, time);
                supply.set_path(k, self.motor.resistance_at(*temperature) + self.esc_resistance);
            }
        }
        let heat = supply.battery.cell_resistance * std::mem::take(&mut self.drawn_square);
        self.battery_rise += heat / self.battery_heat;
        let warm = cell_resistance_factor(STANDARD_ROOM + self.battery_rise);
        supply.battery.cell_resistance = supply.cell_resistance_cold * warm;
    }
}
