//! Digital filters against SciPy and the published coefficients of the audio cookbook.

use std::collections::BTreeMap;
use std::f64::consts::TAU;

use physics::aircraft::Filter;
use physics::loops::filter::{Biquad, FilterError, cascade, phase, response};
use proptest::prelude::*;

/// Rows of a reference table, by column name.
pub(crate) fn table(name: &str) -> Vec<BTreeMap<String, String>> {
    let path = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("../../reference").join(name);
    let mut reader = csv::ReaderBuilder::new().comment(Some(b'#')).from_path(path).unwrap();
    reader.deserialize().map(|row| row.unwrap()).collect()
}

/// A number of a row.
pub(crate) fn number(row: &BTreeMap<String, String>, key: &str) -> f64 {
    row[key].parse().unwrap_or_else(|_| panic!("{key}: {}", row[key]))
}

fn filter_of(row: &BTreeMap<String, String>) -> Filter {
    match row["kind"].as_str() {
        "low-pass" => {
            Filter::LowPass { order: row["order"].parse().unwrap(), cutoff: number(row, "frequency_hz") }
        }
        _ => Filter::Notch {
            centre: number(row, "frequency_hz"),
            width: number(row, "width_hz"),
            floor: number(row, "floor"),
        },
    }
}

#[test]
fn val_scipy_filter_response() {
    let mut worst: BTreeMap<String, f64> = BTreeMap::new();
    let rows = table("filters.csv");
    assert_eq!(rows.len(), 90);
    for row in &rows {
        let rate = number(row, "sample_rate_hz");
        let sections = cascade(&filter_of(row), rate).unwrap();
        let got = response(&sections, TAU * number(row, "at_hz"), rate);
        let error = (got.re - number(row, "re")).hypot(got.im - number(row, "im"));
        let entry = worst.entry(row["kind"].clone()).or_default();
        *entry = entry.max(error);
    }
    for (kind, error) in worst {
        println!(
            "VALIDATION|filters|{kind}, complex response, largest error of 9 frequencies x each case [1]|SciPy butter and iirnotch (reference/filters.csv)|0|{error:.1e}|1e-9"
        );
        assert!(error < 1e-9, "{kind} {error:e}");
    }
}

#[test]
fn val_scipy_filter_in_time() {
    let input: Vec<f64> = (0..60)
        .map(|n| {
            let n = f64::from(n);
            f64::from(n == 0.0) + 0.5 * f64::from(n >= 10.0) + (0.002 * n * n).sin()
        })
        .collect();
    let mut worst: f64 = 0.0;
    for row in &table("filter_steps.csv") {
        let mut sections = cascade(&filter_of(row), number(row, "sample_rate_hz")).unwrap();
        let output: Vec<f64> = input
            .iter()
            .map(|&x| sections.iter_mut().fold(x, |signal, section| section.step(signal)))
            .collect();
        worst = worst.max((output[row["n"].parse::<usize>().unwrap()] - number(row, "output")).abs());
    }
    println!(
        "VALIDATION|filters|output in time of 10 filters, largest error [1]|SciPy sosfilt and lfilter (reference/filter_steps.csv)|0|{worst:.1e}|1e-9"
    );
    assert!(worst < 1e-9, "{worst:e}");
}

/// The second-order Butterworth low-pass is the audio cookbook's with Q = 1/sqrt 2 (Bristow-Johnson, Cookbook
/// formulae for audio EQ biquad filter coefficients). Coefficients for 8000 Hz, 90 Hz from those formulae.
#[test]
fn val_cookbook_low_pass() {
    let section = cascade(&Filter::LowPass { order: 2, cutoff: 90.0 }, 8000.0).unwrap()[0];
    let expected = [0.001_189_21, 0.002_378_42, 0.001_189_21, -1.900_112_42, 0.904_869_27];
    let got = [section.b[0], section.b[1], section.b[2], section.a[0], section.a[1]];
    for (name, (e, g)) in ["b0", "b1", "b2", "a1", "a2"].iter().zip(expected.iter().zip(&got)) {
        println!(
            "VALIDATION|filters|low-pass 90 Hz at 8 kHz, {name} [1]|audio cookbook formula|{e}|{g:.8}|5e-9"
        );
        assert!((e - g).abs() < 5.1e-9);
    }
}

/// SciPy's iirnotch(100, Q 2, 1000 Hz), whose width is exact; the cookbook's notch is another filter.
#[test]
fn val_notch_is_the_one_of_exact_width() {
    let section = cascade(&Filter::Notch { centre: 100.0, width: 50.0, floor: 0.0 }, 1000.0).unwrap()[0];
    let expected = [0.863_271_26, -1.396_802_25, 0.863_271_26, 0.726_542_53];
    let got = [section.b[0], section.b[1], section.b[2], section.a[1]];
    for (name, (e, g)) in ["b0", "b1", "b2", "a2"].iter().zip(expected.iter().zip(&got)) {
        println!(
            "VALIDATION|filters|notch 100 Hz, 50 Hz wide at 1 kHz, {name} [1]|SciPy iirnotch|{e}|{g:.8}|5e-9"
        );
        assert!((e - g).abs() < 5.1e-9);
    }
    let cookbook_b0: f64 = 0.871_880_39;
    assert!((section.b[0] - cookbook_b0).abs() > 5e-3);
}

