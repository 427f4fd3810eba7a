//! Taps: natural frequencies and damping of what was struck.

use signal::modes::{self, MeanMode, Modes, Options};
use signal::{robust, timebase};

use super::{Bench, pieces};
use crate::chart::{Axis, Chart, Series, Style, Table};
use crate::findings::context::Out;

/// Channels that can show a tap, in the order of preference.
const CHANNELS: &[&str] = &["tap", "sound", "accel.x", "accel.y", "accel.z", "rate.x", "rate.y", "rate.z"];
/// Sections of the aircraft file that a tapped arm or mast rests on: its tip carries motor and rotor.
const RESTS: &[&str] = &["structure", "structure.arm", "mass", "rotor", "geometry"];
/// A tap with a fingertip or a rubber mallet lasts no longer than this, s (common practice, no source).
const CONTACT: f64 = 0.006;
const TEST: &str = "strike the end of the arm with a rubber mallet three to six times, two seconds apart, with \
                    propeller fitted, the sensor at the hub or a microphone a hand's breadth off, at 1 kHz or more";

/// Taps of one uniform stretch.
fn fits(values: &[f64], period: f64) -> Vec<(usize, Modes)> {
    let options = Options {
        low: (4.0 * period / (values.len() as f64 * period * period)).max(3.0),
        high: (0.4 / period).min(800.0),
        most: 4,
    };
    modes::taps(values, period, CONTACT)
        .into_iter()
        .filter_map(|r| {
            let start = r.start;
            modes::fit(values.get(r)?, period, &options).ok().map(|m| (start, m))
        })
        .collect()
}

pub(super) fn run(bench: &Bench<'_>, out: &mut Out) {
    let (key, label) = ("tap.arm.frequency", "lowest natural frequency of what was struck");
    let record = bench.record;
    // The channel that moves most over its own quiet level.
    let liveliest = CHANNELS
        .iter()
        .filter_map(|name| Some((*name, bench.channel(name)?)))
        .filter_map(|(name, v)| {
            let d: Vec<f64> = v.iter().copied().filter(|x| x.is_finite()).collect();
            let rest = robust::deviation(&d)?.max(1e-12);
            let most = d.iter().fold(0.0_f64, |m, x| m.max((x - robust::median(&d).unwrap_or(0.0)).abs()));
            Some((name, v, most / rest))
        })
        .max_by(|a, b| a.2.total_cmp(&b.2));
    let Some((name, values, _)) = liveliest else {
        out.cannot_tell(key, label, format!("a channel of {}", CHANNELS.join(", ")), TEST, RESTS);
        return;
    };
    let Ok(series) = timebase::regularise(&record.time, &[values]) else {
        out.cannot_tell(key, label, "a time base that advances evenly", TEST, RESTS);
        return;
    };
    let period = series.period;
    let mut found: Vec<(Vec<f64>, Modes)> = Vec::new();
    for s in &series.stretches {
        let Some(v) = s.channels.first() else { continue };
        for (start, m) in fits(v, period) {
            found.push((v[start..].to_vec(), m));
        }
    }
    let repeats: Vec<Modes> = found.iter().map(|(_, m)| m.clone()).collect();
    let mean = modes::average(&repeats);
    let Some(first) = mean.first() else {
        let missing = if found.is_empty() {
            "a tap that rises above the rest and rings for 50 samples"
        } else {
            "a mode that at least half of the taps show"
        };
        out.cannot_tell(key, label, missing, TEST, RESTS);
        return;
    };
    let taps = found.len();
    for (k, m) in mean.iter().enumerate() {
        let n = k + 1;
        let text = format!("{} of {taps} taps show it ({name}); {} between taps.", m.count, scatter(m));
        let e = pieces::single(bench, &format!("frequency of mode {n}"), m.natural, m.natural_error, "Hz");
        out.value(
            &format!("tap.mode.{n}.frequency"),
            &format!("natural frequency, mode {n}"),
            e,
            text,
            RESTS,
        );
        let e = pieces::single(bench, &format!("damping of mode {n}"), m.damping, m.damping_error, "1");
        let text = format!("Damping ratio of mode {n}; a blow that makes the joint rattle raises it.");
        out.value(&format!("tap.mode.{n}.damping"), &format!("damping ratio, mode {n}"), e, text, RESTS);
    }
    let e = pieces::single(bench, "frequency of the lowest mode", first.natural, first.natural_error, "Hz");
    let text = format!(
        "Lowest of {} modes over {taps} taps, damping ratio {:.3}. It is the arm's own where the arm was struck and the body was free or held as in flight; a stand's mode lies lower.",
        mean.len(),
        first.damping
    );
    out.value(key, label, e, text, RESTS);
    if taps < 3 {
        out.cannot.push(format!("{taps} taps do not show how well a tap repeats: three to six do"));
    }
    let clipped: usize = repeats.iter().map(|m| m.clipped).sum();
    if clipped > 0 {
        out.cannot.push(format!("{clipped} samples stood at the end of the range and were left out: strike more softly, or set a wider range"));
    }
    chart(out, &found, period);
    out.tables.push(Table {
        id: "modes".to_owned(),
        title: "Modes".to_owned(),
        head: ["mode", "frequency, Hz", "±, Hz", "damping, %", "±, %", "taps"].map(str::to_owned).to_vec(),
        rows: mean
            .iter()
            .enumerate()
            .map(|(k, m)| {
                vec![
                    (k + 1).to_string(),
                    format!("{:.2}", m.natural),
                    format!("{:.2}", 2.0 * m.natural_error),
                    format!("{:.2}", 100.0 * m.damping),
                    format!("{:.2}", 200.0 * m.damping_error),
                    format!("{} of {taps}", m.count),
                ]
            })
            .collect(),
        note: "Undamped natural frequencies; ± is the 95 % interval.".to_owned(),
    });
}

