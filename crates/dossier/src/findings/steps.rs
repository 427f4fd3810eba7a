//! Rate steps: delay, rise, overshoot, settling, left against right; after the release drift,
//! half-cycles and damping.

use nalgebra::{Quaternion, UnitQuaternion};
use signal::{filter, ringdown, robust, steps};

use super::StepTrace;
use super::context::{AXES, Context, Out};
use super::limits::step_name;
use super::phases::AxisStep;

const RESTS: &[&str] =
    &["esc", "motor", "rotor", "filter", "loop.rate", "mass", "imu", "station", "aircraft"];
/// Time after a release in which the drift is taken, s.
const DRIFT_TIME: f64 = 2.0;

struct Measured {
    size: f64,
    trace: StepTrace,
    noise: f64,
}

pub(super) fn run(context: &Context<'_>, out: &mut Out) {
    for axis in 0..3 {
        let all: Vec<Measured> =
            context.steps.iter().filter(|s| s.axis == axis).filter_map(|s| measure(context, s)).collect();
        summarise(context, axis, &all, out);
        out.steps.extend(all.into_iter().map(|m| m.trace));
    }
    out.steps.sort_by_key(|s| s.axis);
}

fn measure(context: &Context<'_>, s: &AxisStep) -> Option<Measured> {
    let letter = AXES[s.axis].0;
    let rate = context.series(&format!("rate.{letter}"))?;
    let demand = context.series(&format!("rate_demand.{letter}"))?;
    let end = s.release.map_or(s.step.until, |r| r.at);
    let last = s.release.map_or(end, |r| r.until.min(r.at + DRIFT_TIME + 0.05));
    let (time, raw) = rate.slice(s.step.at - 0.3, last);
    if time.len() < 20 {
        return None;
    }
    let smooth = smoothed(raw, rate.rate());
    let mut trace = StepTrace {
        axis: letter,
        size: s.step.size(),
        time: time.iter().map(|t| t - s.step.at).collect(),
        demand: time.iter().map(|t| demand.at(*t).unwrap_or(f64::NAN)).collect(),
        rate: raw.to_vec(),
        delay: None,
        rise: None,
        overshoot: None,
        settling: None,
        drift: None,
        half_cycles: None,
        damping: None,
    };
    let m = steps::metrics(time, &smooth, s.step.from, s.step.to, s.step.at, end - 0.5 * rate.period);
    (trace.delay, trace.rise, trace.overshoot, trace.settling) = (m.delay, m.rise, m.overshoot, m.settling);
    // Noise of the smoothed rate about its own slow course, before the step.
    let before = time.partition_point(|t| *t < s.step.at);
    let still = &smooth[..before];
    let noise = robust::deviation(&still.windows(2).map(|w| w[1] - w[0]).collect::<Vec<_>>()).unwrap_or(0.0);
    let floor_noise = robust::deviation(still).unwrap_or(0.0).max(noise);
    if let Some(r) = s.release {
        let a = time.partition_point(|t| *t < r.at);
        let b = time.partition_point(|t| *t <= r.at + 1.5);
        after_release(&mut trace, &smooth[a..b], r.to, rate.period, floor_noise);
        trace.drift = drift(context, s.axis, r.at, r.until, time, &smooth, r.to, s.step.size());
    }
    Some(Measured { size: s.step.size(), trace, noise: floor_noise })
}

/// Without the noise above 50 Hz, which would read as overshoot.
fn smoothed(values: &[f64], rate: f64) -> Vec<f64> {
    let cutoff = 50.0;
    if rate < 4.0 * cutoff {
        return values.to_vec();
    }
    filter::low_pass(values, rate, cutoff).unwrap_or_else(|_| values.to_vec())
}

