//! Flights of the demo: rate steps, attitude, velocity steps, a hold in wind.

use std::collections::BTreeMap;
use std::path::Path;

use physics::Vec3;
use physics::aircraft::Aircraft;
use physics::atmosphere::Air;
use physics::flight::{self, Action, FlightLog, Scenario, Segment, Wind};
use rayon::prelude::*;

use super::{DATE_FLOWN, SEED, flight_record, hand};
use crate::diagnostic::{Diagnostic, Diagnostics};
use crate::record::Record;

/// Rate of the logs of the outer loops, Hz.
const LOG: f64 = 200.0;
/// Height of the flights, m.
const HEIGHT: f64 = 20.0;
/// Mean wind of the hold, m/s: that of the requirement.
const WIND: f64 = 8.0;

/// A flight with what is known of it.
struct Flown {
    id: &'static str,
    remark: &'static str,
    scenario: Scenario,
    /// Mean wind as noted, m/s, with its standard uncertainty.
    wind: Option<(f64, f64)>,
}

/// All flights, simulated side by side, each rotor with so much of the stated unbalance. An aircraft without the outer loops flies its rate steps alone.
pub(super) fn records(
    bare: &Aircraft,
    air: &Air,
    path: &Path,
    fingerprint: &BTreeMap<String, String>,
    unbalance: &[f64],
) -> Result<Vec<Record>, Diagnostics> {
    let mut all = vec![Flown {
        id: "2026-03-04-rate-steps",
        remark: "Hover, rate steps with releases, one pull of full thrust. Made by the flight model.",
        scenario: flight::card_flight(bare, SEED, 0.95),
        wind: None,
    }];
    if bare.attitude_loop.is_some() {
        all.push(Flown {
            id: "2026-03-04-attitude",
            remark: "Attitude steps, stick sweeps and hard diagonals, flown the same morning before the rate steps: out of \
                     order, and the gates say so. Made by the flight model.",
            scenario: attitude(bare),
            wind: None,
        });
    }
    if bare.velocity_loop.is_some() && bare.position_loop.is_some() {
        all.push(Flown {
            id: "2026-03-04-follow",
            remark: "Velocity steps of 3 m/s in light air. Made by the flight model.",
            scenario: follow(),
            wind: None,
        });
        all.push(Flown {
            id: "2026-03-04-hold",
            remark: "Place and height held in a wind of 8 m/s with its gusts. Made by the flight model.",
            scenario: hold(),
            wind: Some((WIND, 0.5)),
        });
    }
    for f in &mut all {
        f.scenario.unbalance_factors = unbalance.to_vec();
    }
    all.par_iter()
        .map(|f| {
            let log = flight::fly(bare, air, &f.scenario).map_err(|e| {
                Diagnostic::error(path, format!("the flight model cannot fly this aircraft: {e}"))
            })?;
            let log = if f.id.ends_with("rate-steps") { log } else { without_inertial(log) };
            let mut record = flight_record(f.id, "b1", DATE_FLOWN, f.remark, &log, fingerprint);
            if let Some((value, uncertainty)) = f.wind {
                record.meta.values.insert("wind".to_owned(), hand(value, uncertainty, "m/s"));
            }
            Ok(record)
        })
        .collect()
}

/// What the log of an outer loop keeps: at its rate raw sensors and rotor speeds would only fold.
fn without_inertial(mut log: FlightLog) -> FlightLog {
    log.channels.retain(|name, _| {
        let inertial = name.starts_with("accel") || name.starts_with("rate_raw");
        !inertial && !name.ends_with(".speed") && !name.ends_with(".current")
    });
    log
}

fn level(label: &str, duration: f64) -> Segment {
    Segment::new(label, duration, Action::Hover)
}

/// Steps to both sides, a sweep of small stick about roll and pitch, two diagonals at two deflections.
fn attitude(aircraft: &Aircraft) -> Scenario {
    let full = aircraft.attitude_loop.as_ref().and_then(|l| l.full_tilt).unwrap_or(0.5);
    let step = 12_f64.to_radians();
    let mut script = vec![level("hover", 3.0)];
    for (name, roll, pitch) in [("roll", step, 0.0), ("pitch", 0.0, step)] {
        for sign in [1.0, -1.0, -1.0, 1.0] {
            let hold = |k: f64| Action::AttitudeHold { roll: k * roll, pitch: k * pitch, yaw: None };
            script.push(Segment::new(&format!("{name} attitude step"), 1.0, hold(sign)));
            script.push(Segment::new("level", 1.0, hold(0.0)));
        }
        script.push(level("stop", 2.0));
    }
    let mut sweep = |name: &str, tilt: f64, direction_deg: f64, from: f64, to: f64, duration: f64| {
        let direction = direction_deg.to_radians();
        let action = Action::AttitudeSweep { tilt, direction, from, to, duration };
        script.push(Segment::new(name, duration, action));
        script.push(level("stop", 3.0));
    };
    sweep("roll sweep", 5_f64.to_radians(), 90.0, 16.0, 0.3, 20.0);
    sweep("pitch sweep", 5_f64.to_radians(), 0.0, 16.0, 0.3, 20.0);
    for direction in [45.0, 135.0] {
        for share in [0.86, 0.96] {
            sweep("diagonal", share * full, direction, 2.3, 0.18, 14.0);
        }
    }
    Scenario { log_rate: LOG, height: HEIGHT, ..Scenario::new(script, SEED + 11, 0.95) }
}

/// Steps of 3 m/s along both axes, to both sides.
fn follow() -> Scenario {
    let go = |label: &str, duration: f64, x: f64, y: f64| {
        Segment::new(label, duration, Action::Velocity { demand: Vec3::new(x, y, 0.0) })
    };
    let mut script = vec![go("stand", 3.0, 0.0, 0.0)];
    for (label, x, y) in
        [("forward", 3.0, 0.0), ("back", -3.0, 0.0), ("right", 0.0, 3.0), ("left", 0.0, -3.0)]
    {
        script.push(go(label, 5.0, x, y));
        script.push(go("stop", 5.0, 0.0, 0.0));
    }
    Scenario { log_rate: LOG, height: HEIGHT, ..Scenario::new(script, SEED + 12, 0.95) }
}

/// Velocity at zero until the wind is taken up, then place held.
fn hold() -> Scenario {
    let stand = Action::Velocity { demand: Vec3::zeros() };
    let script = vec![Segment::new("stand", 12.0, stand), Segment::new("hold", 48.0, Action::PositionHold)];
    let wind = Wind::dryden(Vec3::new(-0.8 * WIND, 0.6 * WIND, 0.0), HEIGHT);
    Scenario { log_rate: LOG, height: HEIGHT, wind, ..Scenario::new(script, SEED + 13, 0.9) }
}
