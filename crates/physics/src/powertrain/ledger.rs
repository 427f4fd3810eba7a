//! Where the energy goes: an account of the power at a steady point that adds up to what the cells
//! give, open-circuit voltage x current.

use serde::Serialize;

use super::airspeed::Trimmed;
use super::battery::BatteryModel;
use super::error::PowertrainError;
use super::motor::MotorModel;
use super::thermal::chopping_loss;
use crate::aircraft::Aircraft;

/// One line of the account.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct EnergyLine {
    /// Identity: `induced`, `profile`, `parasite`, `copper`, `iron`, `eddy`, `esc`, `chopping`, `battery`,
    /// `avionics`. What grows with speed in the iron, and chopping, only where they are stated.
    pub id: &'static str,
    /// Name.
    pub name: &'static str,
    /// Power, W.
    pub power: f64,
}

/// The account of a steady flight; the lines' sum is [`cell_power`].
pub fn energy(aircraft: &Aircraft, at: &Trimmed) -> Result<Vec<EnergyLine>, PowertrainError> {
    let (motor, battery) = (MotorModel::new(aircraft)?, BatteryModel::new(aircraft)?);
    let p = &at.point;
    let sum = |f: &dyn Fn(&super::RotorPoint) -> f64| p.rotors.iter().map(f).sum::<f64>();
    let squared = sum(&|r| r.motor_current * r.motor_current);
    let line = |id, name, power| EnergyLine { id, name, power };
    let speeds = |share: f64| sum(&|r| if r.speed > 0.0 { share * motor.kt * r.speed } else { 0.0 });
    let mut lines = vec![
        line("induced", "induced flow of the rotors", at.induced_power),
        line("profile", "drag of the blades", at.profile_power),
        line("parasite", "drag of the airframe, and climb", at.parasite_power),
        line("copper", "windings", squared * motor.winding_resistance),
        line("iron", "iron and bearings of the motors", speeds(motor.no_load_steady)),
        line("esc", "ESCs", squared * motor.esc_resistance),
        line("battery", "battery and leads", p.battery_current.powi(2) * battery.steady_resistance()),
        line("avionics", "avionics", aircraft.avionics_power),
    ];
    if motor.no_load_slope > 0.0 {
        let eddy = sum(&|r| motor.no_load_slope * motor.kt * r.speed * r.speed);
        lines.push(line("eddy", "eddy currents in the motors", eddy));
    }
    if motor.chopping > 0.0 {
        let edges = sum(&|r| chopping_loss(p.bus_voltage, r.motor_current, motor.chopping_at(r.command)));
        lines.push(line("chopping", "edges of the ESCs' chopping", edges));
    }
    Ok(lines)
}

/// Power that the cells give at a steady point, W.
pub fn cell_power(at: &Trimmed) -> f64 {
    at.point.open_circuit_voltage * at.point.battery_current
}
