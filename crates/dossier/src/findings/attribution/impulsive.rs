//! Parts that knock, and sensors at the end of their range.

use signal::robust;

use super::data::Group;
use super::{Source, SourceKind, short};
use crate::findings::context::Context;

/// Kurtosis of short blocks above which what is left is impulsive. Noise has 3, blocks of 300 samples scatter by 0.28.
const KNOCK: f64 = 4.2;
/// Shortest block for a kurtosis, samples.
const LEAST_BLOCK: usize = 150;
/// Share of the samples at the end of the range that counts as clipping.
const LEAST_CLIPPED: f64 = 5e-4;

fn kurtosis(x: &[f64]) -> Option<f64> {
    let n = x.len() as f64;
    let mean = robust::mean(x)?;
    let (mut two, mut four) = (0.0, 0.0);
    for v in x {
        let d = (v - mean).powi(2);
        two += d;
        four += d * d;
    }
    (two > 0.0).then(|| n * four / (two * two))
}

/// Looseness: median kurtosis of short blocks of what the orders leave, above the low frequencies. Clipped samples
/// have steps of their own.
pub(super) fn looseness(group: &Group, clipped: bool) -> Option<Source> {
    if clipped {
        return None;
    }
    let block = ((0.25 * group.rate) as usize).max(LEAST_BLOCK);
    let mut best: Option<(usize, f64, f64, usize)> = None;
    for axis in 0..3 {
        let mut all = Vec::new();
        let mut square = Vec::new();
        for x in group.axis(axis) {
            // The first difference whitens: knocks are short, resonances are not.
            let d: Vec<f64> = x.windows(2).map(|w| w[1] - w[0]).collect();
            for b in d.chunks_exact(block) {
                all.extend(kurtosis(b));
            }
            square.extend(x.iter().step_by(3).map(|v| v * v));
        }
        if all.len() < 8 {
            continue;
        }
        let (Some(median), Some(mean)) = (robust::median(&all), robust::mean(&square)) else { continue };
        if best.is_none_or(|b| median > b.1) {
            best = Some((axis, median, mean.sqrt(), all.len()));
        }
    }
    let (axis, k, rms, blocks) = best.filter(|b| b.1 > KNOCK)?;
    let channel = group.channel(axis);
    Some(Source {
        kind: SourceKind::Looseness,
        rotors: Vec::new(),
        order: None,
        folded: false,
        seen: (0.0, group.nyquist()),
        true_frequency: None,
        name: "looseness (impulsive, broadband)".to_owned(),
        evidence: format!(
            "what the orders leave in {channel} ({} {} r.m.s.) is impulsive: median kurtosis {k:.1} over {blocks} blocks, where noise has 3; \
             something knocks: screws, bearings, connectors, a battery strap.",
            short(rms),
            group.unit()
        ),
        channel,
        rms,
        would_tell: None,
    })
}

/// Ends of the range that samples stand at: the stated range where any sample reaches it, else an end value that comes back
/// again and again, and more often than its neighbourhood just inside explains. `None` where nothing is clipped; an end
/// that is not reached lies at infinity.
pub(super) fn ends(stretches: &[&[f64]], stated: Option<f64>) -> Option<(f64, f64)> {
    let count =
        |at: &dyn Fn(f64) -> bool| stretches.iter().flat_map(|s| s.iter()).filter(|v| at(**v)).count() as f64;
    let top = stretches.iter().flat_map(|s| s.iter()).fold(0.0_f64, |m, v| m.max(v.abs()));
    if stated.is_some_and(|r| top >= 0.999 * r) {
        return Some((-top, top));
    }
    let (low, high) = stretches
        .iter()
        .flat_map(|s| s.iter())
        .fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), v| (l.min(*v), h.max(*v)));
    let span = (high - low).max(1e-12);
    let flat = |end: f64| {
        let at = count(&|v| (v - end).abs() <= 1e-6 * span);
        let near = count(&|v| (v - end).abs() <= 0.02 * span);
        at > 0.5 * near && at >= 8.0
    };
    let found =
        (if flat(low) { low } else { f64::NEG_INFINITY }, if flat(high) { high } else { f64::INFINITY });
    (found.0.is_finite() || found.1.is_finite()).then_some(found)
}

/// Samples at the end of the range.
pub(super) fn clipping(context: &Context<'_>, group: &Group) -> Option<Source> {
    let stated = context.known.ranges.map(|r| if group.base == "accel" { r.1 } else { r.0 });
    let mut worst: Option<(usize, f64, f64, bool)> = None;
    for axis in 0..3 {
        let stretches: Vec<&[f64]> =
            group.stretches.iter().filter_map(|s| s.raw.get(axis).map(Vec::as_slice)).collect();
        let n: usize = stretches.iter().map(|s| s.len()).sum();
        let Some((low, high)) = ends(&stretches, stated) else { continue };
        let slack = if low.is_finite() && high.is_finite() { 1e-6 * (high - low) } else { 0.0 };
        let clipped = stretches
            .iter()
            .flat_map(|s| s.iter())
            .filter(|v| **v <= low + slack || **v >= high - slack)
            .count() as f64;
        let top = stretches.iter().flat_map(|s| s.iter()).fold(0.0_f64, |m, v| m.max(v.abs()));
        let from_range = stated.is_some_and(|r| top >= 0.999 * r);
        let share = clipped / n.max(1) as f64;
        if share > LEAST_CLIPPED && worst.is_none_or(|w| share > w.1) {
            worst = Some((axis, share, top, from_range));
        }
    }
    let (axis, share, top, from_range) = worst?;
    let channel = group.channel(axis);
    Some(Source {
        kind: SourceKind::Clipping,
        rotors: Vec::new(),
        order: None,
        folded: false,
        seen: (0.0, group.nyquist()),
        true_frequency: None,
        name: format!("clipping of {channel}"),
        evidence: format!(
            "{:.2} % of the samples of {channel} stand at {} {}{}; what is clipped is lost, shifts the mean and spreads over all frequencies.",
            100.0 * share,
            short(top),
            group.unit(),
            if from_range { ", the stated range" } else { ", again and again the same end value" }
        ),
        channel,
        rms: 0.0,
        would_tell: None,
    })
}
