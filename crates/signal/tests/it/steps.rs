use std::f64::consts::{PI, TAU};

use signal::ringdown;
use signal::steps::{Options, detect, metrics};

use crate::series::{check, uniform};

/// Unit step of a second-order system, closed form (Ogata, Modern Control Engineering, sec. 5-3).
fn second_order(z: f64, wn: f64, t: f64) -> f64 {
    if t <= 0.0 {
        return 0.0;
    }
    let wd = wn * (1.0 - z * z).sqrt();
    1.0 - (-z * wn * t).exp() * ((wd * t).cos() + z * wn / wd * (wd * t).sin())
}

/// First crossing of a level by bisection on the closed form.
fn crossing(z: f64, wn: f64, level: f64) -> f64 {
    let (mut low, mut high) = (0.0, PI / (wn * (1.0 - z * z).sqrt()));
    for _ in 0..200 {
        let mid = 0.5 * (low + high);
        if second_order(z, wn, mid) < level { low = mid } else { high = mid }
    }
    low
}

#[test]
fn val_second_order_steps() {
    let source = "closed form of the second-order step (Ogata)";
    for (z, wn, size) in [(0.3, 25.0, 1.745), (0.5, 40.0, -1.745), (0.7, 30.0, 0.9)] {
        let rate = 500.0;
        let dead = 0.0123;
        let time: Vec<f64> = (0..1500).map(|k| f64::from(k) / rate).collect();
        let demand: Vec<f64> = time.iter().map(|t| if *t >= 1.0 { size } else { 0.0 }).collect();
        let response: Vec<f64> = time.iter().map(|t| size * second_order(z, wn, t - 1.0 - dead)).collect();
        let o = Options { least_size: 0.3, tolerance: 0.02, hold: 0.2, longest_edge: 0.1 };
        let steps = detect(&time, &demand, &o);
        assert_eq!(steps.len(), 1);
        let s = steps[0];
        assert!((s.at - 1.0).abs() < 1e-12 && (s.size() - size).abs() < 1e-12);
        let m = metrics(&time, &response, s.from, s.to, s.at, s.until);
        let name = |what: &str| format!("step, damping {z}, {wn} rad/s: {what}");
        let wd = wn * (1.0 - z * z).sqrt();
        let t10 = crossing(z, wn, 0.1);
        check("signal", &name("delay, s"), source, dead + t10, m.delay.unwrap(), 1e-4);
        check("signal", &name("rise, s"), source, crossing(z, wn, 0.9) - t10, m.rise.unwrap(), 2e-4);
        let over = (-PI * z / (1.0 - z * z).sqrt()).exp();
        check("signal", &name("overshoot"), "exp(-pi z/sqrt(1-z^2))", over, m.overshoot.unwrap(), 2e-5);
        check("signal", &name("peak time, s"), "pi/wd", dead + PI / wd, m.peak_time.unwrap(), 1e-4);
        // Last exit from the band, on a fine grid of the closed form.
        let last = (0..2_000_000)
            .rev()
            .map(|k| f64::from(k) * 1e-6)
            .find(|t| (second_order(z, wn, *t) - 1.0).abs() > 0.05);
        check(
            "signal",
            &name("settling within 5 %, s"),
            source,
            dead + last.unwrap(),
            m.settling.unwrap(),
            3e-4,
        );
    }
}

