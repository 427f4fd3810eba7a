//! Rate steps of one axis: every step a thin strand in deg/s, right and left mirrored about zero,
//! and beneath them a ruler with delay, rise and settling as bars and the limits as brackets.

use dossier::findings::StepTrace;
use maud::{Markup, html};

use super::chart::{Axis, Kind, ticks};
use super::{c, number};

const WIDTH: f64 = 720.0;
const LEFT: f64 = 96.0;
const RIGHT: f64 = 600.0;
const DEG: f64 = 180.0 / std::f64::consts::PI;

/// Limits that the rate gate sets, drawn as brackets.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub(crate) struct Limits {
    /// Largest overshoot, fraction of the step.
    pub(crate) overshoot: Option<f64>,
}

fn sides(axis: char) -> (&'static str, &'static str) {
    match axis {
        'y' => ("nose up", "nose down"),
        _ => ("right", "left"),
    }
}

fn word(axis: char) -> &'static str {
    match axis {
        'x' => "roll",
        'y' => "pitch",
        _ => "yaw",
    }
}

fn median(mut values: Vec<f64>) -> Option<(f64, f64, f64)> {
    values.retain(|v| v.is_finite());
    values.sort_by(f64::total_cmp);
    let (first, last) = (*values.first()?, *values.last()?);
    let n = values.len();
    let middle = if n % 2 == 1 { values[n / 2] } else { (values[n / 2 - 1] + values[n / 2]) / 2.0 };
    Some((middle, first, last))
}

fn path(time: &[f64], values: &[f64], x: &dyn Fn(f64) -> f64, y: &dyn Fn(f64) -> f64, end: f64) -> String {
    let mut d = String::new();
    let every = (time.len() / 500).max(1);
    for (t, v) in time.iter().zip(values).step_by(every) {
        if v.is_finite() && *t <= end {
            d.push_str(if d.is_empty() { "M" } else { "L" });
            d.push_str(&format!("{:.1} {:.1}", x(*t), y(v * DEG)));
        }
    }
    d
}

/// One line of the ruler.
struct Bar {
    name: &'static str,
    right: Option<(f64, f64, f64)>,
    left: Option<(f64, f64, f64)>,
}

