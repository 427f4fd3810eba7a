//! Sensors and estimator of the flight model against closed forms, tables and scipy.

use nalgebra::{Quaternion, UnitQuaternion};
use physics::Vec3;
use physics::aircraft::Aircraft;
use physics::flight::{
    Action, Fault, FaultKind, FlightLog, Scenario, Segment, Sensing, Wind, fix_gain, fly, height_gain,
};
use physics::magnetic::Lead;
use physics::sensors::{Barometer, Bias, Magnetometer, Satellite, sources};

use crate::flight::{outer_quad, sea_level};
use crate::table::{number, report, rows};

/// Field of the earth in the middle of Europe, T, rounded.
const EARTH: Vec3 = Vec3::new(21e-6, 1.2e-6, 43e-6);

/// The quadrotor of the flight tests with everything that tells where it is.
fn sensing_quad() -> Aircraft {
    let mut a = outer_quad();
    a.rotor.unbalance = 0.0;
    a.magnetic.magnetometer = Some(Vec3::new(0.0, 0.0, -0.1));
    a.sensors.bias = Bias { rate: 1e-3, rate_drift: 2e-4, accel: 0.03, accel_drift: 0.005 };
    a.sensors.magnetometer = Some(Magnetometer { period: 0.02, delay: 0.01, noise: 3e-7, bias: 2e-7 });
    a.sensors.barometer =
        Some(Barometer { period: 0.02, lag: 0.03, noise: 2.0, drift: 3.0, wash: 0.1, ram: 0.1 });
    a.sensors.satellite = Some(Satellite {
        period: 0.1,
        delay: 0.15,
        position_noise: 0.8,
        correlation: 120.0,
        velocity_noise: 0.06,
        dropout_every: None,
        dropout_time: 0.0,
    });
    a
}

fn scenario(action: Action, duration: f64, flown: bool) -> Scenario {
    let mut s = Scenario::new(vec![Segment::new("flight", duration, action)], 5, 0.95);
    s.wind = Wind::CALM;
    s.blade_passage = 0.0;
    s.log_rate = 100.0;
    s.step = 1e-3;
    s.sensing = Some(Sensing { earth: Some(EARTH), flown });
    s
}

fn flown(a: &Aircraft, s: &Scenario) -> FlightLog {
    fly(a, &sea_level(), s).unwrap_or_else(|e| panic!("{e}"))
}

fn check(what: &str, source: &str, expected: f64, computed: f64, tolerance: f64) {
    report("sensing", what, source, expected, computed, &format!("{tolerance:.1e}"));
    assert!((computed - expected).abs() <= tolerance, "{what}: {computed} against {expected}");
}

fn attitude(log: &FlightLog, stem: &str, k: usize) -> UnitQuaternion<f64> {
    let part = |p: &str| log.channels[&format!("{stem}.{p}")][k];
    UnitQuaternion::from_quaternion(Quaternion::new(part("w"), part("i"), part("j"), part("k")))
}

#[test]
fn val_gains_are_those_of_the_riccati_equation() {
    let mut worst = 0.0_f64;
    for row in rows(include_str!("../../../../reference/estimator_gains.csv")) {
        let numbers = |text: &str| text.split(' ').map(number).collect::<Vec<_>>();
        let (p, expected) = (numbers(&row[1]), numbers(&row[2]));
        let found: Vec<f64> = match row[0].as_str() {
            "fix" => {
                fix_gain(p[0], p[1], p[2], p[3], p[4], p[5]).unwrap().transpose().iter().copied().collect()
            }
            _ => height_gain(p[0], p[1], p[2], p[3]).unwrap().iter().copied().collect(),
        };
        assert_eq!(found.len(), expected.len());
        for (f, e) in found.iter().zip(&expected) {
            worst = worst.max((f - e).abs() / e.abs());
        }
    }
    check(
        "largest relative difference of a steady gain",
        "scipy.linalg.solve_discrete_are",
        0.0,
        worst,
        1e-6,
    );
    assert!(fix_gain(0.1, f64::NAN, 0.0, 0.0, 1.0, 1.0).is_none());
    assert!(height_gain(0.1, 0.1, 0.1, 0.0).is_none(), "a measurement without noise");
}

