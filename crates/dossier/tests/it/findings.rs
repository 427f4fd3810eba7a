use std::f64::consts::TAU;
use std::sync::LazyLock;

use dossier::findings::{Findings, Outcome, PhaseKind, findings};
use dossier::record::{Record, Tap};
use nalgebra::Complex;
use physics::aircraft::Spin;
use proptest::prelude::*;

use crate::synthetic::{Plant, check, exchanged, without};

static FLIGHT: LazyLock<Record> = LazyLock::new(|| Plant::default().fly(54.0, 5));
static FOUND: LazyLock<Findings> = LazyLock::new(|| findings(&FLIGHT, Some(&Plant::default().aircraft())));

/// Value and uncertainty; not a number, which fails every check, where there is none.
fn value(f: &Findings, key: &str) -> (f64, f64) {
    if f.estimate(key).is_none() {
        println!("{key}: {:?}", f.get(key));
    }
    f.estimate(key).map_or((f64::NAN, f64::NAN), |e| (e.value, e.uncertainty))
}

fn missing<'a>(f: &'a Findings, key: &str) -> &'a str {
    match f.get(key).map(|f| &f.outcome) {
        Some(Outcome::CannotTell { missing, .. }) => missing,
        _ => "",
    }
}

/// Central value within three standard uncertainties, and within a stated share of the truth.
fn near(key: &str, truth: f64, share: f64) {
    let (v, u) = value(&FOUND, key);
    check(key, truth, v, share * truth.abs());
    assert!((v - truth).abs() < 3.0 * u + 0.01 * truth.abs(), "{key}: {v} +- {u} against {truth}");
}

#[test]
fn val_phases() {
    let kinds = |k: PhaseKind| FOUND.phases.iter().filter(|p| p.kind == k).count();
    assert_eq!(kinds(PhaseKind::Step), 12, "{:#?}", FOUND.phases);
    assert_eq!(kinds(PhaseKind::Release), 12);
    assert_eq!(kinds(PhaseKind::Pull), 1);
    assert!(FOUND.phases[0].kind == PhaseKind::Ground && (FOUND.phases[0].end - 1.0).abs() < 0.5);
    let hover: f64 =
        FOUND.phases.iter().filter(|p| p.kind == PhaseKind::Hover).map(|p| p.end - p.start).sum();
    assert!(hover > 8.0, "{hover}");
    assert!(FOUND.phases.windows(2).all(|w| w[0].end <= w[1].start + 1e-9));
    let step = FOUND.phases.iter().find(|p| p.kind == PhaseKind::Step).unwrap();
    assert_eq!(step.label, "roll step right 100 deg/s");
    assert!((step.start - 12.0).abs() < 2e-3);
}

#[test]
fn val_hover() {
    let p = Plant::default();
    near("hover.speed", p.hover_speed(), 0.01);
    near("hover.thrust_per_speed_squared", p.k, 0.02);
    // The centre of gravity 8 mm right of the middle: right rotors carry 1 + y_cg/y_hub.
    let (share, u) = value(&FOUND, "hover.roll_share");
    check("hover.roll_share", 0.008 / (0.31 / 2.0_f64.sqrt()), share, 0.004);
    assert!(u < 0.004);
    let (pitch, _) = value(&FOUND, "hover.pitch_share");
    check("hover.pitch_share", 0.0, pitch, 0.004);
    let voltage = value(&FOUND, "hover.voltage").0;
    near("hover.command", p.hover_speed() / (p.speed_per_volt * voltage), 0.01);
    let shares: f64 = (1..=4).map(|i| value(&FOUND, &format!("hover.share.{i}")).0).sum();
    check("sum of shares", 4.0, shares, 1e-6);
    assert!(value(&FOUND, "saturation.share").0 < 0.001);
}

#[test]
fn val_thrust_and_turning() {
    let p = Plant::default();
    near("thrust.per_mass", p.k / p.mass, 0.02);
    let lever = p.arm / 2.0_f64.sqrt();
    near("effectiveness.x", (lever * lever + 0.008 * 0.008).sqrt() / p.inertia[0], 0.08);
    near("effectiveness.y", lever / p.inertia[1], 0.08);
    near("effectiveness.z", p.reaction / p.inertia[2], 0.1);
    near("effectiveness.x.ratio", 1.0, 0.08);
    near("effectiveness.y.ratio", 1.0, 0.08);
    // At the sag of the pull: full command, lag settled after 0.4 s.
    let full: f64 = FLIGHT.rotor_channels("speed").iter().map(|c| c[48_560].powi(2)).sum();
    near("full.thrust_ratio", full / (4.0 * p.hover_speed().powi(2)), 0.03);
}

