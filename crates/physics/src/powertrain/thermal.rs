//! Winding temperature: one node.
//!
//! C dT/dt = I^2 R(T) + P_fe - (T - T_air)/R_th, with the resistance of copper linear in temperature
//! (IEC 60028): linear in T, so solved exactly. Where R_th I^2 dR/dT reaches 1 the heat outgrows the
//! cooling at any temperature.
//!
//! *Air.* A rise is stated for air of 25 degC at sea level. The limit is taken from the air of the site; thinner air
//! cools less ([`Winding::in_density`]).
//!
//! *Chopping.* An ESC that chops loses, besides conduction, the overlap of voltage and current at each
//! edge: V I (t_rise + t_fall) f / 2 (hard switching; Erickson & Maksimovic, Fundamentals of Power
//! Electronics, ch. 4); none at full command, where it no longer chops.

use serde::Serialize;

use crate::aircraft::Motor;
use crate::root::root;

/// Air of the test that a rise is stated for, K: 25 degC.
pub const STANDARD_ROOM: f64 = 298.15;

/// Density of that air at 1013.25 hPa, kg/m^3.
pub const TEST_DENSITY: f64 = 1.184;
/// Exponent of forced convection over the Reynolds number: a cylinder across the flow, Re 4 000 to 40 000
/// (Hilpert 1933: 0.618).
pub const COOLING_EXPONENT: f64 = 0.618;

/// Cooling and heat capacity of a winding.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Winding {
    /// From winding to air, K/W.
    pub thermal_resistance: f64,
    /// Heat capacity, J/K.
    pub heat_capacity: f64,
}

impl Winding {
    /// The winding of a motor whose rise at a steady current is known; the iron's part of that heat is
    /// taken as the winding's.
    pub fn of(motor: &Motor) -> Option<Self> {
        let known = motor.thermal?;
        let heat = known.current * known.current * motor.resistance_at(STANDARD_ROOM + known.rise);
        let thermal_resistance = known.rise / heat;
        (thermal_resistance > 0.0 && thermal_resistance.is_finite() && known.time > 0.0)
            .then(|| Self { thermal_resistance, heat_capacity: known.time / thermal_resistance })
    }

    /// The same in air of a density, kg/m^3: cooling goes with the power [`COOLING_EXPONENT`] of the density over that
    /// of the test ([`STANDARD_ROOM`] at 1013.25 hPa), the wash over the motor being as fast.
    #[must_use]
    pub fn in_density(self, density: f64) -> Self {
        let ratio = (density / TEST_DENSITY).powf(COOLING_EXPONENT);
        Self { thermal_resistance: self.thermal_resistance / ratio, ..self }
    }

    /// Heat at a temperature, W: constant part and growth per kelvin, less what cooling takes.
    fn balance(&self, motor: &Motor, current: f64, other: f64, air: f64) -> (f64, f64) {
        let cold = motor.resistance_at(air);
        // R(T) = R(air) + slope (T - air).
        let slope = (motor.resistance_at(air + 100.0) - cold) / 100.0;
        let squared = current * current;
        (squared * cold + other, squared * slope - 1.0 / self.thermal_resistance)
    }

    /// Temperature, K, after a time, s, of a steady motor current, A, and other heat (iron), W, in air
    /// of a temperature, K, from a starting temperature, K.
    pub fn after(&self, motor: &Motor, current: f64, other: f64, air: f64, from: f64, time: f64) -> f64 {
        let (heat, rate) = self.balance(motor, current, other, air);
        let rise = from - air;
        if rate.abs() < 1e-12 {
            return from + heat * time / self.heat_capacity;
        }
        let settled = -heat / rate;
        air + settled + (rise - settled) * (rate * time / self.heat_capacity).exp()
    }

    /// Largest steady motor current, A, that settles at no more than a temperature, K, with other heat
    /// (iron), W, in air of a temperature, K.
    pub fn steady_current(&self, motor: &Motor, other: f64, air: f64, limit: f64) -> f64 {
        let copper = (limit - air) / self.thermal_resistance - other;
        (copper.max(0.0) / motor.resistance_at(limit)).sqrt()
    }

    /// Largest motor current, A, that has not passed a temperature, K, after a time, s, from a starting
    /// temperature, K.
    pub fn burst_current(
        &self,
        motor: &Motor,
        other: f64,
        air: f64,
        from: f64,
        limit: f64,
        time: f64,
    ) -> f64 {
        if from >= limit {
            return 0.0;
        }
        let over = |current: f64| self.after(motor, current, other, air, from, time) - limit;
        // Without cooling and with the resistance of the start the current would be the larger.
        let most = (self.heat_capacity * (limit - from) / (time * motor.resistance_at(from))).sqrt()
            + self.steady_current(motor, 0.0, air, limit);
        if over(0.0) >= 0.0 {
            return 0.0;
        }
        root(over, (0.0, over(0.0)), (most, over(most)), 1e-9 * most).unwrap_or(0.0)
    }

    /// Settled temperature, K; `None` where the heat outgrows the cooling.
    pub fn settled(&self, motor: &Motor, current: f64, other: f64, air: f64) -> Option<f64> {
        let (heat, rate) = self.balance(motor, current, other, air);
        (rate < 0.0).then(|| air - heat / rate)
    }

    /// Time, s, until a temperature, K, is reached; `None` where it never is.
    pub fn time_to(
        &self,
        motor: &Motor,
        current: f64,
        other: f64,
        air: f64,
        from: f64,
        to: f64,
    ) -> Option<f64> {
        if to <= from {
            return Some(0.0);
        }
        let (heat, rate) = self.balance(motor, current, other, air);
        if rate.abs() < 1e-12 {
            return (heat > 0.0).then(|| (to - from) * self.heat_capacity / heat);
        }
        let settled = air - heat / rate;
        let share = (to - settled) / (from - settled);
        let time = share.ln() * self.heat_capacity / rate;
        (share > 0.0 && time.is_finite() && time >= 0.0).then_some(time)
    }
}

/// Chopping loss of one ESC, W, at a bus voltage, V, and a motor current, A, with the share (t_rise + t_fall)
/// f/2 of [`super::MotorModel::chopping_at`].
pub fn chopping_loss(bus: f64, current: f64, share: f64) -> f64 {
    share * bus * current.abs()
}

/// Resistance of lithium cells at a temperature, K, over that at 25 degC: an Arrhenius law with 25 kJ/mol
/// (common practice, no source: cells doubled to tripled from 25 to 0 degC are usual).
pub fn cell_resistance_factor(temperature: f64) -> f64 {
    (25_000.0 / 8.314_462_618 * (1.0 / temperature - 1.0 / 298.15)).exp()
}
