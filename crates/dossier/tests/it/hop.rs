//! A thousand first hops with random truths: sensor axes, order, spins, off-centre mass, noise.

#[path = "hop_plant.rs"]
mod plant;

use std::collections::BTreeMap;

use dossier::findings::{Findings, Outcome, findings};
use dossier::record::{ChannelMeta, HandValue, ImportReport, Kind, Record, RecordMeta, RecordOrigin, Tap};
use physics::Vec3;
use physics::aircraft::{Aircraft, Body, Shape, Spin, Station};
use physics::rotor::{Coefficients, Rotor};
use plant::Truth;
use rayon::prelude::*;

/// The aircraft file that goes with a truth: it knows neither the off-centre mass nor the exact inertia.
fn file_of(t: &Truth) -> Aircraft {
    let place = ["front right", "rear right", "rear left", "front left"];
    let vec = |v: [f64; 3]| Vec3::new(v[0], v[1], v[2]);
    let diameter = 0.9 * t.at[0][0].hypot(t.at[0][1]);
    Aircraft {
        magnetic: Default::default(),
        safety: Default::default(),
        sensors: Default::default(),
        structure: Default::default(),
        name: "Tarn hop".to_owned(),
        stations: (0..4)
            .map(|k| Station {
                place: place[k].to_owned(),
                at: vec(t.at[k]),
                axis: vec(t.axis[k]),
                spin: if t.file_spin[k] > 0.0 { Spin::Ccw } else { Spin::Cw },
                below: None,
            })
            .collect(),
        bodies: vec![Body {
            item: "all".to_owned(),
            mass: t.mass,
            at: Vec3::zeros(),
            shape: Shape::Point,
            payload: false,
        }],
        rotor: Rotor {
            diameter,
            pitch: None,
            blades: 2,
            inertia: t.rotor_inertia,
            unbalance: 0.0,
            download: 0.0,
            // A reaction per thrust that is a quarter too large.
            coefficients: Coefficients::Constant {
                ct: 0.1,
                cp: 1.25 * t.reaction * 0.1 * std::f64::consts::TAU / diameter,
            },
        },
        motor: None,
        esc: None,
        battery: None,
        avionics_power: 0.0,
        imu: None,
        filters: Vec::new(),
        rate_loop: None,
        attitude_loop: None,
        velocity_loop: None,
        position_loop: None,
        drag_area: 0.0,
    }
}

fn record(t: &Truth) -> Record {
    let log = t.fly();
    let mut channels = BTreeMap::new();
    for (c, l) in ["x", "y", "z"].iter().enumerate() {
        channels.insert(format!("rate.{l}"), log.rate[c].clone());
        channels.insert(format!("accel.{l}"), log.accel[c].clone());
    }
    for i in 0..4 {
        channels.insert(format!("rotor.{}.command", i + 1), log.command[i].clone());
        if t.speeds {
            channels.insert(format!("rotor.{}.speed", i + 1), log.speed[i].clone());
        }
    }
    let meta = RecordMeta {
        id: "hop".to_owned(),
        kind: Kind::Flight,
        build: "b1".to_owned(),
        date: "2026-03-04".to_owned(),
        origin: RecordOrigin::Simulated,
        remark: String::new(),
        setting: String::new(),
        sources: Vec::new(),
        rate: t.log_rate,
        channels: channels
            .keys()
            .map(|n| ChannelMeta {
                name: n.clone(),
                unit: "1".to_owned(),
                column: String::new(),
                tap: Some(Tap::Raw),
                stamp: None,
            })
            .collect(),
        fingerprint: BTreeMap::new(),
        values: BTreeMap::new(),
        report: ImportReport::default(),
    };
    Record { meta, time: log.time, channels }
}

fn value(f: &Findings, key: &str) -> Option<f64> {
    f.estimate(key).map(|e| e.value)
}

