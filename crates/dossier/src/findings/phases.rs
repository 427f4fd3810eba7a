//! Segmentation of a flight into ground, hover, steps, releases, pulls and the rest.
//!
//! Steps and releases come from the rate demand, to the sample. The rest is judged in blocks of
//! 0.1 s: on the ground where the rotors give less than 30 % of what they give in the air; a pull
//! where they give over 1.5 times the quiet level; hover where nothing turns faster than
//! 0.2 rad/s, thrust keeps within 12 % of the quiet level, specific force within 8 % of gravity,
//! tilt below 0.2 rad, speed below 1.5 m/s and the demanded tilt within 1 deg in a block, as far as logged and at
//! least one of them logged, for at least 1.5 s. The limits
//! are our choice: they separate, they judge nothing.

use physics::STANDARD_GRAVITY;
use signal::robust;
use signal::steps::{self, Step};

use super::context::{AXES, Context, Series};
use super::{Phase, PhaseKind};

const BLOCK: f64 = 0.1;
/// Demanded tilt that moves by more within a block is stick, rad (1 deg): no hover, however still the aircraft.
const STICK: f64 = 0.0175;
/// Label of what turns without any sign of flight.
pub(crate) const ROTORS_ONLY: &str = "rotors turning";
const LEAST_HOVER: f64 = 1.5;
/// Smallest demand that counts as a step, rad/s (20 deg/s).
const LEAST_STEP: f64 = 0.35;
/// A held demand may wander by so much either way, rad/s (5 % of 100 deg/s).
const LEVEL: f64 = 0.09;

/// A rate step with the release that follows it.
#[derive(Debug, Clone, Copy)]
pub(super) struct AxisStep {
    pub axis: usize,
    pub step: Step,
    pub release: Option<Step>,
}

/// Steps of the rate demand about each axis, in time order.
pub(super) fn rate_steps(context: &Context<'_>) -> Vec<AxisStep> {
    let mut found = Vec::new();
    for (axis, (letter, _)) in AXES.iter().enumerate() {
        let Some(demand) = context.series(&format!("rate_demand.{letter}")) else { continue };
        let options =
            steps::Options { least_size: LEAST_STEP, tolerance: LEVEL, hold: 0.15, longest_edge: 0.1 };
        let all = steps::detect(&demand.time, &demand.values, &options);
        let small = |v: f64, of: f64| v.abs() <= 0.2 * of.abs();
        for (k, s) in all.iter().enumerate() {
            if !small(s.from, s.size()) || !held(demand, s) {
                continue;
            }
            let release = all
                .get(k + 1)
                .filter(|r| {
                    (r.level_from - s.at).abs() < 0.2 && small(r.to, r.size()) && r.size() * s.size() < 0.0
                })
                .copied();
            let mut step = *s;
            // A demand that wanders before the step counts by its last tenth of a second.
            if let Some(from) = demand.mean(s.at - 0.12, s.at - 0.02)
                && (from - s.from).abs() <= LEVEL
            {
                step.from = from;
            }
            found.push(AxisStep { axis, step, release });
        }
    }
    found.sort_by(|a, b| a.step.at.total_cmp(&b.step.at));
    found
}

/// Whether the demand stays put after a step: a demand that decays (an attitude loop that takes over)
/// is none.
fn held(demand: &Series, step: &Step) -> bool {
    let (_, after) = demand.slice(step.at + 0.1, (step.at + 0.25).min(step.until));
    let high = after.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    let low = after.iter().copied().fold(f64::INFINITY, f64::min);
    high - low <= 0.1 * step.size().abs()
}

/// Direction of a turn in words.
pub(super) fn side(axis: usize, size: f64) -> &'static str {
    match (axis, size > 0.0) {
        (1, true) => "up",
        (1, false) => "down",
        (_, true) => "right",
        (_, false) => "left",
    }
}

#[derive(Debug, Clone, Copy, Default)]
struct Block {
    rate: f64,
    thrust: Option<f64>,
    force: Option<f64>,
    tilt: Option<f64>,
    speed: Option<f64>,
    /// Range of the demanded tilt within the block, rad.
    asked: f64,
    /// Whether anything that shows motion is logged.
    motion: bool,
}

/// A thrust-like quantity: mean speed squared, else mean command squared, else thrust demand
/// squared (thrust goes about with the square of either).
fn thrust_like(context: &Context<'_>, from: f64, to: f64) -> Option<f64> {
    let square = |all: &[&Series]| -> Option<f64> {
        let mut sum = 0.0;
        for s in all {
            sum += s.mean(from, to)?.powi(2);
        }
        Some(sum / all.len() as f64)
    };
    for what in ["speed", "command"] {
        if let Some(all) = context.rotor_series(what) {
            return square(&all);
        }
    }
    square(&[context.series("thrust_demand")?])
}

fn shows_rate(context: &Context<'_>) -> bool {
    AXES.iter().any(|(l, _)| context.series(&format!("rate.{l}")).is_some())
}

