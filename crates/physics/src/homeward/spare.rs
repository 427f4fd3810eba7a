//! A parachute against more rotors: which single losses a layout survives, at what mass and endurance.
//!
//! The same rotor, motor, ESC and battery on every layout. What stands at the hubs (within a tenth of the rotor's diameter of
//! the shaft) is counted once a rotor; the rest of the aircraft stays, its arms too, so that longer or more arms are not in the
//! mass: the comparison is kind to more rotors by that. Hubs stand on a circle wide enough for 5 % of the diameter
//! between tips, and never nearer than today.

use serde::Serialize;

use crate::aircraft::{Aircraft, Body, Shape};
use crate::control::{hover_trim, single_rotor_out};
use crate::mass::mass_properties;
use crate::powertrain::{endurance, full_thrust};
use crate::{STANDARD_GRAVITY, Vec3, layout};

/// Share of the intact authority that counts as still controlled, in roll and pitch.
pub const CONTROLLED: f64 = 0.1;

/// One way to be safe against the loss of a rotor.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Choice {
    /// Layout, or "as it is".
    pub name: String,
    /// Number of rotors.
    pub rotors: usize,
    /// Mass with payload, kg.
    pub mass: f64,
    /// Largest distance between hubs, m.
    pub span: f64,
    /// Hover endurance, s, where there is one.
    pub endurance: Option<f64>,
    /// Single losses after which roll, pitch and yaw are held.
    pub with_yaw: usize,
    /// Single losses after which roll and pitch are held, the aircraft turning.
    pub turning: usize,
}

/// Bodies that stand at a hub.
fn at_hub(body: &Body, hub: &Vec3, near: f64) -> bool {
    (body.at - hub).xy().norm() <= near
}

/// The aircraft on another layout; `None` for a name that is not one or an aircraft without hub or size.
pub fn on_layout(aircraft: &Aircraft, name: &str) -> Option<Aircraft> {
    let near = 0.1 * aircraft.rotor.diameter;
    let hubs = &aircraft.stations;
    let first = hubs.first()?.at;
    let per_rotor: Vec<Body> = aircraft.bodies.iter().filter(|b| at_hub(b, &first, near)).cloned().collect();
    let mut other = aircraft.clone();
    other.bodies.retain(|b| !hubs.iter().any(|h| at_hub(b, &h.at, near)));
    let middle = hubs.iter().map(|h| h.at).sum::<Vec3>() / hubs.len() as f64;
    let arm = hubs.iter().map(|h| (h.at - middle).xy().norm()).sum::<f64>() / hubs.len() as f64;
    let count = layout::stations(name, 1.0, 0.0, true)?.iter().filter(|s| s.below.is_none()).count();
    let room = 0.5 * 1.05 * aircraft.rotor.diameter / (std::f64::consts::PI / count as f64).sin();
    other.stations = layout::stations(name, arm.max(room), 0.0, true)?;
    for station in &mut other.stations {
        station.at += middle;
        other.bodies.extend(per_rotor.iter().map(|b| Body { at: station.at + (b.at - first), ..b.clone() }));
    }
    Some(other)
}

/// Mass, endurance and survivable losses of an aircraft at a density, kg/m^3; losses at half charge.
pub fn judge(aircraft: &Aircraft, name: &str, density: f64) -> Choice {
    let properties = mass_properties(&aircraft.bodies);
    let weight = properties.mass * STANDARD_GRAVITY;
    let n = aircraft.stations.len();
    let speed = aircraft.rotor.speed_for_thrust(weight / n.max(1) as f64, 0.0, density).unwrap_or(0.0);
    let reaction = aircraft.rotor.torque_per_thrust(speed, density);
    let trim = hover_trim(aircraft, &properties.centre, reaction, weight).ok();
    let lasts =
        trim.as_ref().and_then(|t| endurance(aircraft, &t.thrusts, density, 1.0).ok()).map(|e| e.time);
    let (mut with_yaw, mut turning) = (0, 0);
    if let Ok(full) = full_thrust(aircraft, 0.5, density) {
        let most: Vec<f64> = full.point.rotors.iter().map(|r| r.thrust).collect();
        let none = vec![0.0; n];
        let losses = single_rotor_out(aircraft, &properties.centre, reaction, weight, &most, &none);
        for loss in losses.unwrap_or_default() {
            with_yaw += usize::from(loss.with_yaw.is_some_and(|s| s >= CONTROLLED));
            turning += usize::from(loss.without_yaw.is_some_and(|s| s >= CONTROLLED));
        }
    }
    Choice {
        name: name.to_owned(),
        rotors: n,
        mass: properties.mass,
        span: aircraft.hub_to_hub(),
        endurance: lasts.filter(|t| *t > 0.0),
        with_yaw,
        turning,
    }
}

/// As it is, with a parachute of a mass (kg) where one is asked for, and on layouts with more rotors.
pub fn choices(aircraft: &Aircraft, parachute: Option<f64>, density: f64) -> Vec<Choice> {
    let mut all = vec![judge(aircraft, "as it is", density)];
    if let Some(mass) = parachute {
        let mut with = aircraft.clone();
        let at = mass_properties(&aircraft.bodies).centre;
        with.bodies.push(Body {
            item: "parachute".to_owned(),
            mass,
            at,
            shape: Shape::Point,
            payload: false,
        });
        all.push(judge(&with, "as it is, with a parachute", density));
    }
    for name in ["hex-x", "octo-x", "coax-quad"] {
        if let Some(other) = on_layout(aircraft, name)
            && other.stations.len() > aircraft.stations.len()
        {
            all.push(judge(&other, name, density));
        }
    }
    all
}
