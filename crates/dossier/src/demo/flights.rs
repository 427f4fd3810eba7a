//! Flights of the demo: rate steps, attitude, velocity steps, a hold in wind.

use std::collections::BTreeMap;
use std::path::Path;

use physics::Vec3;
use physics::aircraft::Aircraft;
use physics::atmosphere::Air;
use physics::flight::{self, Action, Fault, FaultKind, FlightLog, Guard, Scenario, Segment, Wind};
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
    /// Whether the payload was on.
    loaded: bool,
}

/// All flights, simulated side by side, each rotor with so much of the stated unbalance. An aircraft without the outer loops flies its rate steps alone.
pub(super) fn records(
    aircraft: &Aircraft,
    air: &Air,
    path: &Path,
    fingerprint: &BTreeMap<String, String>,
    unbalance: &[f64],
) -> Result<Vec<Record>, Diagnostics> {
    let bare = &aircraft.without_payload();
    let mut all = vec![Flown {
        id: "2026-03-04-rate-steps",
        remark: "Hover, rate steps with releases, one pull of full thrust. Made by the flight model.",
        scenario: flight::card_flight(bare, SEED, 0.95),
        wind: None,
        loaded: false,
    }];
    if bare.attitude_loop.is_some() {
        all.push(Flown {
            id: "2026-03-04-attitude",
            remark: "Attitude steps, stick sweeps and hard diagonals, flown the same morning before the rate steps: out of \
                     order, and the gates say so. Made by the flight model.",
            scenario: attitude(bare),
            wind: None,
            loaded: false,
        });
    }
    if bare.velocity_loop.is_some() && bare.position_loop.is_some() {
        all.push(Flown {
            id: "2026-03-04-follow",
            remark: "Velocity steps of 3 m/s, then 1.5 m/s up and down, in light air. Made by the flight model.",
            scenario: follow(),
            wind: None,
            loaded: false,
        });
        all.push(Flown {
            id: "2026-03-04-hold",
            remark: "Place and height held in a wind of 8 m/s with its gusts. Made by the flight model.",
            scenario: hold(),
            wind: Some((WIND, 0.5)),
            loaded: false,
        });
    }
    if let Some(scenario) = come_home(aircraft) {
        all.push(Flown {
            id: "2026-03-04-come-home",
            remark: "With the sampler on: the sender switched off three times and taken over each time, then out with a wind of \
                     8 m/s until the low battery turned it home. Made by the flight model.",
            scenario,
            wind: Some((WIND, 0.5)),
            loaded: true,
        });
    }
    if bare.bodies.len() < aircraft.bodies.len() {
        all.push(Flown {
            id: "2026-03-04-loaded",
            remark: "With the sampler on and low on charge: hover, rate steps with releases, one pull of full thrust, on the gains of \
                     the empty aircraft. Made by the flight model.",
            scenario: loaded(aircraft, bare, air),
            wind: None,
            loaded: true,
        });
    }
    for f in &mut all {
        f.scenario.unbalance_factors = unbalance.to_vec();
        f.scenario.ground = true;
    }
    all.par_iter()
        .map(|f| {
            let flown = if f.loaded { aircraft } else { bare };
            let log = flight::fly(flown, air, &f.scenario).map_err(|e| {
                Diagnostic::error(path, format!("the flight model cannot fly this aircraft: {e}"))
            })?;
            let log = match f.id.split_at(11).1 {
                "rate-steps" | "loaded" => log,
                "come-home" => supervised(log),
                _ => without_inertial(log),
            };
            let mut record = flight_record(f.id, "b1", DATE_FLOWN, f.remark, &log, fingerprint);
            if let Some((value, uncertainty)) = f.wind {
                record.meta.values.insert("wind".to_owned(), hand(value, uncertainty, "m/s"));
            }
            if f.loaded {
                record.meta.values.insert("payload_fitted".to_owned(), hand(1.0, 0.0, "1"));
            }
            if f.scenario.guard.is_some() {
                let charge = f.scenario.initial_charge;
                record.meta.values.insert("charge_at_start".to_owned(), hand(charge, 0.005, "1"));
            }
            Ok(record)
        })
        .collect()
}

/// What a log of the fail-safes keeps: what the aircraft knows of its charge in place of the truth, and no demands.
fn supervised(mut log: FlightLog) -> FlightLog {
    if let Some(counted) = log.channels.remove("battery.counted") {
        log.channels.insert("battery.charge".to_owned(), counted);
    }
    let keep = ["battery.", "position.", "velocity.", "attitude."];
    log.channels.retain(|name, _| {
        keep.iter().any(|k| name.starts_with(k))
            || ["height", "mode", "link.on", "pilot.override"].contains(&name.as_str())
    });
    log
}

