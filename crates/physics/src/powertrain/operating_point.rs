//! The electrical point at given thrusts.
//!
//! Thrust sets the speed of each rotor, speed its torque, torque the motor current, and current and
//! speed the motor voltage. A chopper passes power on whatever the bus voltage, its edges draw a current, so
//! the bus voltage follows from the sums P and I through V ((E - V)/R - I) = P, a quadratic, solved exactly:
//! the coupled system needs no iteration at given thrusts. It does at given commands, see
//! [`super::full_thrust`].

use serde::Serialize;

use super::battery::bus_at;
use super::error::{LimitKind, PowertrainError, at_least};
use super::plant::{Loading, Plant};
use crate::aircraft::Aircraft;
use crate::interference::lower_speed_for_thrust;

/// One rotor with its motor and ESC.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize)]
pub struct RotorPoint {
    /// Thrust, N.
    pub thrust: f64,
    /// Rotor speed, rad/s.
    pub speed: f64,
    /// Torque on the shaft, N m.
    pub torque: f64,
    /// Motor current, A.
    pub motor_current: f64,
    /// Current from the bus, A.
    pub supply_current: f64,
    /// Voltage at the motor, V.
    pub motor_voltage: f64,
    /// Command (duty), 0 to 1. Below the ESC's usable minimum the motor would not hold it steadily.
    pub command: f64,
    /// Power on the shaft, W.
    pub shaft_power: f64,
}

/// All rotors, the bus and the battery.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct OperatingPoint {
    /// Rotors in the order of the stations.
    pub rotors: Vec<RotorPoint>,
    /// Open-circuit voltage of the pack, V.
    pub open_circuit_voltage: f64,
    /// Bus voltage (after the leads of the pack), V.
    pub bus_voltage: f64,
    /// Battery current, A.
    pub battery_current: f64,
    /// Power at the terminals, bus voltage x battery current, W.
    pub battery_power: f64,
    /// Power on all shafts, W.
    pub shaft_power: f64,
    /// Shaft power over battery power.
    pub efficiency: f64,
    /// Sum of thrusts over battery power, N/W.
    pub thrust_per_power: f64,
}

impl OperatingPoint {
    /// Completes a point from its rotors and bus.
    pub(super) fn assemble(rotors: Vec<RotorPoint>, open_circuit: f64, bus: f64, current: f64) -> Self {
        let battery_power = bus * current;
        let shaft_power: f64 = rotors.iter().map(|rotor| rotor.shaft_power).sum();
        let thrust: f64 = rotors.iter().map(|rotor| rotor.thrust).sum();
        let per_power = |value: f64| if battery_power > 0.0 { value / battery_power } else { 0.0 };
        Self {
            efficiency: per_power(shaft_power),
            thrust_per_power: per_power(thrust),
            rotors,
            open_circuit_voltage: open_circuit,
            bus_voltage: bus,
            battery_current: current,
            battery_power,
            shaft_power,
        }
    }
}

/// Operating point at a thrust, N, for each rotor, a charge of 0 to 1 and an air density, kg/m^3.
///
/// The RC pair of the battery is settled. The lower rotor of a coaxial pair turns faster and takes more power
/// ([`crate::interference::lower`]). A thrust of zero is a stopped rotor. Beyond a
/// limit of command, motor, ESC, battery current or cell voltage the answer is
/// [`PowertrainError::Infeasible`].
pub fn operating_point(
    aircraft: &Aircraft,
    thrusts: &[f64],
    charge: f64,
    density: f64,
) -> Result<OperatingPoint, PowertrainError> {
    let plant = Plant::new(aircraft, density)?;
    let open_circuit = plant.battery.open_circuit(at_least(0.0, "charge", charge)?);
    let shafts = shafts(&plant, thrusts)?;
    let resistance = plant.battery.steady_resistance();
    let Some((mut rotors, bus, current)) = electrical(&plant, &shafts, open_circuit, resistance) else {
        return Err(infeasible(&plant, thrusts, open_circuit));
    };
    if !plant.allows(&loading(&plant, &rotors, bus, current)) {
        return Err(infeasible(&plant, thrusts, open_circuit));
    }
    for (rotor, asked) in rotors.iter_mut().zip(thrusts) {
        rotor.thrust = *asked;
    }
    Ok(OperatingPoint::assemble(rotors, open_circuit, bus, current))
}

