//! Velocity command as flown: gain and delay of the loop's controller, steps, and how place and height are held.

mod controller;
mod hold;

use signal::robust;
use signal::steps::{Metrics, Options, Step, detect, metrics};

use super::context::{Context, Out};
use super::strands;

const RESTS: &[&str] = &["loop", "esc", "motor", "rotor", "filter", "mass", "imu", "station", "aircraft"];
/// Steps that count, m/s: 3 m/s with room either way. Our choice.
const SIZES: (f64, f64) = (1.5, 6.0);
/// How far a held demand may wander, m/s, and how long it is held at least, s. Our choice.
const LEVEL: f64 = 0.1;
const HELD: f64 = 2.0;
/// Time before a step over which the error of the level before is taken, s. Our choice.
const BEFORE: f64 = 0.25;

pub(super) fn run(context: &Context<'_>, out: &mut Out) {
    let demanded = ["x", "y"].iter().any(|a| context.series(&format!("velocity_demand.{a}")).is_some());
    let placed = ["x", "y"].iter().any(|a| context.series(&format!("position_demand.{a}")).is_some());
    if demanded {
        steps(context, out);
        controller::run(context, out);
    }
    if demanded || placed {
        hold::run(context, out);
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

/// Steps of the horizontal velocity demand, along either earth axis.
///
/// The integral of a velocity loop settles over many seconds, longer than a level is flown. What it had not yet settled
/// when the next step begins stays on through that step, so that a step is read from where the velocity stood then, and
/// steps that speed up are told from those that stop.
fn steps(context: &Context<'_>, out: &mut Out) {
    let mut all: Vec<Read> = Vec::new();
    let mut lines = Vec::new();
    for axis in ["x", "y"] {
        let names = [format!("velocity_demand.{axis}"), format!("velocity.{axis}")];
        let views: Vec<&str> = names.iter().map(String::as_str).collect();
        let Some(joint) = context.joint(&views, &context.airborne()) else { continue };
        for s in &joint.stretches {
            let time: Vec<f64> = (0..s.len()).map(|k| s.start + k as f64 * joint.period).collect();
            let options = Options { least_size: SIZES.0, tolerance: LEVEL, hold: 1.0, longest_edge: 0.1 };
            for step in detect(&time, &s.channels[0], &options) {
                if step.until - step.at < HELD || step.size().abs() > SIZES.1 {
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
    let key = |what: &str| format!("velocity.step.{what}");
    let test = "fly velocity steps of 3 m/s forward, back, left and right, each held for 4 s or more, from a standing start";
    if all.is_empty() {
        let missing = format!(
            "excitation: no step of 3 m/s in velocity_demand, held for {HELD} s, with velocity beside it"
        );
        out.cannot_tell(&key("overshoot"), "velocity step, overshoot", missing, test, RESTS);
        return;
    }
    let caption = "Every velocity step laid over the others, each from where the velocity stood at its begin: what stands above 100 % is overshoot.";
    out.charts.push(strands::chart("velocity-steps", "Velocity steps", caption, lines));
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
        let label = format!("velocity step, {words}");
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
        let e = context.estimate(&format!("velocity step {what}"), mean, error, unit);
        let text =
            format!("Mean over {} of {} steps of {mean_size:.1} m/s on average.", values.len(), all.len());
        out.value(&key(what), &label, e, text, RESTS);
    }
}
