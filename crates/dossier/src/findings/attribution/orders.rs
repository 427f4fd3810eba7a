//! Orders of the rotors: found one after the other, the strongest first, and taken out.

use signal::orders::{AtRest, Tracker, Window, at_rest};
use signal::orders_residual;

use super::data::{Group, Speed, fold};
use super::{Source, SourceKind, short};
use crate::findings::context::Context;

/// Windows in which rotors are told apart, s.
const SEPARATION: f64 = 1.5;
/// Windows that must count, by the inverse of what the neighbours add to the variance.
const LEAST_WEIGHT: f64 = 1.5;
/// Windows in which orders are taken out, s.
pub(super) const REMOVAL: f64 = 0.5;
/// A line's share of the channel's mean square that is worth a name.
const LEAST_SHARE: f64 = 4e-4;
/// A rotor counts when its line has this share of the strongest rotor's.
const BESIDE: f64 = 0.12;
/// Speed must have moved a line by this much, Hz, to tell it from a fixed one.
const LEAST_SPAN: f64 = 3.0;

/// Orders looked for.
pub(super) fn wanted(group: &Group) -> Vec<u32> {
    let mut orders = match group.blades {
        Some(b) => vec![1, 2, b, 2 * b],
        None => vec![1, 2, 3, 4],
    };
    orders.sort_unstable();
    orders.dedup();
    if group.speed != Speed::Logged {
        // One common speed is not sharp enough for more.
        orders.retain(|o| *o == 1 || Some(*o) == group.blades);
    }
    let top = group.all_turns().map_or(0.0, |t| t.1);
    orders.retain(|o| f64::from(*o) * top < 4.0 * group.nyquist());
    orders
}

struct Hit {
    order: u32,
    axis: usize,
    rotor: usize,
    rest: AtRest,
}

/// Finds the orders and takes them out of the group's channels.
pub(super) fn find(context: &Context<'_>, group: &mut Group) -> Vec<Source> {
    let mut left = wanted(group);
    let mut sources = Vec::new();
    let before: f64 = group.total.iter().sum();
    if group.rotors() == 0 || before <= 0.0 {
        return sources;
    }
    while !left.is_empty() {
        let Some(hit) = strongest(group, &left) else { break };
        left.retain(|o| *o != hit.order);
        sources.extend(describe(context, group, &hit));
        let held = group.mean_square();
        for s in &mut group.stretches {
            let channels: Vec<&[f64]> = s.channels.iter().map(Vec::as_slice).collect();
            let speeds: Vec<&[f64]> = s.speeds.iter().map(Vec::as_slice).collect();
            if let Ok(rest) = orders_residual::remove(&channels, &speeds, group.rate, REMOVAL, &[hit.order]) {
                s.channels = rest;
            }
        }
        let now = group.mean_square();
        let taken = held.iter().zip(&now).map(|(a, b)| (a - b).max(0.0)).collect();
        group.taken.push((hit.order, taken));
    }
    sources
}