#[test]
fn val_rotor_order() {
    let a = Plant::default().aircraft();
    let (p, _) = value(&FOUND, "order.posterior");
    assert!(p > 0.99, "{p}");
    for (i, j) in [(1, 2), (1, 3), (2, 4)] {
        let wrong = exchanged(&FLIGHT, &format!("rotor.{i}.speed"), &format!("rotor.{j}.speed"));
        let f = findings(&wrong, Some(&a));
        let (p, _) = value(&f, "order.posterior");
        assert!(p < 0.01, "{p}");
        let text = &f.get("order.posterior").unwrap().text;
        assert!(text.contains(&format!("rotors {i} and {j} exchanged")), "{text}");
    }
    let mut reversed = a.clone();
    for s in &mut reversed.stations {
        s.spin = s.spin.reversed();
    }
    let f = findings(&FLIGHT, Some(&reversed));
    assert!(value(&f, "order.posterior").0 < 0.01);
    assert!(f.get("order.posterior").unwrap().text.contains("all spins reversed"));
    let mut one = a.clone();
    one.stations[2].spin = Spin::Cw;
    let f = findings(&FLIGHT, Some(&one));
    assert!(
        f.get("order.posterior").unwrap().text.contains("the other spin on rotor 3"),
        "{:?}",
        f.get("order.posterior")
    );
    // A hover alone moves the rotors too little in too few directions, or says so.
    let quiet = Plant { steps: false, rate_noise: 0.0, ..Plant::default() }.fly(12.0, 9);
    let f = findings(&quiet, Some(&a));
    match &f.get("order.posterior").unwrap().outcome {
        Outcome::CannotTell { missing, .. } => assert!(missing.contains("excitation"), "{missing}"),
        Outcome::Value { estimate } => assert!(estimate.value > 0.5),
        Outcome::Words { answer } => assert_eq!(answer, ""),
    }
}

#[test]
fn val_drive_and_filter() {
    let p = Plant::default();
    near("drive.lag", p.lag, 0.05);
    let (dead, u) = value(&FOUND, "drive.dead_time");
    check("drive.dead_time", p.dead, dead, 0.001);
    assert!((dead - p.dead).abs() < 3.0 * u);
    // A first-order filter with corner f, sampled: its low-frequency delay is (1 - a)/a periods,
    // a = 1 - exp(-2 pi f T).
    let a = 1.0 - (-TAU * p.filter * 0.001).exp();
    let (d, _) = value(&FOUND, "filter.delay");
    check("filter.delay", 0.001 * (1.0 - a) / a, d, 2e-4);
    near("battery.resistance", p.resistance, 0.03);
}

#[test]
fn val_vibration() {
    let p = Plant::default();
    // 1/rev of amplitude a on x and y over noise of 0.15 m/s^2 up to 500 Hz.
    // Of the first rotor, which stands on the heavy side: speed goes with the root of its share.
    let share = 1.0 + p.right / (p.arm / 2.0_f64.sqrt());
    let (turn, noise) = (p.hover_speed() / TAU * share.sqrt(), 0.15);
    let seen = (0.5 * p.unbalance.powi(2) + noise * noise * (2.2 * turn - 5.0) / 500.0_f64).sqrt();
    near("vibration.accel_rms", seen, 0.03);
    let s = FOUND.spectra.iter().find(|s| s.channel == "accel.x").unwrap();
    let peak = &s.peaks[0];
    check("accel.x peak frequency, Hz", turn, peak.frequency, 1.5);
    check("accel.x peak r.m.s.", p.unbalance / 2.0_f64.sqrt(), peak.rms, 0.05);
    assert!(
        peak.attribution.starts_with("1/rev of rotor") && peak.attribution.contains('1'),
        "{}",
        peak.attribution
    );
    assert!(FOUND.estimate("vibration.command_noise").is_some());
    // Thinned to 200 Hz blade passage lies above half the rate.
    let mut slow = FLIGHT.clone();
    slow.time = slow.time.iter().step_by(8).copied().collect();
    for c in slow.channels.values_mut() {
        *c = c.iter().step_by(8).copied().collect();
    }
    slow.meta.rate = 125.0;
    let f = findings(&slow, Some(&p.aircraft()));
    assert!(missing(&f, "vibration.accel_rms").contains("blade passage"));
    assert!(f.cannot_answer.iter().any(|s| s.contains("Blade passage")));
    let s = f.spectra.iter().find(|s| s.channel == "accel.x").unwrap();
    let folded = (turn - 125.0 * (turn / 125.0).round()).abs();
    check("accel.x at 125 Hz: folded peak, Hz", folded, s.peaks[0].frequency, 1.5);
    assert!(s.peaks[0].attribution.contains("folded"), "{}", s.peaks[0].attribution);
}

