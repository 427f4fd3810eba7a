//! Spectra, timed. `reference/bench_peer.py` times the same input with scipy under the same names.

use divan::Bencher;
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
