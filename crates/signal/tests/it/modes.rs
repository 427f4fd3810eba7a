//! Natural frequencies and damping from taps: scipy, closed forms, and recovery of planted truths.

use std::f64::consts::{PI, TAU};

use nalgebra::DMatrix;
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};
use rayon::prelude::*;
use signal::modes::{self, Options};
use signal::{pendulum, robust};

use crate::series::{check, table};

/// A structure of several modes, struck by a half sine of force, seen by an accelerometer.
struct Strike {
    truths: Vec<(f64, f64)>,
    values: Vec<f64>,
    /// Cramer-Rao bound of the natural frequency and damping of each mode.
    bounds: Vec<(f64, f64)>,
}

const RATE: f64 = 2000.0;

fn normal(rng: &mut ChaCha8Rng) -> f64 {
    StandardNormal.sample(rng)
}

/// Modes driven by the force of the tap, step by step; the fitting model knows no force.
fn strike(seed: u64) -> Strike {
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    let count = rng.random_range(1..=3);
    let mut truths: Vec<(f64, f64)> = Vec::new();
    while truths.len() < count {
        let f: f64 = (rng.random_range(18.0_f64.ln()..260.0_f64.ln())).exp();
        if truths.iter().all(|(g, _)| (f / g).ln().abs() > 0.2) {
            truths.push((f, (rng.random_range(0.006_f64.ln()..0.05_f64.ln())).exp()));
        }
    }
    let n = (0.7 * RATE) as usize;
    let begin = 0.05;
    let contact = rng.random_range(0.002..0.005);
    let mut clean = vec![0.0; n];
    // After the force has ended each mode is a decaying pair; its state is kept for the bound.
    let mut pairs = Vec::new();
    for (f, z) in &truths {
        let wn = TAU * f;
        let (s, w) = (z * wn, wn * (1.0 - z * z).sqrt());
        let gain = rng.random_range(0.6..1.5) * if rng.random_bool(0.5) { 1.0 } else { -1.0 };
        let (mut x, mut v) = (0.0, 0.0);
        let fine = 40;
        let dt = 1.0 / RATE / f64::from(fine);
        let end = begin + contact;
        let mut free: Option<(f64, f64, f64)> = None;
        let mut peak = 0.0_f64;
        let mut raw = vec![0.0; n];
        for i in 0..n {
            let t = i as f64 / RATE;
            let a = if let Some((at, p, q)) = free {
                let u = t - at;
                (-s * u).exp() * (p * (w * u).cos() + q * (w * u).sin())
            } else {
                let force =
                    |t: f64| if t > begin && t < end { (PI * (t - begin) / contact).sin() } else { 0.0 };
                let now = force(t) - 2.0 * s * v - wn * wn * x;
                for k in 0..fine {
                    let tm = t + (f64::from(k) + 0.5) * dt;
                    // Midpoint rule.
                    let am = force(tm)
                        - 2.0 * s * (v + 0.5 * dt * (force(tm) - 2.0 * s * v - wn * wn * x))
                        - wn * wn * (x + 0.5 * dt * v);
                    let vm = v + 0.5 * dt * (force(tm) - 2.0 * s * v - wn * wn * x);
                    x += dt * vm;
                    v += dt * am;
                }
                if t + 1.0 / RATE > end {
                    let at = t + 1.0 / RATE;
                    let p = -2.0 * s * v - wn * wn * x;
                    free = Some((at, p, (-s * p - wn * wn * v) / w));
                }
                now
            };
            raw[i] = a;
            if t > end + 1.0 / RATE {
                peak = peak.max(a.abs());
            }
        }
        let scale = gain / peak.max(1e-12);
        raw.iter().zip(&mut clean).for_each(|(r, c)| *c += scale * r);
        let (at, p, q) = free.unwrap();
        pairs.push((at, s, w, scale * p, scale * q));
    }
    let most =
        clean.iter().skip(((begin + contact) * RATE) as usize + 1).fold(0.0_f64, |m, v| m.max(v.abs()));
    // Noise: a floor and a part that dies away with the tap.
    let floor = most * 10.0_f64.powf(-rng.random_range(30.0..50.0) / 20.0);
    let burst = floor * rng.random_range(0.0..4.0);
    let fade = rng.random_range(0.03..0.15);
    let limit = most * rng.random_range(0.6..1.3);
    let grain = limit / 2048.0;
    let sigma = |t: f64| {
        let b: f64 = if t > begin { burst * (-(t - begin) / fade).exp() } else { 0.0 };
        (floor * floor + b * b + grain * grain / 12.0).sqrt()
    };
    let mut values = vec![0.0; n];
    for i in 0..n {
        let t = i as f64 / RATE;
        let noise = normal(&mut rng) * (sigma(t).powi(2) - grain * grain / 12.0).sqrt();
        values[i] = ((clean[i] + noise).clamp(-limit, limit) / grain).round() * grain;
    }
    // Bound: from the first sample that neither the force nor the limit touches.
    let touched = (0..n).rev().find(|i| values[*i].abs() >= 0.999 * limit).unwrap_or(0);
    let first = (((begin + contact) * RATE) as usize + 2).max(touched + 1);
    let p = 4 * count + 1;
    let mut j = DMatrix::zeros(n - first, p);
    for i in first..n {
        let t = i as f64 / RATE;
        let weight = 1.0 / sigma(t);
        for (k, (at, s, w, a, b)) in pairs.iter().enumerate() {
            let u = t - at;
            let e = (-s * u).exp() * weight;
            let (si, co) = (w * u).sin_cos();
            j[(i - first, 4 * k)] = e * co;
            j[(i - first, 4 * k + 1)] = e * si;
            j[(i - first, 4 * k + 2)] = -u * e * (a * co + b * si);
            j[(i - first, 4 * k + 3)] = u * e * (b * co - a * si);
        }
        j[(i - first, p - 1)] = weight;
    }
    let norm: Vec<f64> = (0..p).map(|c| j.column(c).norm()).collect();
    for c in 0..p {
        j.column_mut(c).scale_mut(1.0 / norm[c]);
    }
    let inverse = (j.transpose() * &j).try_inverse().unwrap();
    let bounds = pairs
        .iter()
        .enumerate()
        .map(|(k, (_, s, w, _, _))| {
            let c = |a: usize, b: usize| inverse[(a, b)] / (norm[a] * norm[b]);
            let (is, iw) = (4 * k + 2, 4 * k + 3);
            let wn = s.hypot(*w);
            let spread =
                |a: f64, b: f64| (a * a * c(is, is) + 2.0 * a * b * c(is, iw) + b * b * c(iw, iw)).sqrt();
            (spread(s / wn, w / wn) / TAU, spread(w * w / wn.powi(3), -s * w / wn.powi(3)))
        })
        .collect();
    Strike { truths, values, bounds }
}

