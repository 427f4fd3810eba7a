//! The rotor-speed map: where the energy stands by rotor speed and frequency, with the order lines as rays.

use signal::spectrum::Options;
use signal::stream::SpeedMapStream;

use super::data::{Group, Speed, fold};
use super::{Source, SourceKind};
use crate::chart::{Axis, Chart, Series, Style};
use crate::findings::context::{Context, Out};

/// Classes of speed across.
const CLASSES: usize = 24;
/// Cells shown by energy.
const STRONG: usize = 60;
const WEAK: usize = 160;

/// Cells (across, frequency, energy) as dots: so many of the strongest full, so many that follow as rings.
pub(super) fn by_strength(mut cells: Vec<(f64, f64, f64)>, strong: usize, weak: usize) -> Vec<Series> {
    cells.sort_by(|a, b| b.2.total_cmp(&a.2));
    let dots = |name: &str, style: Style, part: &[(f64, f64, f64)]| {
        Series::new(name, style, part.iter().map(|c| c.0).collect(), part.iter().map(|c| c.1).collect())
    };
    let full = strong.min(cells.len());
    let shown = (strong + weak).min(cells.len());
    vec![dots("weaker", Style::Rings, &cells[full..shown]), dots("strongest", Style::Dots, &cells[..full])]
}

pub(super) fn run(context: &Context<'_>, group: &Group, sources: &[Source], out: &mut Out) {
    let Some((low, high)) = group.all_turns() else { return };
    if group.rotors() == 0 || high <= low {
        return;
    }
    // The axis with most vibration, by the rotors' mean speed.
    let axis = group.total.iter().enumerate().max_by(|a, b| a.1.total_cmp(b.1)).map_or(0, |t| t.0);
    let mut length = 64;
    while (length * 2) as f64 <= 0.3 * group.rate {
        length *= 2;
    }
    let margin = 0.02 * high;
    let range = (low - margin, high + margin);
    let Ok(mut stream) = SpeedMapStream::new(group.rate, &Options::hann(length), range, CLASSES) else {
        return;
    };
    for s in &group.stretches {
        let Some(raw) = s.raw.get(axis) else { continue };
        let n = s.speeds.len() as f64 * std::f64::consts::TAU;
        let mean: Vec<f64> = (0..raw.len()).map(|k| s.speeds.iter().map(|v| v[k]).sum::<f64>() / n).collect();
        stream.gap();
        if stream.push(raw, &mean).is_err() {
            return;
        }
    }
    let map = stream.finish();
    let mut cells: Vec<(f64, f64, f64)> = Vec::new();
    for (speed, row) in map.speed.iter().zip(&map.density) {
        for k in 2..row.len().saturating_sub(1) {
            let f = map.frequency[k];
            if f > super::data::FLYING && row[k] >= row[k - 1] && row[k] > row[k + 1] {
                cells.push((*speed, f, row[k]));
            }
        }
    }
    if map.speed.len() < 2 || cells.is_empty() {
        return;
    }
    let mut series = by_strength(cells, STRONG, WEAK);
    let mut orders = vec![1];
    orders.extend(group.blades.into_iter().flat_map(|b| [b, 2 * b]));
    for order in orders {
        let x: Vec<f64> = (0..=40).map(|k| range.0 + (range.1 - range.0) * f64::from(k) / 40.0).collect();
        let y: Vec<f64> = x.iter().map(|n| fold(f64::from(order) * n, group.rate)).collect();
        let name = match group.blades {
            Some(b) if b == order => "blade passage".to_owned(),
            _ => format!("{order}/rev"),
        };
        series.push(Series::new(&name, Style::Thin, x, y));
    }
    for s in sources.iter().filter(|s| matches!(s.kind, SourceKind::Structure | SourceKind::Mount)) {
        let across = vec![range.0, range.1];
        series.insert(0, Series::band(&s.name, across, vec![s.seen.0; 2], vec![s.seen.1; 2]));
    }
    let sensor = if group.base == "accel" { "accelerometer" } else { "gyro" };
    let how = match group.speed {
        Speed::Estimated(_) => "estimated from the record",
        _ => "mean of the rotors",
    };
    out.charts.push(Chart {
        id: format!("speed-map-{}", group.base),
        title: format!("Rotor speed and frequency, {sensor} {}", ["x", "y", "z"].get(axis).unwrap_or(&"")),
        caption: "What lies on a ray turns with the rotors, what lies in a level band is a resonance; full dots hold most energy.".to_owned(),
        x: Axis::linear(&format!("rotor speed ({how})"), "rev/s"),
        y: Axis::linear("frequency", "Hz"),
        series,
        marks: Vec::new(),
    });
    let _ = context;
}
