//! Oscillations planted with the flight model: which loop, the structure, or none.

use std::f64::consts::TAU;

use dossier::aircraft_file::AircraftFile;
use dossier::demo::flight_record;
use dossier::findings::{Findings, Outcome, findings};
use dossier::record::Record;
use dossier::result::KeyChange;
use physics::Vec3;
use physics::aircraft::Aircraft;
use physics::atmosphere;
use physics::flight::{Action, Scenario, Segment, fly};

use crate::tarn::{aircraft, base, set};

/// The demo's aircraft with other gains.
fn flown(edits: &[KeyChange]) -> Aircraft {
    let file = AircraftFile::load(&aircraft(base())).unwrap_or_else(|d| panic!("{d}"));
    let file = file.with_edits(edits).unwrap_or_else(|d| panic!("{d}"));
    file.resolve(&Default::default()).unwrap_or_else(|d| panic!("{d}")).aircraft.without_payload()
}

/// What a hover, or a held velocity, of it shows.
fn record(a: &Aircraft, action: Action, duration: f64) -> Record {
    logged(a, action, duration, 500.0)
}

fn logged(a: &Aircraft, action: Action, duration: f64, log_rate: f64) -> Record {
    scripted(a, vec![Segment::new("hold", duration, action)], log_rate)
}

fn scripted(a: &Aircraft, script: Vec<Segment>, log_rate: f64) -> Record {
    let scenario = Scenario { log_rate, ..Scenario::new(script, 5, 0.95) };
    let air = atmosphere::air(640.0, 0.0, 0.0).unwrap();
    let log = fly(a, &air, &scenario).unwrap();
    flight_record("r", "b1", "2026-01-01", "", &log, &Default::default())
}

fn answer(f: &Findings, key: &str) -> String {
    match f.get(key) {
        None => "nothing".to_owned(),
        Some(i) => match &i.outcome {
            Outcome::Words { answer } => answer.clone(),
            Outcome::CannotTell { missing, .. } => format!("cannot tell: {missing}"),
            Outcome::Value { estimate } => format!("{:.3} {}", estimate.value, estimate.unit),
        },
    }
}

/// What was named against what was planted; where they differ, all that was said of oscillations.
fn check(what: &str, f: &Findings, key: &str, planted: &str) -> Result<(), String> {
    let got = answer(f, key);
    println!("VALIDATION|oscillations|{what}|planted in the flight model|{planted}|{got}|exact");
    if got == planted {
        return Ok(());
    }
    let said = |i: &dossier::findings::Finding| format!("  {}: {} ({})\n", i.key, answer(f, &i.key), i.text);
    let all: String = f.items.iter().filter(|i| i.key.starts_with("oscillation")).map(said).collect();
    let phases: Vec<String> =
        f.phases.iter().map(|p| format!("{:?} {:.1} to {:.1} s", p.kind, p.start, p.end)).collect();
    let peaks: Vec<String> = f
        .spectra
        .iter()
        .filter(|s| s.channel.starts_with("rate."))
        .flat_map(|s| {
            s.peaks.iter().take(3).map(|p| format!("{} {:.1} Hz {:.3}", s.channel, p.frequency, p.rms))
        })
        .collect();
    let (phases, peaks) = (phases.join(", "), peaks.join(", "));
    Err(format!("{what}: {planted} was planted, {got} named\n{all}  {phases}\n  {peaks}\n"))
}

