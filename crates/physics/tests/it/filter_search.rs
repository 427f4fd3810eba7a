//! Filter search, group delay and notch forms against SciPy and closed forms.

use std::f64::consts::{FRAC_PI_4, PI, TAU};

use physics::Vec3;
use physics::aircraft::{Aircraft, Esc, Filter, Imu, RateLoop};
use physics::loops::chain::rate_chain;
use physics::loops::filter::{cascade, phase, response};
use physics::loops::filter_search::{
    NOTCH_DEPTH, NoiseLine, Search, copper_loss, group_delay, line_notches, low_frequency_delay, search,
};

use crate::control::bare;
use crate::filters::{number, table};

#[test]
fn val_scipy_group_delay() {
    let mut worst: f64 = 0.0;
    let mut rows = 0;
    for r in table("vibration.csv").iter().filter(|r| r["what"] == "group-delay") {
        let rate = number(r, "c");
        let sections =
            cascade(&Filter::LowPass { order: number(r, "a") as u32, cutoff: number(r, "b") }, rate).unwrap();
        let delay = group_delay(&sections, TAU * number(r, "d"), rate).unwrap() * rate;
        worst = worst.max((delay / number(r, "value") - 1.0).abs());
        rows += 1;
    }
    assert_eq!(rows, 25);
    println!(
        "VALIDATION|vibration|group delay of Butterworth low-passes, largest relative difference of 25|scipy 1.17.1 group_delay|0|{worst:.2e}|1e-9 absolute"
    );
    assert!(worst < 1e-9, "{worst}");
    for order in 1..=4 {
        // At low frequency the digital filter with a high rate is the analogue one.
        let sections = cascade(&Filter::LowPass { order, cutoff: 80.0 }, 80_000.0).unwrap();
        let delay = group_delay(&sections, TAU * 0.01, 80_000.0).unwrap();
        assert!((delay / low_frequency_delay(order, 80.0) - 1.0).abs() < 1e-4, "{order}");
    }
}

/// Ours is scipy's iirnotch; the audio-cookbook form of the same numbers is another filter.
#[test]
fn val_notch_forms() {
    let rows = table("vibration.csv");
    let mut worst: f64 = 0.0;
    for (centre, width, rate) in [(100.0, 50.0, 1000.0), (200.0, 66.0, 4000.0), (95.0, 30.0, 8000.0)] {
        let s = cascade(&Filter::Notch { centre, width, floor: 0.0 }, rate).unwrap()[0];
        let ours = [s.b[0], s.b[1], s.b[2], s.a[0], s.a[1]];
        let of = |what: &str| -> Vec<f64> {
            rows.iter()
                .filter(|r| r["what"] == what && number(r, "a") == centre && number(r, "b") == width)
                .map(|r| number(r, "value"))
                .collect()
        };
        for (a, b) in ours.iter().zip(of("iirnotch")) {
            worst = worst.max((a - b).abs());
        }
        let cookbook = of("cookbook-notch");
        assert!((ours[4] - cookbook[4]).abs() > 1e-5, "{centre}: {} {}", ours[4], cookbook[4]);
    }
    println!(
        "VALIDATION|vibration|notch coefficients, largest difference|scipy 1.17.1 iirnotch (width pre-warped, as ours; the audio-cookbook form differs)|0|{worst:.2e}|1e-9 absolute"
    );
    assert!(worst < 1e-9, "{worst}");
}

fn aircraft() -> Aircraft {
    let mut a = bare(Vec::new());
    a.imu = Some(Imu {
        sample_period: 0.5e-3,
        delay: 0.3e-3,
        rate_range: 35.0,
        rate_noise: 1e-4,
        accel_range: 157.0,
        accel_noise: 1e-3,
        at: Vec3::zeros(),
    });
    a.esc = Some(Esc {
        response_up: None,
        response_down: None,
        resistance: 0.003,
        dead_time: 1.5e-3,
        update_period: 0.5e-3,
        protocol_period: 0.1e-3,
        switching_frequency: 0.0,
        edge_time: 0.0,
        braking: true,
        usable_minimum: 0.04,
        max_current: None,
    });
    a.filters = vec![Filter::LowPass { order: 2, cutoff: 40.0 }];
    a.rate_loop = Some(RateLoop {
        period: 0.5e-3,
        delay: 0.4e-3,
        p: [14.0, 14.0, 6.0],
        i: [20.0, 20.0, 5.0],
        d: [0.2, 0.2, 0.0],
        d_lag: 2e-3,
        linearised: true,
        voltage_corrected: false,
        set_up_at: None,
    });
    a
}

const DENSITY: f64 = 1e-7;
const COMMAND: f64 = 0.004;

fn lines() -> Vec<NoiseLine> {
    vec![
        NoiseLine { name: "1/rev".to_owned(), band: (92.0, 98.0), power: 0.05 * 0.05, order: Some(1) },
        NoiseLine { name: "structure".to_owned(), band: (228.0, 236.0), power: 0.03 * 0.03, order: None },
    ]
}

