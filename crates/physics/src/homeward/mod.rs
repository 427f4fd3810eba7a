//! Coming home: energy and thresholds, radio link, stopping, parachute, what an impact carries.
//!
//! Everything here is arithmetic for planning. Rules of the place, licensed practice and a test at
//! short range decide; no figure of this module permits a flight.

pub mod energy;
pub mod impact;
pub mod link;
pub mod parachute;
pub mod reach;
pub mod spare;
pub mod stop;

pub use energy::{Leg, PowerCurve, Source, Store, Stuck, Way, Wind};
pub use reach::{Homing, Plan};

use serde::Serialize;

/// What the aircraft does by itself when something fails, as the file states it.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Failsafe {
    /// What it does on a lost link.
    pub on_lost_link: OnLostLink,
    /// Charge at which it turns home.
    pub come_home_at: f64,
    /// Charge at which it lands where it is.
    pub land_now_at: f64,
    /// Time from the loss of the link until it acts, s.
    pub lost_link_time: f64,
    /// Time from the low charge until it acts, s.
    pub low_battery_time: f64,
    /// Farthest from home that it is flown, m.
    pub farthest: f64,
    /// How it comes home; `react` is the longer of both times.
    pub plan: Plan,
}

/// What it does on a lost link.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum OnLostLink {
    /// Turns home and lands there.
    ComeHome,
    /// Lands where it is.
    Land,
}

/// Fail-safe, radio link and parachute of an aircraft, as far as the file states them.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize)]
pub struct Safety {
    /// Fail-safe.
    pub failsafe: Option<Failsafe>,
    /// Radio link.
    pub link: Option<link::Link>,
    /// Parachute.
    pub parachute: Option<parachute::Parachute>,
}
