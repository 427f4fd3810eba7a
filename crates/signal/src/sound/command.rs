//! Changes of a command line recorded beside a microphone: a level that steps, or pulses whose
//! width changes.
//!
//! Pulses are found by crossing the middle of their range with a hysteresis of a quarter of it, the
//! moment between samples by a straight line. A change is dated at the rising edge of the first
//! pulse of the new width: then the controller gave it out, and what the line itself takes is part
//! of the dead time. A recorder that blocks direct current shifts levels: pulses survive that,
//! a level that steps shows as a jump that dies away, and its front still counts.

use crate::robust;

/// A change of the command.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Edge {
    /// When, s.
    pub at: f64,
    /// How well that is known, s (standard uncertainty).
    pub error: f64,
    /// Pulse width before, s, or level before.
    pub before: f64,
    /// Pulse width after, s, or level after.
    pub after: f64,
    /// Whether the line carries pulses.
    pub pulses: bool,
}

/// Crossings with hysteresis: moment in samples and whether it rises.
fn crossings(line: &[f64]) -> Vec<(f64, bool)> {
    let (Some(low), Some(high)) = (robust::quantile(line, 0.005), robust::quantile(line, 0.995)) else {
        return Vec::new();
    };
    let (middle, guard) = (0.5 * (low + high), 0.12 * (high - low));
    if guard.is_nan() || guard <= 0.0 {
        return Vec::new();
    }
    let mut out = Vec::new();
    let mut up = line[0] > middle;
    let mut last: Option<(f64, bool)> = None;
    for i in 1..line.len() {
        let (a, b) = (line[i - 1], line[i]);
        if (a <= middle) != (b <= middle) {
            let rising = b > middle;
            last = Some(((i - 1) as f64 + (middle - a) / (b - a), rising));
        }
        if !up && b > middle + guard || up && b < middle - guard {
            up = !up;
            if let Some((at, rising)) = last
                && rising == up
            {
                out.push((at, rising));
            }
        }
    }
    out
}

/// Changes of a command line of `rate` samples per second.
pub fn edges(line: &[f64], rate: f64) -> Vec<Edge> {
    if line.len() < 16 || line.iter().any(|v| !v.is_finite()) || !(rate > 0.0) {
        return Vec::new();
    }
    let crossed = crossings(line);
    let seconds = line.len() as f64 / rate;
    if crossed.len() as f64 > 30.0 * seconds && crossed.len() >= 12 {
        pulses(&crossed, rate)
    } else {
        levels(line, rate)
    }
}

fn pulses(crossed: &[(f64, bool)], rate: f64) -> Vec<Edge> {
    let widths: Vec<(f64, f64)> = crossed
        .windows(2)
        .filter(|w| w[0].1 && !w[1].1)
        .map(|w| (w[0].0 / rate, (w[1].0 - w[0].0) / rate))
        .collect();
    let w: Vec<f64> = widths.iter().map(|(_, w)| *w).collect();
    let changes: Vec<f64> = w.windows(2).map(|p| p[1] - p[0]).collect();
    // Scatter of the width from one pulse to the next; at least a twentieth of a sample.
    let noise = robust::deviation(&changes).unwrap_or(0.0).max(0.05 / rate);
    let reach = 4;
    let mut out: Vec<Edge> = Vec::new();
    let mut k = 1;
    while k < w.len() {
        let (a, b) = (k.saturating_sub(reach), (k + reach).min(w.len()));
        let (Some(before), Some(after)) = (robust::median(&w[a..k]), robust::median(&w[k..b])) else { break };
        let size = (after - before).abs();
        let own = (w[k] - before).abs() > 0.5 * size && (w[k - 1] - before).abs() < 0.5 * size;
        if size > 6.0 * noise && size > 0.004 * before && own {
            out.push(Edge { at: widths[k].0, error: 0.3 / rate, before, after, pulses: true });
            k += reach;
        } else {
            k += 1;
        }
    }
    out
}

fn levels(line: &[f64], rate: f64) -> Vec<Edge> {
    let n = line.len();
    let half = ((0.004 * rate) as usize).max(4);
    if n < 4 * half {
        return Vec::new();
    }
    let mut sum = vec![0.0; n + 1];
    for i in 0..n {
        sum[i + 1] = sum[i] + line[i];
    }
    let mean = |a: usize, b: usize| (sum[b] - sum[a]) / (b - a) as f64;
    let jump = |i: usize| mean(i, i + half) - mean(i - half, i);
    let changes: Vec<f64> = line.windows(2).map(|p| p[1] - p[0]).collect();
    let noise = robust::deviation(&changes).unwrap_or(0.0) / 2.0_f64.sqrt();
    let jumps: Vec<f64> = (0..n).map(|i| if i >= half && i + half <= n { jump(i) } else { 0.0 }).collect();
    let most = jumps.iter().fold(0.0_f64, |m, v| m.max(v.abs()));
    let least = (8.0 * noise / (half as f64).sqrt()).max(0.2 * most);
    let mut out = Vec::new();
    let mut i = half;
    while i + half <= n {
        if most > 0.0 && jumps[i].abs() > least {
            let end = (i + 2 * half).min(n - half);
            let k = (i..=end).max_by(|a, b| jumps[*a].abs().total_cmp(&jumps[*b].abs())).unwrap_or(i);
            let (before, after) = (mean(k - half, k), mean(k, k + half));
            let middle = 0.5 * (before + after);
            // The front itself, between samples.
            let near = (k.saturating_sub(half / 2).max(1)..(k + half / 2).min(n))
                .filter(|j| (line[j - 1] - middle) * (line[*j] - middle) <= 0.0 && line[*j] != line[j - 1])
                .min_by_key(|j| j.abs_diff(k));
            let at =
                near.map_or(k as f64, |j| (j - 1) as f64 + (middle - line[j - 1]) / (line[j] - line[j - 1]));
            out.push(Edge { at: at / rate, error: 0.5 / rate, before, after, pulses: false });
            i = k + 2 * half;
        } else {
            i += 1;
        }
    }
    out
}
