//! The most the powertrain gives: all rotors at one command on the sagged bus.
//!
//! Unknowns are the bus voltage V and the speed of a plain and of a lower rotor. For each kind
//! u V = omega/Kv + (i0(omega) + Kv Q(omega)) (R + R_esc), and at the bus
//! E - V = R_b ((u + k) sum i + P_avionics/V), k the share of chopping (none at full command). Newton's method with the speeds eliminated (an arrow-shaped
//! matrix), the step halved until the residual falls; settled when every voltage residual is below
//! 1e-12 of E, usually in 5 or 6 steps, and given up after 40.

use serde::Serialize;

use super::battery::{bus_at, bus_at_power};
use super::error::{LimitKind, PowertrainError, at_least};
use super::operating_point::{OperatingPoint, RotorPoint, drawn, shafts};
use super::plant::{Loading, Plant};
use crate::aircraft::Aircraft;

/// Steps of Newton's method before giving up.
const MOST_STEPS: usize = 40;
/// Residual of every voltage over the source voltage.
const TOLERANCE: f64 = 1e-12;

/// The most thrust.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct FullThrust {
    /// Operating point there.
    pub point: OperatingPoint,
    /// Lift: sum of the thrusts' parts along -z, N.
    pub total: f64,
    /// What keeps it from being more.
    pub binding: LimitKind,
}

/// Full thrust at a charge of 0 to 1 and an air density, kg/m^3: the same command on all rotors,
/// 1 or as far as the first stated limit of motor, ESC, battery current or cell voltage allows.
///
/// A short burst out of the hover: the RC pair of the battery stays at the polarisation of a hover
/// that carries the weight on equal thrusts. Where such a hover is beyond the battery, the pair is
/// taken as settled at the burst's own current.
pub fn full_thrust(aircraft: &Aircraft, charge: f64, density: f64) -> Result<FullThrust, PowertrainError> {
    let mut plant = Plant::new(aircraft, density)?;
    plant.burst = true;
    let open_circuit = plant.battery.open_circuit(at_least(0.0, "charge", charge)?);
    let battery = &plant.battery;
    match hover_current(&plant, open_circuit)? {
        Some(current) => {
            let polarisation = battery.polarisation_resistance * current;
            most(&plant, open_circuit, open_circuit - polarisation, battery.ohmic_resistance())
        }
        None => most(&plant, open_circuit, open_circuit, battery.steady_resistance()),
    }
}

/// Steady point with one command, 0 to 1, on all rotors, at a charge of 0 to 1 and an air density,
/// kg/m^3, whatever the limits. The RC pair is settled. Below the command that overcomes the no-load
/// torque the rotors stand and draw nothing.
pub fn point_at_command(
    aircraft: &Aircraft,
    command: f64,
    charge: f64,
    density: f64,
) -> Result<OperatingPoint, PowertrainError> {
    let plant = Plant::new(aircraft, density)?;
    let open_circuit = plant.battery.open_circuit(at_least(0.0, "charge", charge)?);
    let command = at_least(0.0, "command", command)?;
    let burst = solve(&plant, command, open_circuit, plant.battery.steady_resistance())?;
    Ok(burst.point(&plant, open_circuit))
}

/// Battery current, A, of a steady hover on equal thrusts; `None` where there is none.
fn hover_current(plant: &Plant<'_>, open_circuit: f64) -> Result<Option<f64>, PowertrainError> {
    let lift: f64 = plant.lift.iter().sum();
    if lift <= 0.0 {
        return Ok(None);
    }
    let thrusts = vec![plant.weight / lift; plant.lift.len()];
    let (power, edges) = drawn(plant, &shafts(plant, &thrusts)?);
    Ok(bus_at(open_circuit, plant.battery.steady_resistance(), power, edges).map(|(_, current)| current))
}