fn asked<'a>(a: &'a Aircraft, lines: &'a [NoiseLine], limit: f64) -> Search<'a> {
    Search {
        aircraft: a,
        axis: 0,
        motor_lag: 0.03,
        crossover: 16.0,
        phase_margin: FRAC_PI_4,
        density: &|_| DENSITY,
        lines,
        band: (8.0, 1000.0),
        command: COMMAND,
        limit,
    }
}

/// Noise at the command computed anew, on another grid and with another rule, for a set with fixed filters.
fn anew(a: &Aircraft, filters: &[Filter], lines: &[NoiseLine]) -> f64 {
    let rate = 2000.0;
    let chain: Vec<_> = filters.iter().flat_map(|f| cascade(f, rate).unwrap()).collect();
    let l = a.rate_loop.as_ref().unwrap();
    let gain = |f: f64| {
        let s = nalgebra::Complex::new(0.0, TAU * f);
        let c = s.inv() * l.i[0] + s * l.d[0] / (s * l.d_lag + 1.0) + l.p[0];
        (response(&chain, TAU * f, rate) * c * COMMAND).norm_sqr()
    };
    // Simpson's rule on 20,000 intervals up to just below half the rate.
    let (from, to, n) = (8.0, 0.499 * rate, 20_000);
    let h = (to - from) / f64::from(n);
    let mut sum = gain(from) + gain(to);
    for k in 1..n {
        sum += gain(from + h * f64::from(k)) * if k % 2 == 1 { 4.0 } else { 2.0 };
    }
    let mut total = sum * h / 3.0 * DENSITY;
    for line in lines {
        let mean =
            (0..5).map(|k| gain(line.band.0 + (line.band.1 - line.band.0) * f64::from(k) / 4.0)).sum::<f64>()
                / 5.0;
        total += line.power * mean;
    }
    total.sqrt()
}

#[test]
fn val_filter_search() {
    let a = aircraft();
    let lines = lines();
    let found = search(&asked(&a, &lines, 0.005)).unwrap();
    // Today's set: the same from another integral.
    let today = anew(&a, &a.filters, &lines);
    println!(
        "VALIDATION|vibration|command noise of a filter set|Simpson's rule over the exact response|{today:.9e}|{:.9e}|1e-3 relative",
        found.today.noise
    );
    assert!((found.today.noise / today - 1.0).abs() < 1e-3);
    let r = found.recommended.as_ref().unwrap();
    assert!(r.noise <= 0.005);
    // The lag is that of its filters at crossover.
    let lag: f64 =
        r.filters().iter().map(|f| -phase(&cascade(f, 2000.0).unwrap(), 16.0, 2000.0) / 16.0).sum();
    println!(
        "VALIDATION|vibration|lag of the recommended set at crossover, s|exact phase of its filters|{lag:.9e}|{:.9e}|1e-9 relative",
        r.delay
    );
    assert!((lag / r.delay - 1.0).abs() < 1e-9);
    // The loop keeps its margin with it.
    let with = Aircraft { filters: r.filters(), ..a.clone() };
    let m = rate_chain(&with, 0, 0.03, 0.0).unwrap().margins();
    assert!(m.stable && m.phase_margin >= FRAC_PI_4);
    // No single low-pass of any order and cut-off is quicker and quiet enough.
    let mut quickest = f64::INFINITY;
    for order in 1..=4 {
        let mut cutoff = 6.0;
        while cutoff < 890.0 {
            let f = [Filter::LowPass { order, cutoff }];
            let delay = -phase(&cascade(&f[0], 2000.0).unwrap(), 16.0, 2000.0) / 16.0;
            if delay < quickest && anew(&a, &f, &lines) <= 0.005 {
                quickest = delay;
            }
            cutoff *= 1.15;
        }
    }
    assert!(r.delay < 1.02 * quickest, "{} against {quickest}", r.delay);
    // It follows 1/rev, and is quicker than today's filter.
    assert!(r.notches.iter().any(|n| n.order == Some(1)), "{r:?}");
    assert!(r.delay < found.today.delay);
    // The front falls: more lag, less noise.
    assert!(found.front.windows(2).all(|w| w[1].delay >= w[0].delay && w[1].noise < w[0].noise));
    assert!(found.front.len() > 5);
}

/// Where no set that the loop bears reaches the limit, none is recommended; the quietest one keeps the margin.
#[test]
fn prop_never_lower_than_the_loop_bears() {
    let mut a = aircraft();
    if let Some(l) = &mut a.rate_loop {
        l.p = [26.0, 26.0, 6.0];
    }
    let lines = lines();
    let found = search(&asked(&a, &lines, 1e-6)).unwrap();
    assert_eq!(found.recommended, None);
    if let Some(q) = &found.quietest {
        let with = Aircraft { filters: q.filters(), ..a.clone() };
        let m = rate_chain(&with, 0, 0.03, 0.0).unwrap().margins();
        assert!(m.stable && m.phase_margin >= FRAC_PI_4 - 1e-9);
    }
    let mut none = a;
    none.imu = None;
    assert!(search(&asked(&none, &lines, 0.01)).is_err());
}

