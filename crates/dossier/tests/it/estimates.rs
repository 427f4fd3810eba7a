//! Estimates against the worked examples of the GUM, and predictions against a Monte Carlo.

use std::collections::BTreeMap;

use dossier::aircraft_file::AircraftFile;
use dossier::estimate::{Contribution, Estimate, Origin};
use dossier::predict::{Group, SiteAir, Subject, nominal};
use dossier::programme::Programme;
use proptest::prelude::*;

use crate::tarn::{aircraft, base};

fn single(value: f64, uncertainty: f64, source: &str) -> Estimate {
    Estimate::single(value, uncertainty, "1", Origin::Measured, source)
}

fn report(what: &str, source: &str, expected: f64, computed: f64, tolerance: f64) {
    println!("VALIDATION|estimates|{what}|{source}|{expected}|{computed:.9}|{tolerance}");
    assert!((expected - computed).abs() <= tolerance, "{what}: {computed}, expected {expected}");
}

/// JCGM 100:2008, H.1: length of an end gauge. l = ls + d - ls (da th + as dth); inputs of table H.1
/// (from memory), result 50 000 838 nm with 31.71 nm, printed 32.
#[test]
fn val_gum_h1_end_gauge() {
    let gum = "JCGM 100:2008, H.1";
    let ls = single(50_000_623.0, 25.0, "calibration of the standard");
    // Repeatability, random and systematic error of the comparator.
    let d = single(215.0, 5.8, "repeated observations")
        .plus(&single(0.0, 3.9, "comparator, random"))
        .plus(&single(0.0, 6.7, "comparator, systematic"));
    let d_alpha = single(0.0, 0.58e-6, "difference of expansion");
    let theta = single(-0.1, 0.41, "mean temperature");
    let alpha = single(11.5e-6, 1.2e-6, "expansion of the standard");
    let d_theta = single(0.0, 0.029, "difference of temperature");
    let warm = d_alpha.times(&theta, "1").plus(&alpha.times(&d_theta, "1"));
    let l = ls.plus(&d).minus(&ls.times(&warm, "1"));
    report("length of the end gauge, nm", gum, 50_000_838.0, l.value, 0.5);
    report("its standard uncertainty, nm", gum, 31.71, l.uncertainty, 0.02);
    // What has no effect to first order is not named; the standard's calibration dominates.
    assert_eq!(l.dominant().unwrap().0, "calibration of the standard");
    assert!(l.contributions.iter().all(|c| c.source != "mean temperature"));
}