#[test]
fn val_edges_and_levels() {
    // A ramped edge of 40 ms counts from its 10 % point; a slow ramp is no step; a short blip is no level.
    let time: Vec<f64> = (0..4000).map(|k| f64::from(k) * 0.002).collect();
    let demand: Vec<f64> = time
        .iter()
        .map(|t| match *t {
            t if t < 1.0 => 0.0,
            t if t < 1.04 => 50.0 * (t - 1.0),
            t if t < 2.0 => 2.0,
            t if t < 2.05 => 5.0,
            t if t < 3.0 => 2.0,
            t if t < 5.0 => 2.0 - (t - 3.0),
            t if t < 6.0 => 0.0,
            _ => -2.0,
        })
        .collect();
    let o = Options { least_size: 0.5, tolerance: 0.02, hold: 0.2, longest_edge: 0.1 };
    let found = detect(&time, &demand, &o);
    let at: Vec<f64> = found.iter().map(|s| s.at).collect();
    assert_eq!(found.len(), 2, "{found:?}");
    check("signal", "ramped edge of 40 ms: 10 % point, s", "closed form", 1.004, at[0], 1e-9);
    check("signal", "sharp edge, s", "closed form", 6.0, at[1], 1e-9);
    // A response that never gets there has no figures, and no panic.
    let m = metrics(&time, &vec![0.0; 4000], 0.0, 1.0, 1.0, 2.0);
    assert!(m.delay.is_none() && m.rise.is_none() && m.settling.is_none());
    assert!(metrics(&[], &[], 0.0, 1.0, 0.0, 1.0).delay.is_none());
}

#[test]
fn val_exact_ring_downs() {
    for (z, f, level) in [(0.02, 8.0, 0.0), (0.1, 3.3, 0.4), (0.35, 12.0, -1.0), (-0.01, 6.0, 0.0)] {
        let natural: f64 = TAU * f / (1.0_f64 - z * z).sqrt();
        let y: Vec<f64> = (0..400)
            .map(|k| {
                let t = f64::from(k) * 0.002;
                level + 1.7 * (-z * natural * t).exp() * (TAU * f * t + 0.6).cos()
            })
            .collect();
        let r = ringdown::fit(&y, 0.002, 1.0, 40.0).unwrap();
        check("signal", &format!("ring-down {f} Hz, damping {z}: damping"), "planted", z, r.damping, 1e-7);
        check(
            "signal",
            &format!("ring-down {f} Hz, damping {z}: frequency, Hz"),
            "planted",
            f,
            r.frequency,
            1e-6,
        );
    }
    // Logarithmic decrement from the closed-form extrema: half a period apart.
    let z: f64 = 0.15;
    let ratio = (PI * z / (1.0 - z * z).sqrt()).exp();
    let got = ringdown::damping_from_half_cycle(1.0, -1.0 / ratio).unwrap();
    check(
        "signal",
        "damping from two extrema half a period apart",
        "logarithmic decrement (Thomson)",
        z,
        got,
        1e-12,
    );
}

/// With noise the interval holds the truth about as often as it says.
#[test]
fn val_ring_down_interval() {
    let mut inside = 0;
    for seed in 0..60 {
        let noise = uniform(100 + seed, 500);
        let y: Vec<f64> = (0..500)
            .map(|k| {
                let t = k as f64 * 0.002;
                (-0.08 * 40.0 * t).exp() * (40.0 * (1.0_f64 - 0.0064).sqrt() * t).sin() + 0.15 * noise[k]
            })
            .collect();
        let r = ringdown::fit(&y, 0.002, 1.0, 40.0).unwrap();
        if (r.damping - 0.08).abs() < 2.0 * r.damping_error {
            inside += 1;
        }
    }
    check(
        "signal",
        "ring-down in noise: share within two standard uncertainties",
        "normal law",
        0.95,
        f64::from(inside) / 60.0,
        0.06,
    );
}

#[test]
fn val_half_cycles() {
    // Damping 0.2: extrema fall by exp(-pi z/sqrt(1-z^2)) = 0.527 each half period; above 5 % of
    // the first stand 1, 0.527, 0.278, 0.146, 0.077: four changes of side.
    let y: Vec<f64> = (0..3000)
        .map(|k| {
            let t = f64::from(k) * 0.001;
            (-0.2 / 0.96_f64.sqrt() * 20.0 * t).exp() * (20.0 * t).cos()
        })
        .collect();
    assert_eq!(ringdown::half_cycles(&y, 0.0, 0.05), 4);
    assert_eq!(ringdown::half_cycles(&y, 0.0, 2.0), 0);
    assert_eq!(ringdown::half_cycles(&[], 0.0, 0.1), 0);
}
