//! The way home leg by leg, how far out it may begin, and when it must.
//!
//! A velocity loop flies speed over ground: with the wind at an angle the airspeed is what is left,
//! |ground - wind|; where that is more than the aircraft holds, the ground speed gives way. Descent is charged with
//! the power of level flight at the wind's airspeed, which is on the safe side of a slow descent (its power is close to
//! hover's, and momentum theory fails in the vortex-ring state).

use std::f64::consts::PI;

use serde::Serialize;

use super::energy::{Leg, PowerCurve, Source, Store, Stuck, Way, Wind, climb_power};
use crate::aircraft::Aircraft;
use crate::root::root;

/// How it comes home.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Plan {
    /// Speed over ground, m/s.
    pub speed: f64,
    /// Height above home at which it flies home, m; lower beginnings climb to it first.
    pub height: f64,
    /// Climb, m/s.
    pub climb: f64,
    /// Descent, m/s.
    pub descent: f64,
    /// Hover before touch-down, s.
    pub landing: f64,
    /// Time from the trigger until it turns home, s.
    pub react: f64,
}

/// An aircraft with its power over airspeed, battery and plan.
#[derive(Debug, Clone)]
pub struct Homing<'a> {
    /// The aircraft.
    pub aircraft: &'a Aircraft,
    /// Power over airspeed, with the limits of the reserve charge.
    pub source: Source,
    /// The battery.
    pub store: Store,
    /// The plan.
    pub plan: Plan,
    /// Density of the air, kg/m^3.
    pub density: f64,
}

impl<'a> Homing<'a> {
    /// Of an aircraft at a density, kg/m^3, with a curve in steps of 1 m/s.
    ///
    /// # Errors
    /// What makes a way home impossible.
    pub fn new(aircraft: &'a Aircraft, plan: Plan, density: f64) -> Result<Self, Stuck> {
        let mut homing = Self::quick(aircraft, plan, density)?;
        homing.source = Source::Curve(PowerCurve::new(aircraft, 1.0, homing.lowest(), density)?);
        Ok(homing)
    }

    /// The same without a curve: quicker for a single way home. An airspeed that cannot be held is then no way home,
    /// where [`Self::new`] flies slower.
    ///
    /// # Errors
    /// A plan or a battery that cannot be.
    pub fn quick(aircraft: &'a Aircraft, plan: Plan, density: f64) -> Result<Self, Stuck> {
        for (what, value) in
            [("speed home (m/s)", plan.speed), ("climb (m/s)", plan.climb), ("descent (m/s)", plan.descent)]
        {
            if !(value > 0.0 && value.is_finite()) {
                return Err(Stuck::Value { what, value, allowed: "above zero" });
            }
        }
        let store = Store::new(aircraft)?;
        let source = Source::Trim { charge: store.reserve.max(0.02), density };
        Ok(Self { aircraft, source, store, plan, density })
    }

    /// Charge whose limits count.
    fn lowest(&self) -> f64 {
        self.store.reserve.max(0.02)
    }

    /// Highest airspeed with thrust to spare, m/s, where a curve tells.
    pub fn held(&self) -> f64 {
        match &self.source {
            Source::Curve(c) => c.held,
            Source::Trim { .. } => f64::INFINITY,
        }
    }

    /// Power at an airspeed, W.
    pub fn power(&self, airspeed: f64) -> Option<f64> {
        self.source.at(self.aircraft, airspeed)
    }

    /// Ground speed, airspeed and power, m/s and W, on a course with the wind (m/s) at an angle from ahead.
    ///
    /// # Errors
    /// A wind that cannot be flown against.
    pub fn course(&self, wind: f64, from_wind: f64, height: f64) -> Result<(f64, f64, f64), Stuck> {
        let (ahead, across) = (wind * from_wind.cos(), wind * from_wind.sin());
        let held = self.held();
        let stuck = || Stuck::Wind { wind, height };
        let mut ground = self.plan.speed;
        let mut airspeed = (ground + ahead).hypot(across);
        if airspeed > held {
            if across.abs() >= held {
                return Err(stuck());
            }
            ground = (held * held - across * across).sqrt() - ahead;
            airspeed = held;
        }
        // Slower than a walk is no way home.
        if ground < 0.5 {
            return Err(stuck());
        }
        let power = self.power(airspeed).ok_or_else(stuck)?;
        Ok((ground, airspeed, power))
    }

    /// Power of holding a place in a wind, W.
    fn hold(&self, wind: f64, height: f64) -> Result<f64, Stuck> {
        self.power(wind).ok_or(Stuck::Wind { wind, height })
    }