/// Whether the truth is the file's, up to a turn of sensor and numbering together about the vertical
/// under which the layout with its cant looks the same; and whether exactly so.
fn as_in_file(t: &Truth) -> (bool, bool) {
    let mut turned = false;
    for k in 0..4 {
        // A sensor turned by k quarters: body (x, y) of the turned frame is (-y, x) of the old.
        let turn = |v: [f64; 3]| (0..k).fold(v, |v, _| [-v[1], v[0], v[2]]);
        let image: Vec<Option<usize>> = (0..4)
            .map(|s| {
                let (p, a) = (turn(t.at[s]), turn(t.axis[s]));
                (0..4).find(|&q| {
                    (0..3).all(|j| {
                        (t.at[q][j] - p[j]).abs() < 0.02 * t.at[0][0].hypot(t.at[0][1])
                            && (t.axis[q][j] - a[j]).abs() < 0.01
                    })
                })
            })
            .collect();
        if image.iter().any(Option::is_none) {
            continue;
        }
        // In the turned frame: station of each output, and the channels in terms of the axes.
        let order: Vec<usize> = t.order.iter().map(|&s| image[s].unwrap()).collect();
        let unit = |j: usize| [0, 1, 2].map(|i| if i == j { 1.0 } else { 0.0 });
        let axes = (0..3).all(|c| {
            let mut body = unit(t.of[c]);
            body = body.map(|x| x * t.sign[c]);
            let seen = turn(body);
            (0..3).all(|j| (seen[j] - unit(c)[j]).abs() < 1e-9)
        });
        let spins = t.spin.iter().zip(&t.file_spin).all(|(a, b)| a == b);
        if axes && order == [0, 1, 2, 3] && spins {
            turned = true;
        }
    }
    let exact = t.of == [0, 1, 2] && t.sign == [1.0; 3] && t.order == [0, 1, 2, 3] && t.spin == t.file_spin;
    (turned, exact)
}

struct Tally {
    verdict: bool,
    wrong: bool,
    order_verdict: bool,
    order_wrong: bool,
    spun: Option<usize>,
}

fn judge(seed: u64, plain: bool) -> Tally {
    let t = Truth::random(seed, plain);
    let aircraft = file_of(&t);
    let mut r = record(&t);
    let f = findings(&r, Some(&aircraft));
    let (same, _) = as_in_file(&t);
    let says = value(&f, "hop.sense");
    let mut wrong = says.is_some_and(|p| (p > 0.5) != same);
    // With the axes as mapped, whether order and spins are as in the file; it only means something
    // where the axes are.
    let mapped = t.of == [0, 1, 2] && t.sign == [1.0; 3];
    let order = value(&f, "order.posterior").filter(|_| mapped);
    let order_same = t.order == [0, 1, 2, 3] && t.spin == t.file_spin;
    let order_wrong = order.is_some_and(|p| (p > 0.5) != order_same);
    // Spin what it asks for until it is sure of everything.
    let mut spun = says.map(|_| 0);
    let mut last = f;
    // For every tenth: it costs a judgement a motor.
    for round in 1..=3 {
        if spun.is_some() || !seed.is_multiple_of(10) {
            break;
        }
        let Some(Outcome::CannotTell { would_tell, .. }) = last.get("hop.sense").map(|i| i.outcome.clone())
        else {
            break;
        };
        let Some(i) =
            would_tell.split("output ").nth(1).and_then(|w| w.split(' ').next()?.parse::<usize>().ok())
        else {
            break;
        };
        let hand = |v: f64| HandValue { value: v, uncertainty: 0.0, unit: "1".to_owned() };
        r.meta.values.insert(format!("seen.{i}.station"), hand((t.order[i - 1] + 1) as f64));
        r.meta.values.insert(format!("seen.{i}.spin"), hand(t.spin[i - 1]));
        last = findings(&r, Some(&aircraft));
        if let Some(p) = value(&last, "hop.sense") {
            wrong |= (p > 0.5) != same;
            spun = Some(round);
        }
    }
    Tally { verdict: says.is_some(), wrong, order_verdict: order.is_some(), order_wrong, spun }
}

#[test]
fn prop_no_wrong_verdict_in_a_thousand_hops() {
    let all: Vec<Tally> = (0..1000_u64).into_par_iter().map(|s| judge(s, s % 4 == 0)).collect();
    let count = |f: &dyn Fn(&Tally) -> bool| all.iter().filter(|t| f(t)).count();
    let wrong = count(&|t| t.wrong || t.order_wrong);
    let verdicts = count(&|t| t.verdict);
    let orders = count(&|t| t.order_verdict);
    let spun: Vec<usize> = (0..4).map(|k| count(&|t| t.spun == Some(k))).collect();
    println!(
        "VALIDATION|hop|wrong verdicts in 1000 simulated aircraft|rigid body with contact, tether, noise; random truths|0|{wrong}|exact"
    );
    println!(
        "verdicts from the hop alone {verdicts}, of order with known axes {orders}, after k motors spun {spun:?}"
    );
    assert_eq!(wrong, 0);
    // It must be good for something: some hops decide at once, some with the axes known.
    assert!(verdicts >= 10 && orders >= 10, "{verdicts} {orders} {spun:?}");
}