/// JCGM 100:2008, H.2: resistance and reactance from simultaneous means of V, I and phi. The
/// covariance of the means is taken apart into independent sources (Cholesky).
#[test]
fn val_gum_h2_correlated() {
    let sets = [
        [5.007, 19.663e-3, 1.0456],
        [4.994, 19.639e-3, 1.0438],
        [5.005, 19.640e-3, 1.0468],
        [4.990, 19.685e-3, 1.0428],
        [4.999, 19.678e-3, 1.0433],
    ];
    let n = 5.0;
    let mean: [f64; 3] = std::array::from_fn(|k| sets.iter().map(|s| s[k]).sum::<f64>() / n);
    let mut cov = nalgebra::Matrix3::zeros();
    for s in &sets {
        let d = nalgebra::Vector3::from_fn(|k, _| s[k] - mean[k]);
        cov += d * d.transpose() / (n * (n - 1.0));
    }
    // Scaled, so that the factor is of numbers of one size.
    let scale: [f64; 3] = std::array::from_fn(|k| cov[(k, k)].sqrt());
    let unit = nalgebra::Matrix3::from_fn(|i, j| cov[(i, j)] / (scale[i] * scale[j]));
    let factor = unit.cholesky().unwrap().l();
    let input = |k: usize| {
        let contributions = (0..3)
            .map(|j| Contribution {
                source: format!("source {j}"),
                sensitivity: scale[k] * factor[(k, j)],
                uncertainty: 1.0,
            })
            .collect();
        Estimate::new(mean[k], "1", Origin::Measured, contributions)
    };
    let (v, i, phi) = (input(0), input(1), input(2));
    let gum = "JCGM 100:2008, H.2";
    report("u of the mean voltage, V", gum, 0.0032, v.uncertainty, 5e-5);
    report("u of the mean current, mA", gum, 0.0095, i.uncertainty * 1e3, 5e-5);
    report("u of the mean phase, rad", gum, 0.00075, phi.uncertainty, 5e-6);
    let r = |a: &Estimate, b: &Estimate| a.covariance(b) / (a.uncertainty * b.uncertainty);
    let z = v.over(&i, "ohm");
    let cos = Estimate::combine(phi.value.cos(), "1", &[(-phi.value.sin(), &phi)]);
    let sin = Estimate::combine(phi.value.sin(), "1", &[(phi.value.cos(), &phi)]);
    let (res, react) = (z.times(&cos, "ohm"), z.times(&sin, "ohm"));
    report("R, ohm", gum, 127.732, res.value, 5e-4);
    report("u(R), ohm", gum, 0.071, res.uncertainty, 5e-4);
    report("X, ohm", gum, 219.847, react.value, 5e-4);
    // The GUM prints 0.295 where its own five sets give 0.29558 (numpy 2, the same formulas): one in its last digit.
    report("u(X), ohm", gum, 0.295, react.uncertainty, 1e-3);
    report(
        "u(X), ohm, from the five sets",
        "numpy: J C J^T with the sample covariance",
        0.295_581_68,
        react.uncertainty,
        1e-7,
    );
    report("Z, ohm", gum, 254.260, z.value, 5e-4);
    report("u(Z), ohm", gum, 0.236, z.uncertainty, 5e-4);
    // Correlations of the results, table H.4 (from memory).
    report("r(R, X)", gum, -0.588, r(&res, &react), 5e-4);
    report("r(R, Z)", gum, -0.485, r(&res, &z), 5e-4);
    report("r(X, Z)", gum, 0.993, r(&react, &z), 5e-4);
}

/// Two rotors weighed by one load cell (scale error 2 %) with noise of their own.
#[test]
fn prop_shared_errors() {
    let rotor = |thrust: f64, noise: f64, name: &str| {
        single(thrust, noise, name).plus(&single(0.0, 0.02 * thrust, "load cell"))
    };
    // One scale error moves both by the same share: sensitivities differ, the source is one.
    let scaled = |thrust: f64, noise: f64, name: &str| {
        Estimate::new(
            thrust,
            "N",
            Origin::Measured,
            vec![
                Contribution { source: "load cell".to_owned(), sensitivity: thrust, uncertainty: 0.02 },
                Contribution { source: name.to_owned(), sensitivity: 1.0, uncertainty: noise },
            ],
        )
    };
    let (a, b) = (scaled(10.0, 0.01, "a"), scaled(10.0, 0.01, "b"));
    assert!((a.minus(&b).uncertainty - 0.01 * 2f64.sqrt()).abs() < 1e-12);
    assert!((a.over(&b, "1").uncertainty - 0.001 * 2f64.sqrt()).abs() < 1e-12);
    assert!((a.plus(&b).uncertainty - 0.4f64.hypot(0.01 * 2f64.sqrt())).abs() < 1e-12);
    // Against a weight from another instrument the scale error stays whole.
    let weight = single(12.0, 0.012, "scales");
    let ratio = a.plus(&b).over(&weight, "1");
    let expected = ratio.value * (0.4f64.hypot(0.01 * 2f64.sqrt()) / 20.0).hypot(0.001);
    assert!((ratio.uncertainty - expected).abs() < 1e-12);
    // Stated per estimate in its own unit it is the same source still.
    let (c, d) = (rotor(10.0, 0.0, "c"), rotor(10.0, 0.0, "d"));
    assert!(c.minus(&d).uncertainty < 1e-12);
    // The weakest claim goes on.
    let computed = a.clone().with_origin(Origin::Computed);
    assert_eq!(a.over(&computed, "1").origin, Origin::Computed);
    assert_eq!(Origin::Measured.weaker(Origin::Simulated), Origin::Simulated);
}

