//! The way home, the link, parachutes and impacts against published values, closed forms and scipy.

use std::f64::consts::PI;

use physics::Vec3;
use physics::aircraft::Aircraft;
use physics::homeward::energy::{Leg, PowerCurve, Store, Way, Wind};
use physics::homeward::impact::{
    FOOT_POUND, THRESHOLDS, critical_area, fall_speed, kinetic, terminal_speed, throw,
};
use physics::homeward::link::{
    DIPOLE, Link, dipole_loss, free_space_loss, fresnel_clearance, fresnel_radius, ground_reflection,
    horizon, outage, two_ray_loss,
};
use physics::homeward::parachute::{Parachute, canopy, drag_area_for};
use physics::homeward::reach::{Homing, Plan};
use physics::homeward::spare;
use physics::homeward::stop::Brakes;
use physics::layout;
use physics::powertrain::airspeed::trim;

use crate::craft::{craft, point};
use crate::table::{number, report, rows};

const PEER: &str = include_str!("../../../../reference/homeward.csv");
const DENSITY: f64 = 1.225;

fn check(what: &str, source: &str, expected: f64, computed: f64, tolerance: f64) {
    report("homeward", what, source, expected, computed, &format!("{tolerance:.1e}"));
    assert!((computed - expected).abs() <= tolerance, "{what}: {computed} against {expected}");
}

fn aircraft(layout: &str) -> Aircraft {
    let stations = layout::stations(layout, 0.31, 0.0, true).unwrap();
    let mut bodies = vec![point("body", 2.2, Vec3::zeros())];
    bodies.extend(stations.iter().map(|s| point("drive", 0.3, s.at)));
    craft(stations, bodies)
}

const PLAN: Plan = Plan { speed: 8.0, height: 30.0, climb: 2.0, descent: 1.5, landing: 15.0, react: 3.0 };

#[test]
fn val_free_space_loss_and_link() {
    let source = "ITU-R P.525 closed form";
    let table = [
        (433.0, [65.178, 85.178, 105.178]),
        (868.0, [71.218, 91.218, 111.218]),
        (915.0, [71.676, 91.676, 111.676]),
        (2400.0, [80.052, 100.052, 120.052]),
        (5800.0, [87.716, 107.716, 127.716]),
    ];
    for (mhz, losses) in table {
        for (km, loss) in [0.1, 1.0, 10.0].into_iter().zip(losses) {
            let what = format!("free-space loss at {mhz} MHz and {km} km, dB");
            check(&what, source, loss, free_space_loss(mhz * 1e6, km * 1e3), 6e-4);
        }
    }
    // The recommendation prints 32.4 for the constant 32.4478.
    check("constant at 1 MHz and 1 km, dB", "ITU-R P.525-4, eq. (4)", 32.4, free_space_loss(1e6, 1e3), 0.05);
    let received = 20.0 + 2.0 + 2.0 - free_space_loss(2.4e9, 1e3);
    check("20 dBm, 2 dBi each end, 2.4 GHz, 1 km, dBm", source, -76.052, received, 6e-4);
    check(
        "first Fresnel radius at mid-path, 2.4 GHz, 1 km, m",
        "ITU-R P.530 closed form",
        5.588_24,
        fresnel_radius(1.0, 2.4e9, 500.0, 500.0),
        1e-5,
    );
    // 4.12 is a rounded constant.
    check(
        "horizon of 1.5 m and 120 m, km",
        "4.12 (sqrt h1 + sqrt h2)",
        50.178,
        horizon(1.5, 120.0) / 1e3,
        0.03,
    );
    // Half-power beam of a half-wave dipole: 78 deg.
    check(
        "half-wave dipole, 39 deg off its broadside, dB",
        "Balanis, Antenna Theory, section 4.6 (from memory)",
        3.01,
        dipole_loss(51f64.to_radians()),
        0.03,
    );
    check(
        "gain of a half-wave dipole, dBi",
        "Balanis, Antenna Theory, section 4.6 (from memory)",
        10.0 * 1.643_f64.log10(),
        DIPOLE,
        0.01,
    );
    // Normal distribution: 10 % beyond 1.28155 sigma, 1 % beyond 2.32635.
    check(
        "share below threshold at 1.28155 sigma",
        "table of the normal distribution",
        0.1,
        outage(1.281_55 * 6.0, 6.0),
        2e-6,
    );
    check(
        "share below threshold at 2.32635 sigma",
        "table of the normal distribution",
        0.01,
        outage(2.326_35 * 6.0, 6.0),
        2e-7,
    );
}

