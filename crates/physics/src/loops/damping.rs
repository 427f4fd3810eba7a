//! What the air through the rotors does to the motion: damping of rates and speeds, and the inflow that builds up.
//!
//! A hub at the lever r about an axis moves at r times the rate, its thrust changes by dT/dV times that, and the moment
//! r dT/dV r opposes the rate: damping = sum of -dT/dV r^2 over the inertia, 1/s (Leishman, Principles of Helicopter
//! Aerodynamics, ch. 4: lift of a rotor in climb). In the plane of the disc the in-plane force H does the same with
//! dH/dV. Forces are those of [`crate::edgewise`] at a kept rotor speed, the inflow settled; how it settles is
//! [`InflowLead`].

use std::f64::consts::PI;

use serde::Serialize;

use super::inflow::InflowLead;
use crate::Vec3;
use crate::aircraft::Aircraft;
use crate::edgewise::{constants, flow, speed_for_thrust};
use crate::mass::mass_properties;

/// Speed that slopes are taken over, m/s: about 100 deg/s at an arm of 0.3 m.
const STEP: f64 = 0.5;

/// What the rotors' air does to the rate loop in hover.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct RotorAir {
    /// Decay of roll, pitch and yaw rate, 1/s.
    pub rate: [f64; 3],
    /// Lead of thrust over rotor speed.
    pub inflow: InflowLead,
}

impl RotorAir {
    /// No air.
    pub const NONE: Self = Self { rate: [0.0; 3], inflow: InflowLead { zero: 0.0, pole: 0.0 } };
}

/// Slopes of a rotor's force over the speed of the air, N s/m.
#[derive(Debug, Clone, Copy)]
struct Slopes {
    /// Thrust lost to a flow along the axis.
    through: f64,
    /// In-plane force gained along the wind in the plane, and its secant, which is the slope across it.
    plane: f64,
    across: f64,
    /// Thrust gained by wind in the plane.
    lifted: f64,
}

/// Giving `thrust`, N, in air that runs in the plane and along the axis, m/s; none where the rotor cannot.
fn slopes(aircraft: &Aircraft, thrust: f64, density: f64, [along, axial]: [f64; 2]) -> Option<Slopes> {
    let rotor = &aircraft.rotor;
    let speed = speed_for_thrust(rotor, thrust, along, axial, density)?;
    let at = |in_plane: f64, more: f64| flow(rotor, speed, in_plane, axial + more, density);
    let through = (at(along, -STEP).thrust - at(along, STEP).thrust) / (2.0 * STEP);
    // The force is odd in the wind.
    let signed = |v: f64| at(v, 0.0).in_plane * v.signum();
    let plane = (signed(along + STEP) - signed(along - STEP)) / (2.0 * STEP);
    let across = if along > 0.0 { signed(along) / along } else { plane };
    let lifted = (at(along + STEP, 0.0).thrust - at((along - STEP).abs(), 0.0).thrust) / (2.0 * STEP);
    Some(Slopes { through, plane, across, lifted })
}

fn decay(value: f64) -> f64 {
    if value.is_finite() { value.max(0.0) } else { 0.0 }
}

/// Decay of the climb rate, 1/s, with `thrust` (N) on each rotor in air of `density` (kg/m^3) that runs in
/// the discs and along their axes, m/s (climb positive), as a tilt into the wind makes it: also the acceleration by a
/// vertical gust of 1 m/s. Zero without a mass.
pub fn climb_damping(aircraft: &Aircraft, thrust: f64, density: f64, air: [f64; 2]) -> f64 {
    let mass = mass_properties(&aircraft.bodies).mass;
    let lift: f64 = aircraft.stations.iter().map(|s| s.axis.z.powi(2)).sum();
    slopes(aircraft, thrust, density, air).map_or(0.0, |s| decay(s.through * lift / mass))
}

/// Upward acceleration by a wind that blows 1 m/s more in the discs, 1/s, as for [`climb_damping`]: the induced flow is
/// carried off. Zero without a mass.
pub fn lift_by_wind(aircraft: &Aircraft, thrust: f64, density: f64, air: [f64; 2]) -> f64 {
    let mass = mass_properties(&aircraft.bodies).mass;
    let lift: f64 = aircraft.stations.iter().map(|s| s.axis.z.abs()).sum();
    let gained = slopes(aircraft, thrust, density, air).map_or(0.0, |s| s.lifted * lift / mass);
    if gained.is_finite() { gained } else { 0.0 }
}

/// Decay of a level speed by the rotors' in-plane force, 1/s, along a level wind (`along`, m/s) and across it: also the
/// acceleration by a gust of 1 m/s. Zero without a mass.
pub fn drift_damping(aircraft: &Aircraft, thrust: f64, density: f64, along: f64) -> [f64; 2] {
    let mass = mass_properties(&aircraft.bodies).mass;
    let lift: f64 = aircraft.stations.iter().map(|s| s.axis.z.powi(2)).sum();
    slopes(aircraft, thrust, density, [along, 0.0])
        .map_or([0.0; 2], |s| [decay(s.plane * lift / mass), decay(s.across * lift / mass)])
}

/// What the rotors' air does to the rates in hover with `thrust` (N) on each rotor in air of `density` (kg/m^3). No decay
/// about an axis without inertia.
pub fn rotor_air(aircraft: &Aircraft, thrust: f64, density: f64) -> RotorAir {
    let mass = mass_properties(&aircraft.bodies);
    let Some(s) = slopes(aircraft, thrust, density, [0.0; 2]) else { return RotorAir::NONE };
    let mut rate = [0.0; 3];
    for (axis, value) in rate.iter_mut().enumerate() {
        let inertia = mass.inertia[(axis, axis)];
        let mut unit = Vec3::zeros();
        unit[axis] = 1.0;
        let levers: f64 = aircraft
            .stations
            .iter()
            .map(|station| {
                let moved = unit.cross(&(station.at - mass.centre));
                let through = moved.dot(&station.axis).powi(2);
                s.through * through + s.plane * (moved.norm_squared() - through)
            })
            .sum();
        if inertia > 0.0 {
            *value = decay(levers / inertia);
        }
    }
    RotorAir { rate, inflow: inflow(aircraft, thrust, density).unwrap_or(RotorAir::NONE.inflow) }
}

/// (8/(3 pi)) R dv/dt = tip (K1 tip - K2 v) - 2 v^2, linear about hover.
fn inflow(aircraft: &Aircraft, thrust: f64, density: f64) -> Option<InflowLead> {
    let rotor = &aircraft.rotor;
    let speed = speed_for_thrust(rotor, thrust, 0.0, 0.0, density)?;
    let radius = 0.5 * rotor.diameter;
    let induced = flow(rotor, speed, 0.0, 0.0, density).induced_speed;
    let [_, k2, ..] = constants(rotor, speed, 0.0);
    let depth = 8.0 / (3.0 * PI) * radius;
    let (zero, pole) = (depth / (4.0 * induced), depth / (4.0 * induced + k2 * radius * speed));
    (pole > 0.0 && zero.is_finite()).then_some(InflowLead { zero, pole })
}
