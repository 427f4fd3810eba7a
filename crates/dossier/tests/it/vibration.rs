//! Attribution on flights synthesised with planted sources. Everything is generated at 16 kHz and sampled afterwards
//! without a filter, so that what lies above half the logging rate folds as it does in a sensor.

use std::collections::BTreeMap;
use std::f64::consts::TAU;

use dossier::findings::{Source, SourceKind, vibration_findings};
use dossier::record::{ChannelMeta, ImportReport, Kind, Record, RecordMeta, RecordOrigin, Stamp, Tap};
use physics::aircraft::Aircraft;
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::StandardNormal;
use rayon::prelude::*;

use crate::synthetic::Plant;

const FINE: f64 = 16_000.0;
const SECONDS: f64 = 8.0;

/// What is planted in one flight.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
enum Planted {
    Clean,
    Unbalance,
    Structure,
    Folded,
    Looseness,
    Clipping,
    Control,
    UnbalanceAndStructure,
    /// An unbalance where the speed stays, or is not logged, at a rate that does not show it.
    RateCut,
    SteadySpeed,
}

const PLANTS: [Planted; 10] = [
    Planted::Clean,
    Planted::Unbalance,
    Planted::Structure,
    Planted::Folded,
    Planted::Looseness,
    Planted::Clipping,
    Planted::Control,
    Planted::UnbalanceAndStructure,
    Planted::RateCut,
    Planted::SteadySpeed,
];

struct Flown {
    record: Record,
    rotor: usize,
    structure: f64,
}

/// Slow wander with unit r.m.s.: a sum of three sines.
struct Wander([(f64, f64); 3]);
impl Wander {
    fn new(rng: &mut ChaCha8Rng, low: f64, high: f64) -> Self {
        Self(std::array::from_fn(|_| (rng.random_range(low..high), rng.random_range(0.0..TAU))))
    }
    fn at(&self, t: f64) -> f64 {
        self.0.iter().map(|(f, p)| (TAU * f * t + p).sin()).sum::<f64>() * (2.0_f64 / 3.0).sqrt()
    }
}

