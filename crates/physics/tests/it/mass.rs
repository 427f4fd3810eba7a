//! Mass properties against quadrature and published pendulum formulas, and their invariants.

use nalgebra::{Rotation3, Unit};
use physics::aircraft::{Body, Shape};
use physics::mass::{bifilar_inertia, mass_properties, own_inertia, trifilar_inertia};
use physics::{Mat3, Vec3};
use proptest::prelude::*;

use crate::table::{close, number, report, rows};

fn body(mass: f64, at: Vec3, shape: Shape) -> Body {
    Body { item: "item".to_owned(), mass, at, shape, payload: false }
}

#[test]
fn val_composites_against_quadrature() {
    let table = rows(include_str!("../../reference/mass.csv"));
    let mut answers = 0;
    for answer in table.iter().filter(|row| row[1] == "answer") {
        let v = |row: &[String], k: usize| number(&row[3 + k]);
        let bodies: Vec<Body> = table
            .iter()
            .filter(|row| row[0] == answer[0] && row[1] == "body")
            .map(|row| {
                let at = Vec3::new(v(row, 1), v(row, 2), v(row, 3));
                let shape = match row[2].as_str() {
                    "box" => Shape::Box { sides: [v(row, 4), v(row, 5), v(row, 6)] },
                    "cylinder" => Shape::Cylinder {
                        radius: v(row, 4),
                        length: v(row, 5),
                        axis: Vec3::new(v(row, 6), v(row, 7), v(row, 8)),
                    },
                    "rod" => Shape::Rod { span: Vec3::new(v(row, 4), v(row, 5), v(row, 6)) },
                    _ => Shape::Point,
                };
                body(v(row, 0), at, shape)
            })
            .collect();
        let found = mass_properties(&bodies);
        assert!(close(v(answer, 0), found.mass, 1e-13));
        for k in 0..3 {
            assert!((v(answer, 1 + k) - found.centre[k]).abs() < 1e-14);
        }
        for (k, value) in found.inertia.transpose().iter().enumerate() {
            // Rounding of sums of a few hundred points: 1e-14 of the largest element.
            assert!((v(answer, 4 + k) - value).abs() < 1e-15, "{} {k} {value}", answer[0]);
        }
        report(
            "mass",
            &format!("I_xz of {}, kg m^2", answer[0]),
            "Gauss quadrature over the volume, numpy",
            v(answer, 6),
            found.inertia[(0, 2)],
            "1e-15 kg m^2",
        );
        answers += 1;
    }
    assert_eq!(answers, 3);
}

#[test]
fn val_handbook_shapes() {
    let source = "standard handbook: box m(b^2+c^2)/12, cylinder m r^2/2 and m(3r^2+h^2)/12, rod m L^2/12";
    let cylinder = Shape::Cylinder { radius: 0.03, length: 0.25, axis: Vec3::new(0.0, 3.0, 0.0) };
    let inertia = own_inertia(&body(0.4, Vec3::zeros(), cylinder));
    let across = 0.4 * (3.0 * 0.03f64.powi(2) + 0.25f64.powi(2)) / 12.0;
    for (what, expected, computed) in [
        ("cylinder about its axis, kg m^2", 0.5 * 0.4 * 0.0009, inertia[(1, 1)]),
        ("cylinder across its axis, kg m^2", across, inertia[(0, 0)]),
        (
            "box about x, kg m^2",
            1.32 * (0.06f64.powi(2) + 0.05f64.powi(2)) / 12.0,
            own_inertia(&body(1.32, Vec3::zeros(), Shape::Box { sides: [0.16, 0.06, 0.05] }))[(0, 0)],
        ),
        (
            "rod across, kg m^2",
            0.1 * 0.3f64.powi(2) / 12.0,
            own_inertia(&body(0.1, Vec3::zeros(), Shape::Rod { span: Vec3::new(0.0, 0.0, 0.3) }))[(0, 0)],
        ),
    ] {
        assert!(close(expected, computed, 1e-14), "{what} {expected} {computed}");
        report("mass", what, source, expected, computed, "1e-14 relative");
    }
}

#[test]
fn val_pendulums() {
    // Worked values by hand from the published formulas; 7 digits printed.
    let bifilar = bifilar_inertia(1.5, 0.4, 1.0, 1.2, physics::STANDARD_GRAVITY);
    let trifilar = trifilar_inertia(0.8, 0.295, 0.675, 1.0, 9.81);
    assert!(close(0.021_462_22, bifilar, 3e-7) && close(0.025_629_46, trifilar, 3e-7));
    report(
        "mass",
        "bifilar, kg m^2",
        "m g D^2 T^2/(16 pi^2 h), Jardin & Mueller 2009",
        0.021_462_22,
        bifilar,
        "3e-7 relative",
    );
    report("mass", "trifilar, kg m^2", "m g R^2 T^2/(4 pi^2 L)", 0.025_629_46, trifilar, "3e-7 relative");
    // The other way round: a thin rod that hangs at its ends (m L^2/12, D = L) swings with
    // T = 2 pi sqrt(h/(3 g)), whatever its mass.
    let (length, drop, g): (f64, f64, f64) = (0.7, 1.3, 9.81);
    let period = std::f64::consts::TAU * (drop / (3.0 * g)).sqrt();
    assert!(close(length * length / 12.0 * 0.9, bifilar_inertia(0.9, length, drop, period, g), 1e-14));
}