#[test]
fn val_steps() {
    for axis in ["x", "y", "z"] {
        let (delay, _) = value(&FOUND, &format!("step.{axis}.delay"));
        assert!(delay > 0.004 && delay < 0.12, "{axis} {delay}");
        assert!(value(&FOUND, &format!("step.{axis}.rise")).0 > 0.01);
        assert!(value(&FOUND, &format!("step.{axis}.asymmetry")).0 < 0.15);
    }
    assert_eq!(FOUND.steps.len(), 12);
    // The gyro reads 12 mrad/s too much about x: with the demand at zero the aircraft turns back
    // at that rate, from the end of the stop to 2 s after the release.
    // The part that is common to both sides; the integral unwinds to the side of the step.
    let turned: Vec<f64> = FOUND.steps.iter().filter(|s| s.axis == 'x').filter_map(|s| s.drift).collect();
    assert_eq!(turned.len(), 4);
    check("step.x: drift common to both sides, rad", -0.012 * 1.75, turned.iter().sum::<f64>() / 4.0, 0.004);
    let turned: Vec<f64> = FOUND.steps.iter().filter(|s| s.axis == 'y').filter_map(|s| s.drift).collect();
    check("step.y: drift common to both sides, rad", 0.0, turned.iter().sum::<f64>() / 4.0, 0.004);
    // A loop of too much gain rings after the release; damping and count show it.
    let p = Plant { rate_gain: 36.0, ..Plant::default() };
    let f = findings(&p.fly(24.0, 3), Some(&p.aircraft()));
    let (count, _) = value(&f, "step.x.half_cycles");
    assert!(count >= 2.0 && count > value(&FOUND, "step.x.half_cycles").0, "{count}");
    assert!(value(&f, "step.x.overshoot").0 > value(&FOUND, "step.x.overshoot").0);
    // The loop's dominant pole: s (1 + s lag)(1 + s filter) exp(s delay) + p + i/s = 0, thrust at the
    // bus voltage over the controller's nominal 24 V, by Newton's method.
    let voltage = value(&f, "hover.voltage").0;
    let boost = (voltage / 24.0).powi(2);
    let (gain, integral) = (p.rate_gain * boost, 30.0 * boost);
    let delay = p.dead + 0.0005;
    let filter = 1.0 / (TAU * p.filter);
    let g = |s: Complex<f64>| {
        s * (s * p.lag + 1.0) * (s * filter + 1.0) * (s * delay).exp() + gain + integral / s
    };
    let mut s = Complex::new(-8.0, 30.0);
    for _ in 0..100 {
        let h = Complex::new(1e-5, 0.0);
        s -= g(s) * h * 2.0 / (g(s + h) - g(s - h));
    }
    let damping = -s.re / s.norm();
    check("step.x.damping against the loop's pole", damping, value(&f, "step.x.damping").0, 0.25 * damping);
}

#[test]
fn val_oscillation() {
    let p = Plant { shake: (3.0, 7.0), steps: false, ..Plant::default() };
    let f = findings(&p.fly(14.0, 4), Some(&p.aircraft()));
    let (rms, _) = value(&f, "oscillation.x");
    let s = f.spectra.iter().find(|s| s.channel == "rate.x").unwrap();
    let peak = s
        .peaks
        .iter()
        .min_by(|a, b| (a.frequency - 7.0).abs().total_cmp(&(b.frequency - 7.0).abs()))
        .unwrap();
    check("oscillation.x: frequency, Hz", 7.0, peak.frequency, 0.1);
    assert!(rms > 0.02);
    assert!(matches!(FOUND.get("oscillation.y").unwrap().outcome, Outcome::Words { .. }));
}

