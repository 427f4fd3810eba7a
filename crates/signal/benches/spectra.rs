//! Spectra, timed. `reference/bench_peer.py` times the same input with scipy under the same names.

use divan::Bencher;
use signal::orders::Tracker;
use signal::response::model::{Parameter, Plant};
use signal::response::{Stretch, composite, fit, spectra};
use signal::spectrum::{Options, cross, welch};
use signal::stream::WelchStream;

const RATE: f64 = 1000.0;

fn main() {
    divan::main();
    memory();
}

/// Resident memory, kB, where the system tells (Linux, `VmRSS`).
fn resident() -> Option<f64> {
    let status = std::fs::read_to_string("/proc/self/status").ok()?;
    let line = status.lines().find_map(|l| l.strip_prefix("VmRSS:"))?;
    line.split_whitespace().next()?.parse().ok()
}

/// The hour once more, watched: how far the resident memory rises from the first half minute to the highest of the rest.
fn memory() {
    let x = series(PIECE, 0.0);
    let speed = turning();
    let welch: Option<Vec<WelchStream>> =
        (0..CHANNELS).map(|_| WelchStream::new(FAST, &Options::hann(8192)).ok()).collect();
    let tracker = Tracker::new(FAST, 0.5, 1, &ORDERS, CHANNELS).ok();
    let (Some(mut welch), Some(mut tracker)) = (welch, tracker) else { return };
    let mut windows = 0;
    let watch = |name: &str, work: &mut dyn FnMut()| {
        let (mut first, mut most) = (None, 0.0_f64);
        for piece in 0..PIECES {
            work();
            let Some(now) = resident() else { return };
            if piece == 2 {
                first = Some(now);
            }
            most = most.max(now);
        }
        if let Some(first) = first {
            println!("MEMORY|{name}|{:.0}", (most - first).max(0.0));
        }
    };
    watch("streamed_welch_one_hour_8khz_six_channels", &mut || {
        for s in &mut welch {
            s.push(&x);
        }
    });
    watch("orders_1_2_4_one_hour_8khz_six_channels", &mut || {
        let _ = tracker.push(&[x.as_slice(); CHANNELS], &[speed.as_slice()], |w| windows += w.speed.len());
    });
}

/// Rotor speed of ten seconds, rad/s.
fn turning() -> Vec<f64> {
    (0..PIECE).map(|k| 600.0 + 60.0 * (2e-4 * k as f64).sin()).collect()
}

/// Two tones; the peer makes the same series.
fn series(length: usize, phase: f64) -> Vec<f64> {
    (0..length).map(|k| (0.3 * k as f64 + phase).sin() + 0.5 * (1.7 * k as f64).sin()).collect()
}

#[divan::bench]
fn welch_200000_samples_in_blocks_of_1024(bencher: Bencher) {
    let x = series(200_000, 0.0);
    bencher.bench_local(|| welch(&[&x], RATE, &Options::hann(1024)));
}

#[divan::bench]
fn cross_spectrum_200000_samples_in_blocks_of_1024(bencher: Bencher) {
    let (x, y) = (series(200_000, 0.0), series(200_000, 0.4));
    bencher.bench_local(|| cross(&[(&x, &y)], RATE, &Options::hann(1024)));
}

/// Ten minutes of a closed loop at 1 kHz: composite response and fitted plant.
#[divan::bench(sample_count = 3)]
fn identification_of_600000_samples(bencher: Bencher) {
    let n = 600_000;
    let r: Vec<f64> = (0..n).map(|k| if (k / 700) % 5 == 1 { 1.0 } else { 0.0 }).collect();
    let (mut u, mut y) = (vec![0.0; n], vec![0.0; n]);
    let mut thrust = 0.0;
    for k in 1..n {
        u[k] = 12.0 * (r[k] - y[k - 1]) + (0.7 * k as f64).sin();
        thrust += 0.03 * (u[k.saturating_sub(8)] - thrust);
        y[k] = y[k - 1] + 1e-3 * (thrust + (0.011 * k as f64).sin());
    }
    let start = Plant { gain: 1.0, delay: 0.01, lag: 0.03, zero: 0.0, damping: 0.0 };
    bencher.bench_local(|| {
        let stretch = [Stretch { reference: &r, input: &u, output: &y }];
        let points = composite::response(&stretch, RATE, &[1.0, 2.0, 4.0, 8.0, 16.0], 0.2, 8.0, 40);
        let options = spectra::Options { rate: RATE, low: 0.1, high: 5.0, taper: 0.3 };
        let bins = spectra::bins(&stretch, &options);
        let free = [Parameter::Gain, Parameter::Delay, Parameter::Lag];
        (points.map(|p| p.len()), bins.and_then(|b| fit::fit(&b, &start, &free, &[])).map(|f| f.plant))
    });
}

/// One hour at 8 kHz, six channels, read ten seconds at a time: the same ten seconds over and over, so that nothing but
/// the streams' own state is kept.
const FAST: f64 = 8000.0;
const PIECE: usize = 80_000;
const PIECES: usize = 360;
const CHANNELS: usize = 6;
const ORDERS: [u32; 3] = [1, 2, 4];

#[divan::bench(sample_count = 1, sample_size = 1)]
fn streamed_welch_one_hour_8khz_six_channels(bencher: Bencher) {
    let x = series(PIECE, 0.0);
    bencher.bench_local(|| {
        let mut streams: Vec<WelchStream> =
            (0..CHANNELS).filter_map(|_| WelchStream::new(FAST, &Options::hann(8192)).ok()).collect();
        for _ in 0..PIECES {
            for s in &mut streams {
                s.push(&x);
            }
        }
        streams.into_iter().filter_map(|s| s.finish().ok()).count()
    });
}

#[divan::bench(sample_count = 1, sample_size = 1)]
fn orders_1_2_4_one_hour_8khz_six_channels(bencher: Bencher) {
    let x = series(PIECE, 0.0);
    let speed = turning();
    bencher.bench_local(|| {
        let mut windows = 0;
        if let Ok(mut tracker) = Tracker::new(FAST, 0.5, 1, &ORDERS, CHANNELS) {
            for _ in 0..PIECES {
                let _ = tracker
                    .push(&[x.as_slice(); CHANNELS], &[speed.as_slice()], |w| windows += w.speed.len());
            }
        }
        windows
    });
}
