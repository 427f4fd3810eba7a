//! The spectrogram of a whole flight: where the energy stands by time and frequency, with the order lines as the rotors
//! turned. Streamed: what is kept are the classes of time, however long the flight.

use std::f64::consts::TAU;

use signal::spectrum::Options;
use signal::stream::SpectrogramStream;

use super::data::{FLYING, Group, fold};
use super::map::by_strength;
use crate::chart::{Axis, Chart, Series, Style};
use crate::findings::context::{Context, Out};

/// Classes of time across.
const CLASSES: usize = 72;
/// Cells shown by energy.
const STRONG: usize = 120;
const WEAK: usize = 360;

pub(super) fn run(context: &Context<'_>, group: &Group, windows: &[(f64, f64)], out: &mut Out) {
    let (Some(first), Some(last)) = (windows.first(), windows.last()) else { return };
    let (start, span) = (first.0, last.1 - first.0);
    if span < 2.0 {
        return;
    }
    // The axis with most vibration.
    let axis = group.total.iter().enumerate().max_by(|a, b| a.1.total_cmp(b.1)).map_or(0, |t| t.0);
    let Some(joint) = context.joint(&[&group.channel(axis)], windows) else { return };
    let rate = 1.0 / joint.period;
    let mut length = 64;
    while (length * 2) as f64 <= 0.3 * rate {
        length *= 2;
    }
    let class = |t: f64| (((t - start) / span * CLASSES as f64).max(0.0) as usize).min(CLASSES - 1);
    let mut sums: Vec<(usize, Vec<f64>)> = vec![(0, Vec::new()); CLASSES];
    for s in &joint.stretches {
        let Some(x) = s.channels.first() else { continue };
        let Ok(mut stream) = SpectrogramStream::new(rate, s.start, &Options::hann(length)) else { return };
        stream.push(x, |t, row| {
            let (count, sum) = &mut sums[class(t)];
            sum.resize(row.len(), 0.0);
            sum.iter_mut().zip(row).for_each(|(a, b)| *a += b);
            *count += 1;
        });
    }
    let resolution = rate / length as f64;
    let middle = |k: usize| start + (k as f64 + 0.5) * span / CLASSES as f64;
    let mut cells: Vec<(f64, f64, f64)> = Vec::new();
    for (k, (count, row)) in sums.iter().enumerate().filter(|(_, s)| s.0 > 0) {
        for b in 2..row.len().saturating_sub(1) {
            let f = b as f64 * resolution;
            if f > FLYING && row[b] >= row[b - 1] && row[b] > row[b + 1] {
                cells.push((middle(k), f, row[b] / *count as f64));
            }
        }
    }
    if cells.is_empty() {
        return;
    }
    let mut series = by_strength(cells, STRONG, WEAK);
    series.extend(order_lines(context, group, rate, &sums, &middle));
    let sensor = if group.base == "accel" { "accelerometer" } else { "gyro" };
    out.charts.push(Chart {
        id: format!("spectrogram-{}", group.base),
        title: format!("Frequency against time, {sensor} {}", ["x", "y", "z"].get(axis).unwrap_or(&"")),
        caption: "What follows the order lines turns with the rotors, what runs level through speed changes is a resonance; full dots hold most energy.".to_owned(),
        x: Axis::linear("time", "s"),
        y: Axis::linear("frequency", "Hz"),
        series,
        marks: Vec::new(),
    });
}

/// 1/rev and blade passage of the rotors' mean speed, as seen at this rate; none where the speed is not logged.
fn order_lines(
    context: &Context<'_>,
    group: &Group,
    rate: f64,
    sums: &[(usize, Vec<f64>)],
    middle: &dyn Fn(usize) -> f64,
) -> Vec<Series> {
    let Some(speeds) = context.rotor_series("speed") else { return Vec::new() };
    let mean = |t: f64| {
        let all: Option<Vec<f64>> = speeds.iter().map(|s| s.at(t)).collect();
        all.map(|v| v.iter().sum::<f64>() / v.len().max(1) as f64 / TAU)
    };
    let mut orders = vec![1];
    orders.extend(group.blades.filter(|b| *b > 1));
    orders
        .into_iter()
        .map(|order| {
            let (mut x, mut y) = (Vec::new(), Vec::new());
            for (k, _) in sums.iter().enumerate().filter(|(_, s)| s.0 > 0) {
                x.push(middle(k));
                y.push(mean(middle(k)).map_or(f64::NAN, |n| fold(f64::from(order) * n, rate)));
            }
            Series::new(&format!("{order}/rev"), Style::Thin, x, y)
        })
        .collect()
}
