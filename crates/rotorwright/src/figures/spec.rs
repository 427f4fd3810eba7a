//! A chart as a specification for the chart script, with our own drawing rules: no toolbar, no
//! legend box, ink colours as names that the page's style sheet fills in.

use serde_json::{Value, json};

use super::chart::{Axis, Chart, DASHES, Kind, Look, Series};

/// Five figures are more than a screen can show and keep the page small.
fn round(v: f64) -> Value {
    if !v.is_finite() {
        return Value::Null;
    }
    if v == 0.0 {
        return json!(0);
    }
    let places = 4 - v.abs().log10().floor() as i32;
    let k = 10f64.powi(places);
    let r = (v * k).round() / k;
    json!(if r.is_finite() { r } else { v })
}

/// Numbers for the chart script; gaps become null.
pub(crate) fn numbers(values: &[f64]) -> Value {
    Value::Array(values.iter().map(|v| round(*v)).collect())
}

/// Times keep microseconds.
pub(crate) fn times(values: &[f64]) -> Value {
    Value::Array(
        values
            .iter()
            .map(|v| if v.is_finite() { json!((v * 1e6).round() / 1e6) } else { Value::Null })
            .collect(),
    )
}

fn axis(a: &Axis) -> Value {
    let range = match a.kind {
        Kind::Linear => [a.low, a.high],
        Kind::Log => [a.low.log10(), a.high.log10()],
    };
    json!({
        "type": if a.kind == Kind::Log { "log" } else { "linear" },
        "range": range,
        "title": { "text": a.label, "standoff": 6, "font": { "size": 12 } },
        "showline": true, "linecolor": "@ink", "linewidth": 1,
        "ticks": "outside", "ticklen": 4, "tickcolor": "@ink", "tickfont": { "size": 12 },
        "gridcolor": "@grid", "gridwidth": 1, "zeroline": false,
        "exponentformat": "power", "minexponent": 4,
        "dtick": if a.kind == Kind::Log { json!(1) } else { Value::Null },
    })
}

fn series(s: &Series, panel: usize, log_x: bool) -> Value {
    if let Some((x, y)) = s.outline() {
        return json!({
            "type": "scatter", "mode": "lines", "name": s.label,
            "x": if log_x { numbers(&x) } else { times(&x) }, "y": numbers(&y),
            "xaxis": "x", "yaxis": name("y", panel),
            "fill": "toself", "fillcolor": "@grid", "line": { "color": "@faint", "width": 0.6 },
            "hoverinfo": "skip",
        });
    }
    let marks = matches!(s.look, Look::Dots | Look::Rings);
    json!({
        "type": "scatter", "mode": if marks { "markers" } else { "lines" }, "name": s.label,
        "x": if log_x { numbers(&s.x) } else { times(&s.x) },
        "y": numbers(&s.y),
        "marker": {
            "color": if s.pen.faint { "@faint" } else { "@ink" }, "size": 6,
            "symbol": if s.look == Look::Rings { "circle-open" } else { "circle" },
        },
        "xaxis": "x", "yaxis": name("y", panel),
        "line": {
            "color": if s.pen.faint { "@faint" } else { "@ink" },
            "width": s.pen.weight,
            "dash": dash(s.pen.dash),
            "shape": if s.steps { "hv" } else { "linear" },
        },
        "connectgaps": false,
        "hovertemplate": format!("%{{y:.4~g}} {}<extra></extra>", s.label),
        "meta": s.channel,
    })
}

fn dash(i: usize) -> String {
    match DASHES.get(i).copied().unwrap_or("") {
        "" => "solid".to_owned(),
        d => d.split(' ').map(|n| format!("{n}px")).collect::<Vec<_>>().join(","),
    }
}

fn name(letter: &str, panel: usize) -> String {
    if panel == 0 { letter.to_owned() } else { format!("{letter}{}", panel + 1) }
}