#[test]
fn val_two_rays_reach_their_far_form() {
    let source = "L = 40 log d - 20 log(h1 h2), Rappaport 2002, section 4.6 (from memory)";
    let (f, low, high) = (868e6, 1.5, 20.0);
    for d in [20e3, 50e3] {
        let expected = 40.0 * f64::log10(d) - 20.0 * f64::log10(low * high);
        let computed = free_space_loss(f, d.hypot(high - low)) + two_ray_loss(f, d, (low, high), -1.0);
        check(&format!("two-ray loss at {d:.0} m, dB"), source, expected, computed, 0.02);
    }
    // Where the rays differ by half a wave they add: 6.02 dB.
    let best = (0..40_000)
        .map(|k| two_ray_loss(f, 20.0 + 0.05 * f64::from(k), (low, high), -1.0))
        .fold(0.0, f64::min);
    check("most that the second ray helps, dB", "two equal rays in phase", -6.0206, best, 0.05);
    // No reflection at Brewster's angle, tan = 1/sqrt(permittivity) from the ground; all of it at grazing.
    check(
        "reflection at Brewster's angle",
        "Brewster's law",
        0.0,
        ground_reflection((1.0 / 15f64.sqrt()).atan()),
        1e-12,
    );
    check("reflection at grazing", "Fresnel equations", -1.0, ground_reflection(0.0), 1e-12);
}

#[test]
fn val_descent_fall_and_throw() {
    let closed = "closed form";
    let vt = terminal_speed(3.0, 0.08, DENSITY);
    check("terminal speed, 3 kg, 0.1 m^2, C_D 0.8, m/s", closed, 24.503, vt, 5e-4);
    for (height, speed) in [(10.0, 12.9352), (30.0, 19.3667), (75.0, 23.4221)] {
        check(&format!("fall of {height} m with drag, m/s"), closed, speed, fall_speed(height, vt), 2e-4);
    }
    for (height, speed) in [(10.0, 14.0047), (30.0, 24.2569), (120.0, 48.5139)] {
        let in_vacuum = fall_speed(height, f64::INFINITY);
        check(&format!("fall of {height} m in vacuum, m/s"), closed, speed, in_vacuum, 5e-5);
    }
    let chute = Parachute { drag_area: canopy(1.5, 1.5), mass: 0.0, opens: 1.0 };
    let down = chute.descent(5.0, 0.0, 60.0, 0.0, DENSITY).unwrap();
    check("descent of 5 kg under 1.5 m, C_D 1.5, m/s", closed, 5.4955, down.descent, 5e-5);
    check("C_D A for 5 m/s and 5 kg, m^2", closed, 3.2022, drag_area_for(5.0, 5.0, DENSITY), 5e-5);
    for row in rows(PEER).into_iter().filter(|r| r[0] == "throw") {
        let c: Vec<f64> = row[1].split(';').map(number).collect();
        let expected: Vec<f64> = row[2].split(';').map(number).collect();
        let t = throw(c[0], c[1], c[2], c[3], c[4], DENSITY);
        for (name, e, v) in [
            ("distance, m", expected[0], t.distance),
            ("speed, m/s", expected[1], t.speed),
            ("angle, rad", expected[2], t.angle),
            ("time, s", expected[3], t.time),
        ] {
            check(
                &format!("throw from {} m at {} m/s: {name}", c[0], c[1]),
                "scipy.integrate.solve_ivp",
                e,
                v,
                1e-4,
            );
        }
    }
    // The library lets the vertical drag act on the vertical speed alone (24.095 m/s at 76.464 deg): a fall from rest.
    // With the drag of the whole airspeed the throw is slower and shorter.
    let source = "casex (JARUS SORA annex F model), PyPI";
    let vertical = 24.095 * 76.464_f64.to_radians().sin();
    check(
        "throw from 75 m, drag by components: vertical speed, m/s",
        source,
        vertical,
        fall_speed(75.0, vt),
        0.01,
    );
    let t = throw(75.0, 25.0, 0.0, 3.0, 0.08, DENSITY);
    assert!(t.speed < 24.095 && t.distance < 62.562 && t.distance > 0.9 * 62.562);
}