#[test]
fn val_oscillations_planted_in_flight() {
    let still = || Action::Velocity { demand: Vec3::zeros() };
    // The demo's gain margin upwards is 11.7 dB, a factor of 3.8; an integral far too high turns the phase below crossover.
    let cases: [(&str, Vec<KeyChange>, Action, f64, &str, &str); 10] = [
        ("hover with the demo's gains, roll", vec![], Action::Hover, 20.0, "oscillation.x", "none seen"),
        ("hover with the demo's gains, pitch", vec![], Action::Hover, 20.0, "oscillation.y", "none seen"),
        ("velocity held with the demo's gains", vec![], still(), 40.0, "oscillation.velocity", "none seen"),
        (
            "roll rate gain 4.5 times too high",
            vec![set("loop.rate.p.x", "\"135 1/s\"")],
            Action::Hover,
            20.0,
            "oscillation.x.source",
            "rate loop",
        ),
        (
            "roll rate gain 3.9 times too high",
            vec![set("loop.rate.p.x", "\"117 1/s\"")],
            Action::Hover,
            20.0,
            "oscillation.x.source",
            "rate loop",
        ),
        (
            "roll rate gain 4.2 times too high",
            vec![set("loop.rate.p.x", "\"125 1/s\"")],
            Action::Hover,
            20.0,
            "oscillation.x.source",
            "rate loop",
        ),
        (
            "pitch integral far too high",
            vec![set("loop.rate.i.y", "\"1500 1/s^2\"")],
            Action::Hover,
            20.0,
            "oscillation.y.source",
            "rate loop",
        ),
        (
            "pitch attitude gain sixteen times too high",
            vec![set("loop.attitude.gain.y", "\"64 1/s\"")],
            Action::Hover,
            20.0,
            "oscillation.y.source",
            "attitude loop",
        ),
        (
            "velocity gain nine times too high",
            vec![set("loop.velocity.gain", "\"8.4 1/s\"")],
            still(),
            40.0,
            "oscillation.velocity.source",
            "velocity loop",
        ),
        (
            "position gain thirteen times too high",
            vec![set("loop.position.gain", "\"3.2 1/s\"")],
            Action::PositionHold,
            90.0,
            "oscillation.velocity.source",
            "position loop",
        ),
    ];
    let wrong: Vec<String> = cases
        .iter()
        .filter_map(|(what, edits, action, duration, key, planted)| {
            let a = flown(edits);
            let f = findings(&record(&a, action.clone(), *duration), Some(&a));
            check(what, &f, key, planted).err()
        })
        .collect();
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

#[test]
fn val_a_swinging_part_is_no_loop() {
    // A part swings at 19 Hz under the gyro; the rotors get what the gains make of it, late by the chain.
    let a = flown(&[]);
    let mut r = record(&a, Action::Hover, 20.0);
    let n = r.time.len();
    let (size, w) = (6_f64.to_radians() * 2f64.sqrt(), TAU * 19.0);
    // What a wandering phase does to a driven part: a quarter of a turn in ten seconds.
    let at = |t: f64| size * (w * t + 0.16 * t).sin();
    let mass = physics::mass::mass_properties(&a.bodies);
    let matrix = physics::control::effectiveness(&a, &mass.centre, 0.02);
    let mixer = physics::control::mixer(&matrix).unwrap();
    let thrust = mass.mass * physics::STANDARD_GRAVITY / 4.0;
    for k in 0..n {
        let t = r.time[k];
        r.channels.get_mut("rate.x").unwrap()[k] += at(t);
        for rotor in 0..4 {
            // Gain 30 1/s, a motor lag of 10 ms at 19 Hz: 0.64 of it, and the filter's 0.95, 20 ms late.
            let alpha = -30.0 * 0.6 * at(t - 0.02);
            let share = mixer[(rotor, 1)] * mass.inertia[(0, 0)] * alpha / (2.0 * thrust);
            let speed = &mut r.channels.get_mut(&format!("rotor.{}.speed", rotor + 1)).unwrap()[k];
            *speed *= 1.0 + share;
        }
    }
    let f = findings(&r, Some(&a));
    check("a part that swings at 19 Hz under the gyro", &f, "oscillation.x.source", "structure")
        .unwrap_or_else(|why| panic!("{why}"));
    assert!(f.get("oscillation.x.source").unwrap().text.contains("Tap arm and mount"));
}

#[test]
fn val_a_loop_that_a_slow_log_folds() {
    // The rate loop oscillates near 16 Hz; slow logs show it at 4 to 13 Hz, mostly where no loop of the file is near neutral. Named so, or
    // not at all; never as another loop.
    let planted = "rate loop, folded by the log";
    let mut named = 0;
    for (p, log) in [(109, 24.0), (109, 22.0), (110, 23.0), (110, 20.0), (110, 29.0), (114, 27.0)] {
        let a = flown(&[set("loop.rate.p.x", &format!("\"{p} 1/s\""))]);
        let f = findings(&logged(&a, Action::Hover, 20.0, log), Some(&a));
        let got = answer(&f, "oscillation.x.source");
        named += u32::from(got == planted);
        let seen = answer(&f, "oscillation.x");
        println!("{seen} {:?}", f.get("oscillation.x").map(|i| &i.text));
        let right = got == planted
            || got == "rate loop"
            || got.starts_with("cannot tell")
            || (got == "nothing" && seen.starts_with("cannot tell"));
        println!(
            "VALIDATION|oscillations|rate gain {p} 1/s in a log at {log:.0} Hz: named as the rate loop, or cannot tell|planted in the flight model|yes|{}|exact",
            if right { "yes" } else { "no" }
        );
        assert!(right, "{p} {log}: {got} {:?}", f.get("oscillation.x"));
    }
    assert!(named >= 1);
}

#[test]
fn val_a_rotor_line_that_a_slow_log_folds() {
    // The gyro shakes with the turning of rotor 1, which is above half the rate of the log: it comes back as a slow line.
    let a = flown(&[]);
    let mut r = logged(&a, Action::Hover, 20.0, 1000.0);
    let mut angle = 0.0;
    for k in 0..r.time.len() {
        angle += 1e-3 * r.channels["rotor.1.speed"][k];
        r.channels.get_mut("rate.x").unwrap()[k] += 5_f64.to_radians() * angle.sin();
    }
    // 500 rad/s and more: 87 Hz in a log at 50 Hz.
    let thin = |v: &[f64]| v.iter().step_by(20).copied().collect::<Vec<f64>>();
    r.time = thin(&r.time);
    r.channels.values_mut().for_each(|v| *v = thin(v));
    r.meta.rate = 50.0;
    let f = findings(&r, Some(&a));
    check("1/rev under the gyro in a log at 50 Hz", &f, "oscillation.x.source", "rotor line")
        .unwrap_or_else(|why| panic!("{why}"));
}

#[test]
fn val_two_loops_near_neutral_are_both_named() {
    // The rate loop is within 20 deg and 4 dB of neutral; the attitude gain about it goes up until the aircraft swings.
    let what = "attitude gain just too high about a rate loop that nearly is";
    let f = [18.0, 19.5, 21.0, 22.5, 24.0, 25.5].into_iter().find_map(|gain| {
        let gain = format!("\"{gain} 1/s\"");
        let a = flown(&[set("loop.rate.p.y", "\"75 1/s\""), set("loop.attitude.gain.y", &gain)]);
        let f = findings(&record(&a, Action::Hover, 20.0), Some(&a));
        println!("{gain}: {}", answer(&f, "oscillation.y.source"));
        f.get("oscillation.y.source").is_some().then_some(f)
    });
    let f = f.unwrap_or_else(|| panic!("no attitude gain makes it swing"));
    check(what, &f, "oscillation.y.source", "rate loop or attitude loop")
        .unwrap_or_else(|why| panic!("{why}"));
    let text = &f.get("oscillation.y.source").unwrap().text;
    assert!(
        text.contains("lower the attitude gain by a third") && text.contains("lower p by a third"),
        "{text}"
    );
}

#[test]
fn val_a_line_that_grows_with_thrust() {
    // A hover, then short pulls above and below its thrust; a part under the gyro swings with the thrust, or as it likes.
    let a = flown(&[]);
    let mut script = vec![Segment::new("hover", 10.0, Action::Hover)];
    for _ in 0..6 {
        for demand in [0.62, 0.3] {
            script.push(Segment::new("pull", 0.7, Action::ThrustPull { demand }));
        }
        script.push(Segment::new("hover", 1.5, Action::Hover));
    }
    let flight = scripted(&a, script, 500.0);
    let commands: Vec<&Vec<f64>> = (1..=4).map(|k| &flight.channels[&format!("rotor.{k}.command")]).collect();
    let thrust: Vec<f64> =
        (0..flight.time.len()).map(|k| commands.iter().map(|c| c[k].powi(2)).sum::<f64>()).collect();
    let hover = thrust[2000];
    for (what, power, said) in [
        ("grows with thrust", 1.0, "It grows with thrust"),
        ("does not grow with thrust", 0.0, "It does not grow with thrust"),
    ] {
        let mut r = flight.clone();
        let (size, w) = (6_f64.to_radians() * 2f64.sqrt(), TAU * 19.0);
        for (k, x) in r.channels.get_mut("rate.x").unwrap().iter_mut().enumerate() {
            *x += size * (thrust[k] / hover).powf(power) * (w * flight.time[k]).sin();
        }
        let f = findings(&r, Some(&a));
        check(&format!("a part that {what}"), &f, "oscillation.x.source", "structure")
            .unwrap_or_else(|why| panic!("{why}"));
        let text = &f.get("oscillation.x.source").unwrap().text;
        println!(
            "VALIDATION|oscillations|a part that {what}|planted|{said}|{}|exact",
            if text.contains(said) { said } else { text }
        );
        assert!(text.contains(said), "{text}");
    }
}