fn scatter(m: &MeanMode) -> String {
    if m.scatter > 0.0 {
        format!("{:.2} Hz of scatter", m.scatter)
    } else {
        "no scatter beyond the fits' own".to_owned()
    }
}

fn chart(out: &mut Out, found: &[(Vec<f64>, Modes)], period: f64) {
    let Some((values, m)) = found.iter().max_by(|a, b| a.1.explained.total_cmp(&b.1.explained)) else {
        return;
    };
    let slowest = m.modes.iter().map(|x| x.decay.abs()).fold(f64::INFINITY, f64::min);
    let length = (((4.0 / slowest.max(1e-3)) / period) as usize).clamp(64, 1500).min(values.len());
    let milli = |i: usize| 1e3 * i as f64 * period;
    let x: Vec<f64> = (0..length).map(milli).collect();
    let model: Vec<f64> = (0..length)
        .map(|i| {
            let t = (i as f64 - m.first as f64) * period;
            let sum: f64 = m
                .modes
                .iter()
                .map(|k| {
                    k.amplitude
                        * (-k.decay * t).exp()
                        * (std::f64::consts::TAU * k.frequency * t + k.phase).cos()
                })
                .sum();
            m.offset + sum
        })
        .collect();
    let from = m.first.min(length);
    out.charts.push(Chart {
        id: "ring-down".to_owned(),
        title: "Ring-down of one tap".to_owned(),
        caption: "Dots are samples, the line is the sum of the fitted modes; where they part, a mode is missing or the joint rattles.".to_owned(),
        x: Axis::linear("time after the tap", "ms"),
        y: Axis::linear("signal", "as recorded"),
        series: vec![
            Series::new("measured", Style::Dots, x.clone(), values[..length].to_vec()),
            Series::new("fitted", Style::Line, x[from..].to_vec(), model[from..].to_vec()),
        ],
        marks: Vec::new(),
    });
}
