//! Saturated commands and clipped sensors.

use std::collections::BTreeMap;

use super::context::{AXES, Context, Joint, Out, Series};
use super::{PhaseKind, phases};
use crate::estimate::Estimate;
use crate::record::Tap;

/// Command from which a rotor has nothing left to give.
const FULL: f64 = 0.98;

pub(super) fn run(context: &Context<'_>, out: &mut Out) {
    saturation(context, out);
    let ranges = context.known.ranges;
    clipping(context, out, "gyro", ["rate_raw", "rate"], ranges.map(|r| r.0));
    clipping(context, out, "accel", ["accel", "accel"], ranges.map(|r| r.1));
}

fn saturation(context: &Context<'_>, out: &mut Out) {
    let (key, label) = ("saturation.share", "saturated samples");
    let rests = &["mass", "rotor", "motor", "esc", "battery", "loop"];
    let Some(all) = context.rotor_series("command") else {
        out.cannot_tell(
            key,
            label,
            "the channels rotor.N.command",
            "log every rotor's command after mixing",
            rests,
        );
        return;
    };
    if context.tap("rotor.1.command") != Some(Tap::AfterMixing) {
        out.cannot_tell(
            key,
            label,
            "the tap point of rotor.N.command: after mixing",
            "state in the channel map where the command was tapped; before mixing it shows no limit",
            rests,
        );
        return;
    }
    // A pull of full thrust saturates on purpose, the ground idles at the minimum on purpose, and
    // the pilot who catches the climb after a pull cuts the thrust on purpose: what counts is hover and
    // steps, where there are enough of them.
    let judged = context.windows(|k| matches!(k, PhaseKind::Hover | PhaseKind::Step | PhaseKind::Release));
    let flown = context.windows(|k| !matches!(k, PhaseKind::Ground | PhaseKind::Pull));
    let enough = Context::length(&judged) >= 5.0;
    let (windows, place) = if enough {
        (judged, "in hover, steps and releases")
    } else {
        (flown.clone(), "in the air, pulls left out,")
    };
    let low = context.known.usable_minimum + 1e-3;
    let columns: Vec<String> = (1..=all.len()).map(|i| format!("rotor.{i}.command")).collect();
    let names: Vec<&str> = columns.iter().map(String::as_str).collect();
    let Some(joint) = context.joint(&names, &windows) else {
        out.cannot_tell(key, label, "a stretch in the air", "log a flight", rests);
        return;
    };
    let counted = Counted::over(context, &joint, low);
    if counted.samples == 0 {
        out.cannot_tell(key, label, "a stretch in the air", "log a flight", rests);
        return;
    }
    let e = counted.estimate(context, "saturated samples");
    let mut text = format!(
        "Share of samples {place} in which a rotor's command is at {FULL} or more, or at the usable minimum \
         ({:.3}) or less: {} times, the longest {:.0} ms.",
        context.known.usable_minimum,
        counted.episodes,
        counted.longest * 1e3
    );
    if let Some((phase, count)) = counted.during.iter().max_by_key(|d| d.1) {
        let part = 100.0 * *count as f64 / counted.saturated as f64;
        text.push_str(&format!(" Most of it ({part:.0} %) during: {phase}."));
    }
    out.value(key, label, e, text, rests);
    if enough && let Some(all) = context.joint(&names, &flown) {
        let counted = Counted::over(context, &all, low);
        let e = counted.estimate(context, "saturated samples, whole flight");
        let text =
            "Share of all samples in the air, pulls of thrust left out, recoveries from them included.";
        out.value("saturation.flight", "saturated samples, whole flight", e, text, rests);
    }
    in_hover(context, &names, low, out);
    for (axis, (letter, name)) in AXES.iter().enumerate() {
        per_axis(context, &joint, low, axis, *letter, name, out);
    }
}

