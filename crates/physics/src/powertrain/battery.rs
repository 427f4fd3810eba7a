//! Battery: open-circuit voltage by charge, series resistance, one RC pair.
//!
//! Open-circuit curves, one cell, charge s from 0 to 1. Each is monotone. The two formulas are brought to their
//! chemistry's full voltage by adding the missing difference in proportion to s, which leaves the
//! empty end as published.
//!
//! - *Lithium polymer*, 4.20 V: Chen & Rincon-Mora 2006, IEEE Trans. Energy Conversion 21(2),
//!   -1.031 e^(-35 s) + 3.685 + 0.2156 s - 0.1178 s^2 + 0.3201 s^3 (850 mAh polymer cell, 4.103 V at
//!   s = 1, so 97 mV are added there). With it 3.85 V at half and 3.74 V at 20 % agree within
//!   20 mV with the resting voltages in common use (common practice, no source).
//! - *High-voltage lithium polymer*, 4.35 V: mean of three pouch cells of 1.5, 1.7 and 2.0 Ah at 25 degC whose
//!   makers' tables are published in the Linux kernel (drivers/power/supply/samsung-sdi-battery.c, version 6.12),
//!   straight between its points and not brought up: such a cell, charged to 4.35 V, rests at 4.326 V. Four other
//!   cells (1.75 to 3.2 Ah, 23 degC, another maker's published tables) lie within 17 mV rms of it
//!   from 10 % up, the three themselves within 14 mV; near empty, where the definition of empty differs
//!   (3.2 or 3.3 V), up to 50 mV.
//! - *Nickel manganese cobalt*, 4.20 V: cell LG M50 of Chen et al. 2020, J. Electrochem. Soc. 167
//!   080534, difference of the half-cell fits between 2.5 V and 4.2 V. The stoichiometries at empty
//!   and full are written from memory; they give 2.498 V and 4.193 V.
//!
//! Resistances are taken as stated at 25 degC and do not change with charge: near empty a real
//! cell's resistance rises (Chen & Rincon-Mora: by half at s = 0.05).

use serde::Serialize;

use super::error::{PowertrainError, above_zero, at_least};
use crate::aircraft::{Aircraft, Battery, Chemistry};

/// Open-circuit voltage of one cell, V, at a charge of 0 to 1 (clamped).
pub fn open_circuit_voltage(chemistry: Chemistry, charge: f64) -> f64 {
    let charge = charge.clamp(0.0, 1.0);
    match chemistry {
        Chemistry::Lipo => polymer(charge) + (4.20 - POLYMER_FULL) * charge,
        Chemistry::LipoHv => high_voltage(charge),
        Chemistry::LiIonNmc => nmc(charge) + (4.20 - NMC_FULL) * charge,
    }
}

/// `polymer(1.0)`: 3.685 + 0.2156 - 0.1178 + 0.3201, the exponential being below 1e-15.
const POLYMER_FULL: f64 = 4.102_9;
/// `nmc(1.0)`.
const NMC_FULL: f64 = 4.192_911_496_684_3;

fn polymer(s: f64) -> f64 {
    -1.031 * (-35.0 * s).exp() + 3.685 + s * (0.215_6 + s * (-0.117_8 + s * 0.320_1))
}

/// Charge and voltage of the high-voltage cell, V.
const HIGH_VOLTAGE: [(f64, f64); 31] = [
    (0.0, 3.3000),
    (0.01, 3.4267),
    (0.02, 3.5107),
    (0.03, 3.5717),
    (0.04, 3.6087),
    (0.05, 3.6353),
    (0.07, 3.6620),
    (0.1, 3.6810),
    (0.125, 3.6897),
    (0.15, 3.7063),
    (0.175, 3.7271),
    (0.2, 3.7410),
    (0.25, 3.7593),
    (0.3, 3.7730),
    (0.35, 3.7817),
    (0.4, 3.7930),
    (0.45, 3.8097),
    (0.5, 3.8313),
    (0.525, 3.8464),
    (0.55, 3.8677),
    (0.575, 3.8971),
    (0.6, 3.9180),
    (0.65, 3.9546),
    (0.7, 3.9926),
    (0.75, 4.0391),
    (0.8, 4.0892),
    (0.85, 4.1414),
    (0.9, 4.1969),
    (0.95, 4.2563),
    (0.98, 4.2916),
    (1.0, 4.3260),
];

fn high_voltage(s: f64) -> f64 {
    let at = HIGH_VOLTAGE.partition_point(|p| p.0 <= s).clamp(1, HIGH_VOLTAGE.len() - 1);
    let ((low, from), (high, to)) = (HIGH_VOLTAGE[at - 1], HIGH_VOLTAGE[at]);
    from + (to - from) * (s - low) / (high - low)
}