    /// The legs of a way home; `climb_first` whether it climbs to the plan's height.
    ///
    /// # Errors
    /// A wind that cannot be flown against, or a climb that cannot be flown.
    pub fn legs(&self, way: &Way, wind: &Wind, climb_first: bool) -> Result<Vec<Leg>, Stuck> {
        let plan = &self.plan;
        let cruise = if climb_first { way.height.max(plan.height) } else { way.height };
        let mut legs = Vec::with_capacity(5);
        let here = wind.at(way.height);
        let still =
            |name, time: f64, airspeed: f64, power: f64| Leg { name, time, distance: 0.0, airspeed, power };
        legs.push(still("react", plan.react, here, self.hold(here, way.height)?));
        if cruise > way.height {
            let mean = wind.at(0.5 * (cruise + way.height));
            let power =
                climb_power(self.aircraft, mean, plan.climb, self.store.reserve.max(0.02), self.density)?;
            legs.push(still("climb", (cruise - way.height) / plan.climb, mean, power));
        }
        let (ground, airspeed, power) = self.course(wind.at(cruise), way.from_wind, cruise)?;
        legs.push(Leg {
            name: "fly home",
            time: way.distance / ground,
            distance: way.distance,
            airspeed,
            power,
        });
        let low = wind.at(0.5 * cruise);
        legs.push(still("descend", cruise / plan.descent, low, self.hold(low, cruise)?));
        let ground = wind.at(2.0);
        legs.push(still("land", plan.landing, ground, self.hold(ground, 2.0)?));
        Ok(legs)
    }

    /// Charge that a way home must begin with; above 1 where the battery does not hold it.
    ///
    /// # Errors
    /// As [`Self::legs`]; no charge that carries the power.
    pub fn need(&self, way: &Way, wind: &Wind, climb_first: bool) -> Result<f64, Stuck> {
        self.needed(&self.legs(way, wind, climb_first)?)
    }

    /// Charge that legs must begin with.
    ///
    /// # Errors
    /// No charge that carries the power.
    pub fn needed(&self, legs: &[Leg]) -> Result<f64, Stuck> {
        self.store.need(legs).ok_or(Stuck::Value {
            what: "least cell voltage under load (V)",
            value: self.store.cutoff,
            allowed: "one that a full battery keeps at the power of the way home",
        })
    }

    /// Largest distance, m, from which it comes home with a charge; `None` where not even from overhead.
    pub fn farthest(&self, charge: f64, height: f64, from_wind: f64, wind: &Wind) -> Option<f64> {
        let unit = self.legs(&Way { distance: 1.0, height, from_wind }, wind, true).ok()?;
        self.far(&unit, charge)
    }

    /// Radius of action, m: from a full battery out at the plan's height and back, the way home at an angle to the wind.
    pub fn radius(&self, from_wind: f64, wind: &Wind) -> Option<f64> {
        let height = self.plan.height;
        let out = Way { distance: 1.0, height: 0.0, from_wind: from_wind + PI };
        let mut unit = self.legs(&out, wind, true).ok()?;
        unit.retain(|l| l.name == "climb" || l.name == "fly home");
        unit.extend(self.legs(&Way { distance: 1.0, height, from_wind }, wind, true).ok()?);
        self.far(&unit, 1.0)
    }

    /// Distance at which legs given for 1 m begin with a charge: powers do not change with it.
    fn far(&self, unit: &[Leg], charge: f64) -> Option<f64> {
        let over = |distance: f64| {
            let legs: Vec<Leg> = unit
                .iter()
                .map(|l| if l.distance > 0.0 { Leg { time: distance * l.time, distance, ..*l } } else { *l })
                .collect();
            self.store.need(&legs).map_or(1e3, |need| need - charge)
        };
        let near = over(0.0);
        if near > 0.0 {
            return None;
        }
        let mut high = 500.0;
        while over(high) < 0.0 {
            high *= 2.0;
            if high > 1e6 {
                return None;
            }
        }
        root(over, (0.0, near), (high, over(high)), 0.1)
    }

    /// Time, s, that it may stay where it is before it must set off, from a charge; negative where it is too late
    /// by so much hover. `None` without a way home.
    pub fn time_to_decide(&self, charge: f64, way: &Way, wind: &Wind) -> Option<f64> {
        let need = self.need(way, wind, true).ok()?;
        let here = wind.at(way.height);
        let power = self.hold(here, way.height).ok()?;
        let (high, low) = if charge >= need { (charge, need) } else { (need, charge) };
        let time = self.store.energy_between(high, low, power)? / power;
        Some(if charge >= need { time } else { -time })
    }

    /// Ground speed of least energy per distance on a course, m/s, with the energy per distance there, J/m.
    pub fn best_speed(&self, wind: f64, from_wind: f64) -> Option<(f64, f64)> {
        let (ahead, across) = (wind * from_wind.cos(), wind * from_wind.sin());
        let mut best: Option<(f64, f64)> = None;
        for k in 1..=240 {
            let ground = 0.125 * f64::from(k);
            let airspeed = (ground + ahead).hypot(across);
            let Some(power) = self.power(airspeed) else { continue };
            if best.is_none_or(|(_, least)| power / ground < least) {
                best = Some((ground, power / ground));
            }
        }
        best
    }
}