fn vector(size: f64) -> impl Strategy<Value = Vec3> {
    [-size..size, -size..size, -size..size].prop_map(Vec3::from)
}

fn turnable() -> impl Strategy<Value = Body> {
    let shape = prop_oneof![
        Just(Shape::Point),
        (0.001..0.1, 0.01..0.5, vector(1.0)).prop_filter_map("axis", |(radius, length, axis)| {
            (axis.norm() > 0.1).then_some(Shape::Cylinder { radius, length, axis })
        }),
        vector(0.5).prop_map(|span| Shape::Rod { span }),
    ];
    (0.01..3.0, vector(0.5), shape).prop_map(|(mass, at, shape)| body(mass, at, shape))
}

fn turned(b: &Body, rotation: &Rotation3<f64>) -> Body {
    let shape = match b.shape {
        Shape::Cylinder { radius, length, axis } => Shape::Cylinder { radius, length, axis: rotation * axis },
        Shape::Rod { span } => Shape::Rod { span: rotation * span },
        shape => shape,
    };
    Body { at: rotation * b.at, shape, ..b.clone() }
}

proptest! {
    #[test]
    fn prop_turning_the_bodies_turns_the_inertia(
        bodies in prop::collection::vec(turnable(), 2..6),
        axis in vector(1.0).prop_filter("axis", |axis| axis.norm() > 0.1),
        angle in -3.0..3.0f64,
    ) {
        let rotation = Rotation3::from_axis_angle(&Unit::new_normalize(axis), angle);
        let plain = mass_properties(&bodies);
        let other = mass_properties(&bodies.iter().map(|b| turned(b, &rotation)).collect::<Vec<_>>());
        let size = plain.inertia.norm();
        prop_assert!((rotation * plain.centre - other.centre).norm() < 1e-13);
        let expected = rotation.matrix() * plain.inertia * rotation.matrix().transpose();
        prop_assert!((expected - other.inertia).norm() < 1e-13 * (1.0 + size));
        for k in 0..3 {
            prop_assert!((plain.principal[k] - other.principal[k]).abs() < 1e-12 * (1.0 + size));
        }
        // Principal axes diagonalise the inertia, ascending, right-handed.
        let diagonal = plain.principal_axes.transpose() * plain.inertia * plain.principal_axes;
        prop_assert!((diagonal - Mat3::from_diagonal(&Vec3::from(plain.principal))).norm() < 1e-12 * (1.0 + size));
        prop_assert!(plain.principal[0] <= plain.principal[1] && plain.principal[1] <= plain.principal[2]);
        prop_assert!((plain.principal_axes.determinant() - 1.0).abs() < 1e-12);
    }

    #[test]
    fn prop_splitting_a_body_changes_nothing(
        rest in prop::collection::vec(turnable(), 1..4),
        sides in [0.02..0.3f64, 0.02..0.3, 0.02..0.3],
        share in 0.1..0.9f64,
        at in vector(0.3),
    ) {
        let whole = body(1.3, at, Shape::Box { sides });
        let part = |mass_share: f64, from: f64| {
            let shift = Vec3::new(sides[0] * (from + 0.5 * mass_share - 0.5), 0.0, 0.0);
            body(1.3 * mass_share, at + shift, Shape::Box { sides: [sides[0] * mass_share, sides[1], sides[2]] })
        };
        let mut one = rest.clone();
        one.push(whole);
        let mut two = rest;
        two.push(part(share, 0.0));
        two.push(part(1.0 - share, share));
        let (one, two) = (mass_properties(&one), mass_properties(&two));
        prop_assert!((one.centre - two.centre).norm() < 1e-13);
        prop_assert!((one.inertia - two.inertia).norm() < 1e-13 * (1.0 + one.inertia.norm()));
    }
}

#[test]
fn prop_nothing_and_nonsense_do_not_panic() {
    let none = mass_properties(&[]);
    assert_eq!((none.mass, none.centre), (0.0, Vec3::zeros()));
    let bad = mass_properties(&[body(f64::NAN, Vec3::zeros(), Shape::Point)]);
    assert!(bad.principal[0].is_nan());
}