fn nmc(s: f64) -> f64 {
    // Stoichiometry of the two electrodes at empty and full.
    let positive = 0.908_4 + s * (0.266_1 - 0.908_4);
    let negative = 0.027_9 + s * (0.901_4 - 0.027_9);
    let step = |x: f64, height: f64, steepness: f64, at: f64| height * (steepness * (x - at)).tanh();
    let upper = 4.487_5
        - 0.809 * positive
        - step(positive, 0.042_8, 18.513_8, 0.554_2)
        - step(positive, 17.732_6, 15.789, 0.311_7)
        + step(positive, 17.584_2, 15.930_8, 0.312);
    let lower = 1.979_3 * (-39.363_1 * negative).exp() + 0.248_2
        - step(negative, 0.090_9, 29.853_8, 0.123_4)
        - step(negative, 0.044_78, 14.915_9, 0.276_9)
        - step(negative, 0.020_5, 30.444_4, 0.610_3);
    upper - lower
}

/// A pack as one source: its cells in series and parallel, leads and RC pair.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct BatteryModel {
    /// Chemistry.
    pub chemistry: Chemistry,
    /// Cells in series.
    pub series: f64,
    /// Capacity, A s.
    pub capacity: f64,
    /// Resistance of the cells, ohm.
    pub cell_resistance: f64,
    /// Resistance of leads and connectors, ohm.
    pub lead_resistance: f64,
    /// Resistance of the RC pair, ohm.
    pub polarisation_resistance: f64,
    /// Time constant of the RC pair, s.
    pub polarisation_time: f64,
}

impl BatteryModel {
    /// The battery of an aircraft.
    pub fn new(aircraft: &Aircraft) -> Result<Self, PowertrainError> {
        Self::of(aircraft.battery()?)
    }

    /// A battery.
    pub fn of(battery: &Battery) -> Result<Self, PowertrainError> {
        let series = above_zero("number of cells in series", f64::from(battery.series))?;
        let parallel = above_zero("number of cells in parallel", f64::from(battery.parallel))?;
        let group = series / parallel;
        Ok(Self {
            chemistry: battery.chemistry,
            series,
            capacity: above_zero("battery capacity (A s)", battery.capacity)?,
            cell_resistance: group * at_least(0.0, "cell resistance (ohm)", battery.cell_resistance)?,
            lead_resistance: at_least(0.0, "lead resistance (ohm)", battery.lead_resistance)?,
            polarisation_resistance: group
                * at_least(0.0, "polarisation resistance (ohm)", battery.polarisation_resistance)?,
            polarisation_time: at_least(0.0, "polarisation time (s)", battery.polarisation_time)?,
        })
    }

    /// Open-circuit voltage of the pack, V, at a charge of 0 to 1.
    pub fn open_circuit(&self, charge: f64) -> f64 {
        self.series * open_circuit_voltage(self.chemistry, charge)
    }

    /// Resistance of cells and leads, ohm.
    pub fn ohmic_resistance(&self) -> f64 {
        self.cell_resistance + self.lead_resistance
    }

    /// Resistance with the RC pair settled, ohm.
    pub fn steady_resistance(&self) -> f64 {
        self.ohmic_resistance() + self.polarisation_resistance
    }

    /// Bus voltage, V, at an open-circuit voltage, V, a voltage over the RC pair, V, and a current, A.
    pub fn bus_voltage(&self, open_circuit: f64, polarisation: f64, current: f64) -> f64 {
        open_circuit - polarisation - self.ohmic_resistance() * current
    }

    /// Voltage of one cell under load, V, at a bus voltage, V, and a current, A: what is lost in the
    /// leads is not the cell's.
    pub fn cell_voltage(&self, bus_voltage: f64, current: f64) -> f64 {
        (bus_voltage + self.lead_resistance * current) / self.series
    }

    /// Voltage over the RC pair, V, after `duration`, s, of a constant current, A (exact).
    pub fn polarisation_after(&self, polarisation: f64, current: f64, duration: f64) -> f64 {
        let settled = self.polarisation_resistance * current;
        if self.polarisation_time > 0.0 {
            settled + (polarisation - settled) * (-duration / self.polarisation_time).exp()
        } else {
            settled
        }
    }

    /// Rate of charge at a current, A: 1/s of the charge of 0 to 1.
    pub fn charge_rate(&self, current: f64) -> f64 {
        -current / self.capacity
    }
}

/// As [`bus_at_power`] with a current, A, that is drawn besides the power whatever the voltage.
pub fn bus_at(source: f64, resistance: f64, power: f64, current: f64) -> Option<(f64, f64)> {
    let (bus, rest) = bus_at_power(source - resistance * current, resistance, power)?;
    Some((bus, rest + current))
}

/// Bus voltage, V, and current, A, at which a source of a voltage, V, and resistance, ohm, gives a
/// power, W: the higher root of V (E - V)/R = P. `None` beyond the most it can give, E^2/(4R).
pub fn bus_at_power(source: f64, resistance: f64, power: f64) -> Option<(f64, f64)> {
    let root = source * source - 4.0 * resistance * power;
    if !(root >= 0.0 && source > 0.0) {
        return None;
    }
    let bus = 0.5 * (source + root.sqrt());
    Some((bus, power / bus))
}