/// One flight: rigid roll with a rate loop through lag and delay, rotors that wander, a sensor with noise.
fn fly(plant: Planted, seed: u64) -> Flown {
    let rng = &mut ChaCha8Rng::seed_from_u64(seed);
    let dt = 1.0 / FINE;
    let rate: f64 = match plant {
        Planted::Folded => [400.0, 320.0, 250.0][rng.random_range(0..3)],
        Planted::RateCut => [100.0, 125.0][rng.random_range(0..2)],
        _ => [2000.0, 1000.0][rng.random_range(0..2)],
    };
    let every = (FINE / rate).round() as usize;
    let base = match plant {
        // Blade passage above half the rate.
        Planted::Folded => rate * rng.random_range(0.29..0.44),
        _ => rng.random_range(65.0..120.0),
    };
    let steady = plant == Planted::SteadySpeed;
    let (common, own) = if steady {
        (0.0005, 0.0003)
    } else {
        (rng.random_range(0.03..0.07), rng.random_range(0.006..0.012))
    };
    let climb = Wander::new(rng, 0.08, 0.35);
    let gust: Vec<Wander> = (0..4).map(|_| Wander::new(rng, 0.2, 1.2)).collect();
    let offset: Vec<f64> =
        (0..4).map(|_| if steady { 0.0 } else { rng.random_range(-0.025..0.025) }).collect();
    let rotor = rng.random_range(0..4_usize);
    let unbalanced = matches!(
        plant,
        Planted::Unbalance
            | Planted::UnbalanceAndStructure
            | Planted::Clipping
            | Planted::RateCut
            | Planted::SteadySpeed
    );
    let unbalance = match plant {
        Planted::Clipping => rng.random_range(16.0..24.0),
        _ if unbalanced => rng.random_range(0.4..2.5),
        _ => 0.0,
    };
    let passage = match plant {
        Planted::Folded => rng.random_range(0.8..2.0),
        _ => rng.random_range(0.1..0.4),
    };
    let resonant = matches!(plant, Planted::Structure | Planted::UnbalanceAndStructure);
    // Anywhere from above the control band to 0.8 of half the rate; not an order of the rotors by design, often crossed.
    let structure = rng.random_range(45.0..0.4 * rate.max(300.0));
    let zeta = rng.random_range(0.005..0.025);
    let resonance = if resonant { rng.random_range(0.4..1.5) } else { 0.0 };
    let loose = plant == Planted::Looseness;
    let (lag, delay) = (0.03, if plant == Planted::Control { 0.02 } else { 0.005 });
    let gain = if plant == Planted::Control { rng.random_range(70.0..95.0) } else { 12.0 };
    let authority = rng.random_range(12.0..25.0);
    let noise = rng.random_range(0.15..0.4);
    let gyro_noise = rng.random_range(0.005..0.015);
    let normal = |rng: &mut ChaCha8Rng| -> f64 { rng.sample(StandardNormal) };

    let clip = unbalance * rng.random_range(0.75..0.95);
    let side = [1.0, 1.0, -1.0, -1.0];
    let (mut roll, mut moment, mut push) = (0.0_f64, 0.0_f64, 0.0_f64);
    let mut waiting = std::collections::VecDeque::from(vec![0.0; (delay * FINE) as usize + 1]);
    let mut angle = [0.3, 1.1, 2.7, 4.4];
    let (mut bend, mut bending) = (0.0_f64, 0.0_f64);
    let w0 = TAU * structure;
    // A driven resonator has variance S/(4 zeta w0^3) per unit two-sided density S (Crandall and Mark 1963): acceleration w0^2 x.
    let drive = resonance * (4.0 * zeta / w0).sqrt() / dt.sqrt();
    let mut knock = 0.0_f64;
    let (mut knock_phase, mut knock_step) = (0.0_f64, 0.0_f64);
    let names: Vec<String> = ["accel.x", "accel.y", "accel.z", "rate_raw.x", "rate_raw.y", "rate_raw.z"]
        .iter()
        .map(|s| (*s).to_owned())
        .chain((1..=4).map(|i| format!("rotor.{i}.speed")))
        .collect();
    let mut data = vec![Vec::new(); names.len()];
    let mut time = Vec::new();
    for n in 0..(SECONDS * FINE) as usize {
        let t = n as f64 * dt;
        let lift = climb.at(t);
        let turns: Vec<f64> = (0..4)
            .map(|r| {
                let level = base * (1.0 + common * lift + own * gust[r].at(t) + offset[r]);
                level * (1.0 + side[r] * moment / 160.0).max(0.1).sqrt()
            })
            .collect();
        for (a, f) in angle.iter_mut().zip(&turns) {
            *a += TAU * f * dt;
        }
        // Roll: gusts, thrust behind its lag, the loop behind its delay.
        push += (-push / 0.15) * dt + 6.0 * dt.sqrt() * normal(rng);
        let command = waiting.pop_front().unwrap_or(0.0);
        waiting.push_back((-gain * roll).clamp(-authority, authority));
        moment += (command - moment) / lag * dt;
        roll += (moment + push) * dt;
        // Resonance driven by noise; semi-implicit steps.
        bending += (-w0 * w0 * bend - 2.0 * zeta * w0 * bending + w0 * w0 * drive * normal(rng) / w0) * dt;
        bend += bending * dt;
        if loose && rng.random_range(0.0..1.0) < 25.0 * dt {
            let size: f64 = rng.random_range(3.0..15.0);
            knock = if rng.random_range(0..2) == 0 { size } else { -size };
            knock_step = TAU * rng.random_range(400.0..2500.0) * dt;
            knock_phase = 0.0;
        }
        knock *= (-dt / 0.0015_f64).exp();
        knock_phase += knock_step;
        if n % every != 0 {
            continue;
        }
        let u = unbalance * (turns[rotor] / base).powi(2);
        let p: f64 = (0..4).map(|r| (2.0 * angle[r] + 0.7 * r as f64).cos()).sum::<f64>() * passage;
        let shake = bend;
        let hit = knock * knock_phase.cos();
        let accel = [
            u * angle[rotor].cos() + 0.5 * p + shake + 0.6 * hit + noise * normal(rng),
            0.8 * u * angle[rotor].sin() + 0.4 * p + 0.5 * shake + 0.4 * hit + noise * normal(rng),
            -9.806_65 * (1.0 + common * lift)
                + 0.3 * u * angle[rotor].cos()
                + p
                + 0.8 * shake
                + hit
                + noise * normal(rng),
        ];
        let gyro = [
            roll + 0.02 * u * angle[rotor].sin()
                + 0.005 * p
                + 0.02 * shake
                + 0.01 * hit
                + gyro_noise * normal(rng),
            0.015 * u * angle[rotor].cos() + 0.005 * p + 0.01 * shake + 0.01 * hit + gyro_noise * normal(rng),
            0.005 * p + 0.005 * shake + gyro_noise * normal(rng),
        ];
        time.push(t);
        for (c, v) in data.iter_mut().zip(
            accel
                .iter()
                .map(|a| if plant == Planted::Clipping { a.clamp(-clip, clip) } else { *a })
                .chain(gyro),
        ) {
            c.push(v);
        }
        // Speed as a drive reports it: to a tenth of a revolution per second, with noise.
        for r in 0..4 {
            let v = turns[r] * (1.0 + 0.001 * normal(rng));
            data[6 + r].push(TAU * (v * 10.0).round() / 10.0);
        }
    }
    let mut channels: BTreeMap<String, Vec<f64>> = names.iter().cloned().zip(data).collect();
    if plant == Planted::RateCut {
        channels.retain(|n, _| !n.starts_with("rotor"));
    }
    let tap = |n: &str| if n.starts_with("rotor") { Tap::External } else { Tap::Raw };
    let meta = RecordMeta {
        id: "synthesised".to_owned(),
        kind: Kind::Flight,
        build: "b1".to_owned(),
        date: "2026-03-04".to_owned(),
        origin: RecordOrigin::Simulated,
        remark: String::new(),
        sources: Vec::new(),
        rate,
        channels: channels
            .keys()
            .map(|n| ChannelMeta {
                name: n.clone(),
                unit: String::new(),
                column: String::new(),
                tap: Some(tap(n)),
                stamp: Some(Stamp::Sampled),
            })
            .collect(),
        fingerprint: BTreeMap::new(),
        values: BTreeMap::new(),
        report: ImportReport::default(),
    };
    Flown { record: Record { meta, time, channels }, rotor: rotor + 1, structure }
}

