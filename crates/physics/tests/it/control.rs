//! Effectiveness, trim, mixing and authority against an independent linear programme.

use std::f64::consts::{PI, TAU};

use nalgebra::{DMatrix, DVector};
use physics::aircraft::{Aircraft, Spin, Station};
use physics::control::{
    Axis, CantCase, ControlError, acceleration_effectiveness, authority, cant_of, canted, effectiveness,
    hover_trim, mixer, reaction_lead, reversal, single_rotor_out, with_cant, yaw_sign,
};
use physics::interference::{Balance, coaxial};
use physics::rotor::{Coefficients, Rotor};
use physics::{Mat3, Vec3};
use proptest::prelude::*;

use crate::filters::{number, table};

/// An aircraft with stations and nothing else.
pub(crate) fn bare(stations: Vec<Station>) -> Aircraft {
    Aircraft {
        name: "test".to_owned(),
        stations,
        bodies: Vec::new(),
        rotor: Rotor {
            diameter: 0.381,
            pitch: None,
            blades: 2,
            inertia: 1e-4,
            unbalance: 0.0,
            download: 0.0,
            coefficients: Coefficients::Constant { ct: 0.105, cp: 0.04 },
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
        structure: Default::default(),
        magnetic: Default::default(),
        safety: Default::default(),
        sensors: Default::default(),
    }
}

fn spin(word: &str) -> Spin {
    if word == "ccw" { Spin::Ccw } else { Spin::Cw }
}

fn station(at: Vec3, axis: Vec3, spin: Spin) -> Station {
    Station { place: String::new(), at, axis, spin, below: None }
}

/// Rotors clockwise from `first` degrees off the nose.
fn ring(spins: &[Spin], arm: f64, first: f64) -> Vec<Station> {
    (0..spins.len())
        .map(|k| {
            let angle = first.to_radians() + TAU * k as f64 / spins.len() as f64;
            station(Vec3::new(arm * angle.cos(), arm * angle.sin(), 0.0), -Vec3::z(), spins[k])
        })
        .collect()
}

const QUAD: [Spin; 4] = [Spin::Ccw, Spin::Cw, Spin::Ccw, Spin::Cw];

#[test]
fn val_authority_against_scipy_linprog() {
    let rotors = table("authority_rotors.csv");
    for case in &table("authority.csv") {
        let name = &case["case"];
        let mine: Vec<_> = rotors.iter().filter(|r| &r["case"] == name).collect();
        let stations = mine
            .iter()
            .map(|r| {
                station(
                    Vec3::new(number(r, "x"), number(r, "y"), number(r, "z")),
                    Vec3::new(number(r, "ax"), number(r, "ay"), number(r, "az")),
                    spin(&r["spin"]),
                )
            })
            .collect();
        let aircraft = bare(stations);
        let centre = Vec3::new(number(case, "cx"), number(case, "cy"), number(case, "cz"));
        let matrix = effectiveness(&aircraft, &centre, number(case, "k"));
        for (column, r) in mine.iter().enumerate() {
            for (row, key) in ["lift", "mx", "my", "mz"].iter().enumerate() {
                assert!((matrix[(row, column)] - number(r, key)).abs() < 1e-12, "{name} {key}");
            }
        }
        let trim = hover_trim(&aircraft, &centre, number(case, "k"), number(case, "weight")).unwrap();
        let worst =
            trim.thrusts.iter().zip(&mine).map(|(t, r)| (t - number(r, "trim")).abs()).fold(0.0, f64::max);
        println!(
            "VALIDATION|control|{name}: trim thrusts, largest error [N]|NumPy lstsq (reference/authority_rotors.csv)|0|{worst:.1e}|1e-8"
        );
        assert!(worst < 1e-8, "{name} trim {worst:e}");
        assert!(trim.balanced());

        let largest: Vec<f64> = mine.iter().map(|r| number(r, "largest")).collect();
        let least = vec![number(case, "least"); mine.len()];
        let inertia = Mat3::from_diagonal(&Vec3::new(0.04, 0.05, 0.08));
        let got = authority(&matrix, &trim.thrusts, &largest, &least, &inertia).unwrap();
        for (k, axis) in ["roll", "pitch", "yaw"].iter().enumerate() {
            let (low, high) = (number(case, &format!("{axis}_neg")), number(case, &format!("{axis}_pos")));
            println!(
                "VALIDATION|control|{name}: {axis} moment, both sides [N m]|SciPy linprog, HiGHS (reference/authority.csv)|{low:.6} {high:.6}|{:.6} {:.6}|1e-6",
                got.moment[k].0, got.moment[k].1
            );
            assert!((got.moment[k].0 - low).abs() < 1e-6, "{name} {axis} {:?} {low}", got.moment[k]);
            assert!((got.moment[k].1 - high).abs() < 1e-6, "{name} {axis} {:?} {high}", got.moment[k]);
            let expected = high.min(-low).max(0.0) / inertia[(k, k)];
            assert!((got.acceleration[k] - expected).abs() < 1e-4, "{name} {axis}");
        }
    }
}

#[test]
fn val_rotor_out_against_scipy_linprog() {
    let mut checked = 0;
    for row in &table("rotor_out.csv") {
        let spins: Vec<Spin> = row["spins"].split('-').map(spin).collect();
        let spins: Vec<Spin> = if row["layout"] == "quad" { QUAD.to_vec() } else { spins };
        let n = spins.len();
        let aircraft = bare(ring(&spins, 0.45, 0.0));
        let all =
            single_rotor_out(&aircraft, &Vec3::zeros(), 0.03, 10.0 * n as f64, &vec![22.0; n], &vec![0.0; n])
                .unwrap();
        let lost: usize = row["lost"].parse().unwrap();
        for (key, got) in [("with_yaw", all[lost].with_yaw), ("without_yaw", all[lost].without_yaw)] {
            let text = got.map_or("none".to_owned(), |v| format!("{v:.6}"));
            println!(
                "VALIDATION|control|{} {}, rotor {} lost, share of authority {key} [1]|SciPy linprog (reference/rotor_out.csv)|{}|{text}|1e-6",
                row["layout"],
                row["spins"],
                lost + 1,
                row[key]
            );
            match got {
                None => assert_eq!(row[key], "none"),
                Some(v) => assert!((v - number(row, key)).abs() < 1e-6, "{row:?} {key} {v}"),
            }
            checked += 1;
        }
    }
    assert_eq!(checked, 48);
}

/// Six rotors: with spins alternating, no rotor can be lost under full control; with the order p p n n p n, rotors 1
/// to 4 can (Du, Quan, Yang and Cai 2015, from memory).
#[test]
fn val_du_2015_hexacopters() {
    let (p, n) = (Spin::Ccw, Spin::Cw);
    for (spins, expected) in
        [([p, n, p, n, p, n], [false; 6]), ([p, p, n, n, p, n], [true, true, true, true, false, false])]
    {
        let aircraft = bare(ring(&spins, 0.275, 0.0));
        let out = single_rotor_out(&aircraft, &Vec3::zeros(), 0.1, 15.0, &[6.125; 6], &[0.0; 6]).unwrap();
        let got: Vec<bool> = out.iter().map(|o| o.with_yaw.is_some_and(|t| t > 0.0)).collect();
        println!(
            "VALIDATION|control|six rotors {spins:?}: controllable with rotor 1 to 6 lost|Du, Quan, Yang, Cai 2015, J. Guidance Control Dynamics 38(5), from memory|{expected:?}|{got:?}|exact"
        );
        assert_eq!(got, expected);
    }
}

/// Signs by hand: the rotor at the front right, counter-clockwise, pushes the nose up, the right side up and
/// yaws right by its reaction.
#[test]
fn signs_of_one_rotor() {
    let aircraft = bare(vec![station(Vec3::new(0.2, 0.2, 0.0), -Vec3::z(), Spin::Ccw)]);
    let m = effectiveness(&aircraft, &Vec3::zeros(), 0.02);
    let expected = [1.0, -0.2, 0.2, 0.02];
    for (k, e) in expected.iter().enumerate() {
        assert!((m[(k, 0)] - e).abs() < 1e-15, "{k} {}", m[(k, 0)]);
    }
}

/// Closed form: yaw per thrust of a rotor canted sideways by c with its reaction is k cos c + r sin c, against it
/// k cos c - r sin c, which reverses beyond tan c = k/r.
#[test]
fn val_cant_can_reverse_yaw() {
    let (arm, k): (f64, f64) = (0.31, 0.0231);
    let reversal = (k / arm).atan();
    for (cant, with, reversed) in [
        (4f64.to_radians(), 1.0, false),
        (reversal * 0.99, -1.0, false),
        (reversal * 1.01, -1.0, true),
        (8f64.to_radians(), -1.0, true),
    ] {
        let stations = ring(&QUAD, arm, 45.0)
            .into_iter()
            .map(|mut s| {
                let side = Vec3::new(-s.at.y, s.at.x, 0.0) / arm * s.spin.reaction_sign() * with;
                s.axis = side * cant.sin() - Vec3::z() * cant.cos();
                s
            })
            .collect();
        let sign = yaw_sign(&bare(stations), &Vec3::zeros(), k);
        let expected = k * cant.cos() + with * arm * cant.sin();
        println!(
            "VALIDATION|control|yaw per thrust, cant {:.3} deg, {} the reaction [m]|closed form|{expected:.6}|{:.6}|1e-12",
            cant.to_degrees(),
            if with > 0.0 { "with" } else { "against" },
            sign.per_rotor[0]
        );
        assert!((sign.per_rotor[0] - expected).abs() < 1e-12);
        assert!((sign.reaction_only[1] + k * cant.cos()).abs() < 1e-12);
        assert_eq!(sign.reversed, if reversed { vec![0, 1, 2, 3] } else { vec![] });
    }
}

#[test]
fn lost_axes_are_named() {
    let exchanged = bare(ring(&[Spin::Ccw, Spin::Ccw, Spin::Cw, Spin::Cw], 0.31, 45.0));
    let m = effectiveness(&exchanged, &Vec3::zeros(), 0.02);
    assert_eq!(
        mixer(&m),
        Err(ControlError::NotControllable { axis: Axis::Yaw, tied_to: vec![Axis::Roll] }),
        "right side ccw, left side cw: yaw goes with roll"
    );
    let same = bare(ring(&[Spin::Cw; 4], 0.31, 45.0));
    let m = effectiveness(&same, &Vec3::zeros(), 0.02);
    assert_eq!(mixer(&m), Err(ControlError::NotControllable { axis: Axis::Yaw, tied_to: vec![Axis::Lift] }));
    let trim = hover_trim(&same, &Vec3::zeros(), 0.02, 20.0).unwrap();
    assert!(!trim.balanced() && (trim.residual_moment[2] + 0.4).abs() < 1e-9, "{trim:?}");
    let m = effectiveness(&same, &Vec3::zeros(), 0.0);
    assert_eq!(mixer(&m), Err(ControlError::NotControllable { axis: Axis::Yaw, tied_to: vec![] }));
    let three = bare(ring(&QUAD[..3], 0.31, 0.0));
    assert!(matches!(
        mixer(&effectiveness(&three, &Vec3::zeros(), 0.02)),
        Err(ControlError::NotControllable { .. })
    ));
}

#[test]
fn impossible_trims_are_errors() {
    let quad = bare(ring(&QUAD, 0.31, 45.0));
    let outside = Vec3::new(0.4, 0.0, 0.0);
    assert!(matches!(hover_trim(&quad, &outside, 0.02, 20.0), Err(ControlError::NegativeThrust { .. })));
    let pair = bare(ring(&QUAD[..2], 0.31, 90.0));
    assert!(matches!(
        hover_trim(&pair, &Vec3::new(0.1, 0.0, 0.0), 0.02, 20.0),
        Err(ControlError::NoTrim { .. })
    ));
    assert_eq!(hover_trim(&bare(Vec::new()), &outside, 0.02, 20.0), Err(ControlError::NoRotors));
    let m = effectiveness(&quad, &Vec3::zeros(), 0.02);
    assert!(matches!(
        authority(&m, &[20.0; 4], &[15.0; 4], &[0.0; 4], &Mat3::identity()),
        Err(ControlError::TrimOutOfRange { rotor: 0, .. })
    ));
    assert!(matches!(
        authority(&m, &[5.0; 3], &[15.0; 4], &[0.0; 4], &Mat3::identity()),
        Err(ControlError::Length { .. })
    ));
}

/// Rotor acceleration: with T = c omega^2 the reaction J domega/dt of a thrust rate follows by differentiation.
#[test]
fn reaction_of_rotor_acceleration() {
    let quad = bare(ring(&QUAD, 0.31, 45.0));
    let (inertia, speed, thrust, k) = (1.2e-4, 500.0, 7.0, 0.0231);
    let m = acceleration_effectiveness(&quad, inertia, speed, thrust).unwrap();
    let c = thrust / (speed * speed);
    let step = 1e-4;
    let rate = ((thrust + step) / c).sqrt() - speed;
    assert!((m[(2, 0)] - inertia * rate / step).abs() < 1e-5 * m[(2, 0)].abs());
    assert!((m[(2, 1)] + m[(2, 0)]).abs() < 1e-15 && m[(0, 0)].abs() < 1e-15);
    // As a lead on yaw: moment rate over moment, per thrust.
    assert!((m[(2, 0)] / k - reaction_lead(inertia, speed, k * thrust)).abs() < 1e-12);
}

fn layouts() -> impl Strategy<Value = (Vec<Station>, Vec3)> {
    (4usize..=9, 0.15f64..0.8, 0.0f64..12.0, any::<bool>(), (-0.05f64..0.05, -0.05f64..0.05, -0.1f64..0.1))
        .prop_map(|(n, arm, cant, with, (x, y, z))| {
            let spins: Vec<Spin> = (0..n).map(|k| QUAD[k % 2]).collect();
            let stations = ring(&spins, arm, 180.0 / n as f64)
                .into_iter()
                .map(|mut s| {
                    let sense = if with { 1.0 } else { -1.0 };
                    let side = Vec3::new(-s.at.y, s.at.x, 0.0) / arm * s.spin.reaction_sign() * sense;
                    s.axis = side * cant.to_radians().sin() - Vec3::z() * cant.to_radians().cos();
                    s
                })
                .collect();
            (stations, Vec3::new(x, y, z) * arm)
        })
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 48, failure_persistence: None, ..ProptestConfig::default() })]

    /// The effectiveness of the mixer's thrusts is what was asked for.
    #[test]
    fn prop_mixer_inverts_effectiveness((stations, centre) in layouts()) {
        let m = effectiveness(&bare(stations), &centre, 0.025);
        if let Ok(mix) = mixer(&m) {
            let identity = &m * &mix;
            prop_assert!((identity - DMatrix::identity(4, 4)).amax() < 1e-6);
            prop_assert_eq!(mix.ncols(), 4);
        }
    }

    /// A trim holds the weight without moment, and the authority about it is what the thrusts can really give.
    #[test]
    fn prop_trim_balances_and_authority_is_within_bounds((stations, centre) in layouts()) {
        let aircraft = bare(stations);
        let n = aircraft.stations.len();
        let weight = 5.0 * n as f64;
        let m = effectiveness(&aircraft, &centre, 0.025);
        if let Ok(trim) = hover_trim(&aircraft, &centre, 0.025, weight) {
            let made = &m * DVector::from_column_slice(&trim.thrusts);
            prop_assert!((made[0] - weight).abs() < 1e-7);
            prop_assert!(made[1].abs() < 1e-7 && made[2].abs() < 1e-7);
            prop_assert!((made[3] - trim.residual_moment[2]).abs() < 1e-7);
            prop_assert!(trim.thrusts.iter().all(|t| *t >= 0.0));
            let got = authority(&m, &trim.thrusts, &vec![40.0; n], &vec![0.0; n], &Mat3::identity()).unwrap();
            for axis in 0..3 {
                let free: f64 = (0..n).map(|k| m[(axis + 1, k)].abs() * 40.0).sum();
                prop_assert!(got.moment[axis].0 <= 0.0 && got.moment[axis].1 >= 0.0);
                prop_assert!(got.moment[axis].1 - got.moment[axis].0 <= free + 1e-6);
            }
        }
    }
}

