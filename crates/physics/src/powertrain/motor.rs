//! Motor and ESC as an equivalent direct-current machine.
//!
//! Drela, First-Order DC Electric Motor Model (MIT, 2007): v = omega/Kv + i R and
//! Q = (i - i0)/Kv, Kv in rad/s per V. What iron and bearings take is the torque i0/Kv. Hysteresis and
//! bearings hold back with the same torque at every speed, eddy currents in proportion to it (Drela's second
//! order model has the same terms): i0(omega) = i0 (1 - g + g omega/omega0), g the stated share that grows and
//! omega0 = Kv (v0 - i0 R) the speed of the no-load test. Without a stated share i0 is the same at every
//! speed, and is then best measured near the speeds flown.
//!
//! An ESC that chops draws a further share (t_rise + t_fall) f/2 of the motor current from the bus, see
//! [`super::thermal`].
//!
//! The winding resistance, stated at 25 degC, follows annealed copper: R proportional to
//! 1 + 0.00393 (t - 20 degC) (IEC 60028). The magnets' own weakening with heat is left out.

use serde::Serialize;

use super::error::{PowertrainError, above_zero, at_least};
use crate::aircraft::{Aircraft, Motor};

/// Temperature coefficient of annealed copper at 20 degC, 1/K (IEC 60028).
pub const COPPER_COEFFICIENT: f64 = 0.003_93;
/// Its reference temperature, K.
const COPPER_REFERENCE: f64 = 293.15;
/// Temperature at which the winding resistance is stated, K.
const STATED_AT: f64 = 298.15;

impl Motor {
    /// Torque constant, N m/A.
    pub fn torque_constant(&self) -> f64 {
        1.0 / self.kv
    }

    /// Winding resistance, ohm, at a winding temperature, K.
    pub fn resistance_at(&self, temperature: f64) -> f64 {
        let copper = |t: f64| 1.0 + COPPER_COEFFICIENT * (t - COPPER_REFERENCE);
        self.resistance * copper(temperature) / copper(STATED_AT)
    }
}

/// Motor, ESC and what turns with the motor, ready for a solver or a simulation.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct MotorModel {
    /// Velocity constant, rad/s per V.
    pub kv: f64,
    /// Torque constant, N m/A.
    pub kt: f64,
    /// Winding resistance at the stated winding temperature, ohm.
    pub winding_resistance: f64,
    /// On-resistance of the ESC, ohm.
    pub esc_resistance: f64,
    /// No-load current that is the same at every speed, A.
    pub no_load_steady: f64,
    /// No-load current that grows with speed, A per rad/s.
    pub no_load_slope: f64,
    /// Current drawn by the edges of chopping over the motor current; none at full command.
    pub chopping: f64,
    /// Inertia of motor and rotor about the shaft, kg m^2.
    pub inertia: f64,
    /// Whether the ESC brakes: current may flow back.
    pub braking: bool,
    /// Command below which the motor does not turn steadily.
    pub usable_minimum: f64,
}

impl MotorModel {
    /// The motor, ESC and rotor inertia of an aircraft.
    pub fn new(aircraft: &Aircraft) -> Result<Self, PowertrainError> {
        let (motor, esc) = (aircraft.motor()?, aircraft.esc()?);
        let kv = above_zero("motor velocity constant (rad/s per V)", motor.kv)?;
        let hot = motor.resistance_at(motor.winding_temperature);
        let no_load = at_least(0.0, "no-load current (A)", motor.no_load_current)?;
        let growth = at_least(0.0, "share of the no-load current that grows", motor.no_load_growth)?.min(1.0);
        let tested = kv * (motor.no_load_voltage - no_load * motor.resistance);
        let slope = if growth > 0.0 {
            growth * no_load / above_zero("speed of the no-load test (rad/s)", tested)?
        } else {
            0.0
        };
        Ok(Self {
            kv,
            kt: 1.0 / kv,
            winding_resistance: at_least(0.0, "winding resistance (ohm)", hot)?,
            esc_resistance: at_least(0.0, "ESC resistance (ohm)", esc.resistance)?,
            no_load_steady: (1.0 - growth) * no_load,
            no_load_slope: slope,
            chopping: 0.5
                * at_least(0.0, "switching frequency (Hz)", esc.switching_frequency)?
                * at_least(0.0, "edge time (s)", esc.edge_time)?,
            inertia: at_least(
                0.0,
                "inertia of motor and rotor (kg m^2)",
                motor.inertia + aircraft.rotor.inertia,
            )?,
            braking: esc.braking,
            usable_minimum: esc.usable_minimum,
        })
    }

    /// Resistance in the motor's current path, ohm.
    pub fn path_resistance(&self) -> f64 {
        self.winding_resistance + self.esc_resistance
    }

    /// No-load current, A, at a rotor speed, rad/s.
    pub fn no_load(&self, speed: f64) -> f64 {
        self.no_load_steady + self.no_load_slope * speed.abs()
    }

    /// Motor current, A, at a steady shaft torque, N m, and rotor speed, rad/s.
    pub fn current_for_torque(&self, torque: f64, speed: f64) -> f64 {
        self.no_load(speed) + torque * self.kv
    }

    /// Voltage to apply (command x bus voltage), V, for a steady shaft torque, N m, at a rotor speed, rad/s.
    pub fn voltage_for_torque(&self, torque: f64, speed: f64) -> f64 {
        self.kt * speed + self.path_resistance() * self.current_for_torque(torque, speed)
    }

    /// Motor current, A, with a voltage applied (command x bus voltage), V, at a rotor speed, rad/s.
    /// Without braking it does not flow back.
    pub fn current(&self, applied: f64, speed: f64) -> f64 {
        let current = (applied - speed * self.kt) / self.path_resistance();
        if self.braking { current } else { current.max(0.0) }
    }

    /// Torque on the shaft, N m, with a voltage applied (command x bus voltage), V, at a rotor speed,
    /// rad/s: that of the current less the no-load torque, which at rest only holds.
    pub fn torque(&self, applied: f64, speed: f64) -> f64 {
        let drive = self.kt * self.current(applied, speed);
        let held = self.kt * self.no_load(speed);
        if speed > 0.0 {
            drive - held
        } else if speed < 0.0 {
            drive + held
        } else {
            drive - drive.clamp(-held, held)
        }
    }

    /// Angular acceleration of the rotor, rad/s^2, with a voltage applied, V, at a rotor speed, rad/s,
    /// against a load torque, N m.
    pub fn acceleration(&self, applied: f64, speed: f64, load_torque: f64) -> f64 {
        (self.torque(applied, speed) - load_torque) / self.inertia
    }

    /// Current that the edges of chopping draw from the bus over the motor current, at a command.
    pub fn chopping_at(&self, command: f64) -> f64 {
        if command < 1.0 { self.chopping } else { 0.0 }
    }

    /// Current drawn from the bus, A, at a command and a motor current, A.
    pub fn supply_current(&self, command: f64, motor_current: f64) -> f64 {
        command * motor_current + self.chopping_at(command) * motor_current.abs()
    }
}
