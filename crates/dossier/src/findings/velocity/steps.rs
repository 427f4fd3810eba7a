//! Steps of the velocity demand, level and in climb.

use signal::robust;
use signal::steps::{Metrics, Options, Step, detect, metrics};

use super::super::context::{Context, Out};
use super::super::strands;
use super::RESTS;

/// How far a held demand may wander, m/s, and how long it is held at least, s. Our choice.
const LEVEL: f64 = 0.1;
const HELD: f64 = 2.0;
/// Time before a step over which the error of the level before is taken, s. Our choice.
const BEFORE: f64 = 0.25;

/// A kind of steps.
struct Kind {
    axes: &'static [&'static str],
    /// Identity of its figures and its chart.
    stem: &'static str,
    chart: &'static str,
    name: &'static str,
    /// Steps that count, m/s. Our choice.
    sizes: (f64, f64),
    /// How they are asked for in a sentence.
    asked: &'static str,
    test: &'static str,
}

/// 3 m/s with room either way.
const LEVEL_STEPS: Kind = Kind {
    axes: &["x", "y"],
    stem: "velocity.step",
    chart: "velocity-steps",
    name: "velocity step",
    sizes: (1.5, 6.0),
    asked: "step of 3 m/s",
    test: "fly velocity steps of 3 m/s forward, back, left and right, each held for 4 s or more, from a standing start",
};

/// 1.5 m/s with room either way.
const CLIMB_STEPS: Kind = Kind {
    axes: &["z"],
    stem: "climb.step",
    chart: "climb-steps",
    name: "climb step",
    sizes: (0.7, 4.0),
    asked: "step of 1.5 m/s up or down",
    test: "fly climb steps of 1.5 m/s up and down, each held for 4 s or more, well clear of the ground and never straight down fast: the own wake is there",
};

pub(super) fn run(context: &Context<'_>, out: &mut Out) {
    steps(context, &LEVEL_STEPS, out);
    if context.series("velocity_demand.z").is_some() {
        steps(context, &CLIMB_STEPS, out);
    }
}

/// One step as read.
struct Read {
    step: Step,
    metrics: Metrics,
    /// What is left of the step at the end of its level, as a share of it.
    left: f64,
    /// Whether it speeds up.
    go: bool,
}

/// Steps of the velocity demand along earth axes.
///
/// The integral of a velocity loop settles over many seconds, longer than a level is flown. What it had not yet settled
/// when the next step begins stays on through that step, so that a step is read from where the velocity stood then, and
/// steps that speed up are told from those that stop.
fn steps(context: &Context<'_>, kind: &Kind, out: &mut Out) {
    let mut all: Vec<Read> = Vec::new();
    let mut lines = Vec::new();
    for axis in kind.axes {
        let names = [format!("velocity_demand.{axis}"), format!("velocity.{axis}")];
        let views: Vec<&str> = names.iter().map(String::as_str).collect();
        let Some(joint) = context.joint(&views, &context.airborne()) else { continue };
        for s in &joint.stretches {
            let time: Vec<f64> = (0..s.len()).map(|k| s.start + k as f64 * joint.period).collect();
            let options =
                Options { least_size: kind.sizes.0, tolerance: LEVEL, hold: 1.0, longest_edge: 0.1 };
            for step in detect(&time, &s.channels[0], &options) {
                if step.until - step.at < HELD || step.size().abs() > kind.sizes.1 {
                    continue;
                }
                let mean = |from: f64, to: f64| {
                    let a = time.partition_point(|t| *t < from);
                    let b = time.partition_point(|t| *t <= to);
                    robust::mean(s.channels[1].get(a..b).unwrap_or_default())
                };
                let offset = mean(step.at - BEFORE, step.at).map_or(0.0, |v| v - step.from);
                let seen: Vec<f64> = s.channels[1].iter().map(|v| v - offset).collect();
                let m = metrics(&time, &seen, step.from, step.to, step.at, step.until);
                // The last quarter of the time it is held.
                let left = mean(step.until - 0.25 * (step.until - step.at), step.until);
                let left = (left.unwrap_or(f64::NAN) - step.to) / step.size();
                let go = step.from.abs() <= step.to.abs();
                lines.push(strands::strand(if go { "go" } else { "stop" }, &time, &seen, &step));
                all.push(Read { step, metrics: m, left: left.abs(), go });
            }
        }
    }
    let key = |what: &str| format!("{}.{what}", kind.stem);
    let Kind { name, test, .. } = *kind;
    if all.is_empty() {
        let missing = format!(
            "excitation: no {} in velocity_demand, held for {HELD} s, with velocity beside it",
            kind.asked
        );
        out.cannot_tell(&key("overshoot"), &format!("{name}, overshoot"), missing, test, RESTS);
        return;
    }
    let caption = format!(
        "Every {name} laid over the others, each from where the velocity stood at its begin: what stands above 100 % is overshoot."
    );
    let title = if kind.stem.starts_with("climb") { "Climb steps" } else { "Velocity steps" };
    out.charts.push(strands::chart(kind.chart, title, &caption, lines));
    let sizes: Vec<f64> = all.iter().map(|r| r.step.size().abs()).collect();
    let mean_size = robust::mean(&sizes).unwrap_or(0.0);
    let of = |f: &dyn Fn(&Read) -> Option<f64>| -> Vec<f64> { all.iter().filter_map(f).collect() };
    // Drag holds against a step that speeds up and falls away in one that stops.
    let any_go = all.iter().any(|r| r.go);
    let figures: [(&str, &str, &str, Vec<f64>); 5] = [
        (
            "overshoot",
            if any_go { "overshoot from a standing start" } else { "overshoot" },
            "1",
            of(&|r| r.metrics.overshoot.filter(|_| r.go || !any_go)),
        ),
        ("stop_overshoot", "overshoot on stopping", "1", of(&|r| r.metrics.overshoot.filter(|_| !r.go))),
        ("rise", "rise 10 to 90 %", "s", of(&|r| r.metrics.rise)),
        ("settling", "settling within 5 %", "s", of(&|r| r.metrics.settling)),
        ("steady", "error left at the end", "1", of(&|r| Some(r.left))),
    ];
    for (what, words, unit, values) in figures {
        if what == "stop_overshoot" && all.iter().all(|r| r.go) {
            continue;
        }
        let label = format!("{name}, {words}");
        let Some(mean) = robust::mean(&values) else {
            out.cannot_tell(
                &key(what),
                &label,
                "steps that reach their level while they are held",
                test,
                RESTS,
            );
            continue;
        };
        let n = values.len() as f64;
        let spread = robust::variance(&values).unwrap_or(0.0).sqrt();
        // A single step says nothing of its own scatter: a gust of 0.1 m/s is a percent or more (our choice).
        let least = if unit == "1" { 0.1 / mean_size.max(0.1) } else { 0.03 * mean.abs() };
        let error = (spread / n.sqrt()).hypot(0.3 * least / n.sqrt());
        let e = context.estimate(&format!("{name} {what}"), mean, error, unit);
        let text =
            format!("Mean over {} of {} steps of {mean_size:.1} m/s on average.", values.len(), all.len());
        out.value(&key(what), &label, e, text, RESTS);
    }
}