#[test]
fn val_saturation_and_clipping() {
    let mut r = FLIGHT.clone();
    let top = 1.2;
    for v in r.channels.get_mut("rate_raw.x").unwrap() {
        *v = v.clamp(-top, top);
    }
    let share = r.channels["rate_raw.x"].iter().filter(|v| v.abs() >= top).count() as f64
        / (3.0 * r.time.len() as f64);
    let c = r.channels.get_mut("rotor.2.command").unwrap();
    for v in &mut c[5000..5100] {
        *v = 1.0;
    }
    let f = findings(&r, Some(&Plant::default().aircraft()));
    let (clip, _) = value(&f, "clipping.gyro");
    // Lone samples at the top are not counted as a flat top.
    check("clipping.gyro", share, clip, 0.2 * share);
    assert!(value(&f, "saturation.share").0 > 50.0 / 60_000.0);
    assert!(value(&FOUND, "clipping.gyro").0 == 0.0 && value(&FOUND, "clipping.accel").0 == 0.0);
}

#[test]
fn val_cannot_tell_names_what_is_missing() {
    let a = Plant::default().aircraft();
    let f = findings(&without(&FLIGHT, |n| n.ends_with("speed")), Some(&a));
    for key in ["thrust.per_mass", "effectiveness.x", "order.posterior", "hover.speed", "drive.lag"] {
        assert!(missing(&f, key).contains("speed"), "{key}");
    }
    // Shares still come from commands, with the exponent as a source of its own.
    let e = f.estimate("hover.roll_share").unwrap();
    assert!(e.contributions.iter().any(|c| c.source.contains("exponent")));
    check("roll share from commands", 0.0365, e.value, 0.01);
    let f = findings(&without(&FLIGHT, |n| n.starts_with("rate_demand")), Some(&a));
    assert!(missing(&f, "step.x.overshoot").contains("rate_demand.x"));
    let f = findings(&without(&FLIGHT, |n| n.starts_with("attitude")), Some(&a));
    assert!(missing(&f, "step.x.drift").contains("own bias"));
    let mut r = FLIGHT.clone();
    for c in &mut r.meta.channels {
        c.tap = None;
    }
    let f = findings(&r, Some(&a));
    assert!(missing(&f, "saturation.share").contains("tap point"));
    assert!(missing(&f, "vibration.accel_rms").contains("tap point of accel"));
    assert!(f.cannot_answer.iter().any(|s| s.contains("rate.x") && s.contains("not stated")));
    r.meta.channels.iter_mut().for_each(|c| c.tap = Some(Tap::BeforeMixing));
    assert!(missing(&findings(&r, Some(&a)), "saturation.share").contains("after mixing"));
    // Without an aircraft nothing that needs its places is claimed.
    let f = findings(&FLIGHT, None);
    assert!(missing(&f, "effectiveness.x").contains("places"));
    assert!(f.estimate("hover.command").is_some());
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(24))]
    /// Any channels at all: no panic, no value that is not finite.
    #[test]
    fn prop_any_record(n in 0_usize..600, seed in 0_u64..1000, drop in 0_u32..10, kind in 0..4) {
        let mut x = seed;
        let mut r = FLIGHT.clone();
        let mut next = || { x = (1_664_525 * x + 1_013_904_223) % (1 << 32); x as f64 / 4_294_967_296.0 };
        r.time = (0..n).map(|k| match kind { 0 => k as f64 * 0.01, 1 => 0.0, 2 => next() * 10.0, _ => if k % 50 < 25 { k as f64 * 0.004 } else { k as f64 } }).collect();
        r.time.sort_by(f64::total_cmp);
        for (name, c) in &mut r.channels {
            *c = (0..n).map(|_| { let v = next(); if v < f64::from(drop) * 0.05 { f64::NAN } else if name.contains("speed") { 400.0 + 1e3 * v } else { v * 3.0 - 1.0 } }).collect();
        }
        let f = findings(&r, Some(&Plant::default().aircraft()));
        for i in &f.items {
            if let Outcome::Value { estimate } = &i.outcome {
                prop_assert!(estimate.value.is_finite() && estimate.uncertainty.is_finite(), "{}", i.key);
            }
        }
    }
}
