//! Which groups of predictions an input can reach: those that read a part of the aircraft that it moved.
//!
//! An input that moves nothing a group reads has no effect on the group, and the group is not computed for it.

use physics::aircraft::Aircraft;
use physics::mass::{MassProperties, mass_properties};

use super::nominal::Group;

/// A central aircraft that moved ones are held against.
pub(super) struct Centre<'a> {
    aircraft: &'a Aircraft,
    mass: [MassProperties; 2],
}

/// Mass with payload and without it.
fn masses(aircraft: &Aircraft) -> [MassProperties; 2] {
    [mass_properties(&aircraft.bodies), mass_properties(&aircraft.without_payload().bodies)]
}

/// Relative difference that is rounding: what `weighed` replaces is put right by sums over the same bodies.
const ROUNDING: f64 = 1e-13;

/// Whether two bodies of mass act alike.
fn alike(a: &MassProperties, b: &MassProperties) -> bool {
    let length = (a.inertia.norm() / a.mass).sqrt();
    (a.mass - b.mass).abs() <= ROUNDING * a.mass
        && (a.centre - b.centre).norm() <= ROUNDING * length
        && (a.inertia - b.inertia).norm() <= ROUNDING * a.inertia.norm()
}

impl<'a> Centre<'a> {
    pub(super) fn new(aircraft: &'a Aircraft) -> Self {
        Self { aircraft, mass: masses(aircraft) }
    }

    /// The groups that read what differs between the central aircraft and a moved one.
    pub(super) fn reached(&self, moved: &Aircraft, groups: &[Group]) -> Vec<Group> {
        let a = self.aircraft;
        let bodies = a.bodies != moved.bodies;
        let masses = bodies.then(|| masses(moved));
        let differ = |unlike: fn(&MassProperties, &MassProperties) -> bool| {
            masses.iter().flatten().zip(&self.mass).any(|(moved, a)| unlike(a, moved))
        };
        let mass = differ(|a, b| !alike(a, b));
        // Flight over airspeed is trimmed by forces alone: of the mass it reads the weight.
        let weight = differ(|a, b| (a.mass - b.mass).abs() > ROUNDING * a.mass);
        let stations = a.stations != moved.stations;
        let drive = a.rotor != moved.rotor || a.motor != moved.motor || a.esc != moved.esc;
        let (geometry, turning) = (mass || stations, mass || stations || drive);
        let power = a.battery != moved.battery || a.avionics_power != moved.avionics_power;
        let driven = turning || power;
        let flying = weight || stations || drive || power;
        let drag = a.drag_area != moved.drag_area;
        let filters = a.imu != moved.imu || a.filters != moved.filters;
        let loops = filters || a.rate_loop != moved.rate_loop;
        let outer = a.attitude_loop != moved.attitude_loop
            || a.velocity_loop != moved.velocity_loop
            || a.position_loop != moved.position_loop;
        let frame = driven || bodies || a.structure != moved.structure || a.magnetic != moved.magnetic;
        let reads = |group: &Group| match group {
            Group::Mass => geometry,
            Group::Hover | Group::Full | Group::Endurance | Group::Authority => driven,
            Group::Airspeed => flying || drag,
            Group::Loop | Group::Step | Group::Yaw => turning || loops,
            // A heading error turns what the velocity loop asks for.
            Group::Outer => driven || loops || outer || drag || a.magnetic != moved.magnetic,
            Group::Filters => geometry || filters,
            Group::Vibration => driven || loops,
            Group::Structure | Group::Sensing => frame,
            Group::Homeward => flying || drag || outer || a.safety != moved.safety,
            Group::Payload => driven || a.rate_loop != moved.rate_loop,
        };
        groups.iter().copied().filter(reads).collect()
    }
}

#[cfg(test)]
mod tests {
    use std::collections::BTreeMap;

    use super::*;
    use crate::aircraft_file::AircraftFile;
    use crate::predict::nominal::{Nominal, SiteAir, nominal};
    use crate::programme::Programme;

    /// A group that is passed over must give the same numbers for the moved aircraft.
    #[test]
    fn prop_a_group_that_is_not_reached_does_not_change() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("builds/b1/aircraft.toml");
        std::fs::create_dir_all(path.parent().unwrap()).unwrap();
        std::fs::write(&path, crate::demo::AIRCRAFT).unwrap();
        std::fs::write(dir.path().join("dossier.toml"), crate::demo::DOSSIER).unwrap();
        let air = SiteAir::of(&Programme::load(dir.path()).unwrap().site);
        let file = AircraftFile::load(&path).unwrap();
        let resolved = file.resolve(&BTreeMap::new()).unwrap();
        let centre = Centre::new(&resolved.aircraft);
        let mut alone: BTreeMap<Vec<Group>, Nominal> = BTreeMap::new();
        let (mut passed, mut outputs) = (0, 0);
        for input in resolved.inputs.iter().filter(|i| i.uncertainty > 0.0) {
            let moved = BTreeMap::from([(input.key.clone(), input.value + input.uncertainty)]);
            let moved = file.resolve(&moved).unwrap().aircraft;
            let reached = centre.reached(&moved, &Group::ALL);
            let left: Vec<Group> = Group::ALL.into_iter().filter(|g| !reached.contains(g)).collect();
            passed += left.len();
            // Asked for alone, so that a group that leans on another does not hide behind it.
            let was = alone.entry(left.clone()).or_insert_with(|| nominal(&resolved.aircraft, &air, &left));
            for o in &nominal(&moved, &air, &left).outputs {
                outputs += 1;
                let was = was.get(&o.id).unwrap_or(f64::NAN);
                assert!((o.value - was).abs() <= 1e-12 * was.abs(), "{} moves {}", input.key, o.id);
            }
        }
        assert!(passed > 500 && outputs > 1000, "{passed} groups, {outputs} outputs");
    }
}