#[test]
fn val_impact_energies_and_areas() {
    let closed = "kinetic energy";
    check("0.25 kg at 19 m/s, J", closed, 45.125, kinetic(0.25, 19.0), 1e-9);
    check("1.5 kg at 18 m/s, J", closed, 243.0, kinetic(1.5, 18.0), 1e-9);
    check("0.9 kg at 13.3333 m/s, J", closed, 80.0, kinetic(0.9, 13.3333), 1e-3);
    check("11 ft-lb, J", "14 CFR 107.120", 14.9140, 11.0 * FOOT_POUND, 1e-4);
    check("25 ft-lb, J", "14 CFR 107.130", 33.8954, 25.0 * FOOT_POUND, 1e-4);
    check(
        "58 ft-lb, J",
        "casualty criterion, United States ordnance text of 1944",
        78.6374,
        58.0 * FOOT_POUND,
        1e-4,
    );
    assert!(THRESHOLDS.is_sorted_by(|a, b| a.energy <= b.energy));
    let source = "casex (JARUS SORA annex F model), PyPI";
    for (width, speed, mass, lethal, area) in [
        (1.0, 25.0, 3.0, 580.0, 5.1184),
        (3.0, 35.0, 50.0, 290.0, 142.3644),
        (8.0, 75.0, 400.0, 290.0, 1463.6183),
        (20.0, 150.0, 5000.0, 290.0, 13_650.547_2),
    ] {
        let a = critical_area(width, speed, 35f64.to_radians(), mass, lethal);
        // The library takes g as 9.81 or so.
        check(&format!("critical area, {width} m at {speed} m/s, m^2"), source, area, a, 1e-3 * area);
    }
}

#[test]
fn val_charge_needed_by_legs() {
    let store = Store::new(&aircraft("quad-x")).unwrap();
    for row in rows(PEER).into_iter().filter(|r| r[0] == "need") {
        let legs: Vec<Leg> = row[1]
            .split(';')
            .map(|leg| {
                let (p, t) = leg.split_once(':').unwrap();
                Leg { name: "leg", time: number(t), distance: 0.0, airspeed: 0.0, power: number(p) }
            })
            .collect();
        let need = store.need(&legs).unwrap();
        check(&format!("charge for {}", row[1]), "scipy solve_ivp and brentq", number(&row[2]), need, 1e-7);
    }
}

