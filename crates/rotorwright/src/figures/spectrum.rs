//! Power spectra: log-log density, the cumulative r.m.s. as a staircase below it, each peak named by a leader.

use dossier::findings::Spectrum;

use super::chart::{Axis, Chart, Kind, Leader, Panel, Pen, Series};
use super::number;

/// Unit of the channel behind a density: `(m/s^2)^2/Hz` -> `m/s^2`.
fn amplitude_unit(unit: &str) -> &str {
    unit.strip_prefix('(').and_then(|u| u.split(")^2").next()).unwrap_or("")
}

/// Points that a log axis can show: one per pixel, the largest of each stretch.
fn thin(frequency: &[f64], density: &[f64]) -> (Vec<f64>, Vec<f64>) {
    let (mut x, mut y): (Vec<f64>, Vec<f64>) = (Vec::new(), Vec::new());
    let mut slot = i64::MIN;
    for (f, d) in frequency.iter().zip(density) {
        if *f > 0.0 && *d > 0.0 && d.is_finite() {
            let s = (f.log10() * 260.0).floor() as i64;
            match (s == slot, y.last_mut(), x.last_mut()) {
                (true, Some(last), Some(at)) => {
                    if *d > *last {
                        *last = *d;
                        *at = *f;
                    }
                }
                _ => {
                    x.push(*f);
                    y.push(*d);
                    slot = s;
                }
            }
        }
    }
    (x, y)
}

/// The chart of one spectrum.
pub(crate) fn chart(record: &str, spectrum: &Spectrum) -> Option<Chart> {
    let rate = spectrum.channel.starts_with("rate");
    let k = if rate { 180.0 / std::f64::consts::PI } else { 1.0 };
    let unit = if rate { "deg/s".to_owned() } else { number::tidy_unit(amplitude_unit(&spectrum.unit)) };
    let density: Vec<f64> = spectrum.density.iter().map(|d| d * k * k).collect();
    let (x, y) = thin(&spectrum.frequency, &density);
    let (low, high) = (*x.first()?, *x.last()?);
    if high <= low {
        return None;
    }
    let floor = y.iter().copied().fold(f64::INFINITY, f64::min);
    let top = y.iter().copied().fold(0.0, f64::max);
    let pen = Pen { dash: 0, weight: 1.3, faint: false };
    let axis = Axis { label: "frequency, Hz".to_owned(), kind: Kind::Log, low, high };
    let mut shown: Vec<_> =
        spectrum.peaks.iter().take(6).filter(|p| p.frequency > low && p.frequency < high).collect();
    // Texts run towards the middle, so the outermost peaks take the top rows: no text then crosses
    // the leader of another.
    let outwards = |f: f64| (axis.place(f) - 0.5).abs();
    shown.sort_by(|p, q| outwards(q.frequency).total_cmp(&outwards(p.frequency)));
    let mut rows = [0, 0];
    let leaders = shown
        .into_iter()
        .map(|p| {
            let near = x
                .iter()
                .zip(&y)
                .min_by(|a, b| (a.0 - p.frequency).abs().total_cmp(&(b.0 - p.frequency).abs()))
                .map_or(top, |n| *n.1);
            let side = &mut rows[usize::from(axis.place(p.frequency) > 0.5)];
            let row = *side;
            *side += 1;
            Leader {
                x: p.frequency,
                y: near,
                text: format!("{} Hz, {}", number::plain((p.frequency * 10.0).round() / 10.0), p.attribution),
                row,
            }
        })
        .collect();
    let total = spectrum.cumulative.iter().copied().filter(|v| v.is_finite()).fold(0.0, f64::max) * k;
    let (mut cx, mut cy) = (Vec::new(), Vec::new());
    let mut last = f64::NAN;
    for (f, v) in spectrum.frequency.iter().zip(&spectrum.cumulative) {
        let v = v * k;
        // A tread for every rise that can be seen.
        if *f > 0.0 && (last.is_nan() || (v - last).abs() > total / 160.0) {
            cx.push(*f);
            cy.push(v);
            last = v;
        }
    }
    cx.push(high);
    cy.push(total);
    Some(Chart {
        id: format!("spectrum-{record}-{}", spectrum.channel.replace('.', "-")),
        title: format!("Power spectrum of {} in {record}", spectrum.channel),
        caption: format!(
            "{}: {} {unit} r.m.s. in all. A tall step of the staircase is where the vibration is worth removing; a flat tread is noise that no filter needs to touch.",
            spectrum.channel,
            number::plain((total * 1e3).round() / 1e3)
        ),
        x: axis,
        panels: vec![
            Panel {
                y: Axis {
                    label: format!("density, ({unit})²/Hz"),
                    kind: Kind::Log,
                    low: floor.max(top * 1e-9) * 0.6,
                    high: top * 30.0,
                },
                series: vec![Series {
                    label: spectrum.channel.clone(),
                    x,
                    y,
                    pen,
                    steps: false,
                    channel: None,
                }],
                leaders,
                share: 2.2,
            },
            Panel {
                y: Axis {
                    label: format!("r.m.s., {unit}"),
                    kind: Kind::Linear,
                    low: 0.0,
                    high: (total * 1.12).max(1e-12),
                },
                series: vec![Series {
                    label: "from below".to_owned(),
                    x: cx,
                    y: cy,
                    pen,
                    steps: true,
                    channel: None,
                }],
                leaders: Vec::new(),
                share: 1.0,
            },
        ],
        brackets: Vec::new(),
        height: 430.0,
        detail: None,
    })
}