/// Hover alone: a blow or a hard turn may saturate, hover may not.
fn in_hover(context: &Context<'_>, names: &[&str], low: f64, out: &mut Out) {
    let (key, label) = ("saturation.hover", "saturated samples in hover");
    let rests = &["mass", "rotor", "motor", "esc", "battery", "loop"];
    let Some(joint) = context.joint(names, &context.hover()) else {
        out.cannot_tell(key, label, "a steady hover of 1.5 s", "hover hands off for 10 s", rests);
        return;
    };
    let e = Counted::over(context, &joint, low).estimate(context, "saturated samples in hover");
    out.value(
        key,
        label,
        e,
        "Share of samples of the hover phases with a rotor at either end of its command.",
        rests,
    );
}

/// Longest time with some rotor at an end of its command, s, and how many times there was one.
pub(super) fn longest_at_limit(joint: &Joint, low: f64) -> (f64, usize) {
    let (mut longest, mut episodes) = (0_usize, 0);
    for s in &joint.stretches {
        let mut run = 0_usize;
        for k in 0..s.len() {
            if s.channels.iter().any(|v| v[k] >= FULL || v[k] <= low) {
                episodes += usize::from(run == 0);
                run += 1;
                longest = longest.max(run);
            } else {
                run = 0;
            }
        }
    }
    (longest as f64 * joint.period, episodes)
}

/// Samples at a limit.
#[derive(Default)]
struct Counted {
    samples: usize,
    saturated: usize,
    episodes: usize,
    /// Longest episode, s.
    longest: f64,
    during: BTreeMap<String, usize>,
}

impl Counted {
    fn over(context: &Context<'_>, joint: &Joint, low: f64) -> Self {
        let mut c = Self::default();
        for s in &joint.stretches {
            let mut run = 0_usize;
            for k in 0..s.len() {
                c.samples += 1;
                if !s.channels.iter().any(|v| v[k] >= FULL || v[k] <= low) {
                    run = 0;
                    continue;
                }
                c.saturated += 1;
                c.episodes += usize::from(run == 0);
                run += 1;
                c.longest = c.longest.max(run as f64 * joint.period);
                let t = s.start + k as f64 * joint.period;
                let phase = context.phases.iter().find(|p| p.start <= t && t < p.end);
                *c.during
                    .entry(phase.map_or_else(|| "flight".to_owned(), |p| p.label.clone()))
                    .or_default() += 1;
            }
        }
        c
    }

    /// Episodes come at random; their samples do not count one by one.
    fn estimate(&self, context: &Context<'_>, what: &str) -> Estimate {
        let n = self.samples.max(1) as f64;
        let share = self.saturated as f64 / n;
        let uncertainty = if self.episodes == 0 { 1.0 / n } else { share / (self.episodes as f64).sqrt() };
        context.estimate(what, share, uncertainty, "1")
    }
}

/// Share of saturated samples while steps about one axis are flown.
fn per_axis(
    context: &Context<'_>,
    joint: &Joint,
    low: f64,
    axis: usize,
    letter: char,
    name: &str,
    out: &mut Out,
) {
    let windows: Vec<(f64, f64)> = context
        .steps
        .iter()
        .filter(|s| s.axis == axis)
        .map(|s| (s.step.at, s.release.map_or(s.step.until, |r| r.at + 0.5)))
        .collect();
    if windows.is_empty() {
        return;
    }
    let (mut n, mut saturated) = (0_usize, 0_usize);
    for s in &joint.stretches {
        for k in 0..s.len() {
            let t = s.start + k as f64 * joint.period;
            if windows.iter().any(|(a, b)| t >= *a && t <= *b) {
                n += 1;
                saturated += usize::from(s.channels.iter().any(|c| c[k] >= FULL || c[k] <= low));
            }
        }
    }
    if n == 0 {
        return;
    }
    let share = saturated as f64 / n as f64;
    let steps = windows.len() as f64;
    let e = context.estimate(
        &format!("saturated samples, {name} steps"),
        share,
        (share / steps).sqrt().min(share).max(1.0 / n as f64),
        "1",
    );
    let text = format!("Share of samples within {} {name} steps and the 0.5 s after them.", windows.len());
    out.value(
        &format!("saturation.{letter}"),
        &format!("saturated in {name} steps"),
        e,
        text,
        &["mass", "rotor", "motor", "esc", "battery", "loop"],
    );
}