/// Coverage of the 95 % interval, per cent, with its line for the table.
fn coverage(what: &str, inside: usize, total: usize) {
    let percent = 100.0 * inside as f64 / total as f64;
    println!(
        "VALIDATION|recovery|{what}: inside the 95 % interval, %|planted truth, {total} cases|94.75|{percent:.2}|2.25 absolute"
    );
    assert!((92.5..=97.0).contains(&percent), "{what}: {percent} % inside");
}

/// Median of stated uncertainty over bound: from 1 (cannot be less) to 2.
fn width(what: &str, ratios: &[f64]) {
    let median = robust::median(ratios).unwrap();
    println!(
        "VALIDATION|recovery|{what}: median of stated uncertainty over Cramer-Rao bound|closed form of the planted signal|1.4|{median:.3}|0.6 absolute"
    );
    assert!((0.8..=2.0).contains(&median), "{what}: {median}");
}

#[test]
fn val_tap_recovery() {
    let cases = 1000;
    let rows: Vec<_> = (0..cases)
        .into_par_iter()
        .map(|seed| {
            let case = strike(seed);
            let stretch = modes::taps(&case.values, 1.0 / RATE, 0.004).into_iter().next();
            let found = stretch.and_then(|r| {
                modes::fit(&case.values[r], 1.0 / RATE, &Options { low: 8.0, high: 400.0, most: 5 }).ok()
            });
            (case, found)
        })
        .collect();
    let blind = rows.iter().filter(|(c, _)| modes::taps(&c.values, 1.0 / RATE, 0.004).is_empty()).count();
    let failed = rows.iter().filter(|(_, f)| f.is_none()).count();
    println!("no tap seen {blind}, no fit {failed}");
    let (mut inside, mut damped, mut total, mut missed, mut extra) = (0, 0, 0, 0, 0);
    let (mut ratio, mut damping_ratio) = (Vec::new(), Vec::new());
    for (case, found) in &rows {
        let list = found.as_ref().map(|f| f.modes.as_slice()).unwrap_or_default();
        extra += list.len().saturating_sub(case.truths.len());
        for ((f, z), (bf, bz)) in case.truths.iter().zip(&case.bounds) {
            total += 1;
            let near = list
                .iter()
                .filter(|m| (m.natural / f).ln().abs() < 0.05)
                .min_by(|a, b| (a.natural - f).abs().total_cmp(&(b.natural - f).abs()));
            let Some(m) = near else {
                missed += 1;
                continue;
            };
            inside += usize::from((m.natural - f).abs() <= 1.96 * m.natural_error);
            damped += usize::from((m.damping - z).abs() <= 1.96 * m.damping_error);
            ratio.push(m.natural_error / bf);
            damping_ratio.push(m.damping_error / bz);
        }
    }
    println!("modes {total}, missed {missed}, extra {extra}");
    coverage("tap, natural frequency", inside, total);
    coverage("tap, damping ratio", damped, total);
    width("tap, natural frequency", &ratio);
    width("tap, damping ratio", &damping_ratio);
    println!(
        "VALIDATION|recovery|tap: modes missed, % of {total}|planted truth|0|{:.2}|1.5 absolute",
        100.0 * missed as f64 / total as f64
    );
    assert!(100 * missed < 3 * total / 2);
}