/// A quad-x in closed form: the yaw authority from trim T between 0 and the largest thrust is 4 k min(T, max - T).
#[test]
fn val_quad_yaw_closed_form() {
    let quad = bare(ring(&QUAD, 0.25, 45.0));
    let m = effectiveness(&quad, &Vec3::zeros(), 0.02);
    let got = authority(&m, &[4.0; 4], &[14.0; 4], &[0.0; 4], &Mat3::identity()).unwrap();
    let (yaw, roll) = (4.0 * 0.02 * 4.0, 4.0 * 0.25 * (PI / 4.0).sin() * 4.0);
    println!(
        "VALIDATION|control|quad-x yaw authority [N m]|closed form 4 k T|{yaw}|{:.9}|1e-9",
        got.moment[2].1
    );
    println!(
        "VALIDATION|control|quad-x roll authority [N m]|closed form 4 y T|{roll:.9}|{:.9}|1e-9",
        got.moment[0].1
    );
    assert!((got.moment[2].1 - yaw).abs() < 1e-9 && (got.moment[0].1 - roll).abs() < 1e-9);
}

#[test]
fn val_a_pair_is_balanced_by_torque() {
    let mut pair = bare(vec![
        Station {
            spin: Spin::Ccw,
            ..physics::layout::stations("coax-quad", 0.3, 0.0, true).unwrap().remove(0)
        },
        physics::layout::stations("coax-quad", 0.3, 0.0, true).unwrap().remove(4),
    ]);
    for s in &mut pair.stations {
        s.at = Vec3::zeros();
    }
    let (speed, density) = (400.0, 1.2);
    let k = pair.rotor.torque_per_thrust(speed, density);
    let trim = hover_trim(&pair, &Vec3::zeros(), k, 20.0).unwrap();
    assert!(trim.balanced(), "{trim:?}");
    let merit = pair.rotor.figure_of_merit(speed, density);
    // More power for its thrust, at a higher speed.
    let slower = physics::interference::lower(&pair.rotor, 160.0 / pair.rotor.diameter).thrust.sqrt();
    let expected = physics::rotor::coaxial_lower_power_factor(merit) * slower;
    assert!((trim.thrusts[0] / trim.thrusts[1] / expected - 1.0).abs() < 1e-9, "{trim:?} {expected}");
    assert!((trim.thrusts.iter().sum::<f64>() - 20.0).abs() < 1e-9);
    // Momentum theory of ideal rotors at one speed; ours have a figure of merit of 0.68 and fixed pitch.
    let ideal = coaxial(Balance::Torque).thrust_ratio;
    let ratio = trim.thrusts[0] / trim.thrusts[1];
    crate::table::report(
        "interference",
        "upper over lower thrust of a trimmed coaxial pair of propellers",
        "Leishman & Ananthan 2006, equal torques, ideal rotors",
        ideal,
        ratio,
        "10 %",
    );
    assert!((ratio / ideal - 1.0).abs() < 0.1, "{ratio} {ideal}");
}

