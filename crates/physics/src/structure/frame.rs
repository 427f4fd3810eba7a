//! Arms on an aircraft that flies free: every pattern of the arms has its own frequency.
//!
//! Arms of one kind on a stiff hub. In the *opposed* pattern neighbours swing against each other and
//! the hub stays; it is the arm on a fixed root, as when the body is held in a vice. All arms together
//! up and down move the hub as a mass (*heave*); one side against the other turns it about x or y
//! (*roll*, *pitch*); all arms round in their plane turn it about z (*yaw*). A hub that moves stiffens
//! the pattern: its frequency lies above that of the fixed root. An arm's part in roll goes with the
//! sideways place of its hub, so that its share of the hub's inertia is the whole over the sum of
//! (y/R)^2 over the arms.

use serde::Serialize;

use crate::aircraft::{Aircraft, Missing};
use crate::mass::mass_properties;
use crate::structure::Arm;
use crate::structure::beam::{Beam, Root};

/// A hub's mass counts as its arm's tip when it stands within this share of the radius from it.
const NEAR: f64 = 0.2;

/// One pattern of the arms with its lowest frequency.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Pattern {
    /// Identity: `opposed`, `heave`, `roll`, `pitch`, `sideways`, `yaw`.
    pub id: &'static str,
    /// Name for people.
    pub name: &'static str,
    /// Frequency, Hz.
    pub frequency: f64,
}

/// The arms of an aircraft as beams on its hub.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Arms {
    /// How many.
    pub count: usize,
    /// The arm, bending up and down.
    pub upright: Beam,
    /// The arm, bending sideways.
    pub sideways: Beam,
    /// Distance of the roots from the centre, m.
    pub root_radius: f64,
    /// Mass of what the arms stand on, kg.
    pub hub_mass: f64,
    /// Its inertia about x, y, z, kg m^2.
    pub hub_inertia: [f64; 3],
    /// Sums of (y/R)^2, (x/R)^2 over the arms.
    pub parts: [f64; 2],
}

/// The arm of an aircraft as a beam with its tip mass, bending up and down.
pub fn arm_beam(aircraft: &Aircraft) -> Result<Beam, Missing> {
    Ok(arms(aircraft)?.upright)
}

/// Mass at the tip of an arm: everything within a fifth of the arm's radius from its hub, kg, mean of the arms.
pub fn tip_mass(aircraft: &Aircraft) -> f64 {
    let hubs = hubs(aircraft);
    let total: f64 = hubs
        .iter()
        .map(|h| {
            aircraft
                .bodies
                .iter()
                .filter(|b| (b.at.xy() - h.0).norm() <= NEAR * h.1)
                .map(|b| b.mass)
                .sum::<f64>()
        })
        .sum();
    total / hubs.len().max(1) as f64
}

/// Hub of every arm seen from above, relative to the reference point, and its distance from the centre.
fn hubs(aircraft: &Aircraft) -> Vec<(nalgebra::Vector2<f64>, f64)> {
    let n = aircraft.stations.len().max(1) as f64;
    let centre = aircraft.stations.iter().map(|s| s.at.xy()).sum::<nalgebra::Vector2<f64>>() / n;
    aircraft
        .stations
        .iter()
        .filter(|s| s.below.is_none())
        .map(|s| (s.at.xy(), (s.at.xy() - centre).norm()))
        .collect()
}

fn beam(arm: &Arm, second_moment: f64, tip: f64) -> Beam {
    Beam {
        stiffness: arm.material.youngs_modulus * second_moment,
        mass_per_length: arm.material.density * arm.section.area(),
        length: arm.length,
        root_stiffness: arm.root_stiffness,
        tip_mass: tip,
    }
}