/// scipy.optimize.curve_fit on the same two-mode series.
#[test]
fn val_two_modes_against_scipy() {
    let rows = table(include_str!("../../../../reference/tap_modes.csv"));
    let values: Vec<f64> = table(include_str!("../../../../reference/tap_series.csv"))
        .iter()
        .map(|r| r["value"].parse().unwrap())
        .collect();
    let found = modes::fit(&values, 1e-3, &Options { low: 5.0, high: 300.0, most: 4 }).unwrap();
    assert_eq!(found.modes.len(), rows.len());
    for row in &rows {
        let f: f64 = row["natural"].parse().unwrap();
        let m = found
            .modes
            .iter()
            .min_by(|a, b| (a.natural - f).abs().total_cmp(&(b.natural - f).abs()))
            .unwrap();
        let get = |c: &str| row[c].parse::<f64>().unwrap();
        let source = "scipy curve_fit";
        // Weights differ slightly from scipy's equal ones: a tenth of the standard uncertainty.
        check("tap", "natural frequency, Hz", source, f, m.natural, 0.25 * get("natural_error"));
        check("tap", "damping ratio", source, get("damping"), m.damping, 0.25 * get("damping_error"));
        check(
            "tap",
            "uncertainty of the frequency over scipy's",
            source,
            1.0,
            m.natural_error / get("natural_error"),
            0.25,
        );
    }
}