/// Data and layout of the chart.
pub(crate) fn json(chart: &Chart) -> Value {
    let bands = chart.bands();
    let log_x = chart.x.kind == Kind::Log;
    let bottom = 48.0 + 34.0 * chart.strip() as f64;
    let plot = chart.height - 10.0 - bottom;
    let mut data = Vec::new();
    let mut notes = Vec::new();
    let mut shapes = Vec::new();
    let mut layout = json!({
        "paper_bgcolor": "@none", "plot_bgcolor": "@none",
        "font": { "family": "@font", "size": 12, "color": "@ink" },
        "height": chart.height,
        "margin": { "l": 66, "r": 112, "t": 10, "b": bottom },
        "showlegend": false, "dragmode": "zoom", "hovermode": "x",
        "hoverlabel": { "bgcolor": "@paper", "bordercolor": "@ink", "font": { "family": "@font", "size": 12, "color": "@ink" } },
    });
    let mut x = axis(&chart.x);
    x["anchor"] = json!(name("y", chart.panels.len().saturating_sub(1)));
    x["title"]["standoff"] = json!(6 + 28 * chart.strip());
    x["showgrid"] = json!(log_x);
    layout["xaxis"] = x;
    for (i, (panel, (top, low))) in chart.panels.iter().zip(&bands).enumerate() {
        let mut y = axis(&panel.y);
        y["domain"] = json!([(1.0 - low).max(0.0), (1.0 - top).min(1.0)]);
        y["anchor"] = json!("x");
        y["fixedrange"] = json!(true);
        y["nticks"] = json!((((low - top) * plot / 26.0) as usize).clamp(2, 8));
        layout[name("yaxis", i)] = y;
        // A rule's name stands at its foot where leaders have the top.
        let (foot, anchor) = if panel.leaders.is_empty() { (1, "top") } else { (0, "bottom") };
        for (x, text) in &panel.rules {
            shapes.push(json!({
                "type": "line", "xref": "x", "yref": format!("{} domain", name("y", i)), "x0": x, "x1": x, "y0": 0, "y1": 1,
                "line": { "color": "@accent", "width": 1 },
            }));
            notes.push(json!({
                "text": text, "xref": "x", "yref": format!("{} domain", name("y", i)),
                "x": if log_x { x.log10() } else { *x }, "y": foot, "xanchor": "left", "yanchor": anchor, "xshift": 3,
                "showarrow": false, "font": { "size": 11 }, "textangle": 90,
            }));
        }
        for (y, text) in &panel.limits {
            shapes.push(json!({
                "type": "line", "xref": "paper", "yref": name("y", i), "x0": 0, "x1": 1, "y0": y, "y1": y,
                "line": { "color": "@accent", "width": 1.4 },
            }));
            notes.push(json!({
                "text": text, "xref": "paper", "yref": name("y", i), "x": 0,
                "y": if panel.y.kind == Kind::Log { y.log10() } else { *y }, "xanchor": "left", "yanchor": "bottom",
                "xshift": 4, "showarrow": false, "font": { "size": 11 },
            }));
        }
        for s in &panel.series {
            data.push(series(s, i, log_x));
            if s.label.is_empty() {
                continue;
            }
            // The script moves this label to the end of its line and keeps neighbours apart.
            notes.push(json!({
                "text": s.label, "xref": "paper", "x": 1, "xanchor": "left", "xshift": 6,
                "yref": name("y", i), "y": end(s, &panel.y), "yanchor": "middle", "showarrow": false,
                "align": "left", "font": { "size": 12 }, "name": "end",
            }));
        }
        for l in &panel.leaders {
            let left = chart.x.place(l.x) > 0.5;
            // The texts stand in rows at the top of the panel, clear of the line.
            let below = (1.0 - panel.y.place(l.y)).clamp(0.0, 1.0) * (low - top) * plot;
            let row = 8.0 + 15.0 * l.row.min(7) as f64;
            notes.push(json!({
                "text": l.text, "xref": "x", "yref": name("y", i),
                "x": if log_x { l.x.log10() } else { l.x },
                "y": if panel.y.kind == Kind::Log { l.y.log10() } else { l.y },
                "showarrow": true, "arrowhead": 0, "arrowwidth": 0.8, "arrowcolor": "@ink",
                "ax": if left { -14 } else { 14 },
                "ay": (row - below).min(-8.0),
                "xanchor": if left { "right" } else { "left" },
                "font": { "size": 12 },
            }));
        }
    }
    let down = |pixels: f64| -pixels / plot;
    // Shapes stand at values, notes and the script's own sums at what the axis counts in.
    let counted = |x: f64| if log_x { x.log10() } else { x };
    for b in &chart.brackets {
        let (top, floor) = (22.0 + 30.0 * b.row as f64, 28.0 + 30.0 * b.row as f64);
        for (x0, x1, y0, y1) in
            [(b.from, b.to, floor, floor), (b.from, b.from, top, floor), (b.to, b.to, top, floor)]
        {
            shapes.push(json!({
                "type": "line", "xref": "x", "yref": "paper", "x0": x0, "x1": x1, "y0": down(y0), "y1": down(y1),
                "line": { "color": "@ink", "width": 1 },
            }));
        }
        notes.push(json!({
            "text": format!("{}", b.number), "xref": "x", "x": (counted(b.from) + counted(b.to)) / 2.0, "yref": "paper", "y": down(floor + 2.0),
            "yanchor": "top", "showarrow": false, "font": { "size": 11 },
            "name": "bracket", "hovertext": b.label,
            "templateitemname": Value::Null,
        }));
    }
    layout["annotations"] = Value::Array(notes);
    layout["shapes"] = Value::Array(shapes);
    let brackets: Vec<Value> =
        chart.brackets.iter().map(|b| json!([counted(b.from), counted(b.to), b.number, b.label])).collect();
    json!({ "data": data, "layout": layout, "brackets": brackets })
}

fn end(s: &Series, y: &Axis) -> Value {
    match s.end() {
        Some(v) if y.kind == Kind::Log => json!(v.log10()),
        Some(v) => json!(v),
        None => json!(0),
    }
}
