//! Channels against time: families of channels as panels over one time axis, thinned so that the
//! least and greatest value of every stretch stay in sight.

use dossier::findings::Findings;
use dossier::record::Record;

use super::chart::{Axis, Bracket, Chart, Kind, Look, Panel, Pen, Series};

/// Thinned samples: at most about `points`, the least and the greatest of each stretch in the
/// order in which they came. A stretch without any number breaks the line.
pub(crate) fn thin(time: &[f64], values: &[f64], from: f64, to: f64, points: usize) -> (Vec<f64>, Vec<f64>) {
    let first = time.partition_point(|t| *t < from).saturating_sub(1);
    let last = (time.partition_point(|t| *t <= to) + 1).min(time.len()).min(values.len());
    if first >= last {
        return (Vec::new(), Vec::new());
    }
    let (time, values) = (&time[first..last], &values[first..last]);
    if time.len() <= points {
        return (time.to_vec(), values.to_vec());
    }
    let buckets = (points / 2).max(1);
    let (mut x, mut y) = (Vec::with_capacity(points), Vec::with_capacity(points));
    for b in 0..buckets {
        let lo = b * time.len() / buckets;
        let hi = ((b + 1) * time.len() / buckets).min(time.len());
        let mut least: Option<usize> = None;
        let mut most: Option<usize> = None;
        for i in lo..hi {
            if values[i].is_finite() {
                if least.is_none_or(|k| values[i] < values[k]) {
                    least = Some(i);
                }
                if most.is_none_or(|k| values[i] > values[k]) {
                    most = Some(i);
                }
            }
        }
        match (least, most) {
            (Some(a), Some(z)) => {
                for i in if a == z { vec![a] } else { vec![a.min(z), a.max(z)] } {
                    x.push(time[i]);
                    y.push(values[i]);
                }
            }
            _ => {
                if let Some(t) = time.get(lo) {
                    x.push(*t);
                    y.push(f64::NAN);
                }
            }
        }
    }
    (x, y)
}

/// How a channel is shown: factor from SI and unit.
pub(crate) fn shown(channel: &str, unit: &str) -> (f64, String) {
    const DEG: f64 = 180.0 / std::f64::consts::PI;
    if channel.starts_with("rotor.") && channel.ends_with(".speed") {
        return (30.0 / std::f64::consts::PI, "rpm".to_owned());
    }
    match unit {
        "rad/s" => (DEG, "deg/s".to_owned()),
        "rad" => (DEG, "deg".to_owned()),
        "1" => (1.0, "1".to_owned()),
        other => (1.0, super::number::tidy_unit(other)),
    }
}

struct Family {
    title: String,
    members: Vec<(String, String, Pen)>,
}

/// Families in reading order: rates with their demands, commands, speeds, currents, then the rest.
fn families(record: &Record) -> Vec<Family> {
    let has = |name: &str| record.channels.contains_key(name);
    let mut out = Vec::new();
    let ink = Pen { dash: 0, weight: 1.3, faint: false };
    for (axis, word) in [("x", "roll rate"), ("y", "pitch rate"), ("z", "yaw rate")] {
        let mut members = Vec::new();
        for (stem, label, pen) in [
            ("rate_raw", "unfiltered", Pen { dash: 0, weight: 0.7, faint: true }),
            ("rate_demand", "demand", Pen { dash: 1, weight: 1.0, faint: false }),
            ("rate", "rate", ink),
        ] {
            let name = format!("{stem}.{axis}");
            if has(&name) {
                members.push((name, label.to_owned(), pen));
            }
        }
        out.push(Family { title: word.to_owned(), members });
    }
    for (what, title) in [("command", "command"), ("speed", "rotor speed"), ("current", "rotor current")] {
        let members = (1..)
            .map(|i: usize| (i, format!("rotor.{i}.{what}")))
            .take_while(|(_, name)| has(name))
            .map(|(i, name)| (name, format!("rotor {i}"), Pen::strand(i - 1)))
            .collect();
        out.push(Family { title: title.to_owned(), members });
    }
    for (title, names) in [
        ("specific force", vec![("accel.x", "forward"), ("accel.y", "right"), ("accel.z", "down")]),
        ("voltage", vec![("battery.voltage", "battery")]),
        ("current", vec![("battery.current", "battery")]),
        ("thrust demand", vec![("thrust_demand", "demand")]),
        ("velocity", vec![("velocity.x", "north"), ("velocity.y", "east"), ("velocity.z", "down")]),
        ("position", vec![("position.x", "north"), ("position.y", "east"), ("position.z", "down")]),
        ("field", vec![("mag.x", "forward"), ("mag.y", "right"), ("mag.z", "down")]),
        ("height", vec![("height", "height")]),
        ("airspeed", vec![("airspeed", "airspeed")]),
    ] {
        let members = names
            .into_iter()
            .filter(|(n, _)| has(n))
            .enumerate()
            .map(|(i, (n, label))| (n.to_owned(), label.to_owned(), Pen::strand(i)))
            .collect();
        out.push(Family { title: title.to_owned(), members });
    }
    out.retain(|f| !f.members.is_empty());
    out
}

