//! The aircraft as the solvers see it: numbers looked up and checked once.

use super::battery::BatteryModel;
use super::error::{LimitKind, PowertrainError, above_zero, at_least};
use super::motor::MotorModel;
use super::thermal::Winding;
use crate::STANDARD_GRAVITY;
use crate::aircraft::{Aircraft, Motor};
use crate::interference;
use crate::rotor::{Load, Rotor};

/// Relative slack on a limit, so that a point solved to lie on it counts as inside.
const SLACK: f64 = 1e-9;

pub(super) struct Plant<'a> {
    pub(super) rotor: &'a Rotor,
    pub(super) motor: MotorModel,
    pub(super) battery: BatteryModel,
    /// For each station: whether it is the lower rotor of a coaxial pair.
    pub(super) lower: Vec<bool>,
    /// For each station: share of the thrust that lifts.
    pub(super) lift: Vec<f64>,
    pub(super) avionics_power: f64,
    pub(super) density: f64,
    /// Weight, N.
    pub(super) weight: f64,
    motor_limit: f64,
    /// Motor current at which the winding settles at its limit, A, and that which takes it there in a burst.
    winding_limits: [f64; 2],
    /// Whether the points asked for are bursts out of a hover.
    pub(super) burst: bool,
    esc_limit: f64,
    battery_limit: f64,
    /// Least cell voltage under load, V; zero for none.
    pub(super) cutoff: f64,
}

/// What the limits look at.
#[derive(Debug, Clone, Copy)]
pub(super) struct Loading {
    pub(super) command: f64,
    pub(super) motor_current: f64,
    pub(super) battery_current: f64,
    pub(super) cell_voltage: f64,
}

/// Currents that the winding's temperature allows, A, in air of its own temperature and a density, kg/m^3: steady, and
/// in a burst. The burst starts from the winding temperature of the predictions; the iron's heat is that of the
/// no-load test.
fn winding_limits(motor: &Motor, density: f64) -> [f64; 2] {
    let free = [f64::INFINITY; 2];
    let Some(heat) = motor.thermal else { return free };
    let (Some(limit), Some(node)) = (heat.limit, Winding::of(motor)) else { return free };
    let node = node.in_density(density);
    let iron = motor.no_load_current * motor.no_load_voltage;
    let steady = node.steady_current(motor, iron, heat.air, limit);
    let from = motor.winding_temperature;
    let burst = node.burst_current(motor, iron, heat.air, from, limit, heat.burst);
    // A limit of nothing at all would be no number.
    [steady.max(1e-6), burst.max(1e-6)]
}

impl<'a> Plant<'a> {
    pub(super) fn new(aircraft: &'a Aircraft, density: f64) -> Result<Self, PowertrainError> {
        let motor = MotorModel::new(aircraft)?;
        let battery = BatteryModel::new(aircraft)?;
        let limit = |stated: Option<f64>| stated.unwrap_or(f64::INFINITY);
        above_zero("rotor diameter (m)", aircraft.rotor.diameter)?;
        let mass: f64 = aircraft.bodies.iter().map(|body| body.mass).sum();
        Ok(Self {
            rotor: &aircraft.rotor,
            motor,
            battery,
            lower: aircraft.stations.iter().map(|station| station.below.is_some()).collect(),
            lift: aircraft.stations.iter().map(|station| -station.axis.z).collect(),
            avionics_power: at_least(0.0, "avionics power (W)", aircraft.avionics_power)?,
            density: above_zero("air density (kg/m^3)", density)?,
            weight: at_least(0.0, "mass (kg)", mass)? * STANDARD_GRAVITY,
            motor_limit: limit(aircraft.motor()?.max_current),
            winding_limits: winding_limits(aircraft.motor()?, density),
            burst: false,
            esc_limit: limit(aircraft.esc()?.max_current),
            battery_limit: limit(aircraft.battery()?.max_current),
            cutoff: at_least(0.0, "cut-off voltage (V)", aircraft.battery()?.cutoff)?,
        })
    }

    /// Load on the shaft of a plain or a lower rotor at a speed, rad/s.
    pub(super) fn load(&self, speed: f64, lower: bool) -> Load {
        let mut load = self.rotor.load(speed, self.density);
        if lower {
            // The factors change slowly with speed; their slope is left out of the Newton
            // matrix, which costs a step or two and nothing in the answer.
            let factor = interference::lower(self.rotor, speed.abs());
            load.thrust *= factor.thrust;
            load.thrust_slope *= factor.thrust;
            load.torque *= factor.torque;
            load.torque_slope *= factor.torque;
        }
        load
    }

    /// How far over its limit the worst quantity is (relative; negative inside), and which.
    pub(super) fn excess(&self, loading: &Loading) -> (f64, LimitKind) {
        let over = |value: f64, limit: f64| if limit.is_finite() { value / limit - 1.0 } else { -1.0 };
        let under = if self.cutoff > 0.0 { 1.0 - loading.cell_voltage / self.cutoff } else { -1.0 };
        [
            (loading.command - 1.0, LimitKind::FullCommand),
            (over(loading.motor_current, self.motor_limit), LimitKind::MotorCurrent),
            (
                over(loading.motor_current, self.winding_limits[usize::from(self.burst)]),
                LimitKind::WindingTemperature,
            ),
            (over(loading.motor_current, self.esc_limit), LimitKind::EscCurrent),
            (over(loading.battery_current, self.battery_limit), LimitKind::BatteryCurrent),
            (under, LimitKind::CellVoltage),
        ]
        .into_iter()
        .fold((f64::NEG_INFINITY, LimitKind::FullCommand), |worst, next| {
            if next.0 > worst.0 || next.0.is_nan() { next } else { worst }
        })
    }

    /// Whether a loading is inside all limits.
    pub(super) fn allows(&self, loading: &Loading) -> bool {
        self.excess(loading).0 <= SLACK
    }

    /// Lift, N, of thrusts, N.
    pub(super) fn total_lift(&self, thrusts: impl Iterator<Item = f64>) -> f64 {
        self.lift.iter().zip(thrusts).map(|(lift, thrust)| lift * thrust).sum()
    }
}
