//! Charts and the table of a sweep.

use std::f64::consts::TAU;

use signal::drive::levels::{Mean, Point};

use super::sweep::Swept;
use crate::chart::{Axis, Chart, Mark, Series, Style, Table};

const RPM: f64 = 60.0 / TAU;

pub(super) fn charts(s: &Swept) -> Vec<Chart> {
    let mut out = Vec::new();
    if let Some(c) = &s.curve {
        let mut series = Vec::new();
        for (way, name, style) in
            [(Some(true), "rising", Style::Dots), (Some(false), "falling", Style::Rings)]
        {
            let list: Vec<&(f64, f64, Option<bool>)> =
                c.states.iter().filter(|p| p.2 == way || (way == Some(true) && p.2.is_none())).collect();
            if !list.is_empty() {
                series.push(Series::new(
                    name,
                    style,
                    list.iter().map(|p| p.0 * 100.0).collect(),
                    list.iter().map(|p| p.1).collect(),
                ));
            }
        }
        let grid: Vec<f64> =
            (0..=60).map(|k| c.range.0 + (c.range.1 - c.range.0) * f64::from(k) / 60.0).collect();
        let shown: Vec<f64> = grid.iter().map(|x| x * 100.0).collect();
        series.push(Series::new(
            "fitted",
            Style::Line,
            shown.clone(),
            grid.iter().map(|x| c.thrust(*x).value).collect(),
        ));
        let straight = |x: f64| {
            let (a, b) = (c.thrust(c.range.0).value, c.thrust(c.range.1).value);
            a + (b - a) * (x - c.range.0) / (c.range.1 - c.range.0).max(1e-9)
        };
        series.push(Series::new(
            "linearised",
            Style::Dashed,
            shown,
            grid.iter().map(|x| straight(*x)).collect(),
        ));
        let mut marks = Vec::new();
        if let Some(h) = s.hover {
            marks.push(Mark::Point { x: h * 100.0, y: c.thrust(h).value, name: "hover".to_owned() });
        }
        if let Some(u) = &s.ends.usable_minimum {
            marks.push(Mark::At { x: u.value * 100.0, name: "usable minimum".to_owned() });
        }
        if let Some(t) = &s.ends.saturation
            && t.value < 0.995
        {
            marks.push(Mark::At { x: t.value * 100.0, name: "saturation".to_owned() });
        }
        let caption = if c.nominal.is_finite() {
            format!(
                "Thrust of one rotor over its command at {:.1} V: the steeper the curve, the higher the loop's gain there.",
                c.nominal
            )
        } else {
            "Thrust of one rotor over its command, on this supply: the steeper the curve, the higher the loop's gain there."
                .to_owned()
        };
        out.push(Chart {
            id: "sweep-curve".to_owned(),
            title: "Command to thrust".to_owned(),
            caption,
            x: Axis::linear("command at nominal voltage", "%"),
            y: Axis::linear("thrust", "N"),
            series,
            marks,
        });
    }
    let mut series = Vec::new();
    for (found, name, style, pick) in [
        (&s.thrust, "thrust", Style::Dots, (|p: &Point| p.thrust) as fn(&Point) -> Option<Mean>),
        (&s.torque, "torque", Style::Rings, |p: &Point| p.torque),
    ] {
        let Some(c) = found else { continue };
        let zero = c.zero.map_or(0.0, |z| z.value);
        let (mut x, mut y) = (Vec::new(), Vec::new());
        for p in &s.points {
            if let (Some(w), Some(v)) = (p.speed, pick(p))
                && w.value > 0.2 * c.reference
            {
                x.push(w.value * RPM);
                y.push((v.value.abs() - zero) / (w.value * w.value) / c.value.value);
            }
        }
        series.push(Series::new(name, style, x, y));
    }
    if !series.is_empty() {
        out.push(Chart {
            id: "sweep-coefficients".to_owned(),
            title: "Thrust and torque per speed squared".to_owned(),
            caption: "Over the fitted value: level means one coefficient holds at every speed, a slope is Reynolds number."
                .to_owned(),
            x: Axis::linear("rotor speed", "rpm"),
            y: Axis::linear("share of the fitted value", "1"),
            series,
            marks: vec![Mark::Limit { y: 1.0, name: "fitted".to_owned() }],
        });
    }
    out
}

/// One row for each steady state.
pub(super) fn table(s: &Swept) -> Table {
    let cell = |m: Option<Mean>, factor: f64, digits: usize| {
        m.map_or_else(|| "not logged".to_owned(), |m| format!("{:.digits$}", m.value * factor))
    };
    let rows = s
        .points
        .iter()
        .take(80)
        .map(|p| {
            vec![
                p.command.map_or_else(|| "not logged".to_owned(), |c| format!("{:.1}", 100.0 * c)),
                cell(p.voltage, 1.0, 2),
                cell(p.current, 1.0, 2),
                cell(p.speed, RPM, 0),
                cell(p.thrust, 1.0, 3),
                cell(p.torque, 1e3, 1),
            ]
        })
        .collect();
    Table {
        id: "sweep-states".to_owned(),
        title: "Steady states".to_owned(),
        head: ["command, %", "voltage, V", "current, A", "speed, rpm", "thrust, N", "torque, mN m"]
            .map(str::to_owned)
            .to_vec(),
        rows,
        note: String::new(),
    }
}
