//! Where the compass can go: error of the heading against the stiffness of what carries it.
//!
//! Candidates stand in the electronics bay, at the roots of the arms and on a mast of several heights.
//! Distance from the leads lowers the magnetic error; a taller mast costs frequency. A candidate that no
//! other beats in both is kept; the recommendation is the stiffest that meets all limits, else the one
//! that misses them least.

use serde::Serialize;

use crate::Vec3;
use crate::aircraft::{Aircraft, Missing};
use crate::magnetic::heading_error;
use crate::structure::diagram::{Dwell, least_separation};

/// Kind of a place.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Place {
    /// In the electronics bay.
    Bay,
    /// At an arm's root.
    ArmRoot,
    /// On a mast.
    Mast,
    /// Where the aircraft file puts it today.
    Today,
}

impl Place {
    /// Words for people.
    pub fn words(self) -> &'static str {
        match self {
            Self::Bay => "electronics bay",
            Self::ArmRoot => "arm's root",
            Self::Mast => "mast",
            Self::Today => "as in the file",
        }
    }
}

/// One candidate.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Candidate {
    /// Kind of place.
    pub place: Place,
    /// Position from the reference point, body axes, m.
    pub at: Vec3,
    /// Height of the mast, m; zero without one.
    pub mast_height: f64,
    /// Largest heading error at hover current, rad.
    pub hover_error: f64,
    /// Largest heading error at full current, rad.
    pub full_error: f64,
    /// Lowest frequency of the mast, Hz; `None` without a mast.
    pub mast_frequency: Option<f64>,
    /// Separation of the mast from 1/rev and blade passage; `None` without a mast.
    pub separation: Option<f64>,
    /// Distance from the radio's antenna, m, where one is stated.
    pub radio_distance: Option<f64>,
    /// What it misses, in words; empty when it meets every limit.
    pub misses: Vec<String>,
    /// Largest shortfall as a fraction of its limit; zero when it meets every limit.
    pub shortfall: f64,
}

/// What a site is held against.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Demand {
    /// Horizontal field of the earth, T.
    pub horizontal: f64,
    /// Battery current in hover, A.
    pub hover_current: f64,
    /// Battery current at full thrust, A.
    pub full_current: f64,
    /// Largest heading error at hover current, rad.
    pub hover_limit: f64,
    /// Largest heading error at full current, rad.
    pub full_limit: f64,
    /// Least frequency of a mast, Hz.
    pub least_frequency: f64,
    /// Least separation of a mast.
    pub least_separation: f64,
    /// Rotor speeds dwelt in, rev/s.
    pub dwell: Dwell,
}

/// All candidates with the choice.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Survey {
    /// Candidates.
    pub candidates: Vec<Candidate>,
    /// Those that no other beats, by index, stiffest first.
    pub front: Vec<usize>,
    /// The recommended one, by index.
    pub recommended: Option<usize>,
}

/// Steps along each side of the bay.
const BAY_STEPS: usize = 5;
/// Heights of the mast that are tried.
const MAST_STEPS: usize = 16;

/// Surveys an aircraft.
///
/// # Errors
/// The part of the aircraft file that is missing: leads, or a room to choose in.
pub fn survey(aircraft: &Aircraft, demand: &Demand) -> Result<Survey, Missing> {
    let magnetic = &aircraft.magnetic;
    if magnetic.leads.is_empty() {
        return Err(Missing::new("lead"));
    }
    let room = magnetic.siting.as_ref().ok_or_else(|| Missing::new("siting"))?;
    let mut candidates = Vec::new();
    let mut add = |place: Place, at: Vec3, mast: f64| {
        candidates.push(candidate(aircraft, demand, place, at, mast));
    };
    if let Some(at) = magnetic.magnetometer {
        // Where it stands on the mast of the file, the mast belongs to it.
        let height = room
            .mast_foot
            .filter(|f| (f.xy() - at.xy()).norm() < 0.01 && f.z - at.z > 0.005)
            .map_or(0.0, |f| f.z - at.z);
        add(Place::Today, at, height);
    }
    let mix =
        |k: usize, i: usize| room.from[k] + (room.to[k] - room.from[k]) * i as f64 / (BAY_STEPS - 1) as f64;
    for i in 0..BAY_STEPS {
        for j in 0..BAY_STEPS {
            for k in [0, BAY_STEPS - 1] {
                add(Place::Bay, Vec3::new(mix(0, i), mix(1, j), mix(2, k)), 0.0);
            }
        }
    }
    if let Some(arm) = &aircraft.structure.arm {
        let n = aircraft.stations.len().max(1) as f64;
        let centre = aircraft.stations.iter().map(|s| s.at).sum::<Vec3>() / n;
        for s in aircraft.stations.iter().filter(|s| s.below.is_none()) {
            let out = s.at - centre;
            let radius = out.norm();
            if radius > 1e-6 {
                let along = (radius - arm.length).max(0.0) / radius;
                add(Place::ArmRoot, centre + out * along, 0.0);
            }
        }
    }
    if let (Some(foot), true) = (room.mast_foot, room.mast_height > 0.0) {
        for i in 1..=MAST_STEPS {
            let height = room.mast_height * i as f64 / MAST_STEPS as f64;
            add(Place::Mast, foot - Vec3::new(0.0, 0.0, height), height);
        }
    }
    let front = front(&candidates);
    let recommended = recommend(&candidates);
    Ok(Survey { candidates, front, recommended })
}

