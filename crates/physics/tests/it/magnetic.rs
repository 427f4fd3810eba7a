//! Magnetic fields against closed forms, quadrature and the World Magnetic Model's official test values.

use physics::Vec3;
use physics::magnetic::earth::local_field;
use physics::magnetic::field::{dipole, polyline, segment};
use physics::magnetic::{Lead, heading_error};
use proptest::prelude::*;

use crate::table::{close, number, report, rows};

const MICRO: f64 = 1e6;

fn lead(path: Vec<Vec3>, spacing: f64, side: Vec3, twist: Option<f64>) -> Lead {
    Lead { item: "lead".to_owned(), path, share: 1.0, spacing, side, twist }
}

#[test]
fn val_closed_forms() {
    let source = "closed form (handbook)";
    let at = Vec3::new(0.0, 0.05, 0.0);
    let x = |v: f64| Vec3::new(v, 0.0, 0.0);
    let long = segment(&x(-1e4), &x(1e4), &at).norm() * 10.0 * MICRO;
    let finite = |l: f64| segment(&x(-0.5 * l), &x(0.5 * l), &at).norm() * 10.0 * MICRO;
    let square: Vec<Vec3> = [(1.0, 1.0), (-1.0, 1.0), (-1.0, -1.0), (1.0, -1.0), (1.0, 1.0)]
        .iter()
        .map(|(a, b)| Vec3::new(0.05 * a, 0.05 * b, 0.0))
        .collect();
    // On the axis of a square of side a at z: mu_0 I a^2/(2 pi (z^2 + a^2/4) sqrt(z^2 + a^2/2)).
    let axis = |z: f64| {
        let a2: f64 = 0.01;
        2e-7 * a2 / ((z * z + a2 / 4.0) * (z * z + a2 / 2.0).sqrt()) * MICRO
    };
    let n = 720;
    let ring: Vec<Vec3> = (0..=n)
        .map(|k| {
            let a = std::f64::consts::TAU * f64::from(k) / f64::from(n);
            Vec3::new(0.02 * a.cos(), 0.02 * a.sin(), 0.0)
        })
        .collect();
    let z = |v: f64| Vec3::new(0.0, 0.0, v);
    let cases = [
        ("long wire, 10 A, 50 mm off, uT", 40.0, long, 1e-6),
        ("wire of 0.2 m, 10 A, 50 mm off its middle, uT", 35.777_088, finite(0.2), 1e-7),
        ("wire of 0.1 m, 10 A, 50 mm off its middle, uT", 28.284_271, finite(0.1), 1e-7),
        (
            "square loop of 0.1 m, 1 A, at its middle, uT",
            axis(0.0),
            polyline(&square, &z(0.0)).norm() * MICRO,
            1e-8,
        ),
        (
            "square loop of 0.1 m, 1 A, 80 mm up its axis, uT",
            axis(0.08),
            polyline(&square, &z(0.08)).norm() * MICRO,
            1e-8,
        ),
        // A polygon of 720 sides is the circle to 1e-5.
        ("ring of 20 mm, 1 A, at its middle, uT", 31.415_927, polyline(&ring, &z(0.0)).norm() * MICRO, 1e-4),
        (
            "ring of 20 mm, 1 A, one radius up its axis, uT",
            11.107_207,
            polyline(&ring, &z(0.02)).norm() * MICRO,
            1e-4,
        ),
        ("dipole 1 A m^2, 0.1 m along its axis, uT", 200.0, dipole(&z(1.0), &z(0.1)).norm() * MICRO, 1e-8),
        ("dipole 1 A m^2, 0.1 m beside it, uT", 100.0, dipole(&z(1.0), &x(0.1)).norm() * MICRO, 1e-8),
    ];
    for (what, want, got, tolerance) in cases {
        assert!(close(want, got, tolerance), "{what}: {got}");
        report("magnetic", what, source, want, got, &format!("{tolerance:e} relative"));
    }
    // Directions: a current along x, seen at +y, gives a field along +z; a ring turning from x to y along +z.
    assert!(segment(&x(-1.0), &x(1.0), &at).z > 0.0);
    assert!(
        polyline(&ring, &z(0.0)).z > 0.0
            && dipole(&z(1.0), &z(0.1)).z > 0.0
            && dipole(&z(1.0), &x(0.1)).z < 0.0
    );
}

#[test]
fn val_pairs() {
    let path = vec![Vec3::new(-50.0, 0.0, 0.0), Vec3::new(50.0, 0.0, 0.0)];
    let source = "two long wires in the plane of the point, closed form";
    for (spacing, distance, current, want) in [(0.003, 0.05, 20.0, 4.804_324), (0.002, 0.1, 30.0, 1.200_120)]
    {
        let pair = lead(path.clone(), spacing, Vec3::y(), None);
        let got = pair.field(&Vec3::new(0.0, distance, 0.0)).norm() * current * MICRO;
        assert!(close(want, got, 1e-4), "{got}");
        report(
            "magnetic",
            &format!("pair {} mm apart at {} mm, {current} A, uT", spacing * 1e3, distance * 1e3),
            source,
            want,
            got,
            "1e-4 relative",
        );
    }
    let table = rows(include_str!("../../../../reference/twisted.csv"));
    for row in &table {
        let v: Vec<f64> = row.iter().map(|f| number(f)).collect();
        let pair = lead(vec![Vec3::zeros(), Vec3::new(v[0], 0.0, 0.0)], v[1], Vec3::y(), Some(v[2]));
        let want = Vec3::new(v[6], v[7], v[8]);
        let got = pair.field(&Vec3::new(v[3], v[4], v[5]));
        // 24 straight pieces a turn for the helix; the ends are exact.
        assert!((got - want).norm() < 0.02 * want.norm(), "{want:?} {got:?}");
        report(
            "magnetic",
            &format!("twisted pair, {} mm a turn, at ({}, {}, {}) m, nT/A", v[2] * 1e3, v[3], v[4], v[5]),
            "both helices by the trapezoidal rule, numpy",
            want.norm() * 1e9,
            got.norm() * 1e9,
            "2 %",
        );
    }
}