fn after_release(trace: &mut StepTrace, rate: &[f64], level: f64, period: f64, noise: f64) {
    let floor = (0.05 * trace.size.abs()).max(3.0 * noise);
    let count = ringdown::half_cycles(rate, level, floor);
    trace.half_cycles = Some(count);
    if count < 2 {
        return;
    }
    // From the first crossing on, the ring-down is free of the step.
    let sign = trace.size.signum();
    let Some(start) = rate.iter().position(|v| (v - level) * sign < 0.0) else { return };
    let high = (0.45 / period).min(40.0);
    if let Ok(r) = ringdown::fit(&rate[start..], period, 1.0, high)
        && r.explained > 0.6
    {
        trace.damping = Some(r.damping);
    }
}

/// Turn about the axis between the settled end of the stop and 2 s after the release, from the
/// attitude. Integrating the gyro would hide its own bias.
#[expect(clippy::too_many_arguments, reason = "one private call with the pieces of one release")]
fn drift(
    context: &Context<'_>,
    axis: usize,
    at: f64,
    until: f64,
    time: &[f64],
    rate: &[f64],
    level: f64,
    size: f64,
) -> Option<f64> {
    let end = at + DRIFT_TIME;
    let slack = 0.05;
    if until < end - slack {
        return None;
    }
    let end = end.min(until);
    // Settled: within 10 % of the step, from there on until 0.2 s later.
    let inside = |k: usize| (rate[k] - level).abs() < 0.1 * size.abs();
    let from = time.partition_point(|t| *t < at);
    let start = (from..time.len()).find(|&k| {
        time[k] + 0.2 < end && (k..time.len()).take_while(|&j| time[j] <= time[k] + 0.2).all(inside)
    })?;
    let attitude = |t: f64| -> Option<UnitQuaternion<f64>> {
        let mut q = [0.0; 4];
        for (v, name) in q.iter_mut().zip(["attitude.w", "attitude.i", "attitude.j", "attitude.k"]) {
            *v = context.series(name)?.at(t)?;
        }
        let q = Quaternion::new(q[0], q[1], q[2], q[3]);
        (q.norm() > 0.5).then(|| UnitQuaternion::from_quaternion(q))
    };
    let turned = attitude(time[start])?.inverse() * attitude(end)?;
    turned.scaled_axis().get(axis).copied()
}

/// Mean with standard error; single values take the stated least error.
fn mean(values: &[f64], least: f64) -> (f64, f64) {
    let n = values.len() as f64;
    let m = robust::mean(values).unwrap_or(f64::NAN);
    let spread = robust::variance(values).unwrap_or(0.0);
    (m, (spread / n).sqrt().hypot(least / n.sqrt()))
}

