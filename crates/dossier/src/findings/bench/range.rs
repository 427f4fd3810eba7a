//! A range test: path-loss exponent and spread of fading from signal against distance, and how far the link reaches.
//!
//! Received power falls by 10 n log10(d/100 m) about a line; the scatter about it is the fading (log-distance model with
//! log-normal shadowing, Rappaport, *Wireless Communications*, 2nd ed. 2002, section 4.9; from memory). Rows are averaged in
//! bins of a sixth of a decade of distance first, so that where it stood longest does not weigh most. A sender turned down for
//! a test on the ground (`power_reduction` by hand, dB) is added back.

use physics::homeward::link::outage;
use signal::{lsq, robust};

use super::super::context::Out;
use super::Bench;
use crate::chart::{Axis, Chart, Mark, Series, Style};

const RESTS: &[&str] = &["link"];
const TEST: &str = "walk away with the sender turned down, link.signal and distance logged, to a tenth of the wanted distance or more, the aircraft held up and banked as well";
/// Distance the level is given at, m.
const AT: f64 = 100.0;
/// Bins to a decade of distance, and the least number of bins.
const BINS: f64 = 6.0;
const LEAST: usize = 4;

pub(super) fn run(bench: &Bench<'_>, out: &mut Out) {
    let pairs = pairs(bench);
    let (key, label) = ("range.exponent", "path-loss exponent");
    let bins = bins(&pairs);
    if bins.len() < LEAST {
        let missing = if pairs.is_empty() {
            "the channels distance and link.signal".to_owned()
        } else {
            format!("distances over {LEAST} bins of a sixth of a decade: {} are there", bins.len())
        };
        out.cannot_tell(key, label, missing, TEST, RESTS);
        return;
    }
    let x: Vec<f64> = bins.iter().map(|b| -10.0 * (b.0 / AT).log10()).collect();
    let y: Vec<f64> = bins.iter().map(|b| b.1).collect();
    let Ok((fit, _)) = lsq::fit_columns(&[&x], &y, true) else {
        out.cannot_tell(key, label, "a spread of distances", TEST, RESTS);
        return;
    };
    let (n, level) = (fit.value(0), fit.value(1));
    let own = bench.hand("power_reduction").map_or(0.0, |r| r.0);
    let rest: Vec<f64> = pairs.iter().map(|(d, s)| s - level + 10.0 * n * (d / AT).log10()).collect();
    let spread = robust::variance(&rest).unwrap_or(0.0).sqrt();
    let e = bench.estimate("path-loss exponent", n, fit.error(0), "1");
    out.value(key, label, e, format!("Over {} bins of distance; 2 is free space.", bins.len()), RESTS);
    out.replaces(key, "link.exponent");
    // The scatter of so many bins is known to so much of itself; rows within a bin are not independent.
    let e = bench.estimate("fading", spread, spread / (2.0 * bins.len() as f64).sqrt(), "dB");
    out.value("range.fading", "spread of fading", e, "Scatter of the rows about the line.", RESTS);
    out.replaces("range.fading", "link.fading");
    let e = bench.estimate("level", level + own, fit.error(1), "dB");
    let text = format!("dBm; {own:.0} dB of the sender's reduction added back.");
    out.value("range.level", "received power at 100 m", e, text, RESTS);
    if let Some(link) = bench.aircraft.and_then(|a| a.safety.link) {
        let wanted = link.sensitivity + 10.0;
        let reach = AT * 10f64.powf((level + own - wanted) / (10.0 * n));
        let slope = reach * std::f64::consts::LN_10 / (10.0 * n);
        let error = slope * fit.error(1).hypot(fit.error(0) * 10.0 * (reach / AT).log10());
        let text = format!(
            "With 10 dB over the receiver's {:.0} dBm; fading takes it below its threshold {:.1} % of the time there. Beyond what was walked it is an extrapolation.",
            link.sensitivity,
            100.0 * outage(10.0, spread)
        );
        let e = bench.estimate("reach", reach, error, "m");
        out.value("range.reach", "distance with 10 dB of margin", e, text, RESTS);
    }
    out.charts.push(chart(&pairs, n, level));
    if let Some(loss) = bench.channel("link.loss") {
        let worst = loss.iter().copied().filter(|v| v.is_finite()).fold(0.0, f64::max);
        let e = bench.estimate("loss", worst, 0.0, "1");
        out.value("range.loss", "largest share of frames lost", e, "As logged.", RESTS);
    }
}

/// Distance and signal of every row that has both.
fn pairs(bench: &Bench<'_>) -> Vec<(f64, f64)> {
    let Some((d, s)) = bench.channel("distance").zip(bench.channel("link.signal")) else { return Vec::new() };
    d.iter()
        .copied()
        .zip(s.iter().copied())
        .filter(|(d, s)| *d > 0.0 && d.is_finite() && s.is_finite())
        .collect()
}

/// Mean of the distance's logarithm (as a distance) and of the signal, bin by bin.
fn bins(pairs: &[(f64, f64)]) -> Vec<(f64, f64)> {
    let mut sums = std::collections::BTreeMap::new();
    for (d, s) in pairs {
        let bin = (d.log10() * BINS).floor() as i64;
        let sum = sums.entry(bin).or_insert((0.0, 0.0, 0.0));
        *sum = (sum.0 + d.log10(), sum.1 + s, sum.2 + 1.0);
    }
    sums.values().map(|(d, s, n)| (10f64.powf(d / n), s / n)).collect()
}

fn chart(pairs: &[(f64, f64)], n: f64, level: f64) -> Chart {
    let every = pairs.len().div_ceil(400).max(1);
    let kept: Vec<&(f64, f64)> = pairs.iter().step_by(every).collect();
    let (low, high) = kept.iter().fold((f64::INFINITY, 0.0_f64), |(l, h), p| (l.min(p.0), h.max(p.0)));
    let ends = vec![low, high];
    let line = ends.iter().map(|d| level - 10.0 * n * (d / AT).log10()).collect();
    Chart {
        id: "range".to_owned(),
        title: "Received power over distance".to_owned(),
        caption: "Rows about the fitted line: its slope is the exponent, the scatter the fading.".to_owned(),
        x: Axis::log("distance", "m"),
        y: Axis::linear("received power as logged", "dBm"),
        series: vec![
            Series::new(
                "rows",
                Style::Dots,
                kept.iter().map(|p| p.0).collect(),
                kept.iter().map(|p| p.1).collect(),
            ),
            Series::new("fit", Style::Line, ends, line),
        ],
        marks: vec![Mark::At { x: AT, name: "100 m".to_owned() }],
    }
}
