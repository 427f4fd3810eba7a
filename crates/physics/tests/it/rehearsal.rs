//! Faults and fail-safe of the flight model against closed forms.

use physics::Vec3;
use physics::flight::{Action, Fault, FaultKind, FlightLog, Guard, Scenario, Segment, Wind, fly};
use physics::homeward::{Failsafe, OnLostLink, Plan};

use crate::flight::{outer_quad, sea_level};
use crate::table::report;

fn calm(action: Action, duration: f64) -> Scenario {
    let mut s = Scenario::new(vec![Segment::new("flight", duration, action)], 5, 0.9);
    s.wind = Wind::CALM;
    s.blade_passage = 0.0;
    s.log_rate = 200.0;
    s.step = 1e-3;
    s
}

fn flown(s: &Scenario) -> FlightLog {
    let mut a = outer_quad();
    a.rotor.unbalance = 0.0;
    fly(&a, &sea_level(), s).unwrap_or_else(|e| panic!("{e}"))
}

fn at(log: &FlightLog, name: &str, t: f64) -> f64 {
    let k = log.time.partition_point(|s| *s < t).min(log.time.len() - 1);
    log.channels[name][k]
}

fn check(what: &str, source: &str, expected: f64, computed: f64, tolerance: f64) {
    report("rehearsal", what, source, expected, computed, &format!("{tolerance:.1e}"));
    assert!((computed - expected).abs() <= tolerance, "{what}: {computed} against {expected}");
}

#[test]
fn val_faults_do_what_statics_says() {
    // The payload of a twelfth of the mass drops out of a hover: thrust stays, the rest is lighter.
    let mut s = calm(Action::Hover, 3.0);
    s.faults = vec![Fault { at: 2.0, kind: FaultKind::PayloadDrop }];
    let log = flown(&s);
    let whole = outer_quad();
    let mass = |b: &physics::aircraft::Body| b.mass;
    let (all, bare): (f64, f64) =
        (whole.bodies.iter().map(mass).sum(), whole.without_payload().bodies.iter().map(mass).sum());
    let jump = at(&log, "accel.z", 2.004) / at(&log, "accel.z", 1.99);
    check(
        "specific force after over before a payload drop",
        "Newton: mass before over after",
        all / bare,
        jump,
        4e-3,
    );
    // One cell of six with four times its resistance: the bus falls by 3 R I.
    let mut s = calm(Action::Hover, 3.0);
    s.faults = vec![Fault { at: 2.0, kind: FaultKind::WeakCell { factor: 4.0 } }];
    let log = flown(&s);
    let (before, after) = (at(&log, "battery.voltage", 1.995), at(&log, "battery.voltage", 2.005));
    let battery = whole.battery.as_ref().unwrap();
    let resistance = 6.0 * battery.cell_resistance + battery.lead_resistance;
    // The command stays for the moment, so that the lower bus draws less.
    let (first, then) = (at(&log, "battery.current", 1.995), at(&log, "battery.current", 2.005));
    let expected = (resistance + 3.0 * battery.cell_resistance) * then - resistance * first;
    check(
        "bus voltage lost to a weak cell, V",
        "Ohm's law",
        expected,
        before - after,
        0.01 * expected + 2e-3,
    );
    // A stopped rotor runs down, and the aircraft turns over; a stuck gyro shows one value.
    let mut s = calm(Action::Hover, 3.0);
    s.faults = vec![Fault { at: 1.0, kind: FaultKind::RotorStop { rotor: 1 } }];
    let log = flown(&s);
    assert!(at(&log, "rotor.2.speed", 2.9) < 0.5 * at(&log, "rotor.2.speed", 0.9));
    let mut s = calm(Action::Hover, 2.0);
    s.faults = vec![Fault { at: 1.0, kind: FaultKind::StuckSensor { axis: 2 } }];
    let log = flown(&s);
    let late = &log.channels["rate_raw.z"][210..];
    assert!(late.windows(2).all(|w| w[0] == w[1]));
    // A fault that cannot be is refused.
    let mut s = calm(Action::Hover, 1.0);
    s.faults = vec![Fault { at: 0.5, kind: FaultKind::RotorStop { rotor: 9 } }];
    assert!(fly(&outer_quad(), &sea_level(), &s).is_err());
}