/// Analogue Butterworth phase over frequency in units of the cut-off (closed form: sum of the arctangents of the
/// poles), approached at a sample rate 2000 times the cut-off; and bilinear phases at 1 kHz by SciPy.
#[test]
fn val_butterworth_phase() {
    let analogue = [
        (1, [-5.7106, -11.3099, -14.0362, -26.5651, -45.0, -63.4349]),
        (2, [-8.1297, -16.4164, -20.6626, -43.3139, -90.0, -136.6861]),
        (3, [-11.4785, -23.0782, -28.9677, -60.2551, -135.0, -209.7449]),
        (4, [-14.9929, -30.1138, -37.7666, -77.9632, -180.0, -282.0368]),
    ];
    for (order, phases) in analogue {
        let sections = cascade(&Filter::LowPass { order, cutoff: 10.0 }, 20_000.0).unwrap();
        for (ratio, expected) in [0.1, 0.2, 0.25, 0.5, 1.0, 2.0].iter().zip(phases) {
            let got = phase(&sections, TAU * 10.0 * ratio, 20_000.0).to_degrees();
            println!(
                "VALIDATION|filters|Butterworth order {order}, phase at {ratio} of the cut-off [deg]|closed form of the analogue filter|{expected}|{got:.4}|2e-3"
            );
            assert!((got - expected).abs() < 2e-3, "{order} {ratio} {got}");
        }
    }
    for (order, cutoff, list) in
        [(1, 100.0, [-5.5245, -10.9586, -25.9873, -38.3163]), (2, 80.0, [-9.9667, -20.2374, -54.6215, -90.0])]
    {
        let sections = cascade(&Filter::LowPass { order, cutoff }, 1000.0).unwrap();
        for (frequency, expected) in [10.0, 20.0, 50.0, 80.0].iter().zip(list) {
            let got = phase(&sections, TAU * frequency, 1000.0).to_degrees();
            println!(
                "VALIDATION|filters|low-pass order {order}, {cutoff} Hz at 1 kHz, phase at {frequency} Hz [deg]|SciPy freqz|{expected}|{got:.4}|1e-4"
            );
            assert!((got - expected).abs() < 1e-4, "{order} {frequency} {got}");
        }
    }
}

#[test]
fn filters_that_cannot_be_are_errors() {
    let low = |order, cutoff| Filter::LowPass { order, cutoff };
    let notch = |centre, width, floor| Filter::Notch { centre, width, floor };
    assert!(matches!(cascade(&low(2, 500.0), 1000.0), Err(FilterError::Frequency { .. })));
    assert!(matches!(cascade(&low(2, f64::NAN), 1000.0), Err(FilterError::Frequency { .. })));
    assert!(matches!(cascade(&low(5, 50.0), 1000.0), Err(FilterError::Order { order: 5 })));
    assert!(matches!(cascade(&low(1, 50.0), 0.0), Err(FilterError::SampleRate { .. })));
    assert!(matches!(cascade(&notch(100.0, 0.0, 0.0), 1000.0), Err(FilterError::Width { .. })));
    assert!(matches!(cascade(&notch(100.0, 20.0, 1.5), 1000.0), Err(FilterError::Floor { .. })));
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 64, failure_persistence: None, ..ProptestConfig::default() })]

    /// 3 dB down at the cut-off, one at zero frequency, and falling between.
    #[test]
    fn prop_low_pass_is_butterworth(order in 1u32..=4, share in 0.01f64..0.49, part in 0.05f64..0.95) {
        let rate = 1000.0;
        let cutoff = share * rate;
        let sections = cascade(&Filter::LowPass { order, cutoff }, rate).unwrap();
        let gain = |f: f64| response(&sections, TAU * f, rate).norm();
        prop_assert!((gain(cutoff) - 0.5f64.sqrt()).abs() < 1e-9);
        prop_assert!((gain(0.0) - 1.0).abs() < 1e-9);
        prop_assert!(gain(part * cutoff) < 1.0 + 1e-9 && gain(part * cutoff) > 0.5f64.sqrt());
    }

    /// Floor at the centre; -3 dB points of the full-depth notch as far apart as stated.
    #[test]
    fn prop_notch_width_and_floor(centre in 50.0f64..400.0, share in 0.05f64..0.8, floor in 0.0f64..1.0) {
        let rate = 1000.0;
        let width = share * centre.min(500.0 - centre);
        let sections = cascade(&Filter::Notch { centre, width, floor }, rate).unwrap();
        prop_assert!((response(&sections, TAU * centre, rate).norm() - floor).abs() < 1e-7);
        let full = cascade(&Filter::Notch { centre, width, floor: 0.0 }, rate).unwrap();
        let edge = |mut inside: f64, mut outside: f64| {
            for _ in 0..80 {
                let middle = 0.5 * (inside + outside);
                if response(&full, TAU * middle, rate).norm() < 0.5f64.sqrt() { inside = middle } else { outside = middle }
            }
            inside
        };
        let found = edge(centre, 499.999) - edge(centre, 0.001);
        prop_assert!((found - width).abs() < 1e-5 * width, "{found} {width}");
    }

    /// A settled section stays where it is.
    #[test]
    fn prop_settled_filter_is_steady(order in 1u32..=4, value in -50.0f64..50.0) {
        let mut sections: Vec<Biquad> = cascade(&Filter::LowPass { order, cutoff: 60.0 }, 1000.0).unwrap();
        sections.iter_mut().fold(value, |signal, section| section.settle(signal));
        for _ in 0..20 {
            let out = sections.iter_mut().fold(value, |signal, section| section.step(signal));
            prop_assert!((out - value).abs() < 1e-9 * (1.0 + value.abs()));
        }
    }
}
