use std::f64::consts::TAU;

use signal::spectrum::{Detrend, Options, cross, gain_random_error, welch};
use signal::window::Window;
use signal::{delay, peaks};

use crate::series::{check, pair, table, uniform};

fn window(name: &str) -> Window {
    match name {
        "flattop" => Window::FlatTop,
        _ => Window::Hann,
    }
}

/// scipy.signal.welch, csd and coherence on the same samples.
#[test]
fn val_scipy_spectra() {
    let rows = table(include_str!("../../../../reference/signal_spectra.csv"));
    let mut worst = std::collections::BTreeMap::<String, [f64; 4]>::new();
    for r in &rows {
        let n: usize = r["n"].parse().unwrap();
        let rate: f64 = r["rate"].parse().unwrap();
        let get = |c: &str| r[c].parse::<f64>().unwrap();
        let options = Options {
            window: window(&r["window"]),
            length: r["length"].parse().unwrap(),
            overlap: r["overlap"].parse().unwrap(),
            detrend: if r["detrend"] == "none" { Detrend::None } else { Detrend::Constant },
        };
        let (x, y) = pair(n);
        let k: usize = r["bin"].parse().unwrap();
        let pxx = welch(&[&x], rate, &options).unwrap();
        let c = cross(&[(&x, &y)], rate, &options).unwrap();
        assert!((pxx.frequency[k] - get("frequency")).abs() < 1e-9);
        let (re, im) = (get("pxy_re"), get("pxy_im"));
        let pairs = [
            (pxx.density[k] - get("pxx")) / get("pxx"),
            (c.yy[k] - get("pyy")) / get("pyy"),
            (c.xy[k].re - re).hypot(c.xy[k].im - im) / re.hypot(im),
            (c.coherence()[k] - get("coherence")) / get("coherence"),
        ];
        let w = worst.entry(r["case"].clone()).or_default();
        for (w, p) in w.iter_mut().zip(pairs) {
            *w = w.max(p.abs());
        }
    }
    assert_eq!(worst.len(), 5);
    for (case, w) in worst {
        for (what, v) in ["welch x", "welch y", "csd", "coherence"].iter().zip(w) {
            println!(
                "VALIDATION|signal|{case}: {what}, largest relative difference|scipy 1.17.1|0|{v:.2e}|1e-9 relative"
            );
            assert!(v < 1e-9, "{case} {what}: {v}");
        }
    }
}

/// Sines through every window: scipy.signal.welch, rate 1000 Hz, 8192 samples, blocks of 1024.
#[test]
fn val_scipy_sine_rows() {
    let rows = [
        (2.0, 125.0, Window::Hann, 1.365_333, 125.0, 2.0, 2.0),
        (2.0, 125.0, Window::Boxcar, 2.048, 125.0, 2.0, 2.0),
        (1.0, 100.0, Window::Hann, 0.277_085, 99.609, 0.5, 0.900_984),
        (1.0, 100.0, Window::Boxcar, 0.293_268, 99.609, 0.5, 0.756_829),
        (1.0, 100.0, Window::FlatTop, 0.135_782, 99.609, 0.5, 0.999_935),
        (1.0, 103.3, Window::Hann, 0.320_467, 103.516, 0.5, 0.968_951),
    ];
    let source = "scipy 1.17.1 signal.welch";
    for (amplitude, f, window, peak, at, power, reading) in rows {
        let x: Vec<f64> = (0..8192).map(|k| amplitude * (TAU * f * k as f64 / 1000.0).sin()).collect();
        let options = Options { window, length: 1024, overlap: 512, detrend: Detrend::None };
        let d = welch(&[&x], 1000.0, &options).unwrap();
        let top = (0..d.density.len()).max_by(|a, b| d.density[*a].total_cmp(&d.density[*b])).unwrap();
        let name = format!("sine {amplitude} at {f} Hz, {window:?}");
        check("signal", &format!("{name}: peak density"), source, peak, d.density[top], 1e-6);
        check("signal", &format!("{name}: at, Hz"), source, at, d.frequency[top], 1e-3);
        let sum: f64 = d.density.iter().sum::<f64>() * d.resolution;
        check("signal", &format!("{name}: sum of density x bin"), source, power, sum, 5e-4 * power);
        let line = (2.0 * d.density[top] * window.noise_bandwidth() * d.resolution).sqrt();
        check("signal", &format!("{name}: amplitude read at the peak"), source, reading, line, 2e-6);
    }
    check(
        "signal",
        "noise bandwidth Hann, bins",
        "Harris 1978; scipy",
        1.5,
        Window::Hann.noise_bandwidth(),
        1e-12,
    );
    check(
        "signal",
        "noise bandwidth Hamming, bins",
        "Harris 1978; scipy",
        1.362_826,
        Window::Hamming.noise_bandwidth(),
        1e-6,
    );
    check(
        "signal",
        "noise bandwidth flat top, bins",
        "scipy 1.17.1",
        3.770_246,
        Window::FlatTop.noise_bandwidth(),
        1e-6,
    );
    let scallop = 20.0 * Window::Hann.line_gain(0.5).log10();
    check("signal", "scalloping loss Hann at half a bin, dB", "Harris 1978; scipy", -1.423_62, scallop, 1e-5);
}