#[test]
fn prop_way_home_adds_up() {
    let a = aircraft("quad-x");
    let homing = Homing::new(&a, PLAN, DENSITY).unwrap();
    let quick = Homing::quick(&a, PLAN, DENSITY).unwrap();
    let calm = Wind { speed: 0.0 };
    // The curve between its points against the trim itself.
    for v in [0.0, 0.5, 3.3, 7.7, 11.4] {
        let exact = trim(&a, v, 0.0, 0.2, DENSITY).unwrap().unwrap().bus_power;
        assert!((homing.power(v).unwrap() / exact - 1.0).abs() < 2e-3, "{v}");
    }
    // In calm air all directions are alike and each leg has its closed form.
    let way = |distance, from_wind| Way { distance, height: 10.0, from_wind };
    let legs = homing.legs(&way(800.0, 1.0), &calm, true).unwrap();
    let time = |name: &str| legs.iter().find(|l| l.name == name).unwrap().time;
    assert!((time("climb") - 10.0).abs() < 1e-12 && (time("fly home") - 100.0).abs() < 1e-9);
    assert!((time("descend") - 20.0).abs() < 1e-12 && (time("land") - 15.0).abs() < 1e-12);
    // From the farthest point exactly the charge is needed; with the wind it is farther than against it.
    let windy = Wind { speed: 6.0 };
    let mut spent = Vec::new();
    for from_wind in [0.0, 0.25 * PI, 0.5 * PI, 0.75 * PI, PI] {
        let far = homing.farthest(0.6, 10.0, from_wind, &windy).unwrap();
        let need = homing.need(&way(far, from_wind), &windy, true).unwrap();
        assert!((need - 0.6).abs() < 1e-4, "{need}");
        let legs = homing.legs(&way(far, from_wind), &windy, true).unwrap();
        spent.push(legs.iter().map(Leg::energy).sum::<f64>());
        // The quick answer is the same but for the curve between its points.
        let other = quick.farthest(0.6, 10.0, from_wind, &windy).unwrap();
        assert!((other / far - 1.0).abs() < 3e-3, "{other} against {far}");
        let mirrored = homing.farthest(0.6, 10.0, -from_wind, &windy).unwrap();
        assert!((far - mirrored).abs() < 0.2);
        // There is no time left there, and some nearer by.
        assert!(homing.time_to_decide(0.6, &way(far, from_wind), &windy).unwrap().abs() < 0.1);
        assert!(homing.time_to_decide(0.6, &way(0.5 * far, from_wind), &windy).unwrap() > 20.0);
    }
    // The same charge holds the same energy whichever way it is flown; a higher power loses more in the battery.
    let (least, most) =
        (spent.iter().copied().fold(f64::MAX, f64::min), spent.iter().copied().fold(0.0, f64::max));
    assert!(most / least < 1.02, "{spent:?}");
    // Out and back costs more than back alone, and into the wind on either way.
    assert!(homing.radius(0.0, &calm).unwrap() < homing.farthest(1.0, 30.0, 0.0, &calm).unwrap());
    // More time in a hover than was asked is what the battery gives: against the endurance of the same power.
    let power = homing.power(0.0).unwrap();
    let hover = [Leg { name: "hover", time: 400.0, distance: 0.0, airspeed: 0.0, power }];
    let need = homing.store.need(&hover).unwrap();
    let given = homing.store.energy_between(need, 0.2, power).unwrap();
    assert!((given / (400.0 * power) - 1.0).abs() < 1e-4, "{given}");
    // A storm is no way home, and says so.
    let storm = Wind { speed: homing.held() + 1.0 };
    let why = homing.legs(&way(100.0, 0.0), &storm, true).unwrap_err().to_string();
    assert!(why.contains("no way home"), "{why}");
    // The best speed in calm air is that of least energy per distance; into the wind it is an airspeed above.
    let (still, _) = homing.best_speed(0.0, 0.0).unwrap();
    let (against, cost) = homing.best_speed(6.0, 0.0).unwrap();
    assert!(against + 6.0 > still && cost > homing.best_speed(6.0, PI).unwrap().1);
    assert!(PowerCurve::new(&a, 1.0, 0.2, DENSITY).unwrap().at(-1.0).is_none());
}

#[test]
fn prop_stop_agrees_with_the_motion() {
    // The same law stepped through time.
    for (speed, brakes) in [
        (8.0, Brakes { react: 0.4, most: 3.5, gain: 1.2 }),
        (2.0, Brakes { react: 0.2, most: 3.5, gain: 1.2 }),
        (12.0, Brakes { react: 0.0, most: 2.0, gain: 0.0 }),
    ] {
        let (mut v, mut x, dt): (f64, f64, f64) = (speed, speed * brakes.react, 1e-4);
        while v > 1e-6 {
            let a = if brakes.gain > 0.0 { (brakes.gain * v).min(brakes.most) } else { brakes.most };
            let next = (v - a * dt).max(0.0);
            x += 0.5 * (v + next) * dt;
            v = next;
        }
        assert!((brakes.distance(speed) - x).abs() < 2e-3, "{} against {x}", brakes.distance(speed));
    }
    assert!(Brakes { react: 0.1, most: 0.0, gain: 1.0 }.distance(1.0).is_infinite());
}

