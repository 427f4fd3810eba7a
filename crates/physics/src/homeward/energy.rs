//! What a leg of the way costs, and what the battery must hold for it.
//!
//! Power over airspeed comes from the trim of [`crate::powertrain::airspeed`]. A leg draws constant power
//! from the bus; the battery's charge follows from ds/dt = -I/capacity with V I = P on the resistance with the
//! RC pair settled (a way home lasts longer than the pair). It is run backwards from what must be left, so that
//! the charge needed at the start needs no search: classical Runge-Kutta in 10 steps a leg.

use serde::Serialize;

use crate::aircraft::Aircraft;
use crate::powertrain::airspeed::{envelope, holds, trim};
use crate::powertrain::battery::bus_at_power;
use crate::powertrain::{BatteryModel, PowertrainError};

/// Steps of the integration over one leg.
const STEPS: usize = 10;
/// Exponent of the wind over height: the one-seventh law, meant for open land and neutral air.
pub const WIND_EXPONENT: f64 = 1.0 / 7.0;
/// Height that a wind is stated at, m (World Meteorological Organization: 10 m over open land).
pub const WIND_HEIGHT: f64 = 10.0;

/// Mean wind over height: speed x (height/10 m)^(1/7), from 2 m up.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Wind {
    /// Speed at 10 m, m/s.
    pub speed: f64,
}

impl Wind {
    /// Speed at a height, m/s.
    pub fn at(&self, height: f64) -> f64 {
        self.speed * (height.max(2.0) / WIND_HEIGHT).powf(WIND_EXPONENT)
    }
}

/// A way home.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Way {
    /// Distance to home over the ground, m.
    pub distance: f64,
    /// Height above home at its beginning, m.
    pub height: f64,
    /// Angle between the way home and where the wind comes from, rad: 0 straight into the wind, pi with it.
    pub from_wind: f64,
}

/// Why there is no way home.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum Stuck {
    /// The wind is too strong for the airspeed that can be held.
    #[error(
        "a wind of {wind:.1} m/s at {height:.0} m leaves no way home: it would need an airspeed that is not held with 30 % of thrust to spare"
    )]
    Wind {
        /// Wind at the height flown, m/s.
        wind: f64,
        /// Height flown, m.
        height: f64,
    },
    /// The powertrain cannot.
    #[error(transparent)]
    Power(#[from] PowertrainError),
    /// A number that cannot be worked with.
    #[error("{what} is {value}, but must be {allowed}")]
    Value {
        /// Which.
        what: &'static str,
        /// Its value.
        value: f64,
        /// What it may be.
        allowed: &'static str,
    },
}

/// One leg of a way.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Leg {
    /// What is done.
    pub name: &'static str,
    /// Time, s.
    pub time: f64,
    /// Distance over the ground, m.
    pub distance: f64,
    /// Airspeed, m/s.
    pub airspeed: f64,
    /// Power on the bus, W.
    pub power: f64,
}

impl Leg {
    /// Energy at the battery's terminals, J.
    pub fn energy(&self) -> f64 {
        self.power * self.time
    }
}

/// Power on the bus over airspeed in level flight, and the highest airspeed that can be held.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct PowerCurve {
    /// Step of airspeed, m/s.
    pub step: f64,
    /// Power on the bus at whole steps from hover up, W.
    pub power: Vec<f64>,
    /// Highest airspeed with 30 % of thrust to spare, m/s.
    pub held: f64,
}

impl PowerCurve {
    /// Of an aircraft at a density, kg/m^3, with the limits of a charge of 0 to 1: take the lowest that is flown.
    ///
    /// # Errors
    /// An aircraft that cannot hover there with 30 % of thrust to spare, or parts that are missing.
    pub fn new(aircraft: &Aircraft, step: f64, charge: f64, density: f64) -> Result<Self, Stuck> {
        let envelope = envelope(aircraft, step, charge, density)?;
        let power: Vec<f64> = envelope.points.iter().map(|p| p.bus_power).collect();
        let held = envelope.held.unwrap_or(0.0);
        Ok(Self { step: step.max(0.05), power, held })
    }

    /// Power at an airspeed, W: a parabola through the three nearest points; `None` above the curve's end.
    pub fn at(&self, airspeed: f64) -> Option<f64> {
        let last = self.power.len().checked_sub(1)?;
        let x = airspeed / self.step;
        // The highest airspeed held lies between two points; a little beyond the last one is still meant.
        if !(x >= 0.0) || x > last as f64 + 1.0 {
            return None;
        }
        if last < 2 {
            let (a, b) = (self.power.first()?, self.power.get(last)?);
            return Some(a + (b - a) * x / last.max(1) as f64);
        }
        let middle = (x.round() as usize).clamp(1, last - 1);
        let (a, b, c) = (self.power.get(middle - 1)?, self.power.get(middle)?, self.power.get(middle + 1)?);
        let t = x - middle as f64;
        Some(b + 0.5 * t * (c - a) + 0.5 * t * t * (a - 2.0 * b + c))
    }
}

