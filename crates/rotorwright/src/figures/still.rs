//! A chart as a still SVG: for paper, for pages without scripts, and until the script has drawn its own.

use maud::{Markup, html};

use super::aircraft::spread;
use super::chart::{Chart, DASHES, Kind, Look, Panel, Pen, ticks};
use super::{c, number};

const WIDTH: f64 = 760.0;
const LEFT: f64 = 66.0;
const RIGHT: f64 = 118.0;
const TOP: f64 = 10.0;

fn pen(p: Pen) -> (&'static str, String, Option<&'static str>) {
    (
        if p.faint { "series faint" } else { "series" },
        c(p.weight),
        DASHES.get(p.dash).copied().filter(|d| !d.is_empty()),
    )
}

/// The chart.
pub(crate) fn svg(chart: &Chart) -> Markup {
    let foot = 38.0 + 30.0 * chart.strip() as f64;
    let plot = chart.height - TOP - foot;
    let right = WIDTH - RIGHT;
    let x = |v: f64| LEFT + chart.x.place(v).clamp(-0.01, 1.01) * (right - LEFT);
    let floor = TOP + plot;
    html! {
        svg viewBox=(format!("0 0 {WIDTH} {}", c(chart.height))) role="img" aria-label=(chart.title) {
            @for (panel, (top, bottom)) in chart.panels.iter().zip(chart.bands()) {
                (draw_panel(chart, panel, TOP + top * plot, TOP + bottom * plot, &x, right))
            }
            @for t in ticks(&chart.x, 8) {
                path.thin d=(format!("M{} {}v5", c(x(t)), c(floor))) {}
                text.small x=(c(x(t))) y=(c(floor + 17.0)) text-anchor="middle" { (number::plain(t)) }
            }
            @for b in &chart.brackets {
                @if b.to > chart.x.low && b.from < chart.x.high {
                    @let base = floor + 22.0 + 30.0 * b.row as f64;
                    @let (a, z) = (x(b.from), x(b.to));
                    path.thin d=(format!("M{} {}v6H{}v-6", c(a), c(base), c(z))) {}
                    @let fits = z - a > 6.4 * b.label.chars().count() as f64;
                    @if fits || z - a > 7.0 {
                        text.small x=(c((a + z) / 2.0)) y=(c(base + 18.0)) text-anchor="middle" {
                            @if fits { (b.label) } @else { (b.number) }
                        }
                    }
                }
            }
            text.small x=(c((LEFT + right) / 2.0)) y=(c(chart.height - 4.0)) text-anchor="middle" { (chart.x.label) }
        }
    }
}