#[test]
fn prop_parachute_least_height_agrees_with_the_motion() {
    let (mass, body) = (5.0, 0.03);
    let chute = Parachute { drag_area: 2.6, mass: 0.2, opens: 1.2 };
    let d = chute.descent(mass, body, 80.0, 6.0, DENSITY).unwrap();
    let (mut v, mut x, mut t, dt): (f64, f64, f64, f64) = (0.0, 0.0, 0.0, 1e-5);
    loop {
        let area = if t < chute.opens { body } else { body + chute.drag_area };
        let a = 9.806_65 - 0.5 * DENSITY * area * v * v / mass;
        v += a * dt;
        x += v * dt;
        t += dt;
        if t > chute.opens && v <= 1.1 * d.descent {
            break;
        }
    }
    assert!((d.least_height - x).abs() < 0.01, "{} against {x}", d.least_height);
    assert!((d.energy - 0.5 * mass * (d.descent.powi(2) + 36.0)).abs() < 1e-9);
    assert!(chute.descent(0.0, body, 80.0, 6.0, DENSITY).is_none());
}

#[test]
fn val_more_rotors_survive_what_fewer_do_not() {
    let source = "Du, Quan, Yang and Cai 2015, J. Guidance, Control, and Dynamics 38(5)";
    let all = spare::choices(&aircraft("quad-x"), Some(0.25), DENSITY);
    let of = |name: &str| all.iter().find(|c| c.name == name).unwrap();
    check("losses that a quadrotor survives with yaw", source, 0.0, of("as it is").with_yaw as f64, 0.0);
    check(
        "losses that six alternating rotors survive with yaw",
        source,
        0.0,
        of("hex-x").with_yaw as f64,
        0.0,
    );
    check("losses that eight rotors survive with yaw", source, 8.0, of("octo-x").with_yaw as f64, 0.0);
    let (bare, with) = (of("as it is"), of("as it is, with a parachute"));
    assert!((with.mass - bare.mass - 0.25).abs() < 1e-12 && with.endurance < bare.endurance);
    // Four more drives of 0.3 kg.
    assert!((of("octo-x").mass - bare.mass - 1.2).abs() < 1e-9 && of("octo-x").span > bare.span);
}

#[test]
fn prop_link_falls_with_distance_and_bank() {
    let link = Link {
        frequency: 868e6,
        power: 14.0,
        ground_gain: DIPOLE,
        air_gain: DIPOLE,
        sensitivity: -105.0,
        ground_height: 2.0,
        exponent: 2.0,
        fading: 6.0,
    };
    let far = |wanted, bank| link.reach(wanted, 60.0, bank).unwrap();
    assert!(far(20.0, 0.0) < far(10.0, 0.0));
    assert!(far(20.0, 0.6) <= far(20.0, 0.0));
    assert!(link.budget(800.0, 60.0, 0.6).margin < link.budget(800.0, 60.0, 0.0).margin - 1.0);
    let rough = Link { exponent: 2.6, ..link };
    assert!(rough.reach(20.0, 60.0, 0.0).unwrap() < far(20.0, 0.0));
    let b = link.budget(1000.0, 60.0, 0.0);
    let sum = link.power + 2.0 * DIPOLE - b.free_space - b.two_ray - b.excess - b.antenna;
    assert!((b.received - sum).abs() < 1e-12 && b.margin - (sum + 105.0) < 1e-12);
    // Clear of the ground near by, not so at the horizon.
    assert!(fresnel_clearance(868e6, 500.0, 2.0, 60.0) > 0.0);
    assert!(fresnel_clearance(868e6, 1.1 * horizon(2.0, 60.0), 2.0, 60.0) < 0.0);
}