/// Full thrust on a source of a voltage, V, and resistance, ohm.
pub(super) fn most(
    plant: &Plant<'_>,
    open_circuit: f64,
    source: f64,
    resistance: f64,
) -> Result<FullThrust, PowertrainError> {
    let (burst, binding) = most_burst(plant, source, resistance)?;
    let point = burst.point(plant, open_circuit);
    let total = plant.total_lift(point.rotors.iter().map(|rotor| rotor.thrust));
    Ok(FullThrust { point, total, binding })
}

/// Lift, N, of full thrust on a source of a voltage, V, and resistance, ohm.
pub(super) fn most_lift(plant: &Plant<'_>, source: f64, resistance: f64) -> Result<f64, PowertrainError> {
    let (burst, _) = most_burst(plant, source, resistance)?;
    Ok(plant.total_lift(plant.lower.iter().map(|lower| burst.kind(*lower).thrust)))
}

fn most_burst(
    plant: &Plant<'_>,
    source: f64,
    resistance: f64,
) -> Result<(Burst, LimitKind), PowertrainError> {
    let at = |command: f64| {
        let burst = solve(plant, command, source, resistance)?;
        let loading = burst.loading(plant);
        let (excess, limit) = plant.excess(&loading);
        Ok::<_, PowertrainError>((burst, excess, limit, plant.allows(&loading)))
    };
    let (burst, mut above, _, allowed) = at(1.0)?;
    if allowed {
        return Ok((burst, LimitKind::FullCommand));
    }
    // Every quantity grows with the command below 1, so their worst excess has one root: regula falsi with
    // the Illinois rule, and a halving where that stalls.
    let (mut low, mut high) = (0.0, 1.0);
    let (mut best, mut below, mut binding, inside) = at(0.0)?;
    if !inside {
        return Ok((best, binding));
    }
    for step in 0..100 {
        let chord = high - above * (high - low) / (above - below);
        let middle = if step % 4 == 3 || !(low < chord && chord < high) { 0.5 * (low + high) } else { chord };
        let (burst, excess, limit, _) = at(middle)?;
        binding = limit;
        best = burst;
        if excess.abs() <= 1e-12 || high - low <= 1e-15 {
            break;
        }
        if excess > 0.0 {
            (high, above, below) = (middle, excess, 0.5 * below);
        } else {
            (low, below, above) = (middle, excess, 0.5 * above);
        }
    }
    Ok((best, binding))
}

/// A solved point: one entry for plain, one for lower rotors.
struct Burst {
    bus: f64,
    current: f64,
    kinds: [RotorPoint; 2],
}

impl Burst {
    fn kind(&self, lower: bool) -> &RotorPoint {
        let [plain, below] = &self.kinds;
        if lower { below } else { plain }
    }

    fn loading(&self, plant: &Plant<'_>) -> Loading {
        let used = plant.lower.iter().map(|lower| self.kind(*lower));
        Loading {
            command: used.clone().fold(0.0, |most, kind| kind.command.max(most)),
            motor_current: used.fold(0.0, |most, kind| kind.motor_current.max(most)),
            battery_current: self.current,
            cell_voltage: plant.battery.cell_voltage(self.bus, self.current),
        }
    }

    fn point(&self, plant: &Plant<'_>, open_circuit: f64) -> OperatingPoint {
        let rotors = plant.lower.iter().map(|lower| *self.kind(*lower)).collect();
        OperatingPoint::assemble(rotors, open_circuit, self.bus, self.current)
    }
}

/// The kinds' speeds and slopes and the residuals at a trial point.
struct Trial {
    bus: f64,
    speeds: [f64; 2],
    /// Voltage left over in each kind's motor equation.
    gaps: [f64; 2],
    /// Slope of that equation over speed (sign turned).
    stiffness: [f64; 2],
    /// Slope of the motor current over speed.
    current_slope: [f64; 2],
    currents: [f64; 2],
    /// Voltage left over at the bus.
    bus_gap: f64,
    size: f64,
}