fn candidate(aircraft: &Aircraft, demand: &Demand, place: Place, at: Vec3, mast_height: f64) -> Candidate {
    let per_ampere = aircraft.magnetic.per_ampere(&at);
    let error = |current: f64| heading_error(&per_ampere, current, demand.horizontal);
    let (hover_error, full_error) = (error(demand.hover_current), error(demand.full_current));
    let mast_frequency = if mast_height > 0.0 {
        aircraft.structure.mast.as_ref().and_then(|m| m.at_height(mast_height).frequency())
    } else {
        None
    };
    let separation = mast_frequency.map(|f| least_separation(f, aircraft.rotor.blades, demand.dwell).0);
    let room = aircraft.magnetic.siting.as_ref();
    let radio_distance = room.and_then(|r| r.radio).map(|r| (at - r).norm());
    let clearance = room.map_or(0.0, |r| r.clearance);
    let mut misses = Vec::new();
    let mut shortfall: f64 = 0.0;
    let mut miss = |text: String, by: f64| {
        misses.push(text);
        shortfall = shortfall.max(by);
    };
    let deg = |x: f64| format!("{:.1} deg", x.to_degrees());
    for (name, value, limit) in
        [("hover", hover_error, demand.hover_limit), ("full", full_error, demand.full_limit)]
    {
        if value > limit {
            miss(
                format!("heading error {} at {name} current, limit {}", deg(value), deg(limit)),
                value / limit - 1.0,
            );
        }
    }
    if mast_height > 0.0 && mast_frequency.is_none() {
        miss("the mast is not described: structure.mast".to_owned(), 1.0);
    }
    if let Some(f) = mast_frequency.filter(|f| *f < demand.least_frequency) {
        miss(
            format!("mast at {f:.0} Hz, least {:.0} Hz", demand.least_frequency),
            1.0 - f / demand.least_frequency,
        );
    }
    if let Some(s) = separation.filter(|s| *s < demand.least_separation) {
        miss(
            format!(
                "mast {:.0} % from what the rotors excite, least {:.0} %",
                100.0 * s,
                100.0 * demand.least_separation
            ),
            1.0 - s / demand.least_separation,
        );
    }
    if let Some(d) = radio_distance.filter(|d| *d < clearance) {
        miss(
            format!("{:.0} mm from the radio's antenna, least {:.0} mm", d * 1e3, clearance * 1e3),
            1.0 - d / clearance,
        );
    }
    Candidate {
        place,
        at,
        mast_height,
        hover_error,
        full_error,
        mast_frequency,
        separation,
        radio_distance,
        misses,
        shortfall,
    }
}

/// Stiffness as it ranks: without a mast the site moves with the body.
fn stiffness(c: &Candidate) -> f64 {
    if c.mast_height > 0.0 { c.mast_frequency.unwrap_or(0.0) } else { f64::INFINITY }
}

/// Candidates that no other beats in both heading error and stiffness.
fn front(all: &[Candidate]) -> Vec<usize> {
    let beats = |a: &Candidate, b: &Candidate| {
        let (ea, eb) = (a.full_error, b.full_error);
        let (sa, sb) = (stiffness(a), stiffness(b));
        ea <= eb && sa >= sb && (ea < eb || sa > sb)
    };
    let mut front: Vec<usize> = (0..all.len())
        .filter(|&i| all[i].place != Place::Today)
        .filter(|&i| !all.iter().any(|o| o.place != Place::Today && beats(o, &all[i])))
        .collect();
    front.sort_by(|&a, &b| stiffness(&all[b]).total_cmp(&stiffness(&all[a])));
    front
}

/// The stiffest that meets all limits, of several without a mast the one with the least error; else the
/// one that misses by least.
fn recommend(all: &[Candidate]) -> Option<usize> {
    (0..all.len()).filter(|&i| all[i].place != Place::Today).min_by(|&a, &b| {
        let (x, y) = (&all[a], &all[b]);
        x.shortfall
            .total_cmp(&y.shortfall)
            .then_with(|| stiffness(y).total_cmp(&stiffness(x)))
            .then_with(|| x.full_error.total_cmp(&y.full_error))
    })
}
