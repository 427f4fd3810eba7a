//! Was a gyro that is called raw filtered? Its spectrum shows it.
//!
//! The noise of a rate sensor is white far above its motion, so the density of a raw signal is
//! level towards half the sample rate (IEEE Std 952, angle random walk). A low-pass of order n
//! falls by 6 n dB an octave. Three bands are compared, each by its median so that rotor lines do
//! not count: 0.12 to 0.18, 0.22 to 0.30 and 0.36 to 0.46 of the sample rate. Motion that falls
//! into a white floor drops from the first to the second band but is level to the third; a filter
//! drops through all three. A filter with its cut-off near half the rate is not seen this way.

use signal::spectrum::{Options, welch};

use super::consistency::tap_word;
use super::doubt::{Amendment, Choice, Doubt};
use super::vocabulary::vector_name;
use crate::record::{Record, Tap};

/// Median densities, dB, in the three bands, and the sample rate, Hz.
fn bands(record: &Record, name: &str) -> Option<([f64; 3], f64)> {
    let values = record.channel(name)?;
    let held = values.windows(2).filter(|w| w[0] == w[1]).count();
    if held * 10 > values.len() * 3 {
        return None;
    }
    let (time, values): (Vec<f64>, Vec<f64>) =
        record.time.iter().zip(values).filter(|(_, v)| v.is_finite()).map(|(t, v)| (*t, *v)).unzip();
    let uniform = signal::timebase::regularise(&time, &[&values]).ok()?;
    let rate = uniform.rate();
    if rate < 90.0 {
        return None;
    }
    let stretches = uniform.channel(0);
    let longest = stretches.iter().map(|s| s.len()).max()?;
    let length = [512, 256, 128].into_iter().find(|l| longest >= 4 * l)?;
    let density = welch(&stretches, rate, &Options::hann(length)).ok()?;
    let level = |from: f64, to: f64| {
        let inside: Vec<f64> = density
            .frequency
            .iter()
            .zip(&density.density)
            .filter(|(f, _)| **f >= from * rate && **f <= to * rate)
            .map(|(_, d)| *d)
            .collect();
        signal::robust::median(&inside).filter(|d| *d > 0.0).map(|d| 10.0 * d.log10())
    };
    Some(([level(0.12, 0.18)?, level(0.22, 0.30)?, level(0.36, 0.46)?], rate))
}

fn looks_filtered(levels: [f64; 3]) -> bool {
    levels[0] - levels[2] >= 10.0 && levels[1] - levels[2] >= 4.0
}

/// Tests rate channels that are called raw.
pub(super) fn check(record: &Record, doubts: &mut Vec<Doubt>) {
    for stem in ["rate", "rate_raw"] {
        let mut seen = Vec::new();
        for axis in 0..3 {
            let name = vector_name(stem, axis);
            let tap = record.channel_meta(&name).and_then(|m| m.tap);
            let called_raw = tap == Some(Tap::Raw) || (stem == "rate_raw" && tap.is_none());
            if let (true, Some((levels, rate))) = (called_raw, bands(record, &name))
                && looks_filtered(levels)
            {
                seen.push((name, levels, rate, tap));
            }
        }
        let Some((first, levels, rate, tap)) = seen.first() else { continue };
        let amend = (0..3).map(|i| Amendment::Tap(vector_name(stem, i), Tap::Filtered)).collect();
        let names: Vec<_> = seen.iter().map(|s| s.0.as_str()).collect();
        doubts.push(Doubt {
            id: format!("{stem}-tap"),
            channel: stem.to_owned(),
            question: format!("Is {} really raw?", names.join(", ")),
            why: format!(
                "the density of {first} (tap {}) falls by {:.0} dB from {:.0} to {:.0} Hz and by {:.0} dB from {:.0} Hz on; raw sensor noise is level there",
                tap_word(*tap),
                levels[0] - levels[2],
                0.15 * rate,
                0.41 * rate,
                levels[1] - levels[2],
                0.26 * rate
            ),
            options: vec![
                Choice::new("filtered", "it is tapped after a filter", amend),
                Choice::keep("it is raw"),
            ],
        });
    }
    exchanged(record, doubts);
}

/// The raw signal must be the noisier of the two.
fn exchanged(record: &Record, doubts: &mut Vec<Doubt>) {
    let noisier = (0..3).filter(|axis| {
        let (a, b) =
            (bands(record, &vector_name("rate", *axis)), bands(record, &vector_name("rate_raw", *axis)));
        matches!((a, b), (Some((f, _)), Some((r, _))) if f[2] > r[2] + 6.0)
    });
    let axes: Vec<usize> = noisier.collect();
    let Some(axis) = axes.first() else { return };
    let away =
        (0..3).map(|i| Amendment::Rename(vector_name("rate", i), format!("{}?", vector_name("rate", i))));
    let over = (0..3).map(|i| Amendment::Rename(vector_name("rate_raw", i), vector_name("rate", i)));
    let back =
        (0..3).map(|i| Amendment::Rename(format!("{}?", vector_name("rate", i)), vector_name("rate_raw", i)));
    doubts.push(Doubt {
        id: "rate-exchanged".to_owned(),
        channel: "rate".to_owned(),
        question: "Are filtered and raw rate exchanged?".to_owned(),
        why: format!(
            "near half the sample rate {} holds at least 6 dB more than {}",
            vector_name("rate", *axis),
            vector_name("rate_raw", *axis)
        ),
        options: vec![
            Choice::new("exchange", "exchange them", away.chain(over).chain(back).collect()),
            Choice::keep("they are right"),
        ],
    });
}
