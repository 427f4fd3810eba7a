//! Stations of the named layouts.
//!
//! Rotors are numbered clockwise seen from above, from the front right one (x layouts) or the
//! front one (plus layouts). Spins alternate and rotor 1 turns counter-clockwise. All hubs lie in
//! the plane of the reference point; other heights need explicit stations.

use std::f64::consts::TAU;

use crate::Vec3;
use crate::aircraft::{Spin, Station};

/// Names of the layouts.
pub const NAMES: &[&str] = &["quad-x", "quad-plus", "hex-x", "hex-plus", "octo-x", "octo-plus", "coax-quad"];

const QUAD_X: [&str; 4] = ["front right", "rear right", "rear left", "front left"];
const QUAD_PLUS: [&str; 4] = ["front", "right", "rear", "left"];
const HEX_X: [&str; 6] = ["front right", "right", "rear right", "rear left", "left", "front left"];
const HEX_PLUS: [&str; 6] = ["front", "front right", "rear right", "rear", "rear left", "front left"];
const OCTO_X: [&str; 8] = [
    "front right",
    "right front",
    "right rear",
    "rear right",
    "rear left",
    "left rear",
    "left front",
    "front left",
];
const OCTO_PLUS: [&str; 8] =
    ["front", "front right", "right", "rear right", "rear", "rear left", "left", "front left"];

/// Stations of a named layout; `None` for a name that is not in [`NAMES`].
///
/// `arm` is the distance of a hub from the centre, m. `cant`, rad, tilts every thrust axis
/// sideways, see [`canted_axis`]. In `coax-quad` rotors 1 to 4 are the upper ones and 5 to 8 the
/// lower ones, each turning against the rotor above it; both hubs of a pair are put at the same
/// height, since the layout does not say their distance.
pub fn stations(name: &str, arm: f64, cant: f64, with_reaction: bool) -> Option<Vec<Station>> {
    let (places, half_step): (&[&str], bool) = match name {
        "quad-x" | "coax-quad" => (&QUAD_X, true),
        "quad-plus" => (&QUAD_PLUS, false),
        "hex-x" => (&HEX_X, true),
        "hex-plus" => (&HEX_PLUS, false),
        "octo-x" => (&OCTO_X, true),
        "octo-plus" => (&OCTO_PLUS, false),
        _ => return None,
    };
    let coaxial = name == "coax-quad";
    let count = places.len();
    let step = TAU / count as f64;
    let station = |index: usize, place: String, spin: Spin, below: Option<usize>| {
        let azimuth = step * (index as f64 + if half_step { 0.5 } else { 0.0 });
        let at = Vec3::new(arm * azimuth.cos(), arm * azimuth.sin(), 0.0);
        Station { place, at, axis: canted_axis(at, spin, cant, with_reaction), spin, below }
    };
    let spin = |index: usize| if index.is_multiple_of(2) { Spin::Ccw } else { Spin::Cw };
    let mut all: Vec<Station> = places
        .iter()
        .enumerate()
        .map(|(index, place)| {
            let place = if coaxial { format!("{place}, upper") } else { (*place).to_owned() };
            station(index, place, spin(index), None)
        })
        .collect();
    if coaxial {
        let lower = places.iter().enumerate();
        all.extend(lower.map(|(index, place)| {
            station(index, format!("{place}, lower"), spin(index).reversed(), Some(index))
        }));
    }
    Some(all)
}

/// Thrust axis of a rotor whose hub is at `at`, m, tilted sideways (about its arm) by `cant`, rad.
///
/// The tilt gives the thrust a part across the arm. With the reaction, its yaw moment has the sign
/// of the rotor's own reaction torque on the airframe and adds to it; against the reaction it
/// opposes it and, beyond atan(torque / (thrust x arm)), reverses yaw. A hub on the z axis has no
/// arm and stays upright.
pub fn canted_axis(at: Vec3, spin: Spin, cant: f64, with_reaction: bool) -> Vec3 {
    let reach = at.x.hypot(at.y);
    if reach <= 0.0 || !reach.is_finite() {
        return Vec3::new(0.0, 0.0, -1.0);
    }
    // Force along this direction at the hub turns the aircraft right (positive yaw).
    let across = Vec3::new(-at.y / reach, at.x / reach, 0.0);
    let sense = if with_reaction { spin.reaction_sign() } else { -spin.reaction_sign() };
    across * (sense * cant.sin()) + Vec3::new(0.0, 0.0, -cant.cos())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn prop_layouts_balance_and_alternate() {
        for name in NAMES {
            let all = stations(name, 0.3, 0.05, true).unwrap();
            let centre: Vec3 = all.iter().map(|s| s.at).sum();
            assert!(centre.norm() < 1e-12, "{name}");
            assert_eq!(all[0].spin, Spin::Ccw, "{name}");
            let reaction: f64 = all.iter().map(|s| s.spin.reaction_sign()).sum();
            assert!(reaction.abs() < 1e-12, "{name}");
            for s in &all {
                assert!((s.axis.norm() - 1.0).abs() < 1e-12);
                assert!((s.at.norm() - 0.3).abs() < 1e-12);
                // The yaw moment of the canted thrust has the sign of the reaction.
                assert!(s.at.cross(&s.axis).z * s.spin.reaction_sign() > 0.0, "{name} {}", s.place);
                // The place says where the hub is.
                let x = s.at.x;
                assert_eq!(s.place.contains("front"), x > 1e-9, "{name} {} {x}", s.place);
                assert_eq!(s.place.contains("right"), s.at.y > 1e-9, "{name} {}", s.place);
                assert!(s.below.is_none_or(|u| (all[u].at - s.at).norm() == 0.0 && all[u].spin != s.spin));
            }
        }
        assert!(stations("tri", 0.3, 0.0, true).is_none());
    }
}