fn any_estimate() -> impl Strategy<Value = Estimate> {
    let source = (0usize..6, -5.0..5.0f64);
    (-100.0..100.0f64, prop::collection::vec(source, 0..5)).prop_map(|(value, list)| {
        let contributions = list
            .into_iter()
            // The uncertainty belongs to the source, so it is the same wherever the source appears.
            .map(|(k, s)| Contribution {
                source: format!("s{k}"),
                sensitivity: s,
                uncertainty: 0.1 * (k + 1) as f64,
            })
            .collect();
        Estimate::new(value, "1", Origin::Computed, contributions)
    })
}

proptest! {
    #[test]
    fn prop_estimates_are_linear(
        a in any_estimate(), b in any_estimate(), c in any_estimate(), p in -3.0..3.0f64, q in -3.0..3.0f64,
    ) {
        let near = |x: f64, y: f64| (x - y).abs() < 1e-9 * (1.0 + x.abs().max(y.abs()));
        prop_assert!(a.minus(&a).uncertainty < 1e-12 && a.minus(&a).contributions.is_empty());
        prop_assert!(near(a.covariance(&b), b.covariance(&a)));
        prop_assert!(near(a.covariance(&a), a.uncertainty.powi(2)));
        prop_assert!(a.covariance(&b).abs() <= a.uncertainty * b.uncertainty + 1e-9);
        let sum = Estimate::combine(0.0, "1", &[(p, &a), (q, &b)]);
        // Bilinear: covariance of a combination is the combination of covariances.
        prop_assert!(near(sum.covariance(&c), p * a.covariance(&c) + q * b.covariance(&c)));
        let v = p * p * a.covariance(&a) + q * q * b.covariance(&b) + 2.0 * p * q * a.covariance(&b);
        prop_assert!(near(sum.uncertainty.powi(2), v));
        prop_assert!(near(a.plus(&b).minus(&b).covariance(&c), a.covariance(&c)));
        // Largest first, and the parts add up.
        let effects: Vec<f64> = sum.contributions.iter().map(|c| c.effect().abs()).collect();
        prop_assert!(effects.windows(2).all(|w| w[0] >= w[1]));
        prop_assert!(sum.dominant().is_none_or(|(_, share)| share > 0.0 && share <= 1.0 + 1e-12));
    }
}

/// Splitmix64, for draws that are the same everywhere.
struct Draws(u64);

impl Draws {
    /// Between -1 and 1.
    fn next(&mut self) -> f64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        ((z ^ (z >> 31)) >> 11) as f64 / (1u64 << 52) as f64 - 1.0
    }
}

