//! Beams, plates, isolators and the rotor-speed diagram against exact roots, finite elements and handbook values.

use physics::structure::beam::{Beam, Root};
use physics::structure::diagram::{Dwell, amplification, least_separation, orders, separation};
use physics::structure::isolator::{frequency_from_sag, transmissibility};
use physics::structure::material::Material;
use physics::structure::plate::{Edges, parameter};
use physics::structure::{Arm, Mast, Plate, Section};
use proptest::prelude::*;

use crate::table::{close, number, report, rows};

const TAU: f64 = std::f64::consts::TAU;

/// A beam of unit stiffness, mass and length: its frequency is lambda^2/(2 pi).
fn unit(tip: f64) -> Beam {
    Beam { stiffness: 1.0, mass_per_length: 1.0, length: 1.0, root_stiffness: f64::INFINITY, tip_mass: tip }
}

fn lambda(f: f64) -> f64 {
    (TAU * f).sqrt()
}

#[test]
fn val_cantilever_roots() {
    let source = "Blevins 1979, tables 8-1 and 8-8 (from memory); exact roots with scipy";
    let plain = unit(0.0).frequencies(Root::Fixed, 4);
    for (k, b) in [1.875_104_068_7, 4.694_091_133_0, 7.854_757_438_2, 10.995_540_734_9].iter().enumerate() {
        assert!(close(*b, lambda(plain[k]), 1e-9), "{}", lambda(plain[k]));
        report(
            "structure",
            &format!("cantilever, root {} beta L", k + 1),
            source,
            *b,
            lambda(plain[k]),
            "1e-9 relative",
        );
    }
    for (mu, b) in [
        (0.1, 1.722_741_52),
        (0.25, 1.573_751_30),
        (0.5, 1.419_964_43),
        (1.0, 1.247_917_41),
        (2.0, 1.076_195_66),
        (5.0, 0.870_021_46),
        (10.0, 0.735_781_92),
    ] {
        let found = lambda(unit(mu).lowest(Root::Fixed).unwrap());
        assert!(close(b, found, 1e-8), "{mu} {found}");
        report(
            "structure",
            &format!("cantilever with tip mass {mu}, beta L"),
            source,
            b,
            found,
            "1e-8 relative",
        );
    }
    // A free-free beam is two halves: in its even modes the middle moves and does not turn; in its odd
    // modes it turns about a point.
    let even = lambda(unit(0.0).lowest(Root::Moving { mass: 0.0 }).unwrap());
    let odd = lambda(unit(0.0).lowest(Root::Turning { inertia: 0.0, radius: 0.0 }).unwrap());
    for (what, b, found) in [
        ("free beam, first even mode, beta L", 4.730_040_744_9, 2.0 * even),
        ("free beam, first odd mode, beta L", 7.853_204_624_1, 2.0 * odd),
        ("pinned-free beam, beta L", 3.926_602_312_0, odd),
    ] {
        assert!(close(b, found, 1e-9), "{what} {found}");
        report("structure", what, source, b, found, "1e-9 relative");
    }
}

#[test]
fn val_tube_arm() {
    let arm = Arm {
        section: Section::Tube { outer: 0.016, wall: 0.001 },
        length: 0.25,
        material: Material { youngs_modulus: 70e9, shear_modulus: 10e9, density: 1600.0 },
        root_stiffness: f64::INFINITY,
        hub_height: 0.0,
        damping: 0.01,
    };
    let source = "worked example: exact root of the transcendental equation, and Rayleigh, scipy";
    assert!(close(1.331_250e-9, arm.section.second_moment().0, 1e-6));
    let beam = |tip| Beam {
        stiffness: arm.material.youngs_modulus * arm.section.second_moment().0,
        mass_per_length: arm.material.density * arm.section.area(),
        length: arm.length,
        root_stiffness: arm.root_stiffness,
        tip_mass: tip,
    };
    for (what, want, got, tolerance) in [
        ("16/14 mm tube arm, 0.1 kg at its tip, Hz", 65.8716, beam(0.1).lowest(Root::Fixed).unwrap(), 1e-5),
        ("the same, Rayleigh, Hz", 65.8733, beam(0.1).rayleigh(), 1e-5),
        ("the same, bare, Hz", 314.767, beam(0.0).lowest(Root::Fixed).unwrap(), 1e-5),
    ] {
        assert!(close(want, got, tolerance), "{what} {got}");
        report("structure", what, source, want, got, "1e-5 relative");
    }
}

