//! Peaks of what the orders leave: resonances that stay where they are while the rotor speed moves.

use std::f64::consts::TAU;

use signal::peaks::{self, Peak};
use signal::spectrum::{Density, Options, welch};
use signal::stream::SpectrogramStream;

use super::data::{Group, Speed};
use super::{Source, SourceKind, short};

/// A peak's share of the channel's mean square that is worth a name.
const LEAST_SHARE: f64 = 3e-3;
/// Below the rotors' half speed or this, Hz, a peak belongs to flying and control.
const CONTROL_BAND: f64 = 30.0;
/// A mount is soft and damped: half-power width over twice the frequency above this. Our choice.
const MOUNT_DAMPING: f64 = 0.04;
/// Speeds of the slow and the fast half must differ by this for a fixed line to show as fixed.
const LEAST_SPREAD: f64 = 0.03;

/// One candidate.
struct Candidate {
    axis: usize,
    peak: Peak,
    density: Density,
}

fn block(group: &Group) -> usize {
    let mut n = 16;
    let longest = group.axis(0).iter().map(|s| s.len()).max().unwrap_or(0);
    while (n * 2) as f64 <= (1.5 * group.rate).min(longest as f64 / 3.0) {
        n *= 2;
    }
    n
}

pub(super) fn find(group: &Group, orders: &[Source]) -> Vec<Source> {
    let options = Options::hann(block(group));
    let turns = group.all_turns();
    let low = turns.map_or(CONTROL_BAND, |t| (0.5 * t.0).min(CONTROL_BAND)).min(0.25 * group.nyquist());
    let mut candidates: Vec<Candidate> = Vec::new();
    for axis in 0..3 {
        let Ok(density) = welch(&group.axis(axis), group.rate, &options) else { continue };
        if density.averages < 4.0 {
            continue;
        }
        let total = group.total.get(axis).copied().unwrap_or(0.0);
        let half = ((0.12 * group.nyquist() / density.resolution) as usize).clamp(24, 120);
        let search = peaks::Options { low, floor_bins: half, least: 5.0, most: 6 };
        for peak in peaks::find(&density, &search) {
            if peak.rms.powi(2) < LEAST_SHARE * total
                || left_by_an_order(group, orders, axis, &peak, &density)
            {
                continue;
            }
            candidates.push(Candidate { axis, peak, density: density.clone() });
        }
    }
    candidates.sort_by(|a, b| share(group, b).total_cmp(&share(group, a)));
    let mut named: Vec<Source> = Vec::new();
    for c in candidates {
        let width = half_power(&c.density, &c.peak);
        // One resonance makes several ragged tops; each axis shows it.
        let near = |s: &Source| {
            let f = c.peak.frequency;
            let reach = (s.seen.1 - s.seen.0) + width + 2.0 * c.density.resolution + 0.04 * f;
            (0.5 * (s.seen.0 + s.seen.1) - f).abs() < reach
        };
        if named.len() >= 4 || named.iter().any(near) {
            continue;
        }
        named.push(describe(group, &c, width, turns));
    }
    named
}

fn share(group: &Group, c: &Candidate) -> f64 {
    c.peak.rms.powi(2) / group.total.get(c.axis).copied().unwrap_or(1.0).max(1e-300)
}

/// Removal leaves up to a tenth of an order's power where its amplitude changes fast: that is no peak of its own.
fn left_by_an_order(group: &Group, orders: &[Source], axis: usize, peak: &Peak, density: &Density) -> bool {
    orders.iter().any(|o| {
        let slack = 4.0 * density.resolution;
        let inside = peak.frequency > o.seen.0 - slack && peak.frequency < o.seen.1 + slack;
        let power =
            group.taken.iter().filter(|t| Some(t.0) == o.order).filter_map(|t| t.1.get(axis)).sum::<f64>();
        inside && peak.rms.powi(2) < 0.15 * power
    })
}