/// Propagation by sensitivities against draws of every input at once (JCGM 101:2008), each from the
/// rectangle that a stated tolerance means (JCGM 100:2008, 4.3.7).
#[test]
fn val_monte_carlo() {
    let programme = Programme::load(base()).unwrap_or_else(|d| panic!("{d}"));
    let file = AircraftFile::load(&aircraft(base())).unwrap_or_else(|d| panic!("{d}"));
    let subject = Subject::new(file, programme.site.clone()).unwrap_or_else(|d| panic!("{d}"));
    let groups = [Group::Mass, Group::Hover, Group::Full];
    let ids = [
        "mass.total",
        "hover.half.bare.speed",
        "hover.half.bare.command",
        "sizing.hover_share",
        "sizing.worst_corner",
    ];
    let n = 600usize;
    let mut draws = Draws(7);
    let mut samples: Vec<Vec<f64>> = vec![Vec::new(); ids.len()];
    let inputs: Vec<_> = subject.inputs().into_iter().filter(|i| i.uncertainty > 0.0).collect();
    for _ in 0..n {
        let moved: BTreeMap<String, f64> = inputs
            .iter()
            .map(|i| (i.key.clone(), i.value + 3f64.sqrt() * i.uncertainty * draws.next()))
            .collect();
        let (site, own): (BTreeMap<_, _>, BTreeMap<_, _>) =
            moved.into_iter().partition(|(k, _)| k.starts_with("site."));
        let resolved = subject.file().resolve(&own).unwrap_or_else(|d| panic!("{d}"));
        let out = nominal(&resolved.aircraft, &SiteAir::of(&programme.site.with(&site)), &groups);
        for (id, all) in ids.iter().zip(&mut samples) {
            all.push(out.get(id).unwrap_or_else(|| panic!("no {id}")));
        }
    }
    let prediction = subject.predict(&groups);
    for (id, all) in ids.iter().zip(&samples) {
        let e = prediction.get(id).unwrap();
        let mean = all.iter().sum::<f64>() / n as f64;
        let sd = (all.iter().map(|x| (x - mean).powi(2)).sum::<f64>() / (n - 1) as f64).sqrt();
        // Four standard errors of a standard deviation, 1/sqrt(2 n) for a normal quantity.
        let tolerance = 4.0 / (2.0 * n as f64).sqrt();
        println!(
            "VALIDATION|estimates|standard uncertainty of {id}, {}|Monte Carlo over all inputs, {n} draws|{sd:.6}|{:.6}|{:.1} % (4 standard errors)",
            e.unit,
            e.uncertainty,
            100.0 * tolerance
        );
        assert!((e.uncertainty / sd - 1.0).abs() < tolerance, "{id}: {} against {sd}", e.uncertainty);
        assert!(
            (e.value - mean).abs() < 4.0 * sd / (n as f64).sqrt() + 0.02 * sd,
            "{id}: {} against {mean}",
            e.value
        );
    }
}

/// Numbers changed in place give the figures of the file read again, with and without a measured response.
#[test]
fn prop_numbers_in_place_are_the_file_read_again() {
    use dossier::predict::Measured;
    use dossier::result::KeyChange;
    let programme = Programme::load(base()).unwrap_or_else(|d| panic!("{d}"));
    let file = AircraftFile::load(&aircraft(base())).unwrap_or_else(|d| panic!("{d}"));
    let subject = Subject::new(file, programme.site).unwrap_or_else(|d| panic!("{d}"));
    let figure = |value: f64, unit: &str| Measured {
        value,
        uncertainty: 1e-3 * value,
        unit: unit.to_owned(),
        origin: Origin::Measured,
        records: Vec::new(),
        ways: Vec::new(),
    };
    let measured = BTreeMap::from([
        ("esc.response_up".to_owned(), figure(0.012, "s")),
        ("weighed.mass".to_owned(), figure(5.27, "kg")),
        ("rotor.cp".to_owned(), figure(0.041, "1")),
    ]);
    let (flown, refused) = subject.with_measured(&measured).unwrap_or_else(|d| panic!("{d}"));
    assert!(refused.is_empty());
    let changes = [
        ("filter.1.cutoff", "\"45 Hz\""),
        ("esc.dead_time", "\"4 ms +- 1 ms\""),
        ("esc.response_up", "\"20 ms\""),
        ("battery.cell_resistance", "\"6 mohm\""),
        ("rotor.ct", "\"0.09\""),
        ("rotor.diameter", "\"12 in\""),
        ("motor.kv", "\"430 rpm/V +- 1 %\""),
        ("mass.1.mass", "\"1.6 kg\""),
        ("aircraft.cant", "\"2 deg\""),
    ];
    for s in [&subject, &flown] {
        for (key, value) in changes {
            let edits = [KeyChange { key: key.to_owned(), value: value.to_owned() }];
            let quick = s.nominal_with(&edits, &Group::ALL);
            let slow = s.with_edits(&edits).ok().map(|s| s.nominal(&Group::ALL));
            let figures = |n: &dossier::predict::Nominal| -> Vec<(String, f64)> {
                n.outputs.iter().map(|o| (o.id.clone(), o.value)).collect()
            };
            assert_eq!(quick.map(|q| figures(&q.0)), slow.as_ref().map(figures), "{key}");
        }
    }
}
