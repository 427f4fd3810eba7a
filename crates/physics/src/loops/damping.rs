//! Damping of the rate by the rotors: a hub that moves along its axis meets more or less axial flow.
//!
//! A hub at the lever r about an axis moves at r times the rate, its thrust changes by dT/dV times that, and the moment
//! r dT/dV r opposes the rate: damping = sum of -dT/dV r^2 over the inertia, 1/s (Leishman, Principles of Helicopter
//! Aerodynamics, ch. 4: lift of a rotor in climb). Rotor speed is taken as kept, the thrust as quasi-steady.

use crate::Vec3;
use crate::aircraft::Aircraft;
use crate::mass::mass_properties;

/// Axial speed that the slope is taken over, m/s: about 100 deg/s at an arm of 0.3 m.
const AXIAL: f64 = 0.5;

/// Thrust that a rotor loses per axial speed, N s/m, giving `thrust`, N, in an axial flow, m/s; none where it cannot give that.
fn slope(aircraft: &Aircraft, thrust: f64, axial: f64, density: f64) -> Option<f64> {
    let speed = aircraft.rotor.speed_for_thrust(thrust, axial, density)?;
    let at = |more: f64| aircraft.rotor.thrust(speed, axial + more, density);
    Some((at(-AXIAL) - at(AXIAL)) / (2.0 * AXIAL))
}

/// Decay of the climb rate, 1/s, with `thrust` (N) on each rotor in a steady axial flow, m/s, as a tilt into the wind makes it
/// (climb positive): also the acceleration by a vertical gust of 1 m/s. Zero without a mass.
pub fn climb_damping(aircraft: &Aircraft, thrust: f64, axial: f64, density: f64) -> f64 {
    let mass = mass_properties(&aircraft.bodies).mass;
    let lift: f64 = aircraft.stations.iter().map(|s| s.axis.z.powi(2)).sum();
    let decay = slope(aircraft, thrust, axial, density).unwrap_or(0.0) * lift / mass;
    if decay.is_finite() { decay.max(0.0) } else { 0.0 }
}

/// Decay of roll, pitch and yaw rate, 1/s, in hover with `thrust` (N) on each rotor in air of `density` (kg/m^3). Zero
/// without an inertia.
pub fn rate_damping(aircraft: &Aircraft, thrust: f64, density: f64) -> [f64; 3] {
    let mass = mass_properties(&aircraft.bodies);
    let Some(slope) = slope(aircraft, thrust, 0.0, density) else { return [0.0; 3] };
    let mut out = [0.0; 3];
    for (axis, value) in out.iter_mut().enumerate() {
        let inertia = mass.inertia[(axis, axis)];
        let mut unit = Vec3::zeros();
        unit[axis] = 1.0;
        let levers: f64 =
            aircraft.stations.iter().map(|s| unit.cross(&(s.at - mass.centre)).dot(&s.axis).powi(2)).sum();
        if inertia > 0.0 && slope.is_finite() {
            *value = (slope * levers / inertia).max(0.0);
        }
    }
    out
}