fn summarise(context: &Context<'_>, axis: usize, all: &[Measured], out: &mut Out) {
    let (letter, name) = AXES[axis];
    let keys = [
        ("overshoot", "overshoot"),
        ("delay", "delay to 10 %"),
        ("rise", "rise 10 to 90 %"),
        ("settling", "settling within 5 %"),
        ("asymmetry", "left against right"),
        ("drift", "attitude drift after release"),
        ("half_cycles", "half-cycles after release"),
        ("damping", "damping after release"),
    ];
    let key = |what: &str| format!("step.{letter}.{what}");
    let title = |what: &str| format!("{name} step, {what}");
    let test = format!("fly {name} steps of 100 deg/s to both sides, each held 0.35 s and released for 2 s");
    if all.is_empty() {
        let missing = if context.series(&format!("rate_demand.{letter}")).is_none() {
            format!("the channel rate_demand.{letter}")
        } else if context.series(&format!("rate.{letter}")).is_none() {
            format!("the channel rate.{letter}")
        } else {
            format!("excitation: no {name} step of 20 deg/s or more in the demand")
        };
        for (k, label) in keys {
            out.cannot_tell(&key(k), &title(label), missing.clone(), test.clone(), RESTS);
        }
        return;
    }
    let period = context.series(&format!("rate.{letter}")).map_or(0.0, |s| s.period);
    let stamp = period / 12.0_f64.sqrt();
    let noise = all.iter().map(|m| m.noise / m.size.abs()).fold(0.0, f64::max);
    let sizes: Vec<f64> = all.iter().map(|m| m.size.abs().to_degrees()).collect();
    let low = sizes.iter().copied().fold(f64::INFINITY, f64::min);
    let high = sizes.iter().copied().fold(0.0, f64::max);
    let span =
        if high - low < 2.0 { format!("{high:.0} deg/s") } else { format!("{low:.0} to {high:.0} deg/s") };
    let tap = match context.tap(&format!("rate.{letter}")) {
        Some(crate::record::Tap::Filtered) => "the rate is seen behind the filters, whose delay is in it",
        Some(crate::record::Tap::Raw) => "the rate is seen before the filters",
        _ => "the tap point of the rate is not stated, so the filters' delay may or may not be in it",
    };
    let mean_error = |values: &[f64], least: f64| mean(values, least);
    let by_side = |value: &dyn Fn(&StepTrace) -> Option<f64>, right: bool| -> Vec<f64> {
        all.iter().filter(|m| (m.size > 0.0) == right).filter_map(|m| value(&m.trace)).collect()
    };
    let sides = [step_name(axis, 1.0), step_name(axis, -1.0)];
    // Overshoot: the worse side.
    let groups = [by_side(&|t| t.overshoot, true), by_side(&|t| t.overshoot, false)];
    let worse = groups
        .iter()
        .enumerate()
        .filter(|(_, g)| !g.is_empty())
        .map(|(i, g)| (i, mean_error(g, noise)))
        .max_by(|a, b| a.1.0.total_cmp(&b.1.0));
    match worse {
        Some((i, (value, error))) => {
            let e = context.estimate(&format!("{name} overshoot"), value, error, "1");
            let text = format!(
                "Worse side ({}), {} steps of {span}; noise left after smoothing at 50 Hz is {:.1} % of the step.",
                sides[i],
                all.len(),
                100.0 * noise
            );
            out.value(&key("overshoot"), &title("overshoot"), e, text, RESTS);
        }
        None => out.cannot_tell(
            &key("overshoot"),
            &title("overshoot"),
            "a step that reaches 90 % of its demand",
            test.clone(),
            RESTS,
        ),
    }
    let gather = |value: fn(&StepTrace) -> Option<f64>| -> Vec<f64> {
        all.iter().filter_map(|m| value(&m.trace)).collect()
    };
    let times = [
        ("delay", "delay to 10 %", gather(|t| t.delay)),
        ("rise", "rise 10 to 90 %", gather(|t| t.rise)),
        ("settling", "settling within 5 %", gather(|t| t.settling)),
    ];
    for (k, label, v) in times {
        if v.is_empty() {
            let missing = if k == "settling" {
                "a step held until the rate has settled within 5 %"
            } else {
                "a step that the rate follows"
            };
            out.cannot_tell(&key(k), &title(label), missing, test.clone(), RESTS);
            continue;
        }
        let (m, error) = mean_error(&v, stamp);
        let e = context.estimate(&format!("{name} {label}"), m, error, "s");
        let text = format!("Mean of {} of {} steps of {span}; {tap}.", v.len(), all.len());
        out.value(&key(k), &title(label), e, text, RESTS);
    }
    let rise = [by_side(&|t| t.rise, true), by_side(&|t| t.rise, false)];
    if rise.iter().any(Vec::is_empty) {
        out.cannot_tell(
            &key("asymmetry"),
            &title("left against right"),
            "steps to both sides that the rate follows",
            test,
            RESTS,
        );
    } else {
        let (a, ua) = mean_error(&rise[0], stamp);
        let (b, ub) = mean_error(&rise[1], stamp);
        let middle = 0.5 * (a + b);
        let value = (a - b).abs() / middle;
        let e = context.estimate(&format!("{name} asymmetry"), value, ua.hypot(ub) / middle, "1");
        let text = format!(
            "Difference of the rise times over their mean: {} {:.1} ms, {} {:.1} ms. An off-centre mass, one weak rotor \
             or wind makes it; which one, hover shares and the bench tell.",
            sides[0],
            a * 1e3,
            sides[1],
            b * 1e3
        );
        out.value(&key("asymmetry"), &title("left against right"), e, text, RESTS);
    }
    release(context, axis, all, out);
}

