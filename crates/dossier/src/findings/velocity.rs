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

/// Steps of the horizontal velocity demand, along either earth axis.
fn steps(context: &Context<'_>, out: &mut Out) {
    let mut all: Vec<(Step, Metrics, f64)> = Vec::new();
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
                let m = metrics(&time, &s.channels[1], step.from, step.to, step.at, step.until);
                // The last quarter of the time it is held, as a share of the step.
                let from = step.until - 0.25 * (step.until - step.at);
                let a = time.partition_point(|t| *t < from);
                let b = time.partition_point(|t| *t <= step.until);
                let left = robust::mean(&s.channels[1][a..b]).unwrap_or(f64::NAN) - step.to;
                let side = if step.from.abs() > step.to.abs() { "stop" } else { "go" };
                lines.push(strands::strand(side, &time, &s.channels[1], &step));
                all.push((step, m, (left / step.size()).abs()));
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
    let caption = "Every velocity step laid over the others: what stands above 100 % is overshoot.";
    out.charts.push(strands::chart("velocity-steps", "Velocity steps", caption, lines));
    let sizes: Vec<f64> = all.iter().map(|(s, ..)| s.size().abs()).collect();
    let mean_size = robust::mean(&sizes).unwrap_or(0.0);
    let figures: [(&str, &str, &str, Vec<f64>); 4] = [
        ("overshoot", "overshoot", "1", all.iter().filter_map(|(_, m, _)| m.overshoot).collect()),
        ("rise", "rise 10 to 90 %", "s", all.iter().filter_map(|(_, m, _)| m.rise).collect()),
        ("settling", "settling within 5 %", "s", all.iter().filter_map(|(_, m, _)| m.settling).collect()),
        ("steady", "error left at the end", "1", all.iter().map(|(.., e)| *e).collect()),
    ];
    for (what, words, unit, values) in figures {
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