#[test]
fn val_magnetometer_shows_the_field_of_the_leads() {
    // Two long parallel wires, there and back, side by side across: at a distance h over their middle the field is
    // mu_0 I s/(2 pi (h^2 + s^2/4)), along the vertical.
    let mut a = sensing_quad();
    let (h, spacing) = (0.1, 0.012);
    a.magnetic.leads = vec![Lead {
        item: "pair".to_owned(),
        path: vec![Vec3::new(-20.0, 0.0, 0.0), Vec3::new(20.0, 0.0, 0.0)],
        share: 1.0,
        spacing,
        side: Vec3::y(),
        twist: None,
    }];
    a.sensors.magnetometer = Some(Magnetometer { period: 0.02, delay: 0.0, noise: 3e-8, bias: 0.0 });
    let log = flown(&a, &scenario(Action::Hover, 6.0, false));
    let current = log.truth.hover.as_ref().unwrap().current;
    let mut mean = Vec3::zeros();
    for k in 200..600 {
        let seen = Vec3::new(log.channels["mag.x"][k], log.channels["mag.y"][k], log.channels["mag.z"][k]);
        mean += (seen - attitude(&log, "attitude", k).inverse_transform_vector(&EARTH)) / 400.0;
    }
    let expected = 4e-7 * std::f64::consts::PI * current * spacing
        / (std::f64::consts::TAU * (h * h + 0.25 * spacing * spacing));
    check(
        "field of a pair of leads at hover current, T",
        "two long wires, closed form",
        expected,
        mean.norm(),
        0.01 * expected,
    );
    assert!(mean.xy().norm() < 0.02 * expected, "{mean}");
}

#[test]
fn val_barometer_is_the_standards_air() {
    let mut a = sensing_quad();
    a.sensors.barometer = Some(Barometer { noise: 0.0, drift: 0.0, ..a.sensors.barometer.unwrap() });
    for row in rows(include_str!("../../reference/atmosphere.csv")).iter().filter(|row| row[0] == "iso") {
        let height = number(&row[1]);
        if !(1.0..=2000.0).contains(&height) {
            continue;
        }
        let mut s = scenario(Action::Hover, 0.5, false);
        s.height = height;
        let seen = flown(&a, &s).channels["pressure"][5];
        // The layer over a site takes heights as they are, the standard shrinks them by h/6356766 m: at 2 km 0.6 m.
        let allowed = 0.5 + 12.0 * height * height / 6_356_766.0;
        check(
            &format!("pressure at {height:.0} m, Pa"),
            "ISO 2533:1975, by ambiance 1.3.1",
            number(&row[2]),
            seen,
            allowed,
        );
    }
    // In a climb it shows what its lag ago was: rho g v lag too much.
    a.sensors.barometer.as_mut().unwrap().lag = 0.4;
    a.sensors.barometer.as_mut().unwrap().wash = 0.0;
    a.sensors.barometer.as_mut().unwrap().ram = 0.0;
    let log = flown(&a, &scenario(Action::Velocity { demand: Vec3::new(0.0, 0.0, -2.0) }, 12.0, false));
    let k = 1150;
    let (climb, truth) = (-log.channels["velocity.z"][k], log.channels["height"][k]);
    // The held sample is up to one period old, 10 ms in the mean of 20 ms.
    let air = physics::atmosphere::air(truth, 0.0, 0.0).unwrap();
    let late = (log.channels["pressure"][k] - air.pressure) / (air.density * 9.806_65 * climb);
    check("lag of the pressure in a climb, s", "first-order lag in a ramp", 0.4, late, 0.03);
}

