//! Power spectra: log-log density, the cumulative r.m.s. as a staircase below it, the filters' cut-offs in a strip under
//! the axis, each peak tied by a leader to its line of the noise ledger. The axes of one sensor share a chart.

use dossier::chart::Table;
use dossier::findings::{Findings, Peak, Spectrum};
use maud::{Markup, html};
use physics::aircraft::Filter;

use super::chart::{Axis, Bracket, Chart, DASHES, Kind, Leader, Look, Panel, Pen, Series};
use super::{data, number};

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

/// Sensor of a channel: `rate_raw.x` -> `rate_raw`; the commands of all rotors are one.
fn stem(channel: &str) -> &str {
    if channel.starts_with("rotor.") && channel.ends_with(".command") {
        return "command";
    }
    channel.rsplit_once('.').map_or(channel, |(stem, _)| stem)
}

fn title(stem: &str) -> String {
    match stem {
        "rate" => "gyro, filtered".to_owned(),
        "rate_raw" => "gyro, before filters".to_owned(),
        "accel" => "accelerometer".to_owned(),
        "command" => "rotor commands".to_owned(),
        other => other.replace('_', " "),
    }
}

/// The noise ledger of a sensor, where the findings have one.
fn ledger<'a>(f: &'a Findings, stem: &str) -> Option<&'a Table> {
    f.tables.iter().find(|t| t.id.strip_prefix("noise-") == Some(stem))
}

/// Whether a table of the findings stands with the spectra.
pub(crate) fn shows(f: &Findings, table: &Table) -> bool {
    table.id.strip_prefix("noise-").is_some_and(|base| f.spectra.iter().any(|s| stem(&s.channel) == base))
}

/// Number of the ledger's line that a peak belongs to: the line of the same name, else of the same order of the rotors,
/// since another sensor may tell other rotors apart.
fn line_of(ledger: Option<&Table>, attribution: &str) -> Option<usize> {
    let plain = |s: &str| s.trim_start_matches("cannot tell: ").to_owned();
    let order = |s: &str| s.split_once("/rev ").and_then(|(n, _)| n.parse::<u32>().ok());
    let name = plain(attribution);
    let lines: Vec<(usize, String)> = ledger?
        .rows
        .iter()
        .filter_map(|r| {
            let (number, line) = r.first()?.split_once(". ")?;
            Some((number.parse().ok()?, plain(line)))
        })
        .collect();
    let alike = |l: &&(usize, String)| order(&name).is_some() && order(&l.1) == order(&name);
    lines.iter().find(|l| l.1 == name).or_else(|| lines.iter().find(alike)).map(|l| l.0)
}

fn tied(ledger: Option<&Table>, attribution: &str) -> String {
    line_of(ledger, attribution).map_or_else(String::new, |n| format!(", line {n}"))
}

/// The filters' cut-offs as brackets under the axis: what a low-pass takes away, what a notch takes out.
fn strip(filters: &[Filter], axis: &Axis) -> Vec<Bracket> {
    let inside = |from: f64, to: f64| from < axis.high && to > axis.low;
    filters
        .iter()
        .map(|f| match f {
            Filter::LowPass { order, cutoff } => {
                (*cutoff, axis.high, format!("low-pass {}, order {order}", hertz(*cutoff)))
            }
            Filter::Notch { centre, width, .. } => (
                centre - 0.5 * width,
                centre + 0.5 * width,
                format!("notch {}, {} wide", hertz(*centre), hertz(*width)),
            ),
        })
        .enumerate()
        .filter(|(_, (from, to, _))| inside(*from, *to))
        .enumerate()
        .map(|(row, (k, (from, to, label)))| Bracket {
            from: from.max(axis.low),
            to: to.min(axis.high),
            number: k + 1,
            label,
            row,
        })
        .collect()
}