/// A ring of alternating rotors and its case, as a row of `reference/cant.csv` gives them.
fn cant_case(spins: &[Spin], row: &std::collections::BTreeMap<String, String>) -> (Aircraft, Vec3, [f64; 5]) {
    let of = |key: &str| number(row, key);
    let aircraft = bare(ring(spins, of("arm"), of("first")));
    let centre = Vec3::new(of("cx"), of("cy"), of("cz"));
    (aircraft, centre, ["k", "weight", "largest", "least", "cant_deg"].map(of))
}

#[test]
fn val_cant_against_scipy_linprog_and_closed_form() {
    let inertia = Mat3::from_diagonal(&Vec3::new(0.04, 0.05, 0.08));
    for row in &table("cant.csv") {
        let name = &row["case"];
        let spins: Vec<Spin> = (0..number(row, "count") as usize)
            .map(|k| if k % 2 == 0 { Spin::Ccw } else { Spin::Cw })
            .collect();
        let (aircraft, centre, [k, weight, largest, least, degrees]) = cant_case(&spins, row);
        let (max, min) = (vec![largest; spins.len()], vec![least; spins.len()]);
        let case =
            CantCase { centre, inertia, reaction_per_thrust: k, weight, max_thrust: &max, min_thrust: &min };
        let cant = degrees.to_radians();
        let got = canted(&aircraft, &case, cant).unwrap();
        let want = number(row, "acceleration");
        println!(
            "VALIDATION|control|{name}, cant {degrees} deg: yaw acceleration [rad/s^2]|SciPy linprog, HiGHS (reference/cant.csv)|{want:.6}|{:.6}|1e-5",
            got.acceleration
        );
        assert!((got.acceleration - want).abs() < 1e-5, "{name} {degrees}: {} {want}", got.acceleration);
        assert!(with_cant(&aircraft, cant).stations.iter().all(|s| (cant_of(s) - cant).abs() < 1e-12));
        if name == "quad" {
            // All four share the change: 4 x what a rotor can give or lose x |k cos d + r sin d| over the inertia.
            let arm = number(row, "arm");
            let thrust = weight / 4.0 / cant.cos();
            let per_newton = k * cant.cos() + arm * cant.sin();
            let closed = 4.0 * (largest - thrust).min(thrust - least) * per_newton.abs() / 0.08;
            println!(
                "VALIDATION|control|{name}, cant {degrees} deg: yaw acceleration [rad/s^2]|closed form|{closed:.6}|{:.6}|1e-6",
                got.acceleration
            );
            assert!((got.acceleration - closed).abs() < 1e-6);
            assert!((got.yaw_per_thrust - per_newton).abs() < 1e-12);
            assert!((got.lost_lift - (1.0 - cant.cos())).abs() < 1e-12);
            let turned = reversal(&aircraft, &case).unwrap();
            println!(
                "VALIDATION|control|{name}: cant that takes yaw away [deg]|closed form -atan(k/r)|{:.6}|{:.6}|1e-9",
                -(k / arm).atan().to_degrees(),
                turned.to_degrees()
            );
            assert!((turned + (k / arm).atan()).abs() < 1e-12);
            assert!(canted(&aircraft, &case, turned).unwrap().acceleration < 1e-6);
        }
    }
}