/// What came out of one flight.
struct Verdict {
    right: bool,
    false_names: usize,
    named: Vec<String>,
    text: String,
}

fn judge(plant: Planted, flown: &Flown, aircraft: &Aircraft) -> Verdict {
    let found = vibration_findings(&flown.record, Some(aircraft));
    let named: Vec<&Source> = found.sources.iter().filter(|s| s.kind != SourceKind::CannotTell).collect();
    let has = |wanted: &dyn Fn(&Source) -> bool| named.iter().any(|s| wanted(s));
    let unbalance = |s: &Source| s.kind == SourceKind::Unbalance && s.rotors == [flown.rotor];
    let structure = |s: &Source| {
        let near = |f: f64| s.seen.0 - 0.03 * f - 1.5 < f && f < s.seen.1 + 0.03 * f + 1.5;
        matches!(s.kind, SourceKind::Structure | SourceKind::Mount) && near(flown.structure)
    };
    let passage = |s: &Source| s.kind == SourceKind::BladePassage;
    let looseness = |s: &Source| s.kind == SourceKind::Looseness;
    let clipping = |s: &Source| s.kind == SourceKind::Clipping;
    let control = |s: &Source| s.kind == SourceKind::Control;
    let right = match plant {
        Planted::Clean => named.iter().all(|s| passage(s)),
        Planted::Unbalance => has(&unbalance),
        Planted::Structure => has(&structure),
        Planted::Folded => has(&|s: &Source| passage(s) && s.order == Some(2) && s.folded),
        Planted::Looseness => has(&looseness),
        Planted::Clipping => has(&clipping) && has(&unbalance),
        Planted::Control => has(&control),
        Planted::UnbalanceAndStructure => has(&unbalance) && has(&structure),
        // Nothing may be named; and it must not be passed over in silence.
        Planted::RateCut => {
            named.is_empty()
                && found.sources.iter().any(|s| s.kind == SourceKind::CannotTell && s.would_tell.is_some())
        }
        Planted::SteadySpeed => {
            !has(&|s: &Source| {
                matches!(s.kind, SourceKind::Unbalance | SourceKind::Structure | SourceKind::Mount)
            }) && found.sources.iter().any(|s| s.order == Some(1) && s.would_tell.is_some())
        }
    };
    let truth = |s: &Source| {
        passage(s)
            || match plant {
                Planted::Clean | Planted::Folded | Planted::RateCut | Planted::SteadySpeed => false,
                Planted::Unbalance => unbalance(s),
                Planted::Structure => structure(s),
                Planted::Looseness => looseness(s),
                Planted::Clipping => clipping(s) || unbalance(s),
                Planted::Control => control(s),
                Planted::UnbalanceAndStructure => unbalance(s) || structure(s),
            }
    };
    Verdict {
        right,
        false_names: named.iter().filter(|s| !truth(s)).count(),
        named: named
            .iter()
            .filter(|s| !passage(s) || plant == Planted::Folded)
            .map(|s| format!("{:?}", s.kind))
            .collect(),
        text: found
            .sources
            .iter()
            .map(|s| format!("    {} | {}", s.name, s.evidence))
            .collect::<Vec<_>>()
            .join("\n"),
    }
}