/// The design page's figure: 1 % r.m.s. of 25 V on 0.125 ohm is 0.5 W.
#[test]
fn val_copper_loss() {
    let loss = copper_loss(0.01, 25.0, 0.125);
    println!(
        "VALIDATION|vibration|copper loss of 1 % ripple of 25 V on 0.125 ohm, W|(u V)^2 / R|0.5|{loss}|1e-12 relative"
    );
    assert!((loss - 0.5).abs() < 1e-12);
    assert!((low_frequency_delay(1, 1.0 / TAU) - 1.0).abs() < 1e-12 && low_frequency_delay(2, PI) > 0.0);
}

/// A notch made for one line: the closed form of the notch gives the same gain over the band; what is left at the command
/// comes from another integral.
#[test]
fn val_notch_for_a_line() {
    let a = aircraft();
    let lines = lines();
    let notches = line_notches(&asked(&a, &lines, 0.005)).unwrap();
    assert_eq!(notches.len(), 2);
    let fixed = notches[1].notch.as_ref().unwrap();
    assert!((fixed.centre - 232.0).abs() < 1e-9);
    // |H| of the analog notch at the warped frequencies, over the band's five places.
    let warped = |f: f64| (PI * f / 2000.0).tan();
    let (w0, wide) = (warped(fixed.centre), warped(fixed.width));
    let square = |f: f64| {
        let w = warped(f);
        let (c, s) = ((1.0 - w0 * w0) / (1.0 + w0 * w0), (1.0 - w * w) / (1.0 + w * w));
        // Band-pass to low-pass by cosines (Orfanidis, section 11.3): H = 0 where cos w = cos w0.
        let x = (s - c) / (1.0 - s * s).sqrt() / wide;
        x * x / (1.0 + x * x)
    };
    let mean: f64 = (0..5).map(|k| square(228.0 + 2.0 * f64::from(k))).sum::<f64>() / 5.0;
    println!(
        "VALIDATION|vibration|gain that a notch leaves of a line from 228 to 236 Hz|closed form, Orfanidis 1996 section 11.3|{:.9e}|{:.9e}|1e-9 relative",
        mean.sqrt(),
        fixed.depth
    );
    assert!((mean.sqrt() / fixed.depth - 1.0).abs() < 1e-9);
    assert!((fixed.depth - NOTCH_DEPTH).abs() < 1e-6);
    let mut with = a.filters.clone();
    with.push(Filter::Notch { centre: fixed.centre, width: fixed.width, floor: 0.0 });
    let after = anew(&a, &with, &lines);
    println!(
        "VALIDATION|vibration|command noise with that notch added|Simpson's rule over the exact response|{after:.9e}|{:.9e}|1e-3 relative",
        notches[1].after
    );
    assert!((notches[1].after / after - 1.0).abs() < 1e-3);
    assert!(notches.iter().all(|n| n.after < n.before));
    // Too near the loop no notch is offered.
    let low = [NoiseLine { name: "sway".to_owned(), band: (3.0, 3.4), power: 1e-4, order: None }];
    assert_eq!(line_notches(&asked(&a, &low, 0.005)).unwrap()[0].notch, None);
}

/// The isolator in the loop: its gain is the transmissibility, its phase follows from the same quotient, and margins fall
/// with a softer one.
#[test]
fn val_isolator_in_the_loop() {
    use physics::structure::isolator::transmissibility;
    let bare = rate_chain(&aircraft(), 0, 0.03, 0.0).unwrap();
    let with = bare.clone().with_isolator(40.0, 0.2);
    for r in [0.2, 0.9, 1.0, 1.5, 4.0] {
        let omega = TAU * 40.0 * r;
        let h = with.loop_gain(omega) / bare.loop_gain(omega);
        let t = transmissibility(r, 0.2);
        println!(
            "VALIDATION|vibration|isolator in the rate loop at {r} of its frequency: gain|Den Hartog, section 2.12 (from memory)|{t:.9e}|{:.9e}|1e-9 relative",
            h.norm()
        );
        assert!((h.norm() / t - 1.0).abs() < 1e-9);
        let turn = with.phase(omega) - bare.phase(omega);
        assert!((turn.sin() - h.arg().sin()).abs() < 1e-9 && turn <= 0.0);
    }
    let margin = |f: f64| bare.clone().with_isolator(f, 0.2).margins().phase_margin;
    assert!(margin(20.0) < margin(60.0) && margin(60.0) < bare.margins().phase_margin + 1e-9);
}
