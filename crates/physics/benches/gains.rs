//! Search of gains, timed. `reference/bench_peer.py` judges the same 1,600 gains with numpy under the same name.

use divan::Bencher;
use physics::loops::chain::RateChain;
use physics::loops::search::{Limits, Noise, Plants, logarithmic};
use physics::loops::stage::{Element, Path, Stage};

fn main() {
    divan::main();
}

/// Thirty plants, each a little slower and stronger than the one before.
fn plants() -> Option<Plants> {
    let chains: Vec<RateChain> = (0..30)
        .map(|k| {
            let k = f64::from(k);
            let stage = |id: &str, path, element| Stage {
                id: id.to_owned(),
                name: id.to_owned(),
                key: None,
                path,
                element,
            };
            RateChain {
                axis: 0,
                stages: vec![
                    stage(
                        "controller",
                        Path::Controller,
                        Element::Pid { p: 1.0, i: 0.0, d: 0.0, d_lag: 2e-3 },
                    ),
                    stage("dead", Path::Forward, Element::Delay { time: 4e-3 + 1e-4 * k }),
                    stage("motor", Path::Forward, Element::Lag { tau: 0.025 + 3e-4 * k }),
                    stage("airframe", Path::Forward, Element::Integrator { gain: 1.0 + 0.005 * k }),
                ],
            }
        })
        .collect();
    Plants::new(&chains, 15.0, 400)
}

fn search(bencher: Bencher<'_, '_>, derivatives: usize) {
    let plants = plants();
    let (p, i) = (logarithmic(2.0, 60.0, 40), logarithmic(1.0, 600.0, 40));
    let d: Vec<f64> = (0..derivatives).map(|k| 0.015 * k as f64).collect();
    bencher.bench_local(|| {
        plants.as_ref().map(|plants| plants.sweep(&p, &i, &d, &Limits::default(), &Noise::default()).len())
    });
}

#[divan::bench]
fn gain_search_1600_gains_30_plants(bencher: Bencher) {
    search(bencher, 1);
}

#[divan::bench(sample_count = 3)]
fn gain_search_32000_gains_30_plants(bencher: Bencher) {
    search(bencher, 20);
}
