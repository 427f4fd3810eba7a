//! Power spectra: log-log density, the cumulative r.m.s. as a staircase below it, each peak named
//! by a leader. The axes of one sensor share a chart.

use dossier::findings::{Peak, Spectrum};
use maud::{Markup, html};

use super::chart::{Axis, Chart, DASHES, Kind, Leader, Look, Panel, Pen, Series};
use super::number;

/// Unit of the channel behind a density: `(m/s^2)^2/Hz` -> `m/s^2`.
fn amplitude_unit(unit: &str) -> &str {
    unit.strip_prefix('(').and_then(|u| u.split(")^2").next()).unwrap_or("")
}

/// Points that a log axis can show: one per pixel, the largest of each stretch.
fn thin(frequency: &[f64], density: &[f64], k: f64) -> (Vec<f64>, Vec<f64>) {
    let (mut x, mut y): (Vec<f64>, Vec<f64>) = (Vec::new(), Vec::new());
    let mut slot = i64::MIN;
    for (f, d) in frequency.iter().zip(density) {
        let d = d * k * k;
        if *f > 0.0 && d > 0.0 && d.is_finite() {
            let s = (f.log10() * 260.0).floor() as i64;
            match (s == slot, y.last_mut(), x.last_mut()) {
                (true, Some(last), Some(at)) => {
                    if d > *last {
                        *last = d;
                        *at = *f;
                    }
                }
                _ => {
                    x.push(*f);
                    y.push(d);
                    slot = s;
                }
            }
        }
    }
    (x, y)
}

/// The cumulative r.m.s. as a staircase: a tread for every rise that can be seen.
fn staircase(s: &Spectrum, k: f64) -> (Vec<f64>, Vec<f64>, f64) {
    let total = s.cumulative.iter().copied().filter(|v| v.is_finite()).fold(0.0, f64::max) * k;
    let (mut x, mut y) = (Vec::new(), Vec::new());
    let mut last = f64::NAN;
    for (f, v) in s.frequency.iter().zip(&s.cumulative) {
        let v = v * k;
        if *f > 0.0 && (last.is_nan() || (v - last).abs() > total / 160.0) {
            x.push(*f);
            y.push(v);
            last = v;
        }
    }
    if let Some(end) = s.frequency.last() {
        x.push(*end);
        y.push(total);
    }
    (x, y, total)
}

/// Beginning of an attribution, short enough to stand in the chart; the whole stands beneath it.
fn brief(attribution: &str) -> String {
    let first = attribution.split([';', '(', ':']).next().unwrap_or("").trim();
    if first.chars().count() <= 30 {
        first.to_owned()
    } else {
        let cut: String = first.chars().take(28).collect();
        format!("{}…", cut.trim_end())
    }
}

fn hertz(f: f64) -> String {
    format!("{} Hz", number::plain((f * 10.0).round() / 10.0))
}

/// Peaks of all axes, those within 3 % of each other as one, the largest first.
fn merged<'a>(group: &[&'a Spectrum]) -> Vec<(&'a Peak, &'a str)> {
    let mut all: Vec<(&Peak, &str)> =
        group.iter().flat_map(|s| s.peaks.iter().map(|p| (p, s.channel.as_str()))).collect();
    all.sort_by(|a, b| b.0.rms.total_cmp(&a.0.rms));
    let mut out: Vec<(&Peak, &str)> = Vec::new();
    for p in all {
        if out.iter().all(|o| (o.0.frequency / p.0.frequency - 1.0).abs() > 0.03) {
            out.push(p);
        }
    }
    out
}

/// Sensor of a channel: `rate_raw.x` -> `rate_raw`.
fn stem(channel: &str) -> &str {
    channel.rsplit_once('.').map_or(channel, |(stem, _)| stem)
}

fn title(stem: &str) -> String {
    match stem {
        "rate" => "gyro, filtered".to_owned(),
        "rate_raw" => "gyro, before filters".to_owned(),
        "accel" => "accelerometer".to_owned(),
        other => other.replace('_', " "),
    }
}

/// Charts of all spectra of a record, one for each sensor, with its peaks listed beneath.
pub(crate) fn figures(record: &str, spectra: &[Spectrum]) -> Markup {
    let mut stems: Vec<&str> = Vec::new();
    for s in spectra {
        if !stems.contains(&stem(&s.channel)) {
            stems.push(stem(&s.channel));
        }
    }
    html! {
        @for name in stems {
            @let group: Vec<&Spectrum> = spectra.iter().filter(|s| stem(&s.channel) == name).collect();
            @if let Some(chart) = chart(record, name, &group) {
                (chart.figure())
                @let peaks = merged(&group);
                @if !peaks.is_empty() {
                    ul.peaks {
                        @for (p, channel) in peaks.iter().take(6) {
                            li {
                                (hertz(p.frequency)) ", " (channel) ", "
                                (number::plain(rounded(p.rms * scale(channel)))) " " (unit(channel, &group)) " r.m.s.: " (p.attribution)
                            }
                        }
                    }
                }
            }
        }
    }
}