#[test]
fn val_beams_against_finite_elements() {
    let table = rows(include_str!("../../../../reference/structure.csv"));
    let mut worst: f64 = 0.0;
    let mut count = 0;
    for row in table.iter().filter(|r| r[0] != "plate") {
        let v: Vec<f64> = row[1..].iter().map(|f| number(f)).collect();
        let beam = Beam {
            stiffness: v[0],
            mass_per_length: v[1],
            length: v[2],
            root_stiffness: v[3],
            tip_mass: v[4],
        };
        let root = match row[0].as_str() {
            "moving" => Root::Moving { mass: v[5] },
            "turning" => Root::Turning { inertia: v[5], radius: v[6] },
            _ => Root::Fixed,
        };
        let found = beam.frequencies(root, 2);
        for k in 0..2 {
            let off = (found[k] / v[7 + k] - 1.0).abs();
            // 60 elements: the second frequency is good to better than 1e-6.
            assert!(off < 2e-6, "{row:?} {found:?}");
            worst = worst.max(off);
        }
        count += 1;
    }
    assert_eq!(count, 24);
    report(
        "structure",
        "elastic root, fixed, moving and turning hub: largest relative difference of 48 frequencies",
        "Hermite beam elements, scipy.linalg.eigh",
        0.0,
        worst,
        "2e-6 absolute",
    );
}

#[test]
fn val_plates() {
    let ritz = "Ritz, 10 x 10 polynomials, numpy";
    for (edges, what, leissa, fine) in [
        (Edges::Supported, "supported", 19.7392, 19.7392),
        (Edges::Clamped, "clamped", 35.992, 35.9852),
        (Edges::OneEdge, "one edge clamped", 3.4917, 3.4713),
    ] {
        let found = parameter(edges, 1.0, 0.0).unwrap();
        assert!(close(fine, found, 1e-3), "{what} {found}");
        assert!(close(leissa, found, 7e-3), "{what} {found}");
        report(
            "structure",
            &format!("square plate, {what}, omega a^2 sqrt(rho h/D)"),
            ritz,
            fine,
            found,
            "1e-3 relative",
        );
        let from = "Leissa 1973 (from memory; his values are upper bounds)";
        report(
            "structure",
            &format!("square plate, {what}, omega a^2 sqrt(rho h/D)"),
            from,
            leissa,
            found,
            "0.7 %",
        );
    }
    // 0.1 m, 2 mm, 70 GPa, 1600 kg/m^3.
    let plate = |edges| Plate {
        sides: [0.1, 0.1],
        thickness: 0.002,
        material: Material { youngs_modulus: 70e9, shear_modulus: 27e9, density: 1600.0 },
        edges,
        carried: 0.0,
    };
    assert!(close(51.282_05, plate(Edges::Supported).rigidity(), 1e-6));
    for (edges, want) in [(Edges::Supported, 1257.64), (Edges::Clamped, 2292.71)] {
        assert!(close(want, plate(edges).frequency().unwrap(), 1e-3));
    }
    // A mass at the middle against Navier's series.
    let table = rows(include_str!("../../../../reference/structure.csv"));
    for row in table.iter().filter(|r| r[0] == "plate") {
        let (aspect, carried, want) = (number(&row[1]), number(&row[2]), number(&row[8]));
        let found = parameter(Edges::Supported, aspect, carried).unwrap();
        // A force at a point needs many terms: the frequency is high by up to 1.5 %.
        let tolerance = if carried > 0.0 { 0.015 } else { 1e-6 };
        assert!(found >= want * (1.0 - 1e-6) && found <= want * (1.0 + tolerance), "{row:?} {found}");
        report(
            "structure",
            &format!("supported plate, sides {aspect}, mass {carried} of its own at the middle"),
            "Navier's series through the point's receptance, scipy.optimize.brentq",
            want,
            found,
            if carried > 0.0 { "1.5 %" } else { "1e-6 relative" },
        );
    }
}