/// Parseval on the eight numbers of the reference sheet, and on noise with a boxcar.
#[test]
fn val_parseval() {
    let x = [1.0, 2.0, 3.0, 4.0, 0.0, -1.0, -2.0, 5.0];
    let options = Options { window: Window::Boxcar, length: 8, overlap: 0, detrend: Detrend::None };
    let d = welch(&[&x], 1.0, &options).unwrap();
    let sum = d.density.iter().sum::<f64>() * d.resolution * 8.0;
    check("signal", "Parseval: sum of squares of eight numbers", "closed form", 60.0, sum, 1e-12);
    let cumulative = *d.cumulative_rms().last().unwrap();
    check("signal", "cumulative r.m.s. at the end", "closed form", 7.5_f64.sqrt(), cumulative, 1e-12);
    let n = uniform(5, 4096);
    let square = n.iter().map(|v| v * v).sum::<f64>() / 4096.0;
    let options = Options { length: 1024, ..options };
    let d = welch(&[&n], 250.0, &options).unwrap();
    let got = d.band_rms(-1.0, 200.0).powi(2);
    check("signal", "Parseval: mean square of noise", "closed form", square, got, 1e-14);
}

/// Random error of a gain: ISO 7626-2:2015 Annex A: coherence 0.8 from 75 averages gives 4.08 %.
#[test]
fn val_iso_7626_random_error() {
    let e = gain_random_error(0.8, 75.0);
    check(
        "signal",
        "random error of a gain, coherence 0.8, 75 averages",
        "ISO 7626-2:2015 Annex A",
        0.0408,
        e,
        5e-5,
    );
    for (g, n, want) in [(0.5, 10.0, 0.223_61), (0.6, 32.0, 0.102_06), (0.95, 10.0, 0.051_30)] {
        check(
            "signal",
            &format!("random error, coherence {g}, {n} averages"),
            "Bendat and Piersol",
            want,
            gain_random_error(g, n),
            5e-6,
        );
    }
    // Half-overlapped Hann blocks: neighbours correlate by 1/6 (Welch 1967), so many blocks count 1/(1 + 1/18).
    let x = uniform(1, 128 * 1001);
    let d = welch(&[&x], 1.0, &Options::hann(256)).unwrap();
    check(
        "signal",
        "independent averages per block, Hann half overlapped",
        "Welch 1967",
        18.0 / 19.0,
        d.averages / d.blocks as f64,
        2e-4,
    );
}