/// Width between the half-power points above the floor, Hz.
fn half_power(density: &Density, peak: &Peak) -> f64 {
    let d = &density.density;
    let smooth = |k: usize| {
        let (a, b) = (k.saturating_sub(1), (k + 1).min(d.len() - 1));
        d[a..=b].iter().sum::<f64>() / (b - a + 1) as f64
    };
    let level = peak.floor + 0.5 * (smooth(peak.bin) - peak.floor);
    let (mut a, mut b) = (peak.bin, peak.bin);
    // A single ragged bin does not end it.
    while a > 1 && (smooth(a - 1) > level || smooth(a - 2) > level) {
        a -= 1;
    }
    while b + 2 < d.len() && (smooth(b + 1) > level || smooth(b + 2) > level) {
        b += 1;
    }
    // The window itself is 1.44 bins wide at half power (Hann), the smoothing adds a bin.
    ((b - a) as f64 * density.resolution - 1.8 * density.resolution).max(0.3 * density.resolution)
}

/// Mean density around a frequency in the slow and in the fast half of the blocks, and the mean speeds of these, rev/s.
struct Halves {
    slow: (Vec<f64>, f64),
    fast: (Vec<f64>, f64),
    resolution: f64,
    blocks: usize,
}

fn halves(group: &Group, axis: usize) -> Option<Halves> {
    // Short blocks: enough of them on each side.
    let length = (block(group) / 2).max(16);
    let options = Options::hann(length);
    let mut rows: Vec<(f64, Vec<f64>)> = Vec::new();
    for s in &group.stretches {
        let x = s.channels.get(axis)?;
        let n = s.speeds.len().max(1) as f64;
        let mean = |from: usize| {
            s.speeds
                .iter()
                .filter_map(|v| v.get(from..from + length))
                .map(|v| v.iter().sum::<f64>() / length as f64)
                .sum::<f64>()
                / n
                / TAU
        };
        let mut stream = SpectrogramStream::new(group.rate, 0.0, &options).ok()?;
        stream.push(x, |t, row| {
            let from = ((t * group.rate) as usize).saturating_sub(length / 2);
            rows.push((mean(from), row.to_vec()));
        });
    }
    if rows.len() < 8 {
        return None;
    }
    rows.sort_by(|a, b| a.0.total_cmp(&b.0));
    let part = rows.len() * 2 / 5;
    let of = |rows: &[(f64, Vec<f64>)]| {
        let n = rows.len() as f64;
        let bins = rows.first().map_or(0, |r| r.1.len());
        let density = (0..bins).map(|k| rows.iter().map(|r| r.1[k]).sum::<f64>() / n).collect();
        (density, rows.iter().map(|r| r.0).sum::<f64>() / n)
    };
    Some(Halves {
        slow: of(&rows[..part]),
        fast: of(&rows[rows.len() - part..]),
        resolution: group.rate / length as f64,
        blocks: part,
    })
}

/// Centre of gravity of the density near a frequency, above its surroundings, and how far it stands out.
fn centre(density: &[f64], resolution: f64, at: f64, reach: f64) -> Option<(f64, f64)> {
    let from = ((at - reach) / resolution).round().max(1.0) as usize;
    let to = (((at + reach) / resolution).round() as usize).min(density.len().checked_sub(1)?);
    let wide_from = ((at - 4.0 * reach) / resolution).round().max(1.0) as usize;
    let wide_to = (((at + 4.0 * reach) / resolution).round() as usize).min(density.len() - 1);
    let floor = signal::robust::quantile(density.get(wide_from..=wide_to)?, 0.3)?;
    let (mut sum, mut moment) = (0.0, 0.0);
    for k in from..=to {
        let v = (density[k] - floor).max(0.0);
        sum += v;
        moment += v * k as f64 * resolution;
    }
    let mean = sum / (to - from + 1) as f64;
    (sum > 0.0).then(|| (moment / sum, if floor > 0.0 { mean / floor } else { f64::INFINITY }))
}