/// Charts of all spectra of a record, one for each sensor, with its peaks and its noise ledger beneath. `filters` are
/// those of the gyro path.
pub(crate) fn figures(id: &str, f: &Findings, filters: &[Filter]) -> Markup {
    let (record, spectra) = (id, f.spectra.as_slice());
    let mut stems: Vec<&str> = Vec::new();
    for s in spectra {
        if !stems.contains(&stem(&s.channel)) {
            stems.push(stem(&s.channel));
        }
    }
    html! {
        @for name in stems {
            @let group: Vec<&Spectrum> = spectra.iter().filter(|s| stem(&s.channel) == name).collect();
            @let ledger = ledger(f, name);
            @let own: &[Filter] = if name.starts_with("rate") { filters } else { &[] };
            @if let Some(chart) = chart(record, name, &group, ledger, own) {
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
                @if let Some(t) = ledger { (data::table(t)) }
            }
        }
    }
}

fn scale(channel: &str) -> f64 {
    match stem(channel) {
        "rate" | "rate_raw" => 180.0 / std::f64::consts::PI,
        "command" => 100.0,
        _ => 1.0,
    }
}

fn unit(channel: &str, group: &[&Spectrum]) -> String {
    if channel.starts_with("rate") {
        "deg/s".to_owned()
    } else if stem(channel) == "command" {
        "% of full".to_owned()
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
fn chart(
    record: &str,
    name: &str,
    group: &[&Spectrum],
    ledger: Option<&Table>,
    filters: &[Filter],
) -> Option<Chart> {
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
                text: format!(
                    "{}, {}{}",
                    hertz(p.frequency),
                    brief(&p.attribution),
                    tied(ledger, &p.attribution)
                ),
                row: row - 1,
            }
        })
        .collect();
    let brackets = strip(filters, &axis);
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
            "The {}: {} {unit} r.m.s. in all. A tall step of the staircase is where vibration is worth removing; a flat tread is noise that no filter needs to touch.{}",
            title(name),
            sums.join(", "),
            if brackets.is_empty() { "" } else { " Under the axis: what the filters take." }
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
        height: 450.0 + 30.0 * brackets.len() as f64,
        brackets,
        detail: None,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn ledger() -> Table {
        Table {
            id: "noise-accel".to_owned(),
            title: String::new(),
            head: Vec::new(),
            rows: [
                "1. 1/rev of rotor 2 (unbalance)",
                "2. structural resonance at 86 Hz",
                "3. the rest",
                "sum",
            ]
            .iter()
            .map(|s| vec![(*s).to_owned()])
            .collect(),
            note: String::new(),
        }
    }

    #[test]
    fn peaks_are_tied_to_their_lines() {
        let l = ledger();
        let of = |name: &str| line_of(Some(&l), name);
        assert_eq!(of("structural resonance at 86 Hz"), Some(2));
        assert_eq!(of("1/rev of rotors 2, 3 (unbalance)"), Some(1));
        assert_eq!(of("cannot tell: 1/rev of rotor 2 (unbalance)"), Some(1));
        assert_eq!(of("2/rev of rotor 2 (blade passage)"), None);
        assert_eq!(of("control band: loop, pilot or gusts"), None);
        assert_eq!(line_of(None, "1/rev of rotor 2"), None);
    }

    #[test]
    fn cut_offs_stand_in_a_strip_of_their_own_rows() {
        let axis = Axis { label: String::new(), kind: Kind::Log, low: 2.0, high: 500.0 };
        let filters = [
            Filter::LowPass { order: 2, cutoff: 90.0 },
            Filter::Notch { centre: 150.0, width: 30.0, floor: 0.0 },
            Filter::LowPass { order: 1, cutoff: 900.0 },
        ];
        let strip = strip(&filters, &axis);
        assert_eq!(strip.len(), 2, "a cut-off beyond the axis is not drawn");
        assert_eq!((strip[0].from, strip[0].to, strip[0].row), (90.0, 500.0, 0));
        assert_eq!((strip[1].from, strip[1].to, strip[1].row), (135.0, 165.0, 1));
        assert!(strip[0].label.contains("low-pass 90 Hz, order 2"));
    }
}