/// The arms as beams on their hub.
///
/// # Errors
/// No arm in the aircraft file.
pub fn arms(aircraft: &Aircraft) -> Result<Arms, Missing> {
    let arm = aircraft.structure.arm.as_ref().ok_or_else(|| Missing::new("structure.arm"))?;
    let hubs = hubs(aircraft);
    let count = hubs.len();
    let radius = hubs.iter().map(|h| h.1).sum::<f64>() / count.max(1) as f64;
    let tip = tip_mass(aircraft);
    let (up, side) = arm.section.second_moment();
    let own = arm.material.density * arm.section.area() * arm.length;
    let root_radius = (radius - arm.length).max(0.0);
    let whole = mass_properties(&aircraft.bodies);
    let hub_mass = (whole.mass - count as f64 * (tip + own)).max(0.02 * whole.mass);
    let safe = radius.max(1e-9);
    let centre = hubs.iter().map(|h| h.0).sum::<nalgebra::Vector2<f64>>() / count.max(1) as f64;
    let squares = |axis: usize| hubs.iter().map(|h| ((h.0[axis] - centre[axis]) / safe).powi(2)).sum::<f64>();
    let parts = [squares(1), squares(0)];
    // What the arms and their tips put on the inertia: tip R^2, arm the mean of r^2 along it.
    let each = tip * radius * radius
        + own * (root_radius * root_radius + root_radius * arm.length + arm.length * arm.length / 3.0);
    let share = [parts[0], parts[1], count as f64];
    let hub_inertia = [0, 1, 2].map(|k| {
        let all = whole.inertia[(k, k)];
        (all - share[k] * each).max(0.02 * all)
    });
    Ok(Arms {
        count,
        upright: beam(arm, up, tip),
        sideways: beam(arm, side, tip),
        root_radius,
        hub_mass,
        hub_inertia,
        parts,
    })
}

impl Arms {
    /// Every pattern with its lowest frequency, the fixed root first.
    pub fn patterns(&self) -> Vec<Pattern> {
        let n = self.count.max(1) as f64;
        let r = self.root_radius;
        let turning =
            |inertia: f64, parts: f64| Root::Turning { inertia: inertia / parts.max(1e-9), radius: r };
        let mut all = Vec::new();
        let mut add = |id, name, beam: &Beam, root| {
            if let Some(frequency) = beam.lowest(root) {
                all.push(Pattern { id, name, frequency });
            }
        };
        add("opposed", "arms against each other (fixed root)", &self.upright, Root::Fixed);
        if (self.sideways.stiffness - self.upright.stiffness).abs() > 1e-9 * self.upright.stiffness {
            add("sideways", "arms sideways against each other", &self.sideways, Root::Fixed);
        }
        if self.count >= 2 {
            add(
                "heave",
                "arms together against the body",
                &self.upright,
                Root::Moving { mass: self.hub_mass / n },
            );
            add("roll", "left against right", &self.upright, turning(self.hub_inertia[0], self.parts[0]));
            add("pitch", "front against rear", &self.upright, turning(self.hub_inertia[1], self.parts[1]));
            add("yaw", "arms round against the body", &self.sideways, turning(self.hub_inertia[2], n));
        }
        all
    }
}

/// How far the thrust axis turns when the rotor pulls with `thrust` (N): slope of the arm's tip from
/// bending and root, and twist of the arm by the sideways part of a canted thrust, rad.
///
/// Slope T L^2/(2 EI) + T L/k_root of a cantilever; twist M L/(G J) with M the sideways force times the
/// height of the hub over the arm.
///
/// # Errors
/// No arm in the aircraft file.
pub fn axis_twist(aircraft: &Aircraft, thrust: f64) -> Result<f64, Missing> {
    let arm = aircraft.structure.arm.as_ref().ok_or_else(|| Missing::new("structure.arm"))?;
    let l = arm.length;
    let slope = thrust * l * l / (2.0 * arm.material.youngs_modulus * arm.section.second_moment().0)
        + thrust * l / arm.root_stiffness;
    let sideways = aircraft.stations.iter().map(|s| s.axis.xy().norm()).fold(0.0, f64::max) * thrust;
    let twist = sideways * arm.hub_height * l / (arm.material.shear_modulus * arm.section.torsion_constant());
    Ok(slope.hypot(twist))
}
