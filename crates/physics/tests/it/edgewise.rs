//! Forward flight, interference and winding heat against published values and scipy.

use std::f64::consts::TAU;

use physics::Vec3;
use physics::aircraft::{Aircraft, Motor, WindingHeat};
use physics::edgewise::{flow, speed_for_thrust};
use physics::interference::{Balance, LOWER_INFLOW, coaxial, download_share, ground_effect};
use physics::layout;
use physics::powertrain::airspeed::{envelope, trim};
use physics::powertrain::ledger::{cell_power, energy};
use physics::powertrain::thermal::Winding;
use physics::powertrain::{endurance, endurance_at_power, operating_point};
use physics::rotor::Rotor;

use crate::craft::{craft, point};
use crate::table::{close, number, report, rows};

const PEER: &str = include_str!("../../../../reference/forward_flight.csv");

fn quad() -> Aircraft {
    let stations = layout::stations("quad-x", 0.31, 0.0, true).unwrap();
    craft(stations, vec![point("all", 3.2, Vec3::zeros())])
}

fn rotor() -> Rotor {
    quad().rotor
}

#[test]
fn val_glauert_inflow() {
    // Level disc: v/v_h = sqrt(-m^2/2 + sqrt(m^4/4 + 1)), m = V/v_h (Glauert 1926; Leishman ch. 2).
    for (m, expected) in [
        (0.25, 0.984_499),
        (0.5, 0.939_565),
        (1.0, 0.786_151),
        (2.0, 0.485_868),
        (3.0, 0.331_319),
        (5.0, 0.199_840),
    ] {
        let mut along = m * 5.0;
        let mut found = flow(&rotor(), 450.0, along, 0.0, 1.225);
        for _ in 0..60 {
            along = m * rotor().hover_induced_speed(found.thrust, 1.225);
            found = flow(&rotor(), 450.0, along, 0.0, 1.225);
        }
        let ratio = found.induced_speed / rotor().hover_induced_speed(found.thrust, 1.225);
        assert!((ratio - expected).abs() < 2e-6, "{m} {ratio}");
        report(
            "forward flight",
            &format!("v/v_h of a level disc at V/v_h {m}"),
            "Glauert 1926, closed form",
            expected,
            ratio,
            "2e-6 absolute",
        );
    }
}

#[test]
fn val_still_air_is_the_rotor_itself() {
    let (speed, density) = (430.0, 1.1);
    let still = flow(&rotor(), speed, 0.0, 0.0, density);
    for (what, expected, found) in [
        ("thrust at rest, N", rotor().thrust(speed, 0.0, density), still.thrust),
        ("power at rest, W", rotor().power(speed, 0.0, density), still.power),
    ] {
        assert!(close(expected, found, 1e-9), "{what} {expected} {found}");
        report("forward flight", what, "coefficients at rest", expected, found, "1e-9 relative");
    }
    let thrust = 9.0;
    let found = speed_for_thrust(&rotor(), thrust, 8.0, 1.0, density).unwrap();
    assert!(close(thrust, flow(&rotor(), found, 8.0, 1.0, density).thrust, 1e-7));
    // Energy: shaft power is what the air takes.
    let f = flow(&rotor(), speed, 9.0, 1.5, density);
    let taken = f.thrust * 1.5 + f.induced_power + f.profile_power - f.in_plane * 9.0;
    assert!(close(taken, f.power, 1e-12));
    assert!(f.in_plane > 0.0 && f.thrust > still.thrust * 0.9);
    assert!(close(speed * TAU / TAU * f.torque, f.power, 1e-12));
}

/// Without air along the disc the rotor is what its coefficients say, also where it climbs.
#[test]
fn prop_along_the_axis_it_is_the_rotor_itself() {
    for pitch in [None, Some(0.127), Some(0.25)] {
        let r = Rotor { pitch, ..rotor() };
        for axial in [0.0, 2.0, 5.0, 9.0] {
            let f = flow(&r, 500.0, 0.0, axial, 1.225);
            let known = pitch.is_some() || axial == 0.0;
            let (thrust, power) = (r.thrust(500.0, axial, 1.225), r.power(500.0, axial, 1.225));
            assert!(
                !known || close(thrust, f.thrust, 1e-9) || thrust == 0.0,
                "{pitch:?} {axial} {thrust} {}",
                f.thrust
            );
            assert!(
                !known || close(power, f.power, 1e-9) || thrust == 0.0,
                "{pitch:?} {axial} {power} {}",
                f.power
            );
            assert!(f.profile_power >= 0.0 && f.induced_power >= 0.0);
            // What is known at rest only falls as if for a usual pitch.
            let usual = Rotor { pitch: Some(0.5 * r.diameter), ..r.clone() };
            assert!(known || close(usual.thrust(500.0, axial, 1.225), f.thrust, 1e-9));
        }
    }
}