/// The time chart of a record between two times, or of the whole record. `detail` is the address
/// of its samples, when a server stands behind the page.
pub(crate) fn chart(
    record: &Record,
    findings: &Findings,
    span: Option<(f64, f64)>,
    points: usize,
    detail: Option<String>,
) -> Option<Chart> {
    let (start, stop) = (record.time.first().copied()?, record.time.last().copied()?);
    let (from, to) = span.filter(|(a, b)| a < b && *a < stop && *b > start).unwrap_or((start, stop));
    if to <= from {
        return None;
    }
    let families = families(record);
    let lines: usize = families.iter().map(|f| f.members.len()).sum();
    // A page stays small with many channels: detail comes with a closer look.
    let points = points.min((20_000 / lines.max(1)).max(500));
    let mut panels = Vec::new();
    for family in families {
        let mut series = Vec::new();
        let mut unit = String::new();
        for (name, label, pen) in &family.members {
            let Some(values) = record.channel(name) else { continue };
            let (factor, u) = shown(name, record.channel_meta(name).map_or("1", |m| m.unit.as_str()));
            let (x, y) = thin(&record.time, values, from, to, points);
            unit = u;
            series.push(Series {
                label: label.clone(),
                x,
                y: y.iter().map(|v| v * factor).collect(),
                pen: *pen,
                look: Look::Line,
                steps: false,
                channel: Some(name.clone()),
            });
        }
        if series.iter().all(|s| s.y.iter().all(|v| !v.is_finite())) {
            continue;
        }
        let label =
            if unit == "1" { format!("{}, 1", family.title) } else { format!("{}, {unit}", family.title) };
        let y = Axis::around(&label, series.iter().flat_map(|s| s.y.iter().copied()));
        panels.push(Panel {
            y,
            series,
            leaders: Vec::new(),
            limits: Vec::new(),
            rules: Vec::new(),
            share: 1.0,
        });
    }
    if panels.is_empty() {
        return None;
    }
    let brackets = findings
        .phases
        .iter()
        .enumerate()
        .map(|(i, p)| Bracket { from: p.start, to: p.end, number: i + 1, label: p.label.clone(), row: 0 })
        .collect::<Vec<_>>();
    let height = 90.0 + 130.0 * panels.len() as f64;
    Some(Chart {
        id: format!("traces-{}", record.meta.id),
        title: format!("Channels of {} against time", record.meta.id),
        caption: "Demand and answer over one time axis: look where the solid line leaves the dashed one, and whether one rotor's command stands apart; the brackets below name the phases.".to_owned(),
        x: Axis { label: "time, s".to_owned(), kind: Kind::Linear, low: from, high: to },
        panels,
        brackets,
        height,
        detail,
    })
}

#[cfg(test)]
mod tests {
    use super::thin;

    #[test]
    fn thinning_keeps_the_extremes_and_the_gaps() {
        let time: Vec<f64> = (0..10_000).map(|i| f64::from(i) * 1e-3).collect();
        let mut values: Vec<f64> = time.iter().map(|t| t.sin()).collect();
        values[4321] = 9.0;
        values[7000..7200].fill(f64::NAN);
        let (x, y) = thin(&time, &values, 0.0, 10.0, 400);
        assert!(x.len() <= 400 && x.len() == y.len());
        assert!(x.windows(2).all(|w| w[0] < w[1]));
        assert!(y.iter().any(|v| (*v - 9.0).abs() < 1e-12));
        assert!(y.iter().any(|v| v.is_nan()));
        let (x, _) = thin(&time, &values, 2.0, 2.1, 400);
        assert!(x.len() > 95 && x[0] <= 2.0 && x[x.len() - 1] >= 2.1 - 1e-9);
    }
}
