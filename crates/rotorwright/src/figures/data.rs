//! Charts and tables that a finding or a gate gives as data.

use dossier::chart::{self, Mark, Style};
use maud::{Markup, html};

use super::chart::{Axis, Chart, Kind, Leader, Look, Panel, Pen, Series};

/// All charts, then all tables. `prefix` keeps identities apart on one page.
pub(crate) fn shown(prefix: &str, charts: &[chart::Chart], tables: &[chart::Table]) -> Markup {
    html! {
        @for c in charts { @if let Some(drawn) = chart(prefix, c) { h3 { (c.title) } (drawn.figure()) } }
        @for t in tables { (table(t)) }
    }
}

/// Longest cell of a column of figures; a longer one is a sentence, which stands left and wraps.
const FIGURE: usize = 34;

/// A table.
pub(crate) fn table(t: &chart::Table) -> Markup {
    // The first column names the row; figures stand right.
    let figures =
        |i: usize| i > 0 && t.rows.iter().all(|r| r.get(i).is_none_or(|cell| cell.chars().count() <= FIGURE));
    html! {
        div.scroll tabindex="0" role="group" aria-label=(t.title) {
            table {
                caption { (t.title) }
                thead { tr { @for (i, h) in t.head.iter().enumerate() { th.num[figures(i)] scope="col" { (h) } } } }
                tbody {
                    @for row in &t.rows {
                        tr { @for (i, cell) in row.iter().enumerate() {
                            @if i == 0 { th scope="row" { (cell) } } @else { td.num[figures(i)].words[!figures(i)] { (cell) } }
                        } }
                    }
                }
            }
        }
        @if !t.note.is_empty() { p.small { (t.note) } }
    }
}

fn axis(a: &chart::Axis, values: &[f64]) -> Option<Axis> {
    let label =
        if a.unit.is_empty() || a.unit == "1" { a.label.clone() } else { format!("{}, {}", a.label, a.unit) };
    if !a.log {
        return Some(Axis::around(&label, values.iter().copied()));
    }
    let positive = values.iter().copied().filter(|v| *v > 0.0 && v.is_finite());
    let (low, high) = positive.fold((f64::INFINITY, 0.0f64), |(l, h), v| (l.min(v), h.max(v)));
    (low < high).then_some(Axis { label, kind: Kind::Log, low: low * 0.9, high: high * 1.1 })
}

/// The chart as it is drawn; none when it has no point.
fn chart(prefix: &str, c: &chart::Chart) -> Option<Chart> {
    let mut xs: Vec<f64> = c.series.iter().flat_map(|s| s.x.iter().copied()).collect();
    let mut ys: Vec<f64> = c.series.iter().flat_map(|s| s.y.iter().chain(&s.upper).copied()).collect();
    if !xs.iter().zip(&ys).any(|(x, y)| x.is_finite() && y.is_finite()) {
        return None;
    }
    let (mut leaders, mut limits, mut rules) = (Vec::new(), Vec::new(), Vec::new());
    for mark in &c.marks {
        match mark {
            Mark::At { x, name } => {
                xs.push(*x);
                rules.push((*x, name.clone()));
            }
            Mark::Limit { y, name } => {
                ys.push(*y);
                limits.push((*y, name.clone()));
            }
            Mark::Point { x, y, name } => {
                xs.push(*x);
                ys.push(*y);
                let row = leaders.len();
                leaders.push(Leader { x: *x, y: *y, text: name.clone(), row });
            }
        }
    }
    let mut strands = 0;
    let series = c
        .series
        .iter()
        .map(|s| {
            let (look, pen) = match s.style {
                Style::Line => {
                    let pen = Pen::strand(strands);
                    strands += 1;
                    (Look::Line, Pen { weight: pen.weight + 0.3, ..pen })
                }
                Style::Thin => (Look::Line, Pen { dash: 0, weight: 0.7, faint: true }),
                Style::Dashed => (Look::Line, Pen { dash: 1, weight: 1.1, faint: false }),
                Style::Dots => (Look::Dots, Pen { dash: 0, weight: 1.0, faint: false }),
                Style::Rings => (Look::Rings, Pen { dash: 0, weight: 1.0, faint: false }),
                Style::Band => (Look::Band(s.upper.clone()), Pen { dash: 0, weight: 0.7, faint: true }),
            };
            Series {
                label: s.name.clone(),
                x: s.x.clone(),
                y: s.y.clone(),
                pen,
                look,
                steps: false,
                channel: None,
            }
        })
        .collect();
    Some(Chart {
        id: format!("{prefix}-{}", c.id),
        title: c.title.clone(),
        caption: c.caption.clone(),
        x: axis(&c.x, &xs)?,
        panels: vec![Panel { y: axis(&c.y, &ys)?, series, leaders, limits, rules, share: 1.0 }],
        brackets: Vec::new(),
        height: 330.0,
        detail: None,
    })
}
