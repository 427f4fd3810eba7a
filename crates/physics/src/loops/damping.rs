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

/// Decay of roll, pitch and yaw rate, 1/s, in hover with `thrust` (N) on each rotor in air of `density` (kg/m^3). Zero
/// without an inertia.
pub fn rate_damping(aircraft: &Aircraft, thrust: f64, density: f64) -> [f64; 3] {
    let mass = mass_properties(&aircraft.bodies);
    let Some(speed) = aircraft.rotor.speed_for_thrust(thrust, 0.0, density) else { return [0.0; 3] };
    let at = |axial: f64| aircraft.rotor.thrust(speed, axial, density);
    let slope = (at(-AXIAL) - at(AXIAL)) / (2.0 * AXIAL);
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
