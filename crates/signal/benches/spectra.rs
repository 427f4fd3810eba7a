//! Spectra, timed. `reference/bench_peer.py` times the same input with scipy under the same names.

use divan::Bencher;
use signal::orders::Tracker;
use signal::spectrum::{Options, cross, welch};

const RATE: f64 = 1000.0;

fn main() {
    divan::main();
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

/// One hour at 8 kHz, six channels, read ten seconds at a time: the same ten seconds over and over, so that nothing but
/// the streams' own state is kept.
const FAST: f64 = 8000.0;
const PIECE: usize = 80_000;
const PIECES: usize = 360;
const CHANNELS: usize = 6;

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
    let speed: Vec<f64> = (0..PIECE).map(|k| 600.0 + 60.0 * (2e-4 * k as f64).sin()).collect();
    bencher.bench_local(|| {
        let mut windows = 0;
        if let Ok(mut tracker) = Tracker::new(FAST, 0.5, 1, &[1, 2, 4], CHANNELS) {
            for _ in 0..PIECES {
                let _ = tracker.push(&[&x; CHANNELS], &[&speed], |w| windows += w.speed.len());
            }
        }
        windows
    });
}