fn describe(group: &Group, c: &Candidate, width: f64, turns: Option<(f64, f64)>) -> Source {
    let f = c.peak.frequency;
    let channel = group.channel(c.axis);
    let damping = 0.5 * width / f;
    let base = Source {
        kind: SourceKind::CannotTell,
        rotors: Vec::new(),
        order: None,
        folded: false,
        seen: (f - 0.5 * width.max(c.density.resolution), f + 0.5 * width.max(c.density.resolution)),
        true_frequency: None,
        channel: channel.clone(),
        rms: c.peak.rms,
        name: String::new(),
        evidence: String::new(),
        would_tell: None,
    };
    let size = format!("{} {} r.m.s. at {f:.1} Hz in {channel}", short(c.peak.rms), group.unit());
    let test = "fly 10 s of slow climbs and descents that move the rotor speed by ±10 %, with every rotor's speed logged";
    if group.speed == Speed::Unknown {
        return Source {
            name: format!("cannot tell: peak at {f:.0} Hz"),
            evidence: format!(
                "{size}, while the rotor speed is not logged and does not show in the record with confidence."
            ),
            would_tell: Some(test.to_owned()),
            ..base
        };
    }
    let (Some(turns), Some(h)) = (turns, halves(group, c.axis)) else {
        return Source {
            name: format!("cannot tell: peak at {f:.0} Hz"),
            evidence: format!(
                "{size}, in a record too short to see what it does when the rotor speed moves."
            ),
            would_tell: Some(test.to_owned()),
            ..base
        };
    };
    let moved = (h.fast.1 - h.slow.1) / h.fast.1.max(1e-9);
    if moved < LEAST_SPREAD {
        return Source {
            name: format!("cannot tell: peak at {f:.0} Hz"),
            evidence: format!(
                "{size}; it is no order of a rotor, but the speed moved by {:.1} % only, so whether it stays is not seen.",
                100.0 * moved
            ),
            would_tell: Some(test.to_owned()),
            ..base
        };
    }
    let reach = (1.2 * width).max(2.5 * h.resolution);
    let pair = (centre(&h.slow.0, h.resolution, f, reach), centre(&h.fast.0, h.resolution, f, reach));
    let (Some((slow, ps)), Some((fast, pf))) = pair else {
        return Source {
            name: format!("cannot tell: peak at {f:.0} Hz"),
            evidence: format!("{size}, seen at one speed only."),
            would_tell: Some(test.to_owned()),
            ..base
        };
    };
    // Its place is known to a fraction of its width, better with more blocks.
    let doubt = 0.35 * width.max(h.resolution) + width / (h.blocks as f64).sqrt();
    let drift = fast - slow;
    let as_order = f * moved;
    let stays = drift.abs() < doubt.max(0.3 * as_order) && ps > 0.5 && pf > 0.5;
    if !stays {
        let both = ps > 0.5 && pf > 0.5;
        return Source {
            name: format!("cannot tell: peak at {f:.0} Hz"),
            evidence: if both {
                format!(
                    "{size}; it moves by {drift:.1} Hz while the rotor speed moves by {:.0} %, as no order looked for does.",
                    100.0 * moved
                )
            } else {
                format!(
                    "{size}; it shows at some rotor speeds only: a resonance that one order drives, or an order of something else."
                )
            },
            would_tell: Some(
                "tap the arms and the sensor's mount with the rotors off and compare the frequencies"
                    .to_owned(),
            ),
            ..base
        };
    }
    let mount = f < turns.0 && damping > MOUNT_DAMPING;
    let kind = if mount { SourceKind::Mount } else { SourceKind::Structure };
    let name = if mount {
        format!("mount resonance at {f:.0} Hz")
    } else {
        format!("structural resonance at {f:.0} Hz")
    };
    Source {
        kind,
        name,
        evidence: format!(
            "{size}; it stays within {:.1} Hz while the rotor speed moves by {:.0} % ({:.0} to {:.0} rev/s), half-power damping {:.1} %{}; if the \
             sensor is not filtered before sampling it may be folded from {:.0} Hz; a tap test with the rotors off tells, and names the part.",
            drift.abs(),
            100.0 * moved,
            turns.0,
            turns.1,
            100.0 * damping,
            if mount { ": soft and damped, below 1/rev, as sensor mounts are" } else { "" },
            group.rate - f,
        ),
        ..base
    }
}