fn scale(channel: &str) -> f64 {
    if channel.starts_with("rate") { 180.0 / std::f64::consts::PI } else { 1.0 }
}

fn unit(channel: &str, group: &[&Spectrum]) -> String {
    if channel.starts_with("rate") {
        "deg/s".to_owned()
    } else {
        number::tidy_unit(group.first().map_or("", |s| amplitude_unit(&s.unit)))
    }
}

/// Three significant digits.
fn rounded(v: f64) -> f64 {
    if v == 0.0 || !v.is_finite() {
        return v;
    }
    let p = 10f64.powi(2 - v.abs().log10().floor() as i32);
    (v * p).round() / p
}

/// The chart of one sensor.
fn chart(record: &str, name: &str, group: &[&Spectrum]) -> Option<Chart> {
    let k = scale(name);
    let unit = unit(name, group);
    let lines: Vec<_> = group.iter().map(|s| (thin(&s.frequency, &s.density, k), staircase(s, k))).collect();
    let low = lines.iter().filter_map(|l| l.0.0.first().copied()).fold(f64::INFINITY, f64::min);
    let high = lines.iter().filter_map(|l| l.0.0.last().copied()).fold(0.0, f64::max);
    if high <= low {
        return None;
    }
    let values = || lines.iter().flat_map(|l| l.0.1.iter().copied());
    let floor = values().fold(f64::INFINITY, f64::min);
    let top = values().fold(0.0, f64::max);
    let total = lines.iter().map(|l| l.1.2).fold(0.0, f64::max);
    let axis = Axis { label: "frequency, Hz".to_owned(), kind: Kind::Log, low, high };
    let mut shown: Vec<&Peak> = merged(group)
        .into_iter()
        .map(|p| p.0)
        .filter(|p| p.frequency > low && p.frequency < high)
        .take(4)
        .collect();
    // Texts run towards the middle, so the outermost peaks take the top rows: no text then crosses
    // the leader of another.
    let outwards = |f: f64| (axis.place(f) - 0.5).abs();
    shown.sort_by(|p, q| outwards(q.frequency).total_cmp(&outwards(p.frequency)));
    let mut row = 0;
    let leaders = shown
        .into_iter()
        .map(|p| {
            // The highest line near the peak carries the leader.
            let near = lines
                .iter()
                .flat_map(|l| l.0.0.iter().zip(&l.0.1))
                .filter(|(f, _)| (*f / p.frequency - 1.0).abs() < 0.02)
                .map(|(_, d)| *d)
                .fold(0.0, f64::max);
            row += 1;
            Leader {
                x: p.frequency,
                y: if near > 0.0 { near } else { top },
                text: format!("{}, {}", hertz(p.frequency), brief(&p.attribution)),
                row: row - 1,
            }
        })
        .collect();
    let pen = |i: usize| Pen { dash: i % DASHES.len(), weight: if i == 0 { 1.4 } else { 1.1 }, faint: false };
    let line = |i: usize, x: &[f64], y: &[f64], steps: bool| Series {
        label: group.get(i).map_or_else(String::new, |s| s.channel.clone()),
        x: x.to_vec(),
        y: y.to_vec(),
        pen: pen(i),
        look: Look::Line,
        steps,
        channel: None,
    };
    let sums: Vec<String> = group
        .iter()
        .zip(&lines)
        .map(|(s, l)| format!("{} {}", s.channel, number::plain(rounded(l.1.2))))
        .collect();
    Some(Chart {
        id: format!("spectrum-{record}-{name}"),
        title: format!("Power spectra of the {} in {record}", title(name)),
        caption: format!(
            "The {}: {} {unit} r.m.s. in all. A tall step of the staircase is where vibration is worth removing; a flat tread is noise that no filter needs to touch.",
            title(name),
            sums.join(", ")
        ),
        x: axis,
        panels: vec![
            Panel {
                y: Axis {
                    label: format!("density, ({unit})²/Hz"),
                    kind: Kind::Log,
                    low: floor.max(top * 1e-9) * 0.6,
                    high: top * 60.0,
                },
                series: lines.iter().enumerate().map(|(i, l)| line(i, &l.0.0, &l.0.1, false)).collect(),
                leaders,
                limits: Vec::new(),
                rules: Vec::new(),
                share: 2.2,
            },
            Panel {
                y: Axis {
                    label: format!("r.m.s., {unit}"),
                    kind: Kind::Linear,
                    low: 0.0,
                    high: (total * 1.12).max(1e-12),
                },
                series: lines.iter().enumerate().map(|(i, l)| line(i, &l.1.0, &l.1.1, true)).collect(),
                leaders: Vec::new(),
                limits: Vec::new(),
                rules: Vec::new(),
                share: 1.0,
            },
        ],
        brackets: Vec::new(),
        height: 450.0,
        detail: None,
    })
}
