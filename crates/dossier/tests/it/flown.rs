//! What measured records have taught the findings, on records made by formula.

use std::collections::BTreeMap;
use std::f64::consts::TAU;
use std::path::Path;

use dossier::aircraft_file::AircraftFile;
use dossier::findings::{Findings, Outcome, PhaseKind, findings};
use dossier::record::{ChannelMeta, ImportReport, Kind, Record, RecordMeta, RecordOrigin, Tap};
use physics::aircraft::Aircraft;

const AIRCRAFT: &str = "[aircraft]\nname = \"Tarn t0\"\nlayout = \"quad-x\"\narm = \"150 mm\"\n\
[[mass]]\nitem = \"all\"\nmass = \"0.8 kg\"\nat = [\"0 mm\", \"0 mm\", \"0 mm\"]\nbox = [\"180 mm\", \"180 mm\", \"60 mm\"]\n\
[rotor]\ndiameter = \"5 in\"\nblades = 2\nct = 0.1\ncp = 0.05\ninertia = \"3e-6 kg m^2\"\n";

fn aircraft() -> Aircraft {
    let file = AircraftFile::parse(Path::new("aircraft.toml"), AIRCRAFT).unwrap_or_else(|d| panic!("{d}"));
    file.resolve(&BTreeMap::new()).unwrap_or_else(|d| panic!("{d}")).aircraft
}

fn record(rate: f64, channels: Vec<(String, Vec<f64>)>) -> Record {
    tapped(rate, channels, None)
}

/// A flight of these channels: commands after mixing, the others tapped as said.
pub(crate) fn tapped(rate: f64, channels: Vec<(String, Vec<f64>)>, others: Option<Tap>) -> Record {
    let n = channels[0].1.len();
    let meta = RecordMeta {
        id: "r".to_owned(),
        kind: Kind::Flight,
        build: "b1".to_owned(),
        date: "2026-01-01".to_owned(),
        origin: RecordOrigin::Measured,
        remark: String::new(),
        setting: String::new(),
        sources: Vec::new(),
        rate,
        channels: channels
            .iter()
            .map(|(name, _)| ChannelMeta {
                name: name.clone(),
                unit: String::new(),
                column: String::new(),
                tap: if name.ends_with("command") { Some(Tap::AfterMixing) } else { others },
                stamp: None,
            })
            .collect(),
        fingerprint: BTreeMap::new(),
        values: BTreeMap::new(),
        report: ImportReport::default(),
    };
    Record { meta, time: (0..n).map(|k| k as f64 / rate).collect(), channels: channels.into_iter().collect() }
}

fn value(f: &Findings, key: &str) -> f64 {
    match f.get(key).map(|f| &f.outcome) {
        Some(Outcome::Value { estimate }) => estimate.value,
        other => panic!("{key}: {other:?}"),
    }
}

fn open(f: &Findings, key: &str) -> bool {
    matches!(f.get(key).map(|f| &f.outcome), Some(Outcome::CannotTell { .. }))
}

/// Rotors alone, however steady, may stand on a bench.
#[test]
fn regress_steady_rotors_are_no_hover() {
    let speeds = |n: usize| (1..=4).map(move |i| (format!("rotor.{i}.speed"), vec![900.0; n]));
    let f = findings(&record(100.0, speeds(1000).collect()), Some(&aircraft()));
    assert!(f.phases.iter().all(|p| p.kind != PhaseKind::Hover));
    assert!(open(&f, "hover.speed") && open(&f, "hover.roll_share"));
    // With a gyro that shows no turn it is one.
    let mut channels: Vec<_> = speeds(1000).collect();
    channels.extend(["x", "y", "z"].map(|a| (format!("rate.{a}"), vec![0.001; 1000])));
    let f = findings(&record(100.0, channels), Some(&aircraft()));
    assert!(f.phases.iter().any(|p| p.kind == PhaseKind::Hover));
}