/// Rows by which `b` is later than `a`: where their cross-correlation is largest, each stretch less its mean and over its
/// spread, a parabola through the three best.
fn lag_of(a: &[f64], b: &[f64], most: usize) -> f64 {
    let n = a.len() - most;
    let score = |lag: usize| -> f64 {
        let (x, y) = (&a[..n], &b[lag..lag + n]);
        let (mx, my) = (x.iter().sum::<f64>() / n as f64, y.iter().sum::<f64>() / n as f64);
        let product: f64 = x.iter().zip(y).map(|(x, y)| (x - mx) * (y - my)).sum();
        product / y.iter().map(|y| (y - my).powi(2)).sum::<f64>().sqrt()
    };
    let best = (1..most).max_by(|x, y| score(*x).total_cmp(&score(*y))).unwrap_or(1);
    let (l, m, r) = (score(best - 1), score(best), score(best + 1));
    best as f64 + 0.5 * (l - r) / (l - 2.0 * m + r)
}

#[test]
fn val_fixes_come_late_by_their_delay() {
    let mut a = sensing_quad();
    let satellite = a.sensors.satellite.as_mut().unwrap();
    (satellite.delay, satellite.period, satellite.velocity_noise) = (0.18, 0.1, 0.02);
    let go = |v: f64| Segment::new("go", 3.0, Action::Velocity { demand: Vec3::new(v, 0.0, 0.0) });
    let mut s = scenario(Action::Hover, 1.0, false);
    s.script = vec![go(2.0), go(-2.0), go(2.0), go(-2.0), go(2.0), go(-2.0)];
    s.duration = 18.0;
    let log = flown(&a, &s);
    let (x, y) = (&log.channels["velocity.x"][100..], &log.channels["satellite.velocity.x"][100..]);
    // A fix is held for one period until the next, ten rows of the log: 4.5 of them later in the mean.
    let late = lag_of(x, y, 60) / s.log_rate - 0.045;
    check("delay of the satellite velocity, s", "cross-correlation", 0.18, late, 5e-3);
}

#[test]
fn val_estimates_stay_within_bounds_in_gusts() {
    let a = sensing_quad();
    let mut worst = [0.0_f64; 5];
    for seed in 1..=3 {
        let mut s = scenario(Action::PositionHold, 90.0, true);
        s.seed = seed;
        s.wind = Wind::dryden(Vec3::new(-8.0, 0.0, 0.0), s.height);
        let log = flown(&a, &s);
        let rows = 2000..log.time.len();
        let rms = |of: &dyn Fn(usize) -> f64| {
            (rows.clone().map(|k| of(k).powi(2)).sum::<f64>() / rows.len() as f64).sqrt()
        };
        let off = |stem: &str, axis: &str, k: usize| {
            log.channels[&format!("{stem}_estimate.{axis}")][k] - log.channels[&format!("{stem}.{axis}")][k]
        };
        let tilt = |k: usize| {
            let (t, e) = (attitude(&log, "attitude", k), attitude(&log, "attitude_estimate", k));
            (t * Vec3::z()).angle(&(e * Vec3::z()))
        };
        let heading = |k: usize| {
            let (t, e) = (attitude(&log, "attitude", k), attitude(&log, "attitude_estimate", k));
            e.euler_angles().2 - t.euler_angles().2
        };
        let found = [
            rms(&|k| off("velocity", "x", k).hypot(off("velocity", "y", k))),
            rms(&|k| off("position", "x", k).hypot(off("position", "y", k))),
            rms(&|k| off("position", "z", k)),
            rms(&tilt),
            rms(&heading),
        ];
        println!("seed {seed}: {found:?}");
        for (w, f) in worst.iter_mut().zip(found) {
            *w = w.max(f);
        }
        // It is flown by them: it stays where it is to hold.
        let far = rows.clone().map(|k| log.channels["position.x"][k].hypot(log.channels["position.y"][k]));
        assert!(far.fold(0.0, f64::max) < 8.0);
    }
    let bounds = [0.15, 2.3, 0.8, 1.0_f64.to_radians(), 2.0_f64.to_radians()];
    let names = ["velocity, m/s", "place, m", "height, m", "tilt, rad", "heading, rad"];
    for ((name, found), bound) in names.iter().zip(worst).zip(bounds) {
        check(
            &format!("r.m.s. error of {name}, hover in 8 m/s of wind"),
            "true motion; stated bound",
            0.0,
            found,
            bound,
        );
    }
}