/// 500 flights, 50 of each plant. Planted sources named rightly, false names, and the table of confusion.
#[test]
fn val_attribution_over_500_flights() {
    const EACH: u64 = 50;
    let aircraft = Plant::default().aircraft();
    let jobs: Vec<(Planted, u64)> = PLANTS.iter().flat_map(|p| (0..EACH).map(move |k| (*p, k))).collect();
    let verdicts: Vec<(Planted, u64, Verdict, String)> = jobs
        .into_par_iter()
        .map(|(plant, k)| {
            let flown = fly(plant, 1000 * plant as u64 + k);
            let v = judge(plant, &flown, &aircraft);
            let truth = format!(
                "rotor {}, structure {:.1} Hz, rate {:.0} Hz",
                flown.rotor, flown.structure, flown.record.meta.rate
            );
            (plant, k, v, truth)
        })
        .collect();
    let mut table: BTreeMap<Planted, (usize, usize, BTreeMap<String, usize>)> = BTreeMap::new();
    let (mut names, mut wrong) = (0, 0);
    for (plant, k, v, truth) in &verdicts {
        let row = table.entry(*plant).or_default();
        row.0 += usize::from(v.right);
        row.1 += v.false_names;
        names += usize::from(v.false_names > 0);
        wrong += usize::from(!v.right);
        let mut kinds = v.named.clone();
        kinds.sort();
        kinds.dedup();
        *row.2.entry(if kinds.is_empty() { "nothing".to_owned() } else { kinds.join(" + ") }).or_default() +=
            1;
        if !v.right || v.false_names > 0 {
            println!("{plant:?} {k} ({truth}): right {}, false {}\n{}", v.right, v.false_names, v.text);
        }
    }
    let line = |what: &str, expected: f64, computed: f64, tolerance: f64| {
        println!(
            "VALIDATION|vibration, attribution|{what}|planted in 500 synthesised flights (16 kHz, sampled afterwards)|{expected}|{computed}|{tolerance} absolute"
        );
    };
    for (plant, (right, false_names, named)) in &table {
        let how: Vec<String> = named.iter().map(|(k, n)| format!("{k}: {n}")).collect();
        println!("{plant:?}: {}", how.join("; "));
        line(
            &format!("{plant:?}: flights of {EACH} answered rightly (named: {})", how.join("; ")),
            EACH as f64,
            *right as f64,
            5.0,
        );
        line(&format!("{plant:?}: false names in {EACH} flights"), 0.0, *false_names as f64, 5.0);
    }
    let total = verdicts.len() as f64;
    let share = 100.0 * (1.0 - wrong as f64 / total);
    let false_share = 100.0 * names as f64 / total;
    line("all: share answered rightly, %", 100.0, share, 5.0);
    line("all: flights with a false name, %", 0.0, false_share, 5.0);
    assert!(share >= 95.0, "{share} %");
    assert!(false_share <= 5.0, "{false_share} %");
    for (plant, (right, _, _)) in &table {
        assert!(*right as f64 >= 0.9 * EACH as f64, "{plant:?}: {right} of {EACH}");
    }
}