/// Thomson, Theory of Vibration, sec. 2.8: logarithmic decrement; repeats of the same tap agree.
#[test]
fn prop_repeats_and_clipping() {
    let one = |seed: u64, limit: f64| {
        let mut rng = ChaCha8Rng::seed_from_u64(seed);
        let (f, z) = (62.0, 0.02);
        let wn = TAU * f;
        let values: Vec<f64> = (0..1200)
            .map(|i| {
                let t = f64::from(i) / RATE;
                let y = (-z * wn * t).exp() * (wn * (1.0_f64 - z * z).sqrt() * t).cos();
                (y + 0.01 * normal(&mut rng)).clamp(-limit, limit)
            })
            .collect();
        modes::fit(&values, 1.0 / RATE, &Options { low: 5.0, high: 500.0, most: 3 }).unwrap()
    };
    let repeats: Vec<_> = (0..6).map(|k| one(k, if k % 2 == 0 { 0.6 } else { 9.0 })).collect();
    assert!(repeats[0].clipped > 3 && repeats[0].first > 10 && repeats[1].clipped == 0);
    let mean = modes::average(&repeats);
    assert_eq!(mean.len(), 1);
    assert!((mean[0].natural - 62.0).abs() < 3.0 * mean[0].natural_error && mean[0].natural_error < 0.02);
    assert!((mean[0].damping - 0.02).abs() < 3.0 * mean[0].damping_error);
    assert!(modes::fit(&[0.0; 100], 1e-3, &Options { low: 5.0, high: 300.0, most: 4 }).is_err());
    assert!(modes::fit(&[f64::NAN; 100], 1e-3, &Options { low: 5.0, high: 300.0, most: 4 }).is_err());
}

/// Worked values from the closed forms (two and three wires), and the exact equation of motion
/// integrated by scipy for the amplitude and the wires' mass.
#[test]
fn val_wire_pendulum() {
    let g = 9.80665;
    let two = pendulum::Pendulum { mass: 1.5, radius: 0.2, length: 1.0, wire_mass: 0.0, gravity: g };
    check("swing", "two wires, kg m^2", "closed form, computed apart", 0.021_462_22, two.inertia(1.2), 5e-9);
    let three = pendulum::Pendulum { mass: 0.8, radius: 0.295, length: 0.675, wire_mass: 0.0, gravity: 9.81 };
    check(
        "swing",
        "three wires, kg m^2",
        "closed form, computed apart",
        0.025_629_46,
        three.inertia(1.0),
        5e-9,
    );
    for row in table(include_str!("../../../../reference/wire_pendulum.csv")) {
        let get = |c: &str| row[c].parse::<f64>().unwrap();
        let p = pendulum::Pendulum {
            mass: get("mass"),
            radius: get("radius"),
            length: get("length"),
            wire_mass: get("wire_mass"),
            gravity: get("gravity"),
        };
        let inertia = p.inertia_corrected(get("period"), get("amplitude"), 0.0);
        let what = format!(
            "moment of inertia over truth, amplitude {} rad, wires {} kg",
            get("amplitude"),
            get("wire_mass")
        );
        check("swing", &what, "scipy solve_ivp, exact motion", 1.0, inertia / get("inertia"), 1e-3);
    }
}

#[test]
fn prop_period_of_a_trace() {
    let mut rng = ChaCha8Rng::seed_from_u64(5);
    let (f, z) = (0.8, 0.004);
    let wn = TAU * f;
    let rate: Vec<f64> = (0..6000)
        .map(|i| {
            (-z * wn * f64::from(i) / 200.0).exp() * (wn * f64::from(i) / 200.0).sin()
                + 0.02 * normal(&mut rng)
        })
        .collect();
    let p = pendulum::traced(&rate, 1.0 / 200.0).unwrap();
    assert!((p.period - 1.25).abs() < 3.0 * p.error + 1e-4 && p.error < 2e-3, "{p:?}");
    let c = pendulum::counted(&[25.02, 24.96, 25.05], 20.0, 0.1).unwrap();
    assert!((c.period - 1.2505).abs() < 1e-3 && c.error > 0.0025 && c.error < 0.003, "{c:?}");
    assert!(pendulum::counted(&[], 20.0, 0.1).is_err() && pendulum::traced(&[0.0; 10], 0.01).is_err());
}
