//! Steps of the attitude demand.

use signal::robust;
use signal::steps::{Metrics, Options, Step, detect, metrics};

use super::super::context::{AXES, Context, Out};
use super::super::strands;
use super::{Flown, RESTS};

/// Smallest step that counts, rad (5 deg), and how far a held demand may wander (0.5 deg). Our choice.
const LEAST: f64 = 0.087;
const LEVEL: f64 = 0.009;
/// Least time that a step is held, s, and how many there must be. Our choice.
const HELD: f64 = 0.6;
const COUNT: usize = 4;

pub(super) fn run(context: &Context<'_>, flown: &Flown, out: &mut Out) {
    for (axis, (letter, name)) in AXES.iter().enumerate().take(2) {
        let mut all: Vec<(Step, Metrics)> = Vec::new();
        let mut lines = Vec::new();
        for s in &flown.stretches {
            let time: Vec<f64> = (0..s.len()).map(|k| s.start + k as f64 * flown.period).collect();
            let options = Options { least_size: LEAST, tolerance: LEVEL, hold: 0.3, longest_edge: 0.1 };
            for step in detect(&time, &s.demand[axis], &options) {
                if step.until - step.at < HELD {
                    continue;
                }
                let m = metrics(&time, &s.angle[axis], step.from, step.to, step.at, step.until);
                let side = if step.size() > 0.0 { "to the right or up" } else { "to the left or down" };
                lines.push(strands::strand(side, &time, &s.angle[axis], &step));
                all.push((step, m));
            }
        }
        if all.len() >= COUNT {
            let caption = format!(
                "Every {name} attitude step laid over the others: what stands above 100 % is overshoot."
            );
            let title = format!("Attitude steps, {name}");
            out.charts.push(strands::chart(&format!("attitude-steps-{letter}"), &title, &caption, lines));
        }
        summarise(context, letter, name, &all, out);
    }
}

fn summarise(context: &Context<'_>, letter: &char, name: &str, all: &[(Step, Metrics)], out: &mut Out) {
    let key = |what: &str| format!("attitude.step.{letter}.{what}");
    let test =
        format!("fly {name} steps of 10 to 20 deg to both sides in attitude command, each held for 1 s");
    if all.len() < COUNT {
        let missing = format!(
            "excitation: {} {name} steps of 5 deg or more in the attitude demand, held for {HELD} s; {COUNT} make a figure",
            all.len()
        );
        out.cannot_tell(&key("overshoot"), &format!("{name} attitude step, overshoot"), missing, test, RESTS);
        return;
    }
    let sizes: Vec<f64> = all.iter().map(|(s, _)| s.size().abs().to_degrees()).collect();
    let (least, most) = sizes.iter().fold((f64::INFINITY, 0.0_f64), |(a, b), s| (a.min(*s), b.max(*s)));
    let about = format!("{} {name} steps of {least:.0} to {most:.0} deg", all.len());
    let figures: [(&str, &str, &str, &dyn Fn(&Metrics) -> Option<f64>); 4] = [
        ("overshoot", "overshoot", "1", &|m| m.overshoot),
        ("delay", "delay to 10 %", "s", &|m| m.delay),
        ("rise", "rise 10 to 90 %", "s", &|m| m.rise),
        ("settling", "settling within 5 %", "s", &|m| m.settling),
    ];
    for (what, words, unit, of) in figures {
        let values: Vec<f64> = all.iter().filter_map(|(_, m)| of(m)).collect();
        let label = format!("{name} attitude step, {words}");
        let Some(mean) = robust::mean(&values) else {
            out.cannot_tell(
                &key(what),
                &label,
                "steps that reach their level while they are held",
                test.clone(),
                RESTS,
            );
            continue;
        };
        let n = values.len() as f64;
        let spread = robust::variance(&values).unwrap_or(0.0).sqrt();
        // A single step says nothing of its own scatter: gusts move an overshoot by a percent or two (our choice).
        let least = if unit == "1" { 0.01 } else { 0.02 * mean.abs() };
        let error = (spread / n.sqrt()).hypot(least / n.sqrt());
        let e = context.estimate(&format!("{name} attitude step {what}"), mean, error, unit);
        out.value(&key(what), &label, e, format!("Mean over {about}."), RESTS);
    }
}