/// Thrust differences that hold against a slow moment of the air turn nothing. The slope must be that
/// of the quick part: one, by construction of the record.
#[test]
fn regress_slow_moments_do_not_dilute_effectiveness() {
    let a = aircraft();
    let inertia = physics::mass::mass_properties(&a.bodies).inertia;
    let (rate, n) = (400.0, 12_000_usize);
    let k = 9.80665 * 0.8 / (4.0 * 1.0e6);
    // Roll lever of each station, m: thrust to the left turns right.
    let lever: Vec<f64> = a.stations.iter().map(|s| -s.at.y).collect();
    let span = (lever.iter().map(|l| l * l).sum::<f64>() / 4.0).sqrt();
    let quick = |t: f64| 0.06 * (TAU * 3.1 * t).sin() + 0.05 * (TAU * 4.7 * t + 1.0).sin();
    let slow = |t: f64| 0.25 * (TAU * 0.23 * t).sin();
    let t = |i: usize| i as f64 / rate;
    let mut channels = Vec::new();
    for (i, l) in lever.iter().enumerate() {
        let speed =
            (0..n).map(|j| (1.0e6 * (1.0 + (l / span) * (quick(t(j)) + slow(t(j))))).sqrt()).collect();
        channels.push((format!("rotor.{}.speed", i + 1), speed));
    }
    let mut roll = vec![0.0; n];
    for j in 1..n {
        let alpha = 4.0 * k * 1.0e6 * span * quick(0.5 * (t(j) + t(j - 1))) / inertia[(0, 0)];
        roll[j] = roll[j - 1] + alpha / rate;
    }
    channels.push(("rate.x".to_owned(), roll));
    for (axis, f) in [("y", 0.31), ("z", 0.17)] {
        channels.push((format!("rate.{axis}"), (0..n).map(|j| 0.05 * (TAU * f * t(j)).sin()).collect()));
    }
    channels.push(("accel.x".to_owned(), vec![0.0; n]));
    channels.push(("accel.y".to_owned(), vec![0.0; n]));
    channels.push(("accel.z".to_owned(), vec![-9.80665; n]));
    let f = findings(&record(rate, channels), Some(&a));
    let ratio = value(&f, "effectiveness.x.ratio");
    assert!((ratio - 1.0).abs() < 0.05, "{ratio}: {}", f.get("effectiveness.x").unwrap().text);
}

/// A short blow against a loop of 0.1 s: the time constant comes back; with commands at their ends, or a
/// turn that the rotors make, no figure is claimed.
#[test]
fn regress_blow_and_own_turn() {
    let a = aircraft();
    let lever: Vec<f64> = a.stations.iter().map(|s| -s.at.y / 0.15).collect();
    let (rate, n) = (400.0, 4000_usize);
    let roll = |t: f64| match t - 5.0 {
        d if d < 0.0 => 0.0,
        d if d < 0.02 => 2.0 * d / 0.02,
        d => 2.0 * (-(d - 0.02) / 0.1).exp(),
    };
    let make = |answer: f64, shape: &dyn Fn(f64) -> f64| {
        let mut channels: Vec<(String, Vec<f64>)> = lever
            .iter()
            .enumerate()
            .map(|(i, l)| {
                let c = (0..n).map(|j| (0.5 + answer * l * shape(j as f64 / rate)).clamp(0.0, 1.0)).collect();
                (format!("rotor.{}.command", i + 1), c)
            })
            .collect();
        channels.push(("rate.x".to_owned(), (0..n).map(|j| roll(j as f64 / rate)).collect()));
        channels.push(("rate.y".to_owned(), vec![0.0; n]));
        channels.push(("rate.z".to_owned(), vec![0.0; n]));
        findings(&record(rate, channels), Some(&a))
    };
    let f = make(-0.1, &roll);
    assert!((value(&f, "upset.peak") - 2.0).abs() < 0.01);
    assert!((value(&f, "upset.return") - 0.1).abs() < 0.005, "{}", value(&f, "upset.return"));
    let f = make(-0.6, &roll);
    assert!((value(&f, "upset.peak") - 2.0).abs() < 0.01);
    assert!(open(&f, "upset.return"));
    // Rotors that push with the turn made it.
    let f = make(0.1, &|t| roll(t + 0.04));
    assert!(f.get("upset.peak").is_none());
}