/// A line between bins over noise of known density: frequency, r.m.s. and floor.
#[test]
fn val_line_in_noise() {
    let n = 40_000;
    let rate = 1000.0;
    let noise = uniform(11, n);
    // Variance 1/12 over 500 Hz.
    let density = (1.0 / 12.0) / 500.0;
    for f in [180.3, 180.79, 333.1] {
        let x: Vec<f64> = (0..n).map(|k| noise[k] + 0.7 * (TAU * f * k as f64 / rate).sin()).collect();
        let d = welch(&[&x], rate, &Options::hann(1000)).unwrap();
        let found = peaks::find(&d, &peaks::Options::default());
        assert_eq!(found.len(), 1, "{found:?}");
        let p = found[0];
        assert!(p.line);
        check("signal", &format!("line at {f} Hz: frequency, Hz"), "planted", f, p.frequency, 0.03);
        check("signal", &format!("line at {f} Hz: r.m.s."), "planted", 0.7 / 2.0_f64.sqrt(), p.rms, 0.004);
        check(
            "signal",
            &format!("line at {f} Hz: floor x 500 Hz"),
            "planted",
            density * 500.0,
            p.floor * 500.0,
            0.006,
        );
    }
    // Noise alone has no peak.
    for seed in 20..40 {
        let d = welch(&[&uniform(seed, 20_000)], rate, &Options::hann(500)).unwrap();
        assert!(peaks::find(&d, &peaks::Options { least: 1.0, ..Default::default() }).is_empty());
    }
}

/// First-order lag with two samples of delay: the known response within its random error, and the delay.
#[test]
fn val_transfer_of_known_system() {
    let n = 200_000;
    let (x, y) = pair(n);
    let c = cross(&[(&x, &y)], 1.0, &Options::hann(512)).unwrap();
    let h = c.response();
    let error = c.response_error();
    let mut inside = 0;
    let mut total = 0;
    for k in 2..c.frequency.len() - 2 {
        let w = TAU * c.frequency[k];
        let z = |m: f64| rustfft_complex(-w * m);
        let one = z(0.0);
        let want = z(2.0) / (one - z(1.0) * 0.5);
        // Gain and phase scatter alike: the distance has two parts of that error.
        if (h[k] - want).norm() < 2.0 * error[k] * want.norm() * 2.0_f64.sqrt() {
            inside += 1;
        }
        total += 1;
    }
    let share = f64::from(inside) / f64::from(total);
    // 1 - exp(-4) for a circular normal.
    check("signal", "share of bins within twice the random error", "circular normal law", 0.982, share, 0.03);

    let d: Vec<f64> =
        (0..n).map(|k| if k >= 3 { x[k - 3] } else { 0.0 } + 0.1 * y[k.saturating_sub(2000)]).collect();
    let c = cross(&[(&x, &d)], 500.0, &Options::hann(256)).unwrap();
    let t = delay::phase_delay(&c, 5.0, 200.0, 0.5).unwrap();
    check(
        "signal",
        "pure delay of three samples at 500 Hz, s",
        "planted",
        0.006,
        t.delay,
        3.0 * t.uncertainty + 1e-5,
    );
    assert!(t.uncertainty < 2e-5, "{t:?}");
}

fn rustfft_complex(phase: f64) -> signal::spectrum::Complex64 {
    signal::spectrum::Complex64::new(phase.cos(), phase.sin())
}

/// Zero-phase low-pass: gain at the cut-off is -3 dB and a sine is not shifted.
#[test]
fn val_low_pass() {
    let rate = 500.0;
    for (f, want) in [(40.0, 0.5_f64.sqrt()), (4.0, 1.0)] {
        let x: Vec<f64> = (0..5000).map(|k| (TAU * f * k as f64 / rate).sin()).collect();
        let y = signal::filter::low_pass(&x, rate, 40.0).unwrap();
        let mid = 1000..4000;
        let gain = 2.0 * mid.clone().map(|k| x[k] * y[k]).sum::<f64>() / 3000.0;
        let shift = 2.0 * mid.map(|k| (TAU * f * k as f64 / rate).cos() * y[k]).sum::<f64>() / 3000.0;
        check(
            "signal",
            &format!("zero-phase low-pass 40 Hz: gain at {f} Hz"),
            "Butterworth, closed form",
            want,
            gain,
            1e-4,
        );
        check(
            "signal",
            &format!("zero-phase low-pass 40 Hz: quadrature at {f} Hz"),
            "closed form",
            0.0,
            shift,
            1e-4,
        );
    }
    let line: Vec<f64> = (0..400).map(|k| 3.0 - 0.2 * f64::from(k)).collect();
    let y = signal::filter::low_pass(&line, rate, 10.0).unwrap();
    assert!(line.iter().zip(&y).all(|(a, b)| (a - b).abs() < 1e-6), "a straight line passes unchanged");
}