/// The figure for one axis, `None` when there is no step about it.
pub(crate) fn drawing(axis: char, all: &[StepTrace], limits: Limits, prefix: &str) -> Option<Markup> {
    let steps: Vec<&StepTrace> = all.iter().filter(|s| s.axis == axis && s.time.len() > 1).collect();
    let largest = steps.iter().map(|s| s.size.abs() * DEG).fold(0.0, f64::max);
    if steps.is_empty() || largest <= 0.0 {
        return None;
    }
    // The hold and as much again of the release; what comes later is rest.
    let held = |s: &StepTrace| {
        let after = s.demand.iter().position(|d| d.abs() < 0.5 * s.size.abs());
        after.filter(|i| *i > 0).and_then(|i| s.time.get(i)).map(|t| 2.2 * t)
    };
    let last = median(steps.iter().filter_map(|s| s.time.last().copied()).collect())?.0;
    let end = median(steps.iter().filter_map(|s| held(s)).collect()).map_or(last, |m| m.0.min(last));
    let reach = steps
        .iter()
        .flat_map(|s| s.rate.iter())
        .filter(|v| v.is_finite())
        .fold(largest, |a, v| a.max(v.abs() * DEG))
        .min(2.0 * largest)
        * 1.08;
    let (top, floor) = (16.0, 286.0);
    let x = |t: f64| LEFT + (t / end).clamp(0.0, 1.0) * (RIGHT - LEFT);
    let y = |v: f64| (top + floor) / 2.0 - (v / reach).clamp(-1.0, 1.0) * (floor - top) / 2.0;
    let (right_word, left_word) = sides(axis);
    let pick = |positive: bool, f: &dyn Fn(&StepTrace) -> Option<f64>| {
        median(steps.iter().filter(|s| (s.size > 0.0) == positive).filter_map(|s| f(s)).collect())
    };
    let bar = |name, f: &dyn Fn(&StepTrace) -> Option<f64>| Bar {
        name,
        right: pick(true, f),
        left: pick(false, f),
    };
    let bars = [
        bar("delay to 10 %", &|s| s.delay),
        bar("rise 10 to 90 %", &|s| s.rise),
        bar("settled to 5 %", &|s| s.settling),
    ];
    let over_right = pick(true, &|s| s.overshoot);
    let over_left = pick(false, &|s| s.overshoot);
    let ruler = floor + 44.0;
    let height = ruler + 40.0 * 3.0 - 8.0;
    let x_axis = Axis { label: String::new(), kind: Kind::Linear, low: 0.0, high: end };
    let y_axis = Axis { label: String::new(), kind: Kind::Linear, low: -reach, high: reach };
    let count = |positive: bool| steps.iter().filter(|s| (s.size > 0.0) == positive).count();
    Some(html! {
        svg.steps viewBox=(format!("0 0 {WIDTH} {}", c(height))) role="img" aria-labelledby=(format!("{prefix}-{axis}-t {prefix}-{axis}-d")) {
            title id=(format!("{prefix}-{axis}-t")) { "Rate steps in " (word(axis)) }
            desc id=(format!("{prefix}-{axis}-d")) {
                (count(true)) " steps " (right_word) " and " (count(false)) " steps " (left_word) ", up to "
                (number::plain(largest.round())) " deg/s."
                @if let Some(o) = over_right { " Overshoot " (right_word) " " (number::plain((o.0 * 1000.0).round() / 10.0)) " %." }
                @if let Some(o) = over_left { " Overshoot " (left_word) " " (number::plain((o.0 * 1000.0).round() / 10.0)) " %." }
            }
            @for t in ticks(&y_axis, 6) {
                path.grid d=(format!("M{} {}H{}", c(LEFT), c(y(t)), c(RIGHT))) {}
                text.small x=(c(LEFT - 6.0)) y=(c(y(t) + 4.0)) text-anchor="end" { (number::plain(t)) }
            }
            path.thin d=(format!("M{} {}V{}M{} {}H{}", c(LEFT), c(top), c(floor), c(LEFT), c(y(0.0)), c(RIGHT))) {}
            text.small transform=(format!("translate(40 {}) rotate(-90)", c((top + floor) / 2.0))) text-anchor="middle" { (word(axis)) " rate, deg/s" }
            // What overshoot the limit allows, above each plateau.
            @if let Some(allowed) = limits.overshoot {
                @for sign in [1.0, -1.0] {
                    @let (a, b) = (y(sign * largest), y(sign * largest * (1.0 + allowed)));
                    path.limit d=(format!("M{x0} {a}h8V{b}h-8", x0 = c(RIGHT + 2.0), a = c(a), b = c(b))) {}
                }
                text.small x=(c(RIGHT + 14.0)) y=(c(y(largest * (1.0 + allowed / 2.0)) + 4.0)) { "overshoot ≤ " (number::plain(allowed * 100.0)) " %" }
            }
            @for s in &steps {
                path.series stroke-width="1" stroke-dasharray="7 3" d=(path(&s.time, &s.demand, &x, &y, end)) {}
                path.series.strand stroke-width="0.9" d=(path(&s.time, &s.rate, &x, &y, end)) {}
            }
            @for (positive, side, over) in [(true, right_word, over_right), (false, left_word, over_left)] {
                @if count(positive) > 0 {
                    @let sign = if positive { 1.0 } else { -1.0 };
                    text.small x=(c(RIGHT + 14.0)) y=(c(y(sign * largest * 0.62))) { (side) ", " (count(positive)) @if count(positive) == 1 { " step" } @else { " steps" } }
                    @if let Some(o) = over {
                        text.small x=(c(RIGHT + 14.0)) y=(c(y(sign * largest * 0.62) + 15.0)) { "overshoot " (number::plain((o.0 * 1000.0).round() / 10.0)) " %" }
                    }
                }
            }
            // Ruler.
            path.thin d=(format!("M{} {}H{}", c(LEFT), c(ruler - 22.0), c(RIGHT))) {}
            @for t in ticks(&x_axis, 10) {
                path.thin d=(format!("M{} {}v-7", c(x(t)), c(ruler - 22.0))) {}
                text.small x=(c(x(t))) y=(c(ruler - 32.0)) text-anchor="middle" { (number::plain((t * 1e6).round() / 1e3)) }
            }
            text.small x=(c(RIGHT + 14.0)) y=(c(ruler - 24.0)) { "ms from the step" }
            @for (i, b) in bars.iter().enumerate() {
                @let row = ruler + 40.0 * i as f64;
                text.small x=(c(LEFT - 6.0)) y=(c(row + 11.0)) text-anchor="end" { (b.name) }
                @for (k, value) in [b.right, b.left].iter().enumerate() {
                    @let at = row + 15.0 * k as f64;
                    @if let Some((middle, least, most)) = value {
                        rect class=(if k == 0 { "full" } else { "wash" }) x=(c(LEFT)) y=(c(at - 4.0)) width=(c(x(*middle) - LEFT)) height="7" {}
                        path.thin d=(format!("M{} {y}H{}", c(x(*least)), c(x(*most)), y = c(at - 0.5))) {}
                        text.small x=(c(x(most.max(*middle)) + 6.0)) y=(c(at + 4.0)) {
                            (number::plain((middle * 1e4).round() / 10.0)) " ms " (if k == 0 { right_word } else { left_word })
                        }
                    }
                }
            }
        }
    })
}
