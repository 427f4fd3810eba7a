//! Set-up records of the demo: a hand rotation, a spin check, a list.

use std::collections::BTreeMap;
use std::path::Path;

use physics::STANDARD_GRAVITY;
use physics::aircraft::Aircraft;

use super::{hand, meta};
use crate::cards::Basis;
use crate::diagnostic::Diagnostics;
use crate::record::{ChannelMeta, Kind, Record, Stamp, Tap};
use crate::record_store;

const DATE: &str = "2026-03-03";
/// Samples a second.
const RATE: f64 = 100.0;

/// Writes the three records.
pub(super) fn write(
    records: &Path,
    aircraft: &Aircraft,
    density: f64,
    fingerprint: &BTreeMap<String, String>,
) -> Result<(), Diagnostics> {
    record_store::write(records, &hand_rotation(fingerprint))?;
    record_store::write(records, &spin_check(aircraft, fingerprint))?;
    record_store::write(records, &checklist(aircraft, density, fingerprint))?;
    Ok(())
}

/// Rate of a turn of `angle`, rad, that takes `span`, s, from rest to rest: a raised cosine.
fn turn(t: f64, start: f64, span: f64, angle: f64) -> f64 {
    let x = (t - start) / span;
    if (0.0..1.0).contains(&x) { angle / span * (1.0 - (std::f64::consts::TAU * x).cos()) } else { 0.0 }
}

/// Turned by 70 deg about each axis and back, 12 deg off the axis at most, by kinematics alone.
fn hand_rotation(fingerprint: &BTreeMap<String, String>) -> Record {
    let mut m = meta(
        &format!("{DATE}-hand-rotation"),
        Kind::HandRotation,
        DATE,
        "Right side down, nose up, nose right, each there and back; motors unpowered. Made by kinematics, for the demo.",
        fingerprint,
    );
    let names = ["rate_raw.x", "rate_raw.y", "rate_raw.z", "accel_raw.x", "accel_raw.y", "accel_raw.z"];
    m.rate = RATE;
    m.channels = names
        .iter()
        .map(|name| ChannelMeta {
            name: (*name).to_owned(),
            unit: if name.starts_with("rate") { "rad/s" } else { "m/s^2" }.to_owned(),
            column: "kinematics".to_owned(),
            tap: Some(Tap::Raw),
            stamp: Some(Stamp::Sampled),
        })
        .collect();
    let angle = 70_f64.to_radians();
    // Axis of each turn with the hand's error, start of the way there and of the way back.
    let turns =
        [([1.0, 0.15, -0.10], 2.0, 6.0), ([0.12, 1.0, 0.16], 10.0, 14.0), ([-0.10, 0.05, 1.0], 18.0, 22.0)];
    let count = (26.0 * RATE) as usize;
    let (mut time, mut columns) = (Vec::with_capacity(count), vec![Vec::new(); 6]);
    // Down in body axes; turned by the rates.
    let mut down = [0.0, 0.0, 1.0];
    for k in 0..count {
        let t = k as f64 / RATE;
        let mut rate = [0.0; 3];
        for (axis, there, back) in &turns {
            let size = (axis.iter().map(|a| a * a).sum::<f64>()).sqrt();
            let speed = turn(t, *there, 1.5, angle) - turn(t, *back, 1.5, angle);
            for (r, a) in rate.iter_mut().zip(axis) {
                *r += speed * a / size;
            }
        }
        // d(down)/dt = down x rate, in body axes.
        let cross = [
            down[1] * rate[2] - down[2] * rate[1],
            down[2] * rate[0] - down[0] * rate[2],
            down[0] * rate[1] - down[1] * rate[0],
        ];
        for (d, c) in down.iter_mut().zip(cross) {
            *d += c / RATE;
        }
        let size = down.iter().map(|d| d * d).sum::<f64>().sqrt();
        down = down.map(|d| d / size);
        time.push(t);
        for j in 0..3 {
            // A hand's tremor of 3 Hz, the same everywhere.
            let tremor = 0.02 * (std::f64::consts::TAU * 3.1 * t + j as f64).sin();
            columns[j].push(rate[j] + tremor);
            columns[3 + j].push(-STANDARD_GRAVITY * down[j] + 0.1 * tremor);
        }
    }
    m.report.rows = count as u64;
    let channels = names.iter().map(|n| (*n).to_owned()).zip(columns).collect();
    Record { meta: m, time, channels }
}

fn spin_check(aircraft: &Aircraft, fingerprint: &BTreeMap<String, String>) -> Record {
    let mut m = meta(
        &format!("{DATE}-spin-check"),
        Kind::SpinCheck,
        DATE,
        "Propellers off, one output at a time (invented for the demo).",
        fingerprint,
    );
    let least = aircraft.esc.as_ref().map_or(0.04, |e| e.usable_minimum);
    for (i, s) in aircraft.stations.iter().enumerate() {
        let n = i + 1;
        m.values.insert(format!("seen.{n}.station"), hand(n as f64, 0.0, "1"));
        m.values.insert(format!("seen.{n}.spin"), hand(s.spin.reaction_sign(), 0.0, "1"));
        m.values.insert(format!("start.{n}"), hand(least - 0.01 + 0.002 * (i % 3) as f64, 0.002, "1"));
    }
    Record { meta: m, time: Vec::new(), channels: BTreeMap::new() }
}

fn checklist(aircraft: &Aircraft, density: f64, fingerprint: &BTreeMap<String, String>) -> Record {
    let mut m = meta(
        &format!("{DATE}-checklist"),
        Kind::Checklist,
        DATE,
        "Presets tried and first-flight limits set by the card end-points (invented for the demo).",
        fingerprint,
    );
    for key in ["low_stops", "lost_link", "low_battery", "cut_power"] {
        m.values.insert(key.to_owned(), hand(1.0, 0.0, "1"));
    }
    let limits = Basis::of(&aircraft.without_payload(), density).first_flight();
    for (key, limit, unit) in [
        ("first.tilt", limits.tilt, "rad"),
        ("first.rate", limits.rate, "rad/s"),
        ("first.thrust", limits.thrust, "1"),
        ("first.height", limits.height, "m"),
    ] {
        // Set with a tenth to spare.
        m.values.insert(key.to_owned(), hand(0.9 * limit, 0.0, unit));
    }
    Record { meta: m, time: Vec::new(), channels: BTreeMap::new() }
}
