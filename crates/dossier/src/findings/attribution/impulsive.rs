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

/// Samples at the end of the range: the stated one, or an end value that keeps coming back.
pub(super) fn clipping(context: &Context<'_>, group: &Group) -> Option<Source> {
    let stated = context.known.ranges.map(|r| if group.base == "accel" { r.1 } else { r.0 });
    let mut worst: Option<(usize, f64, f64, bool)> = None;
    for axis in 0..3 {
        let (mut high, mut low, mut n) = (f64::NEG_INFINITY, f64::INFINITY, 0_usize);
        for s in &group.stretches {
            let Some(x) = s.raw.get(axis) else { continue };
            n += x.len();
            for v in x {
                high = high.max(*v);
                low = low.min(*v);
            }
        }
        if n == 0 {
            continue;
        }
        let count = |at: &dyn Fn(f64) -> bool| {
            group.stretches.iter().filter_map(|s| s.raw.get(axis)).flatten().filter(|v| at(**v)).count()
                as f64
        };
        let by_range = stated.map(|r| count(&|v: f64| v.abs() >= 0.999 * r));
        // An end value that comes back again and again, and more often than its neighbourhood just inside explains.
        let span = (high - low).max(1e-12);
        let flat = |end: f64| {
            let at = count(&|v| (v - end).abs() <= 1e-6 * span);
            let near = count(&|v| (v - end).abs() <= 0.02 * span);
            if at > 0.5 * near && at >= 8.0 { at } else { 0.0 }
        };
        let (clipped, from_range) = match by_range {
            Some(c) if c > 0.0 => (c, true),
            _ => (flat(high) + flat(low), false),
        };
        let share = clipped / n as f64;
        if share > LEAST_CLIPPED && worst.is_none_or(|w| share > w.1) {
            worst = Some((axis, share, high.abs().max(low.abs()), from_range));
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