#[test]
fn val_isolator() {
    let source = "textbook formula (Den Hartog 1956, from memory), numpy";
    for (z, r, want) in [
        (0.05, 0.5, 1.332_042),
        (0.05, 1.0, 10.049_876),
        (0.1, 2.0, 0.355_862),
        (0.2, 1.0, 2.692_582),
        (0.2, 5.0, 0.092_848),
        (0.5, 10.0, 0.101_000),
        (0.05, std::f64::consts::SQRT_2, 1.0),
    ] {
        let found = transmissibility(r, z);
        assert!(close(want, found, 1e-5), "{z} {r} {found}");
        report(
            "structure",
            &format!("transmissibility, damping {z}, ratio {r:.3}"),
            source,
            want,
            found,
            "1e-5 relative",
        );
    }
    for (sag, want) in [(1e-4, 49.8403), (1e-3, 15.7609), (1e-2, 4.9840)] {
        assert!(close(want, frequency_from_sag(sag), 1e-4));
    }
}

#[test]
fn val_diagram_by_hand() {
    // Two blades at 80 to 100 rev/s: 1/rev 80 to 100 Hz, blade passage 160 to 200 Hz.
    let dwell = Dwell { low: 80.0, high: 100.0 };
    let by_hand = "by hand: size of f_e/f_n - 1, at the nearer edge";
    for (f, want, order) in [
        (125.0, 0.2, "1/rev"),          // 100/125 = 0.8
        (130.0, 30.0 / 130.0, "1/rev"), // 160/130 = 1.231 is nearly as near
        (140.0, 20.0 / 140.0, "blade passage"),
        (250.0, 0.2, "blade passage"),
        (90.0, 0.0, "1/rev"),
        (50.0, 0.6, "1/rev"),
    ] {
        let (s, name) = least_separation(f, 2, dwell);
        assert!((s - want).abs() < 1e-12 && name == order, "{f} {s} {name}");
        report("structure", &format!("separation of a mode at {f} Hz"), by_hand, want, s, "1e-9 absolute");
    }
    let twenty = amplification(0.8, 0.0);
    assert!((twenty - 2.777_777).abs() < 1e-5);
    report(
        "structure",
        "amplification at 20 % separation",
        "1/(1 - 0.64)",
        1.0 / 0.36,
        twenty,
        "1e-12 relative",
    );
    assert_eq!(orders(2).len(), 3);
    assert_eq!(orders(3).len(), 4);
    assert!((separation(100.0, 4.0, dwell) - 2.2).abs() < 1e-12);
}

proptest! {
    #[test]
    fn prop_root_stiffness_is_found_again(ei in 1.0..2000.0f64, give in 0.02..5.0f64, mu in 0.0..20.0f64) {
        let beam = Beam {
            stiffness: ei, mass_per_length: 0.2, length: 0.2, root_stiffness: ei / (0.2 * give), tip_mass: mu * 0.04,
        };
        let f = beam.lowest(Root::Fixed).unwrap();
        let back = Beam { root_stiffness: 1.0, ..beam }.root_stiffness_for(f).unwrap();
        prop_assert!(close(beam.root_stiffness, back, 1e-6), "{} {back}", beam.root_stiffness);
    }

    #[test]
    fn prop_a_hub_that_moves_stiffens(mu in 0.0..10.0f64, hub in 0.05..20.0f64, j in 0.01..5.0f64, r in 0.0..1.0f64) {
        let at = |root| unit(mu).lowest(root).unwrap();
        let fixed = at(Root::Fixed);
        let (moving, turning) = (at(Root::Moving { mass: hub }), at(Root::Turning { inertia: j, radius: r }));
        prop_assert!(moving > fixed && turning > fixed, "{fixed} {moving} {turning}");
        // A heavy hub is a fixed one.
        let (moving, turning) = (at(Root::Moving { mass: 1e7 }), at(Root::Turning { inertia: 1e7, radius: r }));
        prop_assert!(close(fixed, moving, 1e-4) && close(fixed, turning, 1e-4), "{fixed} {moving} {turning}");
    }

    #[test]
    fn prop_a_taller_mast_is_slower(a in 0.02..0.3f64, b in 0.02..0.3f64) {
        let mast = Mast {
            section: Section::Tube { outer: 0.01, wall: 0.001 },
            length: a.min(b),
            material: Material { youngs_modulus: 70e9, shear_modulus: 10e9, density: 1600.0 },
            root_stiffness: 300.0,
            tip_mass: 0.015,
        };
        prop_assert!(mast.at_height(a.max(b) + 1e-3).frequency().unwrap() < mast.frequency().unwrap());
    }
}