#[test]
fn prop_what_has_no_sensor_is_true_and_named() {
    let mut a = sensing_quad();
    a.sensors.barometer = None;
    a.sensors.satellite = None;
    let named: Vec<String> = sources(&a, None)
        .iter()
        .filter_map(|s| s.missing.as_ref().map(|m| format!("{}: {}", s.what, m.key)))
        .collect();
    assert_eq!(named.len(), 3, "{named:?}");
    assert!(named[1].contains("barometer") && named[2].contains("satellite"), "{named:?}");
    let log = flown(&a, &scenario(Action::Hover, 4.0, true));
    assert!(!log.channels.contains_key("pressure") && !log.channels.contains_key("satellite.velocity.x"));
    for axis in ["x", "y", "z"] {
        let (e, t) =
            (&log.channels[&format!("position_estimate.{axis}")], &log.channels[&format!("position.{axis}")]);
        assert!(e.iter().zip(t).all(|(e, t)| (e - t).abs() < 2e-3), "{axis}");
    }
    // The same seed gives the same flight, another one another; each sensor has its own random numbers.
    let a = sensing_quad();
    let mut s = scenario(Action::Hover, 3.0, true);
    let log = flown(&a, &s);
    assert_eq!(flown(&a, &s).channels["attitude_estimate.j"], log.channels["attitude_estimate.j"]);
    let mut quiet = a.clone();
    quiet.sensors.barometer.as_mut().unwrap().noise = 0.0;
    s.sensing = Some(Sensing { earth: Some(EARTH), flown: false });
    let (one, two) = (flown(&a, &s), flown(&quiet, &s));
    assert_eq!(one.channels["mag.x"][100], two.channels["mag.x"][100]);
    assert_eq!(one.channels["satellite.position.x"][100], two.channels["satellite.position.x"][100]);
    assert_ne!(one.channels["pressure"][100], two.channels["pressure"][100]);
    s.seed += 1;
    assert_ne!(flown(&a, &s).channels["mag.x"][100], one.channels["mag.x"][100]);
    // Numbers that cannot be.
    let mut bad = a.clone();
    bad.sensors.satellite.as_mut().unwrap().period = 0.0;
    assert!(fly(&bad, &sea_level(), &s).unwrap_err().to_string().contains("satellite.rate"));
    bad = a;
    bad.sensors.barometer.as_mut().unwrap().noise = f64::NAN;
    assert!(fly(&bad, &sea_level(), &s).unwrap_err().to_string().contains("barometer.noise"));
}