/// Where the power over airspeed comes from.
#[derive(Debug, Clone, PartialEq)]
pub enum Source {
    /// A curve, for many questions.
    Curve(PowerCurve),
    /// A trim at each airspeed asked about, for few; with the limits of a charge, at a density, kg/m^3.
    Trim {
        /// Charge, 0 to 1.
        charge: f64,
        /// Density, kg/m^3.
        density: f64,
    },
}

impl Source {
    /// Power on the bus at an airspeed that is held with 30 % of thrust to spare, W.
    pub fn at(&self, aircraft: &Aircraft, airspeed: f64) -> Option<f64> {
        match self {
            Self::Curve(c) => (airspeed <= c.held + 1e-9).then(|| c.at(airspeed)).flatten(),
            Self::Trim { charge, density } => {
                if !holds(aircraft, airspeed, *charge, *density).ok()? {
                    return None;
                }
                trim(aircraft, airspeed, 0.0, *charge, *density).ok()?.map(|t| t.bus_power)
            }
        }
    }
}

/// Power on the bus while climbing at a rate, m/s, in a wind, m/s, W.
///
/// # Errors
/// No such climb inside the model.
pub fn climb_power(
    aircraft: &Aircraft,
    wind: f64,
    climb: f64,
    charge: f64,
    density: f64,
) -> Result<f64, Stuck> {
    let at = trim(aircraft, wind, climb, charge, density)?;
    at.map(|t| t.bus_power).ok_or(Stuck::Value {
        what: "climb rate (m/s)",
        value: climb,
        allowed: "one that the powertrain can give in this wind",
    })
}

/// The battery as what is drawn down.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Store {
    /// The battery.
    pub model: BatteryModel,
    /// Least voltage of a cell under load, V; zero for none.
    pub cutoff: f64,
    /// Charge kept as reserve.
    pub reserve: f64,
}

impl Store {
    /// Of an aircraft.
    ///
    /// # Errors
    /// A battery that is missing or cannot be.
    pub fn new(aircraft: &Aircraft) -> Result<Self, Stuck> {
        let battery = aircraft.battery().map_err(PowertrainError::from)?;
        Ok(Self { model: BatteryModel::of(battery)?, cutoff: battery.cutoff, reserve: battery.reserve })
    }

    /// Bus voltage, V, and current, A, at a charge and a power, W; `None` where it cannot give it.
    pub fn bus(&self, charge: f64, power: f64) -> Option<(f64, f64)> {
        bus_at_power(self.model.open_circuit(charge), self.model.steady_resistance(), power)
    }

    /// Whether a cell stays above its cut-off at a charge and power, W.
    fn carries(&self, charge: f64, power: f64) -> bool {
        self.bus(charge, power)
            .is_some_and(|(bus, current)| self.model.cell_voltage(bus, current) >= self.cutoff)
    }

    /// Charge before a time at a power, given the charge after it.
    fn before(&self, charge: f64, power: f64, time: f64) -> Option<f64> {
        let h = time / STEPS as f64;
        let rate = |s: f64| self.bus(s, power).map(|(_, current)| current / self.model.capacity);
        let mut s = charge;
        for _ in 0..STEPS {
            let k1 = rate(s)?;
            let k2 = rate(s + 0.5 * h * k1)?;
            let k3 = rate(s + 0.5 * h * k2)?;
            let k4 = rate(s + h * k3)?;
            s += h / 6.0 * (k1 + 2.0 * (k2 + k3) + k4);
        }
        Some(s)
    }

    /// Charge at the start of legs that end at a charge; `None` where a cell would be below its cut-off on the way.
    fn start(&self, legs: &[Leg], end: f64) -> Option<f64> {
        let mut s = end;
        for leg in legs.iter().rev() {
            if leg.time <= 0.0 {
                continue;
            }
            // Within a leg the cell is lowest at its end.
            if !self.carries(s, leg.power) {
                return None;
            }
            s = self.before(s, leg.power, leg.time)?;
        }
        Some(s)
    }

    /// Charge needed at the start of legs so that the reserve is left and no cell falls below its cut-off under
    /// load. Above 1 where the battery does not hold enough; `None` where no charge carries the power.
    pub fn need(&self, legs: &[Leg]) -> Option<f64> {
        let (mut low, mut high) = (self.reserve, 1.0);
        if let Some(s) = self.start(legs, low) {
            return Some(s);
        }
        self.start(legs, high)?;
        for _ in 0..40 {
            let middle = 0.5 * (low + high);
            if self.start(legs, middle).is_some() { high = middle } else { low = middle }
        }
        self.start(legs, high)
    }

    /// Energy at the terminals, J, between two charges at a power, W.
    pub fn energy_between(&self, high: f64, low: f64, power: f64) -> Option<f64> {
        if high <= low {
            return Some(0.0);
        }
        // Mean bus voltage over the charge by Simpson's rule, exact to a cubic.
        let n = 16;
        let mut sum = 0.0;
        for k in 0..=n {
            let weight = if k == 0 || k == n {
                1.0
            } else if k % 2 == 1 {
                4.0
            } else {
                2.0
            };
            sum += weight * self.bus(low + (high - low) * f64::from(k) / f64::from(n), power)?.0;
        }
        Some(sum / (3.0 * f64::from(n)) * (high - low) * self.model.capacity)
    }
}