#[test]
fn val_trim_over_airspeed() {
    let aircraft = quad();
    for r in rows(PEER).iter().filter(|r| r[0] == "trim") {
        let v: Vec<f64> = r[1..5].iter().map(|x| number(x)).collect();
        let t = trim(&aircraft, v[0], 0.0, 1.0, 1.225).unwrap().unwrap();
        for (what, expected, found) in [
            ("tilt, rad", v[1], t.tilt),
            ("rotor speed, rad/s", v[2], t.point.rotors[0].speed),
            ("shaft power, W", v[3], t.point.shaft_power),
        ] {
            assert!(close(expected, found, 1e-5) || (found - expected).abs() < 1e-6, "{r:?} {what} {found}");
            report(
                "forward flight",
                &format!("{what} at {} m/s", v[0]),
                "scipy fsolve, one system",
                expected,
                found,
                "1e-5 relative or 1e-6 absolute",
            );
        }
        let lines = energy(&aircraft, &t).unwrap();
        let sum: f64 = lines.iter().map(|l| l.power).sum();
        assert!(close(cell_power(&t), sum, 1e-9), "{} {sum}", cell_power(&t));
        let parasite = lines.iter().find(|l| l.id == "parasite").unwrap().power;
        let drag = 0.5 * 1.225 * v[0].powi(3) * 0.03;
        assert!((parasite - drag).abs() < 1e-4 * t.point.shaft_power, "{parasite} {drag}");
    }
}

#[test]
fn prop_envelope_of_a_quad() {
    let aircraft = quad();
    let e = envelope(&aircraft, 1.0, 0.5, 1.225).unwrap();
    let hover = operating_point(&aircraft, &[3.2 * 9.806_65 / 4.0; 4], 0.5, 1.225).unwrap();
    assert!(close(hover.battery_power, e.points[0].point.battery_power, 1e-6));
    let (top, _) = e.top.unwrap();
    assert!(e.endurance_speed > 0.0 && e.endurance_speed < e.range_speed && e.range_speed < top, "{e:?}");
    assert!(e.held.unwrap() < top && e.climb > 1.0 && e.climb < 30.0);
    let at = |v: f64| trim(&aircraft, v, 0.0, 0.5, 1.225).unwrap().unwrap();
    let least = at(e.endurance_speed).bus_power;
    assert!(e.points.iter().all(|p| p.bus_power >= least * (1.0 - 1e-3)));
    let longer = endurance_at_power(&aircraft, least, 1.225, 1.0).unwrap();
    let hovering = endurance(&aircraft, &[3.2 * 9.806_65 / 4.0; 4], 1.225, 1.0).unwrap();
    assert!(longer.time > hovering.time);
    // More drag, less top speed; thinner air, less climb.
    let dragging = Aircraft { drag_area: 0.06, ..quad() };
    assert!(envelope(&dragging, 1.0, 0.5, 1.225).unwrap().top.unwrap().0 < top);
    assert!(envelope(&aircraft, 1.0, 0.5, 1.0).unwrap().climb < e.climb);
}

#[test]
fn prop_download_is_paid_for_once() {
    let clean = quad();
    let mut arms = quad();
    // A tube of 30 mm under each disc, C_D 1.2, wake at 1.4 times the induced speed.
    arms.rotor.download = download_share(1.2, 0.03 * 0.19, clean.rotor.disc_area(), 1.4);
    assert!(close(0.0294, arms.rotor.download, 0.01), "{}", arms.rotor.download);
    for v in [0.0, 5.0, 12.0] {
        let (a, b) = (
            trim(&clean, v, 0.0, 0.8, 1.225).unwrap().unwrap(),
            trim(&arms, v, 0.0, 0.8, 1.225).unwrap().unwrap(),
        );
        let sum: f64 = energy(&arms, &b).unwrap().iter().map(|l| l.power).sum();
        assert!(close(cell_power(&b), sum, 1e-9));
        let more = b.point.shaft_power / a.point.shaft_power - 1.0;
        // At rest a rotor that carries more by 1/(1 - d) takes that to the power 1.5.
        let hover = (1.0 / (1.0 - arms.rotor.download)).powf(1.5) - 1.0;
        let right = if v == 0.0 { close(hover, more, 1e-6) } else { more > 0.0 && more < hover };
        assert!(right, "{v} {more} {hover}");
        assert!(close(a.point.rotors[0].thrust, b.point.rotors[0].thrust, 0.02), "{v}");
    }
    let hover = operating_point(&arms, &[3.2 * 9.806_65 / 4.0; 4], 0.8, 1.225).unwrap();
    let still = trim(&arms, 0.0, 0.0, 0.8, 1.225).unwrap().unwrap();
    assert!(close(hover.battery_power, still.point.battery_power, 1e-6));
}