/// Whether the record shows motion at all. Steady rotors alone may be a hover, a cruise or a test stand.
pub(super) fn shows_motion(context: &Context<'_>) -> bool {
    let has = |names: &[&str]| names.iter().all(|n| context.series(n).is_some());
    shows_rate(context)
        || has(&["accel.x", "accel.y", "accel.z"])
        || has(&["attitude.i", "attitude.j"])
        || has(&["velocity.x", "velocity.y", "velocity.z"])
}

fn block(context: &Context<'_>, from: f64, to: f64) -> Option<Block> {
    let mean = |name: &str| context.series(name).and_then(|s| s.mean(from, to));
    let mut b = Block { thrust: thrust_like(context, from, to), ..Block::default() };
    let mut any = b.thrust.is_some();
    for (letter, _) in AXES {
        if let Some(r) = mean(&format!("rate.{letter}")) {
            b.rate = b.rate.max(r.abs());
            any = true;
        }
    }
    if let (Some(x), Some(y), Some(z)) = (mean("accel.x"), mean("accel.y"), mean("accel.z")) {
        b.force = Some((x * x + y * y + z * z).sqrt());
        any = true;
    }
    if let (Some(i), Some(j)) = (mean("attitude.i"), mean("attitude.j")) {
        // Cosine of the tilt from the quaternion: 1 - 2 (i^2 + j^2).
        b.tilt = Some((1.0 - 2.0 * (i * i + j * j)).clamp(-1.0, 1.0).acos());
    }
    for part in ["attitude_demand.i", "attitude_demand.j"] {
        let Some(s) = context.series(part) else { continue };
        let (low, high) = s
            .slice(from, to)
            .1
            .iter()
            .fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), v| (l.min(*v), h.max(*v)));
        // A part of the quaternion is half the angle.
        b.asked = b.asked.max(2.0 * (high - low).max(0.0));
    }
    let velocity: Vec<f64> =
        ["velocity.x", "velocity.y", "velocity.z"].iter().filter_map(|n| mean(n)).collect();
    if velocity.len() == 3 {
        b.speed = Some(velocity.iter().map(|v| v * v).sum::<f64>().sqrt());
    }
    b.motion = b.force.is_some() || b.tilt.is_some() || b.speed.is_some() || shows_rate(context);
    any.then_some(b)
}

/// Phases in time order, without overlap.
pub(super) fn segment(context: &Context<'_>) -> Vec<Phase> {
    let time = &context.record.time;
    let (Some(first), Some(last)) =
        (time.iter().copied().find(|t| t.is_finite()), time.iter().rev().copied().find(|t| t.is_finite()))
    else {
        return Vec::new();
    };
    if last <= first {
        return Vec::new();
    }
    let count = (((last - first) / BLOCK).floor() as usize).clamp(1, 1_000_000);
    let edge = |k: usize| if k == count { last } else { first + k as f64 * BLOCK };
    let blocks: Vec<Option<Block>> = (0..count).map(|k| block(context, edge(k), edge(k + 1))).collect();
    let labels = classify(&blocks);

    let mut phases = exact(context, last);
    let fixed: Vec<(f64, f64)> = phases.iter().map(|p| (p.start, p.end)).collect();
    let motion = shows_motion(context);
    let mut free = Vec::new();
    let mut cursor = first;
    for (a, b) in &fixed {
        if *a > cursor {
            free.push((cursor, *a));
        }
        cursor = cursor.max(*b);
    }
    if cursor < last {
        free.push((cursor, last));
    }
    for (from, to) in free {
        let mut k = 0;
        while k < count {
            let Some(kind) = labels[k] else {
                k += 1;
                continue;
            };
            let begin = k;
            while k < count && labels[k] == Some(kind) {
                k += 1;
            }
            let (start, end) = (edge(begin).max(from), edge(k).min(to));
            if end - start < 1e-9 {
                continue;
            }
            let kind = if kind == PhaseKind::Hover && end - start < LEAST_HOVER {
                PhaseKind::Manoeuvre
            } else {
                kind
            };
            let label = match kind {
                PhaseKind::Ground => "on the ground",
                PhaseKind::Hover => "hover",
                PhaseKind::Pull => "pull of thrust",
                _ if !motion => ROTORS_ONLY,
                _ => "manoeuvre",
            };
            phases.push(Phase { kind, label: label.to_owned(), start, end });
        }
    }
    phases.sort_by(|a, b| a.start.total_cmp(&b.start));
    phases.dedup_by(|next, kept| {
        let same = next.kind == kept.kind
            && matches!(
                next.kind,
                PhaseKind::Ground | PhaseKind::Hover | PhaseKind::Manoeuvre | PhaseKind::Pull
            )
            && next.start - kept.end < 1e-6;
        if same {
            kept.end = next.end;
        }
        same
    });
    phases
}