fn solve(plant: &Plant<'_>, command: f64, source: f64, resistance: f64) -> Result<Burst, PowertrainError> {
    let motor = &plant.motor;
    let path = motor.path_resistance();
    let no_answer = |iterations, residual| PowertrainError::NoConvergence { iterations, residual };
    let below = plant.lower.iter().filter(|lower| **lower).count();
    let counts = [(plant.lower.len() - below) as f64, below as f64];
    if command * source <= motor.no_load_steady * path {
        let (bus, current) =
            bus_at_power(source, resistance, plant.avionics_power).ok_or(no_answer(0, f64::NAN))?;
        let still = RotorPoint { command, ..RotorPoint::default() };
        return Ok(Burst { bus, current, kinds: [still; 2] });
    }
    // Of the motor currents this share comes from the bus.
    let share = command + motor.chopping_at(command);
    let trial = |bus: f64, speeds: [f64; 2]| {
        let mut t = Trial {
            bus,
            speeds,
            gaps: [0.0; 2],
            stiffness: [1.0; 2],
            current_slope: [0.0; 2],
            currents: [0.0; 2],
            bus_gap: source - bus - resistance * plant.avionics_power / bus,
            size: 0.0,
        };
        for k in 0..2 {
            if counts[k] == 0.0 {
                continue;
            }
            let load = plant.load(speeds[k], k == 1);
            t.currents[k] = motor.current_for_torque(load.torque, speeds[k]);
            t.current_slope[k] = motor.kv * load.torque_slope + motor.no_load_slope * speeds[k].signum();
            t.gaps[k] = command * bus - speeds[k] * motor.kt - t.currents[k] * path;
            t.stiffness[k] = motor.kt + t.current_slope[k] * path;
            t.bus_gap -= resistance * share * counts[k] * t.currents[k];
        }
        t.size = t.bus_gap.abs().max(t.gaps[0].abs()).max(t.gaps[1].abs());
        t
    };
    let start = 0.7 * command * source * motor.kv;
    let mut now = trial(0.9 * source, [start; 2]);
    let mut steps = 0;
    while now.size > TOLERANCE * source {
        steps += 1;
        if steps > MOST_STEPS {
            return Err(no_answer(MOST_STEPS, now.size));
        }
        let (mut right, mut matrix) =
            (now.bus_gap, 1.0 - resistance * plant.avionics_power / (now.bus * now.bus));
        for k in 0..2 {
            let pull = resistance * share * counts[k] * now.current_slope[k] / now.stiffness[k];
            right -= pull * now.gaps[k];
            matrix += pull * command;
        }
        let bus_step = right / matrix;
        let speed_step = |k: usize| (now.gaps[k] + command * bus_step) / now.stiffness[k];
        let (first, second) = (speed_step(0), speed_step(1));
        let mut part = 1.0;
        let next = loop {
            let bus = now.bus + part * bus_step;
            if bus > 0.0 {
                let next = trial(bus, [now.speeds[0] + part * first, now.speeds[1] + part * second]);
                if next.size < now.size {
                    break Some(next);
                }
            }
            part *= 0.5;
            if part < 1e-6 {
                break None;
            }
        };
        match next {
            Some(next) => now = next,
            // Rounding can keep the residual a little above the tolerance: nothing better exists.
            None if now.size <= 100.0 * TOLERANCE * source => break,
            None => return Err(no_answer(steps, now.size)),
        }
    }
    let kind = |k: usize| {
        let speed = now.speeds[k].max(0.0);
        let load = plant.load(speed, k == 1);
        let motor_current = now.currents[k];
        RotorPoint {
            thrust: load.thrust,
            speed,
            torque: load.torque,
            motor_current,
            supply_current: motor.supply_current(command, motor_current),
            motor_voltage: command * now.bus - motor.esc_resistance * motor_current,
            command,
            shaft_power: load.torque * speed,
        }
    };
    let kinds = [kind(0), kind(1)];
    let supply: f64 = kinds.iter().zip(counts).map(|(kind, count)| count * kind.supply_current).sum();
    Ok(Burst { bus: now.bus, current: supply + plant.avionics_power / now.bus, kinds })
}