/// Three lost links near by, each ended by the safety pilot; then out with the wind to the farthest point, and waiting there
/// until the low battery turns it home.
fn come_home(aircraft: &Aircraft) -> Option<Scenario> {
    let failsafe = aircraft.safety.failsafe?;
    aircraft.velocity_loop.as_ref()?;
    aircraft.attitude_loop.as_ref()?;
    const OUT: f64 = 8.0;
    let begins = [8.0, 18.0, 28.0];
    let taken = failsafe.lost_link_time + 1.5;
    let faults =
        begins.iter().map(|at| Fault { at: *at, kind: FaultKind::LinkLoss { lasts: taken + 0.5 } }).collect();
    let go = |label: &str, duration: f64, x: f64| {
        Segment::new(label, duration, Action::Velocity { demand: Vec3::new(x, 0.0, 0.0) })
    };
    let out = failsafe.farthest / OUT + 3.0;
    let script = vec![go("stand", 38.0, 0.0), go("out", out, -OUT), go("wait", 400.0, 0.0)];
    let mut scenario = Scenario { log_rate: 20.0, height: HEIGHT, ..Scenario::new(script, SEED + 14, 1.0) };
    // So much charge that it has waited some seconds when the estimate falls below the threshold: by the hover's current.
    let current = hover_current(aircraft)?;
    let capacity = aircraft.battery.as_ref()?.capacity;
    scenario.initial_charge = (failsafe.come_home_at + current * (38.0 + out + 6.0) / capacity).min(1.0);
    scenario.wind = Wind::dryden(Vec3::new(-WIND, 0.0, 0.0), failsafe.plan.height);
    scenario.faults = faults;
    scenario.guard = Some(Guard {
        failsafe,
        count_error: 0.03,
        pilot: begins.iter().map(|at| (at + taken, at + taken + 4.0)).collect(),
        take_over_delay: 0.12,
    });
    Some(scenario)
}

/// Current of a hover at half charge at sea level, A.
fn hover_current(aircraft: &Aircraft) -> Option<f64> {
    let point = physics::powertrain::airspeed::trim(aircraft, 0.0, 0.0, 0.5, 1.225).ok()??;
    Some(point.point.battery_current)
}

/// The rate steps with payload on two fifths of the charge; the controller reckons with the empty aircraft on a full battery.
fn loaded(aircraft: &Aircraft, bare: &Aircraft, air: &Air) -> Scenario {
    let mut scenario = flight::card_flight(aircraft, SEED + 15, 0.4);
    let empty = physics::mass::mass_properties(&bare.bodies);
    let full = physics::powertrain::airspeed::trim(bare, 0.0, 0.0, 1.0, air.density).ok().flatten();
    scenario.tuned_for = full.map(|t| (empty.inertia, t.point.bus_voltage));
    scenario
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
    sweep("roll sweep", 5_f64.to_radians(), 90.0, 20.0, 0.3, 20.0);
    sweep("pitch sweep", 5_f64.to_radians(), 0.0, 20.0, 0.3, 20.0);
    for direction in [45.0, 135.0] {
        for share in [0.86, 0.96] {
            sweep("diagonal", share * full, direction, 2.3, 0.18, 14.0);
        }
    }
    Scenario { log_rate: LOG, height: HEIGHT, ..Scenario::new(script, SEED + 11, 0.95) }
}

/// Steps of 3 m/s along both axes, to both sides; then of 1.5 m/s up and down.
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
    for up in [1.5, -1.5] {
        let demand = Vec3::new(0.0, 0.0, -up);
        script.push(Segment::new(if up > 0.0 { "up" } else { "down" }, 5.0, Action::Velocity { demand }));
        script.push(go("stop", 5.0, 0.0, 0.0));
    }
    Scenario { log_rate: LOG, height: HEIGHT, ..Scenario::new(script, SEED + 12, 0.95) }
}

/// Velocity at zero until the wind is taken up, then place held.
fn hold() -> Scenario {
    let stand = Action::Velocity { demand: Vec3::zeros() };
    let script = vec![Segment::new("stand", 12.0, stand), Segment::new("hold", 120.0, Action::PositionHold)];
    let wind = Wind::dryden(Vec3::new(-0.8 * WIND, 0.6 * WIND, 0.0), HEIGHT);
    Scenario { log_rate: LOG, height: HEIGHT, wind, ..Scenario::new(script, SEED + 13, 0.9) }
}