/// The strongest line at rest over all orders, axes and rotors that stands clear of its floor.
fn strongest(group: &Group, orders: &[u32]) -> Option<Hit> {
    let slowest = group.all_turns()?.0;
    if slowest <= 0.0 {
        return None;
    }
    let rotors = group.rotors();
    // Three turns of the slowest rotor; a block of the demodulated series lasts about a second.
    let window = (3.0 / slowest).max(16.0 / group.rate);
    let length = (((1.0 / (0.5 * window)).round() as usize) / 2 * 2).max(16);
    // By axis, order, rotor, stretch.
    let mut series = vec![Vec::new(); 3 * orders.len() * rotors];
    for s in &group.stretches {
        let channels: Vec<&[f64]> = s.channels.iter().map(Vec::as_slice).collect();
        let speeds: Vec<&[f64]> = s.speeds.iter().map(Vec::as_slice).collect();
        let mut tracker = Tracker::new(group.rate, window, rotors, orders, 3).ok()?;
        let mut windows: Vec<Window> = Vec::new();
        tracker.push(&channels, &speeds, |w| windows.push(w)).ok()?;
        for (k, out) in series.iter_mut().enumerate() {
            let (axis, order, rotor) = (k / (orders.len() * rotors), k / rotors % orders.len(), k % rotors);
            out.push(windows.iter().filter_map(|w| w.raw(axis, order, rotor)).collect::<Vec<_>>());
        }
    }
    let mut best: Option<(f64, Hit)> = None;
    for (k, s) in series.iter().enumerate() {
        let (axis, order, rotor) = (k / (orders.len() * rotors), k / rotors % orders.len(), k % rotors);
        let Some(rest) = at_rest(s, length) else { continue };
        let degrees = 6.0 * (rest.blocks as f64 / 1.5).max(1.0);
        let threshold = (1.0 + 6.0 * (2.0 / degrees).sqrt() + 6.0 * (1.0 / degrees).sqrt()).max(2.5);
        let total = group.total.get(axis).copied().unwrap_or(0.0);
        let share = rest.line() / total.max(1e-300);
        if rest.prominence() < threshold || share < LEAST_SHARE || rest.blocks < 4 {
            continue;
        }
        if best.as_ref().is_none_or(|b| share > b.0) {
            best = Some((share, Hit { order: orders[order], axis, rotor, rest }));
        }
    }
    best.map(|b| b.1)
}

/// R.m.s. and noise of each rotor's own line: `None` where too few windows separate it.
fn by_rotor(group: &Group, hit: &Hit) -> Vec<Option<(f64, f64)>> {
    let rotors = group.rotors();
    let window = SEPARATION.min(group.seconds() / 4.0);
    // Power, noise and weight.
    let mut sum = vec![(0.0, 0.0, 0.0); rotors];
    // Density of the floor at the line, per hertz: the floor of `at_rest` is that of three bins of about one hertz.
    let density = hit.rest.floor / 3.0;
    for s in &group.stretches {
        let Some(x) = s.channels.get(hit.axis) else { continue };
        let speeds: Vec<&[f64]> = s.speeds.iter().map(Vec::as_slice).collect();
        let Ok(mut tracker) = Tracker::new(group.rate, window, rotors, &[hit.order], 1) else { continue };
        let _ = tracker.push(&[x], &speeds, |w| {
            for (out, found) in sum.iter_mut().zip(w.separated(0, 0)) {
                if let Some((c, inflation)) = found {
                    let weight = 1.0 / inflation;
                    out.0 += weight * 0.5 * c.norm_sqr();
                    out.1 += weight * density * 1.5 / window * inflation;
                    out.2 += weight;
                }
            }
        });
    }
    sum.into_iter()
        .map(|(power, noise, weight)| (weight >= LEAST_WEIGHT).then(|| (power / weight, noise / weight)))
        .collect()
}

/// Frequencies at which an order between two speeds is seen.
pub(super) fn seen(order: u32, (low, high): (f64, f64), rate: f64) -> (f64, f64) {
    (0..=40)
        .map(|k| fold(f64::from(order) * (low + (high - low) * f64::from(k) / 40.0), rate))
        .fold((f64::INFINITY, 0.0), |r, f| (r.0.min(f), r.1.max(f)))
}