#[test]
fn prop_failing_sensors_are_felt() {
    let a = sensing_quad();
    let fault = |kind: FaultKind, at: f64| Fault { at, kind };
    let end = |log: &FlightLog, name: &str| *log.channels[name].last().unwrap();
    let off = |log: &FlightLog, stem: &str, axis: &str| {
        (end(log, &format!("{stem}_estimate.{axis}")) - end(log, &format!("{stem}.{axis}"))).abs()
    };
    let mut s = scenario(Action::PositionHold, 25.0, true);
    s.wind = Wind::dryden(Vec3::new(-5.0, 0.0, 0.0), s.height);
    let sound = flown(&a, &s);
    let far = |log: &FlightLog| end(log, "position.x").hypot(end(log, "position.y"));
    assert!(far(&sound) < 5.0);
    // Without satellites for good: dead reckoning, then level with the wind.
    s.faults = vec![fault(FaultKind::SatelliteLoss { lasts: f64::INFINITY }, 8.0)];
    let lost = flown(&a, &s);
    assert!(far(&lost) > far(&sound) + 5.0, "{} {}", far(&lost), far(&sound));
    assert!(off(&lost, "position", "x").hypot(off(&lost, "position", "y")) > 2.0);
    // Lost for a while: it comes back to its place.
    s.faults = vec![fault(FaultKind::SatelliteLoss { lasts: 4.0 }, 5.0)];
    assert!(far(&flown(&a, &s)) < 8.0);
    // A barometer that sticks lets it go: what it believes of its height is no longer so.
    s.faults = vec![fault(FaultKind::StuckBarometer, 5.0)];
    let stuck = flown(&a, &s);
    let p = &stuck.channels["pressure"];
    assert!(p[600..].iter().all(|v| *v == p[600]));
    assert!(
        off(&stuck, "position", "z") > 3.0 * off(&sound, "position", "z").max(0.1),
        "{}",
        off(&stuck, "position", "z")
    );
    // A magnetometer that sticks turns the heading with every turn; held still it does no harm. Turned by 90 deg it does.
    let mut turn = s.clone();
    turn.script = vec![
        Segment::new("hold", 4.0, Action::Hover),
        Segment::new("turn", 20.0, Action::AttitudeHold { roll: 0.0, pitch: 0.0, yaw: Some(1.5) }),
    ];
    let heading = |log: &FlightLog| {
        let k = log.time.len() - 1;
        let (t, e) = (attitude(log, "attitude", k), attitude(log, "attitude_estimate", k));
        (e.euler_angles().2 - t.euler_angles().2).abs()
    };
    turn.faults.clear();
    assert!(heading(&flown(&a, &turn)) < 0.06);
    turn.faults = vec![fault(FaultKind::StuckMagnetometer, 2.0)];
    assert!(heading(&flown(&a, &turn)) > 0.4);
    s.faults = vec![fault(FaultKind::StuckAccelerometer, 5.0)];
    let stuck = flown(&a, &s);
    let z = &stuck.channels["accel.z"];
    assert!(z[510..].iter().all(|v| *v == z[510]));
    // On the true motion nothing of this is felt, and saying so is better than flying it.
    s.sensing = None;
    assert!(fly(&a, &sea_level(), &s).unwrap_err().to_string().contains("does not feel"));
    let mut bare = a;
    bare.sensors.barometer = None;
    s.sensing = Some(Sensing { earth: None, flown: true });
    s.faults = vec![fault(FaultKind::StuckBarometer, 5.0)];
    assert!(fly(&bare, &sea_level(), &s).unwrap_err().to_string().contains("no barometer"));
}

/// The coarse steps of rehearsals keep what the unbalance does to the accelerometer: force over mass.
#[test]
fn val_coarse_steps_keep_the_vibration() {
    let mut a = sensing_quad();
    a.rotor.unbalance = 4e-5;
    let imu = a.imu.as_mut().unwrap();
    (imu.accel_noise, imu.rate_noise) = (0.0, 0.0);
    a.sensors.bias = Bias::default();
    imu.at = physics::mass::mass_properties(&a.bodies).centre;
    let mut s = scenario(Action::Hover, 8.0, false);
    (s.log_rate, s.unbalance_factors) = (1000.0, vec![1.0, 0.0, 0.0, 0.0]);
    let log = flown(&a, &s);
    let speed = log.truth.hover.as_ref().unwrap().speeds[0];
    let accel = &log.channels["accel.x"][2000..];
    let mean = accel.iter().sum::<f64>() / accel.len() as f64;
    let rms = (accel.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / accel.len() as f64).sqrt();
    let expected = 4e-5 * speed * speed / log.truth.mass / 2.0_f64.sqrt();
    check(
        "r.m.s. of accel.x by unbalance with steps of 1 ms, m/s^2",
        "m e omega^2/(sqrt(2) M)",
        expected,
        rms,
        0.03 * expected,
    );
}