fn guard() -> Guard {
    Guard {
        failsafe: Failsafe {
            on_lost_link: OnLostLink::ComeHome,
            come_home_at: 0.3,
            land_now_at: 0.1,
            lost_link_time: 1.0,
            low_battery_time: 2.0,
            farthest: 100.0,
            plan: Plan { speed: 5.0, height: 12.0, climb: 2.0, descent: 1.5, landing: 5.0, react: 2.0 },
        },
        count_error: 0.0,
        pilot: vec![(6.0, 8.0)],
        take_over_delay: 0.1,
    }
}

#[test]
fn prop_lost_link_brings_it_home() {
    let mut s = calm(Action::Velocity { demand: Vec3::new(5.0, 0.0, 0.0) }, 90.0);
    s.height = 8.0;
    s.guard = Some(guard());
    s.faults = vec![
        // Too short to act on, then taken over, then for good.
        Fault { at: 1.0, kind: FaultKind::LinkLoss { lasts: 0.8 } },
        Fault { at: 4.0, kind: FaultKind::LinkLoss { lasts: 4.0 } },
        Fault { at: 14.0, kind: FaultKind::LinkLoss { lasts: f64::INFINITY } },
    ];
    let log = flown(&s);
    let mode = &log.channels["mode"];
    let changes: Vec<(f64, f64)> = mode
        .windows(2)
        .zip(log.time.iter().skip(1))
        .filter(|(w, _)| w[0] != w[1])
        .map(|(w, t)| (*t, w[1]))
        .collect();
    let expected = [(5.0, 1.0), (6.1, 3.0), (8.1, 0.0), (15.0, 1.0)];
    assert_eq!(changes.len(), 4, "{changes:?}");
    for ((t, m), (te, me)) in changes.iter().zip(expected) {
        assert!((t - te).abs() < 0.011 && m == &me, "{changes:?}");
    }
    let end = log.time.len() - 1;
    let (x, y) = (log.channels["position.x"][end], log.channels["position.y"][end]);
    assert!(x.hypot(y) < 3.0 && log.channels["height"][end] < 0.2, "{x} {y}");
    assert!(log.time[end] < 89.0, "it lands before the script ends");
    // The same again.
    assert_eq!(flown(&s), log);
}

#[test]
fn prop_low_battery_brings_it_home() {
    let mut s = calm(Action::Velocity { demand: Vec3::new(3.0, 0.0, 0.0) }, 120.0);
    s.height = 8.0;
    s.initial_charge = 0.315;
    let mut g = guard();
    g.pilot.clear();
    s.guard = Some(g);
    let log = flown(&s);
    let low = log.time[log.channels["battery.counted"].iter().position(|c| *c < 0.3).unwrap()];
    let acted = log.time[log.channels["mode"].iter().position(|m| *m > 0.5).unwrap()];
    assert!((acted - low - 2.0).abs() < 0.011, "{low} {acted}");
    // No satellites: level instead of velocity, so that it keeps the speed that it had but for the drag.
    let mut s = calm(Action::Velocity { demand: Vec3::new(4.0, 0.0, 0.0) }, 12.0);
    s.faults = vec![Fault { at: 8.0, kind: FaultKind::SatelliteLoss { lasts: f64::INFINITY } }];
    let log = flown(&s);
    let tilt = log.channels["attitude.j"][log.time.len() - 1].abs();
    assert!(tilt < 0.01, "{tilt}");
}

/// What a rehearsal leaves out of the integration: steps of 1 ms, and the rotors' commands at one instant.
#[test]
fn prop_coarse_steps_change_little() {
    let rate = 100_f64.to_radians();
    let mut s = calm(Action::Hover, 1.0);
    s.script.extend(physics::flight::rate_steps(0, &[rate, -rate], 0.35, 1.0));
    s.duration = s.script.iter().map(|x| x.duration).sum();
    s.step = 1.0 / 16_000.0;
    let fine = flown(&s);
    s.step = 1e-3;
    let mut a = outer_quad();
    a.rotor.unbalance = 0.0;
    let esc = a.esc.as_mut().unwrap();
    esc.dead_time += 0.5 * esc.update_period;
    esc.update_period = 0.0;
    let coarse = fly(&a, &sea_level(), &s).unwrap();
    let worst = fine.channels["rate.x"]
        .iter()
        .zip(&coarse.channels["rate.x"])
        .map(|(f, c)| (f - c).abs())
        .fold(0.0, f64::max);
    report(
        "rehearsal",
        "largest change of the rate by coarse steps, of a step",
        "own fine steps",
        0.0,
        worst / rate,
        "2e-2",
    );
    assert!(worst < 0.02 * rate, "{worst}");
}
