//! Set-up records: turned by hand, spun one by one, ticked.

use std::collections::BTreeMap;
use std::path::Path;

use dossier::aircraft_file::AircraftFile;
use dossier::findings::{Findings, Outcome, findings};
use dossier::import::read_hand;
use dossier::record::{Kind, Record};
use dossier::record_store;
use dossier::result::State;
use physics::aircraft::Aircraft;

use crate::tarn::{base, base_result};

fn load(kind: &str) -> Record {
    record_store::load(&base().join("records"), &format!("2026-03-03-{kind}"))
        .unwrap_or_else(|d| panic!("{d}"))
}

fn aircraft() -> Aircraft {
    let file = AircraftFile::load(&base().join("builds/b1/aircraft.toml")).unwrap_or_else(|d| panic!("{d}"));
    file.resolve(&BTreeMap::new()).unwrap_or_else(|d| panic!("{d}")).aircraft
}

fn value(f: &Findings, key: &str) -> f64 {
    f.estimate(key).unwrap_or_else(|| panic!("{key}: {:?}", f.get(key))).value
}

fn cannot(f: &Findings, key: &str) -> String {
    match &f.get(key).unwrap_or_else(|| panic!("no {key}")).outcome {
        Outcome::CannotTell { missing, .. } => missing.clone(),
        other => panic!("{key}: {other:?}"),
    }
}

#[test]
fn prop_demo_set_up_is_met_on_simulated_evidence() {
    let gate = base_result().gates.iter().find(|g| g.id == "set-up").unwrap();
    for c in &gate.criteria {
        assert_eq!(c.state, State::Met, "{}: {:?}", c.id, c.waits_for);
        assert!(c.simulated, "{}", c.id);
    }
    assert_eq!(gate.criteria.len(), 6);
}

#[test]
fn prop_hand_rotation_tells_every_axis_and_sign() {
    let r = load("hand-rotation");
    let f = findings(&r, None);
    assert!(value(&f, "axes.posterior") > 0.99);
    // Every one of the 24 turned sensors, and every single reversed channel, is found out.
    for (a, b) in [(0, 1), (1, 2), (0, 2)] {
        let mut turned = r.clone();
        let names = ["x", "y", "z"];
        let [na, nb] = [names[a], names[b]].map(|l| format!("rate_raw.{l}"));
        let x = turned.channels.remove(&na).unwrap();
        let y = turned.channels.remove(&nb).unwrap();
        turned.channels.insert(na, y.iter().map(|v| -v).collect());
        turned.channels.insert(nb, x);
        let f = findings(&turned, None);
        assert!(value(&f, "axes.gyro.posterior") < 1e-3, "{a}{b}");
        assert!(value(&f, "axes.posterior") < 1e-3, "{a}{b}");
        assert!(f.get("axes.gyro.posterior").unwrap().text.contains("minus"), "{a}{b}");
    }
    for name in ["rate_raw.x", "rate_raw.y", "rate_raw.z", "accel_raw.x", "accel_raw.y", "accel_raw.z"] {
        let mut flipped = r.clone();
        flipped.channels.get_mut(name).unwrap().iter_mut().for_each(|v| *v = -*v);
        let f = findings(&flipped, None);
        assert!(value(&f, "axes.posterior") < 1e-3, "{name}");
    }
}

#[test]
fn prop_mixed_motion_is_no_verdict() {
    let r = load("hand-rotation");
    // The same motions seen by a sensor turned by 40 deg about z: between two axes.
    let mut mixed = r.clone();
    let (s, c) = 42_f64.to_radians().sin_cos();
    for stem in ["rate_raw", "accel_raw"] {
        let x = r.channels[&format!("{stem}.x")].clone();
        let y = r.channels[&format!("{stem}.y")].clone();
        let turn = |p: f64, q: f64| x.iter().zip(&y).map(|(x, y)| p * x + q * y).collect::<Vec<f64>>();
        mixed.channels.insert(format!("{stem}.x"), turn(c, s));
        mixed.channels.insert(format!("{stem}.y"), turn(-s, c));
    }
    let f = findings(&mixed, None);
    assert!(!cannot(&f, "axes.posterior").is_empty());
    // Without the accelerometer half of the question is open; with too few motions all of it.
    let mut gyro = r.clone();
    gyro.channels.retain(|k, _| k.starts_with("rate"));
    assert!(cannot(&findings(&gyro, None), "axes.posterior").contains("accelerometer"));
    let mut short = r;
    let keep = short.time.iter().filter(|t| **t < 12.0).count();
    short.time.truncate(keep);
    short.channels.values_mut().for_each(|v| v.truncate(keep));
    assert!(cannot(&findings(&short, None), "axes.posterior").contains("six motions"));
}

#[test]
fn prop_spin_check_names_what_is_wrong() {
    let a = aircraft();
    let r = load("spin-check");
    let f = findings(&r, Some(&a));
    assert!(
        (value(&f, "order.confirmed") - 1.0).abs() < 1e-12
            && (value(&f, "direction.confirmed") - 1.0).abs() < 1e-12
    );
    assert!(value(&f, "start.spread") < 0.02);
    let mut swapped = r.clone();
    swapped.meta.values.get_mut("seen.1.station").unwrap().value = 2.0;
    swapped.meta.values.get_mut("seen.3.spin").unwrap().value *= -1.0;
    let f = findings(&swapped, Some(&a));
    assert!(value(&f, "order.confirmed") < 0.5 && value(&f, "direction.confirmed") < 0.5);
    assert!(f.get("order.confirmed").unwrap().text.contains("output 1 turns the motor of station 2"));
    assert!(f.get("direction.confirmed").unwrap().text.contains("output 3"));
    let mut partial = r;
    partial.meta.values.remove("seen.4.spin");
    partial.meta.values.remove("start.2");
    let f = findings(&partial, Some(&a));
    assert!(cannot(&f, "direction.confirmed").contains('4') && cannot(&f, "start.spread").contains('2'));
}

#[test]
fn prop_checklist_holds_limits_against_the_build() {
    let a = aircraft();
    let r = load("checklist");
    let f = findings(&r, Some(&a));
    assert!((value(&f, "presets.done") - 1.0).abs() < 1e-12 && value(&f, "first.ratio") <= 1.0);
    let mut wide = r.clone();
    wide.meta.values.get_mut("first.tilt").unwrap().value *= 2.0;
    wide.meta.values.get_mut("cut_power").unwrap().value = 0.0;
    let f = findings(&wide, Some(&a));
    assert!(
        (value(&f, "first.ratio") - 1.8).abs() < 1e-9 && (value(&f, "presets.done") - 0.75).abs() < 1e-12
    );
    let mut open = r;
    open.meta.values.remove("lost_link");
    open.meta.values.remove("first.height");
    let f = findings(&open, Some(&a));
    assert!(cannot(&f, "presets.done").contains("lost link") && cannot(&f, "first.ratio").contains("height"));
}

#[test]
fn prop_ticks_and_senses_are_words() {
    let text = "low_stops = \"yes\"\nlost_link = \"no\"\nseen.1.spin = \"ccw\"\nseen.2.spin = \"cw\"\nfirst.tilt = \"15 deg\"\n";
    let (values, _) =
        read_hand(Path::new("list.toml"), text, Kind::Checklist).unwrap_or_else(|d| panic!("{d}"));
    let v = |k: &str| values[k].value;
    assert_eq!((v("low_stops"), v("lost_link"), v("seen.1.spin"), v("seen.2.spin")), (1.0, 0.0, 1.0, -1.0));
    assert!((v("first.tilt") - 15_f64.to_radians()).abs() < 1e-12);
}