fn release(context: &Context<'_>, axis: usize, all: &[Measured], out: &mut Out) {
    let (letter, name) = AXES[axis];
    let key = |what: &str| format!("step.{letter}.{what}");
    let title = |what: &str| format!("{name} step, {what}");
    let test = format!(
        "release each {name} step to zero demand for 2 s with the attitude loop off, attitude logged"
    );
    let drifts: Vec<f64> = all.iter().filter_map(|m| m.trace.drift).map(f64::abs).collect();
    if drifts.is_empty() {
        let missing = if context.series("attitude.w").is_none() {
            "the channels attitude.w, .i, .j, .k (a gyro cannot show its own bias)"
        } else {
            "a release held at zero demand for 2 s"
        };
        out.cannot_tell(&key("drift"), &title("attitude drift after release"), missing, test.clone(), RESTS);
    } else {
        let (m, error) = mean(&drifts, 0.0);
        let worst = drifts.iter().copied().fold(0.0, f64::max);
        let e = context.estimate(&format!("{name} drift"), m, error.max(1e-4), "rad");
        let estimator = match context.tap("attitude.w") {
            Some(crate::record::Tap::External) => "",
            _ => " An attitude from an estimator on the same gyro shares part of its bias.",
        };
        let part = |turned: f64| -> f64 {
            let v: Vec<f64> =
                all.iter().filter(|m| m.size * turned > 0.0).filter_map(|m| m.trace.drift).collect();
            robust::mean(&v).unwrap_or(f64::NAN)
        };
        let (right, left) = (part(1.0), part(-1.0));
        let split = if right.is_finite() && left.is_finite() {
            format!(
                " {:.2} deg are common to both sides (gyro bias, a steady moment), {:.2} deg go with the direction of the \
                 step (the integral unwinding).",
                0.5 * (right + left).abs().to_degrees(),
                0.5 * (right - left).abs().to_degrees()
            )
        } else {
            String::new()
        };
        let text = format!(
            "Mean turn about the axis from the end of the stop to 2 s after the release, {} releases, the largest \
             {:.2} deg.{split}{estimator}",
            drifts.len(),
            worst.to_degrees()
        );
        out.value(&key("drift"), &title("attitude drift after release"), e, text, RESTS);
    }
    let counts: Vec<f64> = all.iter().filter_map(|m| m.trace.half_cycles).map(f64::from).collect();
    if counts.is_empty() {
        for (k, label) in [("half_cycles", "half-cycles after release"), ("damping", "damping after release")]
        {
            out.cannot_tell(
                &key(k),
                &title(label),
                "a release to zero demand after the step",
                test.clone(),
                RESTS,
            );
        }
        return;
    }
    let worst = counts.iter().copied().fold(0.0, f64::max);
    let spread = robust::variance(&counts).unwrap_or(0.0).sqrt();
    let e = context.estimate(&format!("{name} half-cycles"), worst, 0.5 * spread, "1");
    let text = format!(
        "Most half-cycles above 5 % of the step (or three times the noise) in the 1.5 s after any of {} releases.",
        counts.len()
    );
    out.value(&key("half_cycles"), &title("half-cycles after release"), e, text, RESTS);
    let damping: Vec<f64> = all.iter().filter_map(|m| m.trace.damping).collect();
    if damping.is_empty() {
        out.words(
            &key("damping"),
            &title("damping after release"),
            "well damped",
            "Fewer than two visible half-cycles after every release, or none that a ring-down describes: there is no \
             oscillation whose damping could be read.",
            RESTS,
        );
    } else {
        let (m, error) = mean(&damping, 0.02);
        let e = context.estimate(&format!("{name} damping"), m, error, "1");
        let text =
            format!("Damping ratio of a ring-down fitted to the rate after {} releases.", damping.len());
        out.value(&key("damping"), &title("damping after release"), e, text, RESTS);
    }
}