fn draw_panel(
    chart: &Chart,
    panel: &Panel,
    top: f64,
    bottom: f64,
    x: &dyn Fn(f64) -> f64,
    right: f64,
) -> Markup {
    let y = |v: f64| bottom - panel.y.place(v).clamp(-0.02, 1.02) * (bottom - top);
    let mut ends: Vec<(f64, &str)> = panel
        .series
        .iter()
        .filter(|s| !s.label.is_empty())
        .filter_map(|s| s.end().map(|v| (y(v), s.label.as_str())))
        .collect();
    ends.sort_by(|a, b| a.0.total_cmp(&b.0));
    let at = spread(&ends.iter().map(|e| e.0).collect::<Vec<_>>(), 13.0, top + 4.0, bottom);
    let most = ((bottom - top) / 26.0) as usize;
    html! {
        @for t in ticks(&panel.y, most.clamp(2, 8)) {
            path.grid d=(format!("M{} {}H{}", c(LEFT), c(y(t)), c(right))) {}
            text.small x=(c(LEFT - 6.0)) y=(c(y(t) + 4.0)) text-anchor="end" { (number::plain(t)) }
        }
        @if chart.x.kind == Kind::Log {
            @for t in ticks(&chart.x, 8) { path.grid d=(format!("M{} {}V{}", c(x(t)), c(top), c(bottom))) {} }
        }
        path.thin d=(format!("M{} {}V{}H{}", c(LEFT), c(top), c(bottom), c(right))) {}
        text.small transform=(format!("translate(13 {}) rotate(-90)", c((top + bottom) / 2.0))) text-anchor="middle" { (panel.y.label) }
        @for s in &panel.series {
            @let (class, width, dash) = pen(s.pen);
            @match &s.look {
                Look::Band(_) => {
                    @let (bx, by) = s.outline().unwrap_or_default();
                    path.band d={ (trace(&bx, &by, false, x, &y)) "Z" } {}
                }
                Look::Dots | Look::Rings => {
                    @for (px, py) in s.x.iter().zip(&s.y).filter(|(a, b)| a.is_finite() && b.is_finite()) {
                        circle class=(if s.look == Look::Dots { "full" } else { "ring" }) cx=(c(x(*px))) cy=(c(y(*py))) r="2.6" {}
                    }
                }
                Look::Line => path class=(class) stroke-width=(width) stroke-dasharray=[dash] d=(trace(&s.x, &s.y, s.steps, x, &y)) {}
            }
        }
        @for ((end, label), at) in ends.iter().zip(&at) {
            path.leader d=(format!("M{} {}L{} {}", c(right + 1.0), c(*end), c(right + 9.0), c(*at))) {}
            text.small x=(c(right + 12.0)) y=(c(at + 4.0)) { (label) }
        }
        // A rule's name stands at its foot where leaders have the top.
        @let (from, anchor) = if panel.leaders.is_empty() { (top + 4.0, "start") } else { (bottom - 4.0, "end") };
        @for (v, text) in &panel.rules {
            path.limit d=(format!("M{} {}V{}", c(x(*v)), c(top), c(bottom))) {}
            text.small text-anchor=(anchor) transform=(format!("translate({} {}) rotate(90)", c(x(*v) + 4.0), c(from))) { (text) }
        }
        @for (v, text) in &panel.limits {
            path.limit d=(format!("M{} {}H{}", c(LEFT), c(y(*v)), c(right))) {}
            text.small x=(c(LEFT + 5.0)) y=(c(y(*v) - 4.0)) { (text) }
        }
        @for l in &panel.leaders {
            @let (px, py) = (x(l.x), y(l.y));
            @let ty = top + 12.0 + 14.0 * l.row.min(7) as f64;
            @let left = px > (LEFT + right) / 2.0;
            path.leader d=(format!("M{} {}L{} {}", c(px), c(py), c(if left { px - 10.0 } else { px + 10.0 }), c(ty))) {}
            circle.full cx=(c(px)) cy=(c(py)) r="2.4" {}
            text.small x=(c(if left { px - 13.0 } else { px + 13.0 })) y=(c(ty + 4.0)) text-anchor=(if left { "end" } else { "start" }) { (l.text) }
        }
    }
}

/// Points of one line in the still drawing: more cannot be told apart on paper.
const POINTS: usize = 700;

/// Path of a line; a line against time is thinned to its least and greatest values.
fn trace(xs: &[f64], ys: &[f64], steps: bool, x: &dyn Fn(f64) -> f64, y: &dyn Fn(f64) -> f64) -> String {
    let (xs, ys) = if steps || xs.len() <= POINTS {
        (xs.to_vec(), ys.to_vec())
    } else {
        super::traces::thin(xs, ys, f64::NEG_INFINITY, f64::INFINITY, POINTS)
    };
    let mut d = String::new();
    let mut down = false;
    for (&xv, &yv) in xs.iter().zip(&ys) {
        if !yv.is_finite() || !xv.is_finite() {
            down = false;
            continue;
        }
        let (px, py) = (format!("{:.1}", x(xv)), format!("{:.1}", y(yv)));
        if !down {
            d.push_str(&format!("M{px} {py}"));
        } else if steps {
            d.push_str(&format!("H{px}V{py}"));
        } else {
            d.push_str(&format!("L{px} {py}"));
        }
        down = true;
    }
    d
}