#[test]
fn val_coaxial_momentum() {
    let source = "Leishman & Ananthan 2006, Leishman & Syal 2008 (values from memory, derived again)";
    for (what, expected, found) in [
        ("interference, discs in one plane", std::f64::consts::SQRT_2, coaxial(Balance::SamePlane).factor),
        ("interference, equal thrusts", 1.280_776, coaxial(Balance::Thrust).factor),
        ("lower over upper induced speed, equal thrusts", 0.561_553, coaxial(Balance::Thrust).induced_ratio),
        ("upper over lower thrust, equal torques", 1.437_565, coaxial(Balance::Torque).thrust_ratio),
        ("lower over upper induced speed, equal torques", 0.437_565, coaxial(Balance::Torque).induced_ratio),
        ("interference at own thrusts, equal torques", 1.265_683, coaxial(Balance::Torque).factor),
        ("interference against halves, equal torques", 1.281_008, coaxial(Balance::Torque).factor_of_halves),
    ] {
        assert!((expected - found).abs() < 1e-6, "{what} {found}");
        report("interference", what, source, expected, found, "1e-6 absolute");
    }
    // Flow through the lower disc beyond what its thrust would make apart, over that: what is taken of measured pairs
    // lies at theory's equal torques.
    let beyond = |b: Balance| {
        let c = coaxial(b);
        (1.0 + c.induced_ratio) * c.thrust_ratio.sqrt() - 1.0
    };
    assert!((beyond(Balance::Thrust) - 0.561_553).abs() < 1e-6);
    report(
        "interference",
        "flow through the lower disc beyond its own, over its own, equal torques",
        source,
        beyond(Balance::Torque),
        LOWER_INFLOW,
        "0.02 absolute",
    );
    assert!((beyond(Balance::Torque) - LOWER_INFLOW).abs() < 0.02, "{}", beyond(Balance::Torque));
    let near = ground_effect(0.19, 0.19).unwrap();
    assert!(close(16.0 / 15.0, near, 1e-12) && ground_effect(0.19, 0.05).is_none());
    report(
        "interference",
        "thrust one radius above the ground",
        "Cheeseman & Bennett 1955, 16/15",
        16.0 / 15.0,
        near,
        "1e-12 relative",
    );
    assert!(close(0.01, download_share(1.0, 0.04, 1.0, 1.0), 1e-12));
}

#[test]
fn val_winding_temperature() {
    let motor = quad().motor.unwrap();
    let winding = Winding { thermal_resistance: 1.5, heat_capacity: 60.0 };
    for r in rows(PEER).iter().filter(|r| r[0] == "winding") {
        let v: Vec<f64> = r[1..4].iter().map(|x| number(x)).collect();
        let found = winding.after(&motor, v[0], 2.0, 298.15, 298.15, v[1]);
        assert!((found - v[2]).abs() < 1e-5, "{r:?} {found}");
        report(
            "winding heat",
            &format!("{} A for {} s, K", v[0], v[1]),
            "scipy solve_ivp",
            v[2],
            found,
            "1e-5 absolute",
        );
        let time = winding.time_to(&motor, v[0], 2.0, 298.15, 298.15, found).unwrap();
        assert!(close(v[1], time, 1e-9));
    }
    // The rise that a winding is known by comes out again.
    let heat = WindingHeat { rise: 45.0, current: 18.0, time: 70.0, limit: None, burst: 10.0, air: 298.15 };
    let known = Motor { thermal: Some(heat), ..motor };
    let settled = Winding::of(&known).unwrap().settled(&known, 18.0, 0.0, 298.15).unwrap();
    assert!(close(343.15, settled, 1e-12), "{settled}");
    assert!(winding.settled(&motor, 10.0, 2.0, 298.15).unwrap() < 320.0);
    // Thinner air: R_th by the density to the power 0.618 (Hilpert 1933), here by half.
    let thin = winding.in_density(0.592).thermal_resistance;
    let expected = 1.5 * 2f64.powf(0.618);
    assert!(close(expected, thin, 1e-12), "{thin}");
    report(
        "winding heat",
        "thermal resistance in air of half the density, K/W",
        "Hilpert 1933, Re^0.618",
        expected,
        thin,
        "1e-12 relative",
    );
    // 1.5 K/W x I^2 x 0.062 ohm x 0.00385/K = 1 at 53 A.
    assert!(winding.settled(&motor, 55.0, 2.0, 298.15).is_none());
    assert!(winding.settled(&motor, 51.0, 2.0, 298.15).is_some());
}