/// Steps and releases as phases.
fn exact(context: &Context<'_>, last: f64) -> Vec<Phase> {
    let mut phases: Vec<Phase> = Vec::new();
    for s in &context.steps {
        let name = AXES[s.axis].1;
        let size = s.step.size();
        let end = s.release.map_or(s.step.until, |r| r.at).min(last);
        let label = format!("{name} step {} {:.0} deg/s", side(s.axis, size), s.step.to.abs().to_degrees());
        let mut push = |kind, label, start: f64, end: f64| {
            let start = phases.last().map_or(start, |p: &Phase| start.max(p.end));
            if end > start {
                phases.push(Phase { kind, label, start, end });
            }
        };
        push(PhaseKind::Step, label, s.step.at, end);
        if let Some(r) = s.release {
            let label = format!("{name} release");
            push(PhaseKind::Release, label, r.at, r.until.min(r.at + 2.0).min(last));
        }
    }
    phases
}

fn classify(blocks: &[Option<Block>]) -> Vec<Option<PhaseKind>> {
    let thrusts: Vec<f64> = blocks.iter().flatten().filter_map(|b| b.thrust).collect();
    let high = robust::quantile(&thrusts, 0.95).unwrap_or(0.0);
    let flying: Vec<f64> = thrusts.iter().copied().filter(|t| *t > 0.3 * high).collect();
    let typical = robust::median(&flying).unwrap_or(0.0);
    let quiet: Vec<f64> = blocks
        .iter()
        .flatten()
        .filter(|b| {
            b.rate < 0.2 && b.force.is_none_or(|f| (f - STANDARD_GRAVITY).abs() < 0.08 * STANDARD_GRAVITY)
        })
        .filter_map(|b| b.thrust)
        .filter(|t| *t > 0.3 * typical)
        .collect();
    let level = robust::median(&quiet).unwrap_or(typical);
    let mut labels: Vec<Option<PhaseKind>> = blocks
        .iter()
        .map(|b| {
            let b = b.as_ref()?;
            Some(match b.thrust {
                Some(t) if t <= 0.3 * level || level <= 0.0 => PhaseKind::Ground,
                Some(t) if t > 1.5 * level => PhaseKind::Pull,
                _ => {
                    let steady = b.thrust.is_none_or(|t| (t / level - 1.0).abs() < 0.12);
                    let level_force =
                        b.force.is_none_or(|f| (f - STANDARD_GRAVITY).abs() < 0.08 * STANDARD_GRAVITY);
                    let upright = b.tilt.is_none_or(|t| t < 0.2);
                    let still = b.speed.is_none_or(|s| s < 1.5);
                    let hands_off = b.asked < STICK;
                    if b.motion && b.rate < 0.2 && steady && level_force && upright && still && hands_off {
                        PhaseKind::Hover
                    } else {
                        PhaseKind::Manoeuvre
                    }
                }
            })
        })
        .collect();
    // A dip of thrust in the air shorter than 0.4 s is no landing.
    fill(&mut labels, PhaseKind::Ground, 4, PhaseKind::Manoeuvre);
    // A pull of a single block is a gust, one of more than 3 s is hard flying.
    fill(&mut labels, PhaseKind::Pull, 2, PhaseKind::Manoeuvre);
    relabel(&mut labels, PhaseKind::Pull, |blocks| blocks > 30, PhaseKind::Manoeuvre);
    labels
}

/// Gives short runs of a kind another one. A run on the ground at the start of the record stays, and one
/// at its end unless it is short: it is as likely a tumble as a landing.
fn fill(labels: &mut [Option<PhaseKind>], kind: PhaseKind, least: usize, instead: PhaseKind) {
    let (first, last) = (labels.first().copied().flatten(), labels.last().copied().flatten());
    let n = labels.len();
    let head = if kind == PhaseKind::Ground && first == Some(kind) {
        labels.iter().take_while(|l| **l == Some(kind)).count()
    } else {
        0
    };
    let tail = if kind == PhaseKind::Ground && last == Some(kind) {
        Some(labels.iter().rev().take_while(|l| **l == Some(kind)).count())
            .filter(|t| *t >= least)
            .unwrap_or(0)
    } else {
        0
    };
    if head + tail < n {
        relabel(&mut labels[head..n - tail], kind, |blocks| blocks < least, instead);
    }
}

/// Gives runs of a kind another one where their length says so.
fn relabel(
    labels: &mut [Option<PhaseKind>],
    kind: PhaseKind,
    wanted: impl Fn(usize) -> bool,
    instead: PhaseKind,
) {
    let n = labels.len();
    let mut k = 0;
    while k < n {
        let begin = k;
        while k < n && labels[k] == Some(kind) {
            k += 1;
        }
        if k > begin && wanted(k - begin) {
            for l in &mut labels[begin..k] {
                *l = Some(instead);
            }
        }
        k = k.max(begin + 1);
    }
}