/// Speed, torque, current and voltage of each rotor at its thrust, N: all but what the bus sets.
pub(super) fn shafts(plant: &Plant<'_>, thrusts: &[f64]) -> Result<Vec<RotorPoint>, PowertrainError> {
    if thrusts.len() != plant.lower.len() {
        return Err(PowertrainError::Input { what: "number of thrusts", value: thrusts.len() as f64 });
    }
    let one = |thrust: f64, lower: bool| {
        if thrust == 0.0 {
            return Ok(RotorPoint::default());
        }
        let speed = if lower {
            lower_speed_for_thrust(plant.rotor, thrust, plant.density)
        } else {
            plant.rotor.speed_for_thrust(thrust, 0.0, plant.density)
        };
        let speed = speed.ok_or(PowertrainError::Input { what: "thrust (N)", value: thrust })?;
        shaft(plant, thrust, speed, plant.load(speed, lower).torque)
    };
    thrusts.iter().zip(&plant.lower).map(|(thrust, lower)| one(*thrust, *lower)).collect()
}

/// One rotor at a thrust, N, a speed, rad/s, and a torque, N m: all but what the bus sets.
pub(super) fn shaft(
    plant: &Plant<'_>,
    thrust: f64,
    speed: f64,
    torque: f64,
) -> Result<RotorPoint, PowertrainError> {
    let motor = &plant.motor;
    let motor_current = motor.current_for_torque(torque, speed);
    if !motor_current.is_finite() {
        return Err(PowertrainError::Input { what: "torque of the rotor (N m)", value: torque });
    }
    Ok(RotorPoint {
        thrust,
        speed,
        torque,
        motor_current,
        motor_voltage: speed * motor.kt + motor_current * motor.winding_resistance,
        shaft_power: torque * speed,
        ..RotorPoint::default()
    })
}

/// What the rotors and everything else draw from the bus whatever its voltage: a power, W, and the
/// current, A, of the edges of chopping.
pub(super) fn drawn(plant: &Plant<'_>, shafts: &[RotorPoint]) -> (f64, f64) {
    let esc = plant.motor.esc_resistance;
    let rotors: f64 =
        shafts.iter().map(|r| r.motor_current * (r.motor_voltage + esc * r.motor_current)).sum();
    let edges = plant.motor.chopping * shafts.iter().map(|r| r.motor_current.abs()).sum::<f64>();
    (rotors + plant.avionics_power, edges)
}

/// Commands and supply currents at a source voltage, V, and resistance, ohm; then bus voltage, V, and
/// battery current, A. `None` beyond the most power the source can give.
pub(super) fn electrical(
    plant: &Plant<'_>,
    shafts: &[RotorPoint],
    source: f64,
    resistance: f64,
) -> Option<(Vec<RotorPoint>, f64, f64)> {
    let (power, edges) = drawn(plant, shafts);
    let (bus, current) = bus_at(source, resistance, power, edges)?;
    let mut rotors = shafts.to_vec();
    for rotor in &mut rotors {
        let applied = rotor.motor_voltage + plant.motor.esc_resistance * rotor.motor_current;
        rotor.command = applied / bus;
        rotor.supply_current = plant.motor.supply_current(rotor.command, rotor.motor_current);
    }
    Some((rotors, bus, current))
}

pub(super) fn loading(plant: &Plant<'_>, rotors: &[RotorPoint], bus: f64, current: f64) -> Loading {
    Loading {
        command: rotors.iter().fold(0.0, |most, rotor| rotor.command.max(most)),
        motor_current: rotors.iter().fold(0.0, |most, rotor| rotor.motor_current.max(most)),
        battery_current: current,
        cell_voltage: plant.battery.cell_voltage(bus, current),
    }
}

/// Which limit is met first as all thrusts rise together, and at what share of them.
fn infeasible(plant: &Plant<'_>, thrusts: &[f64], open_circuit: f64) -> PowertrainError {
    let at = |share: f64| -> Result<Option<LimitKind>, PowertrainError> {
        let scaled: Vec<f64> = thrusts.iter().map(|thrust| share * thrust).collect();
        let shafts = shafts(plant, &scaled)?;
        let resistance = plant.battery.steady_resistance();
        Ok(match electrical(plant, &shafts, open_circuit, resistance) {
            None => Some(LimitKind::CellVoltage),
            Some((rotors, bus, current)) => {
                let loading = loading(plant, &rotors, bus, current);
                let (excess, limit) = plant.excess(&loading);
                (excess > 0.0 || excess.is_nan()).then_some(limit)
            }
        })
    };
    let mut limit = match at(1.0) {
        Ok(found) => found.unwrap_or(LimitKind::FullCommand),
        Err(error) => return error,
    };
    let (mut low, mut high) = (0.0, 1.0);
    while high - low > 1e-12 {
        let middle = 0.5 * (low + high);
        match at(middle) {
            Ok(None) => low = middle,
            Ok(Some(found)) => (high, limit) = (middle, found),
            Err(error) => return error,
        }
    }
    PowertrainError::Infeasible { limit, share: low }
}