fn describe(context: &Context<'_>, group: &Group, hit: &Hit) -> Vec<Source> {
    let channel = group.channel(hit.axis);
    let line = |rotor: usize| group.turns(rotor).unwrap_or_default();
    let order = f64::from(hit.order);
    let kind = match group.blades {
        _ if hit.order == 1 => SourceKind::Unbalance,
        Some(b) if hit.order == b || hit.order == 2 * b => SourceKind::BladePassage,
        _ => SourceKind::Order,
    };
    let what = match (kind, group.blades) {
        (SourceKind::Unbalance, _) => "unbalance".to_owned(),
        (SourceKind::BladePassage, Some(b)) if hit.order == b => "blade passage".to_owned(),
        (SourceKind::BladePassage, _) => "twice blade passage".to_owned(),
        (_, None) => format!("blade passage if the rotors have {} blades", hit.order),
        _ => "an order of the rotor".to_owned(),
    };
    let each = by_rotor(group, hit);
    // Rotors told apart and with a line of their own; and those that may hide behind one that cannot be separated.
    let top = each.iter().flatten().map(|(p, n)| p - n).fold(0.0, f64::max);
    let mut carry: Vec<usize> = (0..each.len())
        .filter(|r| each[*r].is_some_and(|(p, n)| p - n > BESIDE * top && p > 4.0 * n))
        .collect();
    let open: Vec<usize> = (0..each.len()).filter(|r| each[*r].is_none()).collect();
    // Unseparated rotors matter where the strongest demodulated line is theirs, and more than the separated ones explain.
    if !open.is_empty() && (open.contains(&hit.rotor) || top < 0.5 * hit.rest.line()) {
        carry = open;
        if !carry.contains(&hit.rotor) {
            carry.push(hit.rotor);
        }
        carry.sort_unstable();
    }
    if carry.is_empty() {
        carry.push(hit.rotor);
    }
    let spans: Vec<(f64, f64)> = carry.iter().map(|r| line(*r)).collect();
    let turns = spans.iter().copied().reduce(|a, b| (a.0.min(b.0), a.1.max(b.1))).unwrap_or_default();
    let widest = spans.iter().map(|s| order * (s.1 - s.0)).fold(0.0, f64::max);
    let range = seen(hit.order, turns, group.rate);
    let middle = 0.5 * order * (turns.0 + turns.1);
    let folded = middle > group.nyquist();
    let rotors: Vec<usize> =
        if group.speed == Speed::Logged { carry.iter().map(|r| r + 1).collect() } else { Vec::new() };
    let list = rotors.iter().map(usize::to_string).collect::<Vec<_>>();
    let separated = carry.iter().all(|r| each.get(*r).is_some_and(Option::is_some));
    let whose = match (list.as_slice(), separated) {
        ([], _) => "of the rotors together".to_owned(),
        ([one], _) => format!("of rotor {one}"),
        (several, true) => format!("of rotors {}", several.join(", ")),
        (several, false) => format!("of rotor {}", several.join(" or ")),
    };
    let folding = if folded { format!(", folded from {middle:.0} Hz") } else { String::new() };
    let name = format!("{}/rev {whose} ({what}{folding})", hit.order);
    let rms = hit.rest.line().sqrt();
    let mut evidence = format!(
        "turned back by the rotor's angle, {} stands still {:.0} times over its surroundings in {channel} ({} {} r.m.s.) while it moves over {widest:.0} Hz",
        if folded { "the folded line" } else { "the line" },
        hit.rest.prominence().min(9999.0),
        short(rms),
        group.unit(),
    );
    let shares: Vec<String> = each
        .iter()
        .enumerate()
        .filter_map(|(r, v)| v.map(|(p, n)| format!("rotor {} {}", r + 1, short((p - n).max(0.0).sqrt()))))
        .collect();
    if shares.len() > 1 && group.speed == Speed::Logged {
        evidence = format!("{evidence}; separated: {}", shares.join(", "));
    }
    if !separated && rotors.len() > 1 {
        evidence = format!("{evidence}; rotors {} run too close together to be told apart", list.join(", "));
    }
    if let Speed::Estimated(c) = group.speed {
        evidence = format!("{evidence}; the speed is estimated from the record itself, confidence {c:.2}");
    }
    let mut source = Source {
        kind,
        rotors,
        order: Some(hit.order),
        folded,
        seen: range,
        true_frequency: folded.then_some(middle),
        channel,
        rms,
        name,
        evidence: format!("{evidence}."),
        would_tell: None,
    };
    if widest < LEAST_SPAN {
        let seen_at = 0.5 * (range.0 + range.1);
        source.kind = SourceKind::CannotTell;
        source.name = format!("cannot tell: {} or a fixed line at {seen_at:.0} Hz", source.name);
        source.evidence = format!(
            "{} The rotor speed moved the line by {widest:.1} Hz only, and a fixed resonance or an electrical line there looks the same.",
            source.evidence
        );
        source.would_tell =
            Some("fly 10 s of slow climbs and descents that move the rotor speed by ±10 %".to_owned());
    }
    let _ = context;
    vec![source]
}