#[test]
fn val_world_magnetic_model() {
    let source = "NOAA/NCEI, WMM2020 official test values";
    // Year, height km, latitude, longitude, X, Y, Z nT, inclination, declination deg. 2022.5 is 2 July (day 183.5).
    for (year, day, km, lat, lon, x, y, z, i, d) in [
        (2020, 1, 0.0, 80.0, 0.0, 6570.4, -146.3, 54_606.0, 83.14, -1.28),
        (2020, 1, 0.0, 0.0, 120.0, 39_624.3, 109.9, -10_932.5, -15.42, 0.16),
        (2020, 1, 0.0, -80.0, 240.0, 5940.6, 15_772.1, -52_480.8, -72.20, 69.36),
        (2020, 1, 100.0, 0.0, 120.0, 37_636.7, 104.9, -10_474.8, -15.55, 0.16),
        (2022, 183, 100.0, -80.0, 240.0, 5815.0, 14_803.0, -49_755.3, -72.27, 68.55),
    ] {
        let f = local_field(
            f64::to_radians(lat),
            f64::to_radians(if lon > 180.0 { lon - 360.0 } else { lon }),
            km * 1e3,
            year,
            day,
        )
        .unwrap();
        let name = format!("WMM {year} day {day}, {km} km, latitude {lat}, longitude {lon}");
        // Single precision and half a day of the year: 2 nT.
        for (what, want, got) in
            [("north, nT", x, f.north * 1e9), ("east, nT", y, f.east * 1e9), ("down, nT", z, f.down * 1e9)]
        {
            assert!((want - got).abs() < 2.0, "{name} {what} {got}");
            report("magnetic", &format!("{name}: {what}"), source, want, got, "2 absolute");
        }
        for (what, want, got) in
            [("inclination, deg", i, f.inclination), ("declination, deg", d, f.declination)]
        {
            assert!((want - got.to_degrees()).abs() < 0.02, "{name} {what}");
            report("magnetic", &format!("{name}: {what}"), source, want, got.to_degrees(), "0.02 absolute");
        }
        assert!((f.horizontal - f.north.hypot(f.east)).abs() < 5e-9);
    }
    assert!(local_field(0.0, 0.0, 0.0, 1990, 1).is_err());
    assert!(local_field(0.0, 0.0, 0.0, 2026, 400).is_err());
    assert!(local_field(f64::NAN, 0.0, 0.0, 2026, 1).is_err());
}

#[test]
fn val_heading_error_by_hand() {
    // 2 uT across 20 uT: asin(0.1) = 5.739 deg.
    let e = heading_error(&Vec3::new(0.0, 0.1e-6, 0.7e-6), 20.0, 20e-6).to_degrees();
    assert!((e - 5.739_170).abs() < 1e-5);
    report("magnetic", "heading error of 2 uT across 20 uT, deg", "asin(0.1)", 5.739_170, e, "1e-5 absolute");
    // The worst of all headings, by trying them.
    let b = Vec3::new(1.0e-6, 0.5e-6, 0.0);
    let tried = (0..3600)
        .map(|k| {
            let h = f64::from(k) * std::f64::consts::TAU / 3600.0;
            // The horizontal field 20 uT to the north in body axes at heading h, disturbed.
            let (x, y) = (20e-6 * h.cos() + b.x, -20e-6 * h.sin() + b.y);
            let seen = (-y).atan2(x);
            let d = (seen - h).rem_euclid(std::f64::consts::TAU);
            d.min(std::f64::consts::TAU - d)
        })
        .fold(0.0, f64::max);
    let got = heading_error(&b, 1.0, 20e-6);
    assert!(close(tried, got, 1e-5), "{tried} {got}");
    report(
        "magnetic",
        "largest heading error over 3600 headings, rad",
        "trying every heading",
        tried,
        got,
        "1e-5 relative",
    );
    assert!(heading_error(&b, 1e3, 20e-6) > 3.0);
}

proptest! {
    #[test]
    fn prop_closed_circuits_have_no_divergence(x in -0.3..0.3f64, y in 0.05..0.3f64, z in -0.3..0.3f64, twist in prop::option::of(0.02..0.1f64)) {
        let path = vec![Vec3::new(-0.1, 0.0, 0.0), Vec3::new(0.05, 0.0, 0.0), Vec3::new(0.1, 0.0, 0.05)];
        let l = lead(path, 0.006, Vec3::y(), twist);
        let at = Vec3::new(x, y, z);
        let h = 1e-5;
        let d = |axis: usize| {
            let mut step = Vec3::zeros();
            step[axis] = h;
            (l.field(&(at + step)) - l.field(&(at - step))) / (2.0 * h)
        };
        let (dx, dy, dz) = (d(0), d(1), d(2));
        let size = dx.norm() + dy.norm() + dz.norm();
        // Outside the conductors divergence and curl vanish.
        prop_assert!((dx.x + dy.y + dz.z).abs() < 1e-4 * size + 1e-12);
        let curl = Vec3::new(dy.z - dz.y, dz.x - dx.z, dx.y - dy.x);
        prop_assert!(curl.norm() < 1e-4 * size + 1e-12, "{curl:?} {size}");
    }
}