/// Samples that sit on a flat top: at the stated range, or in runs of the channel's own extreme
/// value clearly longer than its values usually repeat.
fn flat_tops(series: &Series, range: Option<f64>) -> (usize, f64) {
    let v = &series.values;
    let high = v.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    let low = v.iter().copied().fold(f64::INFINITY, f64::min);
    let peak = high.max(-low);
    if let Some(range) = range.filter(|r| *r > 0.0) {
        return (v.iter().filter(|x| x.abs() >= 0.995 * range).count(), peak);
    }
    // How long values repeat anyway (telemetry slower than the log).
    let mut runs = Vec::new();
    let mut run = 1.0;
    for w in v.windows(2) {
        if w[0] == w[1] {
            run += 1.0;
        } else {
            runs.push(run);
            run = 1.0;
        }
    }
    let usual = signal::robust::quantile(&runs, 0.95).unwrap_or(1.0);
    let middle = signal::robust::median(v).unwrap_or(0.0);
    let spread = signal::robust::deviation(v).unwrap_or(0.0);
    let mut clipped = 0;
    for top in [high, low] {
        // A constant channel has no top.
        if (top - middle).abs() < 4.0 * spread || high - low <= 0.0 {
            continue;
        }
        let mut run = 0_usize;
        for x in v.iter().chain(std::iter::once(&f64::NAN)) {
            if *x == top {
                run += 1;
            } else {
                if run as f64 >= 3.0 * usual {
                    clipped += run;
                }
                run = 0;
            }
        }
    }
    (clipped, peak)
}

fn clipping(context: &Context<'_>, out: &mut Out, what: &str, bases: [&str; 2], range: Option<f64>) {
    let (key, label) = (format!("clipping.{what}"), format!("clipped samples, {what}"));
    let base = bases.iter().find(|b| AXES.iter().any(|(l, _)| context.series(&format!("{b}.{l}")).is_some()));
    let Some(base) = base else {
        let (missing, test) = if what == "gyro" {
            ("the channels rate.x, rate.y, rate.z", "log the gyro, best raw")
        } else {
            ("the channels accel.x, accel.y, accel.z", "log the accelerometer, best raw")
        };
        out.cannot_tell(&key, &label, missing, test, &["imu"]);
        return;
    };
    let (mut n, mut clipped, mut peak) = (0, 0, 0.0_f64);
    for (letter, _) in AXES {
        if let Some(s) = context.series(&format!("{base}.{letter}")) {
            let (c, p) = flat_tops(s, range);
            n += s.values.len();
            clipped += c;
            peak = peak.max(p);
        }
    }
    let raw = context.tap(&format!("{base}.x")) == Some(Tap::Raw);
    let n = n as f64;
    let share = clipped as f64 / n;
    let e =
        context.estimate(&format!("clipped samples, {what}"), share, (share / n).sqrt().max(1.0 / n), "1");
    let mut text = match range {
        Some(r) => format!(
            "Samples at 99.5 % of the range or more; the largest value is {:.0} % of the range.",
            100.0 * peak / r
        ),
        None => "Runs of the channel's own largest or smallest value; the range is not stated, so a \
                 clipping that the filters have smoothed is not seen."
            .to_owned(),
    };
    if !raw {
        text.push_str(
            " The channel is not stated as raw: filters hide clipped samples, so none found proves nothing.",
        );
    }
    out.value(&key, &label, e, text, &["imu"]);
    if let Some(r) = range.filter(|_| raw) {
        let e = context.estimate(&format!("largest {what} value"), peak / r, 0.001 * peak / r, "1");
        out.value(
            &format!("clipping.{what}_peak"),
            &format!("largest {what} value over the range"),
            e,
            "Largest magnitude of any axis over the stated range.",
            &["imu", "rotor", "mass"],
        );
    }
}

/// Which way a step goes, for the texts of other questions.
pub(super) fn step_name(axis: usize, size: f64) -> String {
    let name = AXES.get(axis).map_or("", |a| a.1);
    format!("{name} {}", phases::side(axis, size))
}
