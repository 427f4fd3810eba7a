//! Steps of a demand and what the response makes of them.

use std::ops::Range;

/// A step of a demand.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Step {
    /// Time of the step: the first sample of the new value, or where a slower edge passes 10 %, s.
    pub at: f64,
    /// Demand before.
    pub from: f64,
    /// Demand after.
    pub to: f64,
    /// Beginning of the level before, s.
    pub level_from: f64,
    /// End of the level after, s.
    pub until: f64,
}

impl Step {
    /// Signed size.
    pub fn size(&self) -> f64 {
        self.to - self.from
    }
}

/// What counts as a step.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Options {
    /// Least size.
    pub least_size: f64,
    /// A level may wander by so much either way.
    pub tolerance: f64,
    /// Least time a level is held, s.
    pub hold: f64,
    /// Longest time from one level to the next, s.
    pub longest_edge: f64,
}

/// Stretches in which `values` stay within `tolerance` of their middle for at least `hold`.
pub fn levels(time: &[f64], values: &[f64], tolerance: f64, hold: f64) -> Vec<(Range<usize>, f64)> {
    let n = time.len().min(values.len());
    let mut found = Vec::new();
    let mut i = 0;
    while i < n {
        let (mut low, mut high) = (values[i], values[i]);
        let mut j = i;
        while j + 1 < n {
            let v = values[j + 1];
            let (l, h) = (low.min(v), high.max(v));
            if !v.is_finite() || h - l > 2.0 * tolerance {
                break;
            }
            (low, high) = (l, h);
            j += 1;
        }
        if values[i].is_finite() && time[j] - time[i] >= hold {
            let mean = values[i..=j].iter().sum::<f64>() / (j - i + 1) as f64;
            found.push((i..j + 1, mean));
            i = j + 1;
        } else {
            i += 1;
        }
    }
    found
}

/// Steps of a demand: from one held level to another within the longest edge.
pub fn detect(time: &[f64], demand: &[f64], options: &Options) -> Vec<Step> {
    let levels = levels(time, demand, options.tolerance, options.hold);
    let mut steps = Vec::new();
    for pair in levels.windows(2) {
        let [(a, from), (b, to)] = pair else { continue };
        let size = to - from;
        let (last, first) = (a.end - 1, b.start);
        if size.abs() < options.least_size || time[first] - time[last] > options.longest_edge {
            continue;
        }
        let part = |k: usize| (demand[k] - from) / size;
        let Some(k) = (a.start + 1..=first).rev().find(|&k| part(k - 1) < 0.1) else { continue };
        let at = if part(k) >= 0.9 {
            time[k]
        } else {
            let (p, q) = (part(k - 1), part(k));
            time[k - 1] + (time[k] - time[k - 1]) * ((0.1 - p) / (q - p)).clamp(0.0, 1.0)
        };
        steps.push(Step { at, from: *from, to: *to, level_from: time[a.start], until: time[b.end - 1] });
    }
    steps
}

/// What a response makes of a step. A value that the record does not reach is absent.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Metrics {
    /// From the step to 10 % of it, s.
    pub delay: Option<f64>,
    /// From 10 % to 90 %, s.
    pub rise: Option<f64>,
    /// Largest excess over the new value as a fraction of the step; zero without excess.
    pub overshoot: Option<f64>,
    /// From the step to the largest value, s, when there is an excess.
    pub peak_time: Option<f64>,
    /// From the step to the last entry into 5 % of the new value, s.
    pub settling: Option<f64>,
}

/// Metrics of a response to a step at `at` from `from` to `to`, seen until `until`. Crossings are
/// interpolated linearly, the largest value by a parabola. Times need not be uniform.
pub fn metrics(time: &[f64], response: &[f64], from: f64, to: f64, at: f64, until: f64) -> Metrics {
    let size = to - from;
    let n = time.len().min(response.len());
    if size == 0.0 || n < 3 {
        return Metrics::default();
    }
    let begin = time[..n].partition_point(|t| *t < at);
    let end = time[..n].partition_point(|t| *t <= until);
    if end <= begin + 2 {
        return Metrics::default();
    }
    let y = |k: usize| (response[k] - from) / size;
    let cross = |k: usize, level: f64| -> f64 {
        if k == begin {
            return time[k];
        }
        let (a, b) = (y(k - 1), y(k));
        let f = if b == a { 1.0 } else { ((level - a) / (b - a)).clamp(0.0, 1.0) };
        time[k - 1] + (time[k] - time[k - 1]) * f
    };
    let first = |level: f64| (begin..end).find(|&k| y(k) >= level).map(|k| cross(k, level));
    let ten = first(0.1);
    let ninety = first(0.9);
    let mut m = Metrics { delay: ten.map(|t| t - at), ..Metrics::default() };
    if let (Some(a), Some(b)) = (ten, ninety) {
        m.rise = Some((b - a).max(0.0));
        let top = (begin..end).max_by(|a, b| y(*a).total_cmp(&y(*b))).unwrap_or(begin);
        let (mut when, mut value) = (time[top], y(top));
        if top > begin && top + 1 < end {
            (when, value) =
                vertex([time[top - 1], time[top], time[top + 1]], [y(top - 1), y(top), y(top + 1)]);
        }
        m.overshoot = Some((value - 1.0).max(0.0));
        if value > 1.0 && top + 1 < end {
            m.peak_time = Some(when - at);
        }
    }
    m.settling = match (begin..end).rev().find(|&k| (y(k) - 1.0).abs() > 0.05) {
        None => Some(0.0),
        Some(k) if k + 1 < end => {
            let level = if y(k) > 1.0 { 1.05 } else { 0.95 };
            let (a, b) = (y(k), y(k + 1));
            let f = if b == a { 1.0 } else { ((level - a) / (b - a)).clamp(0.0, 1.0) };
            Some(time[k] + (time[k + 1] - time[k]) * f - at)
        }
        Some(_) => None,
    };
    m
}

/// Vertex of the parabola through three points; the middle one where they do not make a summit.
fn vertex(t: [f64; 3], y: [f64; 3]) -> (f64, f64) {
    let (a, b) = (t[0] - t[1], t[2] - t[1]);
    let (p, q) = (y[0] - y[1], y[2] - y[1]);
    let det = a * b * (a - b);
    if det == 0.0 {
        return (t[1], y[1]);
    }
    let second = (p * b - q * a) / det;
    let slope = (q * a * a - p * b * b) / det;
    if second >= 0.0 {
        return (t[1], y[1]);
    }
    let s = -slope / (2.0 * second);
    if s < a || s > b {
        return (t[1], y[1]);
    }
    (t[1] + s, y[1] + slope * s + second * s * s)
}
