use std::f64::consts::TAU;

use proptest::prelude::*;
use signal::peaks;
use signal::spectrum::{Options, welch};
use signal::timebase::{on_grid, order, regularise};

use crate::series::{check, uniform};

/// Stamps with jitter, gaps, repeats and disorder; values from a function of true time.
fn spoiled(n: usize, rate: f64, jitter: f64, value: impl Fn(usize, f64) -> f64) -> (Vec<f64>, Vec<f64>) {
    let shake = uniform(2, n);
    let (mut time, mut values) = (Vec::new(), Vec::new());
    for k in 0..n {
        // Two long gaps, a short one, and single lost samples.
        if (4000..4400).contains(&k)
            || (9000..9013).contains(&k)
            || (15_000..16_777).contains(&k)
            || k % 997 == 5
        {
            continue;
        }
        let t = (k as f64 + 2.0 * jitter * shake[k]) / rate + 3.7;
        time.push(t);
        values.push(value(k, t));
        if k % 211 == 0 {
            time.push(t);
            values.push(1e3);
        }
    }
    let last = time.len() - 1;
    for k in (1..last - 1).step_by(503) {
        time.swap(k, k + 1);
        values.swap(k, k + 1);
    }
    (time, values)
}

#[test]
fn val_sine_on_spoiled_time() {
    let (rate, f) = (1000.0, 61.7);
    let (time, values) = spoiled(30_000, rate, 0.15, |_, t| 1.3 * (TAU * f * t).sin());
    let u = regularise(&time, &[&values]).unwrap();
    check("signal", "jittered, gapped, repeated time: rate, Hz", "planted", rate, u.rate(), 2.0);
    assert_eq!(u.report.gaps.len(), 3);
    assert!(u.report.duplicates > 100 && u.report.unsorted > 40, "{:?}", u.report);
    // Uniform jitter within 0.15 of a period: an interval has sqrt(2/3) x 0.15 r.m.s.; lost samples add to it.
    assert!(u.report.jitter_rms > 1.1e-4 && u.report.jitter_rms < 2.0e-4, "{:?}", u.report);
    let d = welch(&u.channel(0), u.rate(), &Options::hann(1000)).unwrap();
    let p = peaks::find(&d, &peaks::Options::default())[0];
    check(
        "signal",
        "jittered, gapped, repeated time: frequency of a sine, Hz",
        "planted",
        f,
        p.frequency,
        0.1,
    );
    check(
        "signal",
        "jittered, gapped, repeated time: amplitude of a sine",
        "planted",
        1.3,
        p.rms * 2.0_f64.sqrt(),
        0.013,
    );
}

/// White noise of known density, band-limited so that interpolation has something to hold on to:
/// the density in the lower eighth of the band.
#[test]
fn val_noise_on_spoiled_time() {
    let rate = 1000.0;
    let w = uniform(9, 30_000);
    let (time, values) = spoiled(30_000, rate, 0.05, |k, _| w[k]);
    let u = regularise(&time, &[&values]).unwrap();
    let d = welch(&u.channel(0), u.rate(), &Options::hann(500)).unwrap();
    let got = d.band_rms(5.0, 125.0).powi(2) / 120.0;
    check(
        "signal",
        "jittered, gapped, repeated time: density of noise x 6000",
        "planted",
        1.0,
        got * 6000.0,
        0.05,
    );
}

#[test]
fn val_grid_mask_invents_nothing() {
    let time = [0.0, 1.0, 2.0, 3.0, 8.0, 9.0, 10.0, 11.5, 12.0];
    let values = [0.0, 2.0, 4.0, 6.0, 16.0, 18.0, 20.0, 23.0, 24.0];
    let (v, mask) = on_grid(&time, &values, -1.0, 0.5, 30).unwrap();
    for k in 0..30 {
        let t = -1.0 + 0.5 * k as f64;
        let inside = (0.0..=3.0).contains(&t) || (8.0..=12.0).contains(&t);
        assert_eq!(mask[k], inside, "{t}");
        assert!(if inside { (v[k] - 2.0 * t).abs() < 1e-12 } else { v[k].is_nan() });
    }
}

proptest! {
    /// Whatever the stamps: no panic, order ascends, a straight line stays straight.
    #[test]
    fn prop_any_stamps(mut time in proptest::collection::vec(prop_oneof![
        8 => -1e3..1e3_f64, 1 => Just(f64::NAN), 1 => Just(0.0), 1 => Just(f64::INFINITY)], 0..200)) {
        if let Ok(o) = order(&time) {
            prop_assert!(o.time.windows(2).all(|w| w[0] < w[1]));
            prop_assert!(o.report.period > 0.0);
        }
        for t in &mut time {
            *t = t.clamp(-10.0, 10.0);
        }
        let line: Vec<f64> = time.iter().map(|t| 2.0 - 3.0 * t).collect();
        if let Ok(u) = regularise(&time, &[&line]) {
            for s in &u.stretches {
                for (k, v) in s.channels[0].iter().enumerate() {
                    let t = s.start + k as f64 * u.period;
                    prop_assert!((v - (2.0 - 3.0 * t)).abs() < 1e-4, "{} {}", v, t);
                }
            }
        }
    }
}
