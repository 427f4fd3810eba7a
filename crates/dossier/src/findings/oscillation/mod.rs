//! Oscillations in the control band: a steady line in rate or velocity while nothing is asked for, and what makes it.

mod source;
mod velocity;

use std::f64::consts::TAU;

use signal::spectrum::Density;
use signal::{lsq, peaks, robust};

use self::source::Line;
use super::PhaseKind;
use super::context::{AXES, Context, Joint, Out};
use super::vibration::{density, quiet, turns};

const RESTS: &[&str] = &["loop", "filter", "esc", "motor", "rotor", "mass"];
/// An oscillation below this is not worth a word, rad/s r.m.s. (1 deg/s). Our choice.
const LEAST: f64 = 0.0175;

/// Fastest over slowest turning of the rotors up to which they have a speed of their own. Our choice.
const STEADY: f64 = 1.6;

pub(super) fn run(context: &Context<'_>, out: &mut Out) {
    let (hover, in_hover) = quiet(context);
    // A loop that swings hard looks like no hover: all of the air time then, but for steps and pulls.
    let windows = if in_hover {
        hover
    } else {
        context.windows(|k| matches!(k, PhaseKind::Hover | PhaseKind::Manoeuvre))
    };
    let place = if in_hover { "in hover" } else { "in flight" };
    let test = "hover hands off for 10 s with the gyro logged at 200 Hz or more";
    for (axis, (letter, name)) in AXES.iter().enumerate() {
        let (key, label) = (format!("oscillation.{letter}"), format!("{name} oscillation"));
        let channel = format!("rate.{letter}");
        let Some((joint, d)) =
            context.joint(&[&channel], &windows).and_then(|j| density(&j, 0).map(|d| (j, d)))
        else {
            let missing = if context.series(&channel).is_none() {
                format!("the channel {channel}")
            } else {
                "a steady hover of 2 s".to_owned()
            };
            out.cannot_tell(&key, &label, missing, test, RESTS);
            continue;
        };
        let nyquist = 0.5 / joint.period;
        // Below the rotors' own turning; rotors that a loop drives to their ends have no speed of their own.
        let own = |t: &(f64, f64)| in_hover && t.1 <= STEADY * t.0;
        let slowest = turns(context, &windows).filter(own).map(|t| 0.7 * t.0);
        let above = slowest.unwrap_or(40.0).min(40.0);
        let top = above.min(0.9 * nyquist);
        let options =
            peaks::Options { low: 1.5 * d.resolution.max(0.5), floor_bins: 16, least: 8.0, most: 12 };
        let found = peaks::find(&d, &options)
            .into_iter()
            .find(|p| p.frequency < top && p.rms > LEAST)
            .filter(|p| in_hover || (mostly(&d, p, top) && !asked_for(context, axis, p.frequency, &windows)));
        if found.is_none() && !in_hover {
            out.cannot_tell(&key, &label, "a steady hover of 2 s", test, RESTS);
            continue;
        }
        // What swings faster than a slow log shows comes back folded, and may hide under the air's slow motion.
        if found.is_none() && top < above {
            let missing = format!(
                "the gyro at {:.0} Hz or more: this log at {:.0} Hz folds what is faster than {nyquist:.0} Hz",
                2.0 * above / 0.9,
                2.0 * nyquist
            );
            out.cannot_tell(&key, &label, missing, test, RESTS);
            continue;
        }
        let Some(p) = found else {
            let text = format!(
                "No line above {:.1} deg/s r.m.s. between 1 and {top:.0} Hz in hover.",
                LEAST.to_degrees()
            );
            out.words(&key, &label, "none seen", text, RESTS);
            continue;
        };
        let course = course(growth(&joint, p.frequency));
        let error = p.rms * 0.5 * d.random_error() / (p.bins.1 - p.bins.0 + 1) as f64 * 2.0;
        let e = context.estimate(&format!("{name} oscillation"), p.rms, error.max(0.02 * p.rms), "rad/s");
        let text = format!("At {:.2} Hz {place}, r.m.s. within the peak.{course}", p.frequency);
        out.value(&key, &label, e, text, RESTS);
        let line =
            Line { axis: Some(axis), frequency: p.frequency, rate: 1.0 / joint.period, windows: &windows };
        let thrust = with_thrust(context, &channel, p.frequency);
        source::report(
            context,
            &line,
            &format!("{key}.source"),
            &format!("{label}, what makes it"),
            &thrust,
            out,
        );
    }
    velocity::run(context, out);
}

/// Share of the mean square in the control band that a line must hold where the flight is no hover. Our choice.
const SHARE: f64 = 0.3;

fn mostly(d: &Density, line: &peaks::Peak, top: f64) -> bool {
    let all = d.band_rms(1.5 * d.resolution.max(0.5), top);
    line.rms.powi(2) >= SHARE * all * all
}

/// Whether a line was asked for: the attitude demand, or without one the rate demand, swings with half of it or more.
fn asked_for(context: &Context<'_>, axis: usize, frequency: f64, windows: &[(f64, f64)]) -> bool {
    let pair = |asked: &str, got: &str| -> Option<bool> {
        let joint = context.joint(&[asked, got], windows)?;
        let block = ((6.0 / (frequency * joint.period)) as usize).max(8);
        let size = |c: usize| {
            joint.channel(c).iter().map(|v| amplitude(v, frequency, joint.period, block)).fold(0.0, f64::max)
        };
        Some(size(0) > 0.5 * size(1))
    };
    let (letter, _) = AXES[axis];
    let part = ["i", "j", "k"][axis];
    pair(&format!("attitude_demand.{part}"), &format!("attitude.{part}"))
        .or_else(|| pair(&format!("rate_demand.{letter}"), &format!("rate.{letter}")))
        .unwrap_or(false)
}

/// How the amplitude runs, as a sentence that follows another.
fn course(halves: Option<f64>) -> String {
    match halves {
        Some(r) if r > 1.5 => format!(" It grows: the second half holds {r:.1} times the first."),
        Some(r) if r < 0.67 => format!(" It dies down: the second half holds {r:.1} times the first."),
        Some(_) => " It neither grows nor dies down.".to_owned(),
        None => String::new(),
    }
}

/// Amplitude of a line in samples at a spacing, by blocks of so many samples.
fn amplitude(part: &[f64], frequency: f64, period: f64, block: usize) -> f64 {
    let w = TAU * frequency * period;
    let n = part.len().max(1) as f64;
    let sum: f64 = part
        .chunks(block.max(1))
        .map(|c| {
            let (mut a, mut b) = (0.0, 0.0);
            for (k, x) in c.iter().enumerate() {
                let (sin, cos) = (w * k as f64).sin_cos();
                a += x * cos;
                b += x * sin;
            }
            (a * a + b * b) / c.len() as f64
        })
        .sum();
    (sum / n).sqrt()
}

/// R.m.s. near a frequency in the second half of the longest stretch over the first.
fn growth(joint: &Joint, frequency: f64) -> Option<f64> {
    let s = joint.stretches.iter().max_by_key(|s| s.len())?;
    let v = s.channels.first()?;
    let half = v.len() / 2;
    if (half as f64) * joint.period * frequency < 8.0 {
        return None;
    }
    // Blocks of four periods, so that a wandering phase does not cancel.
    let block = ((4.0 / (frequency * joint.period)) as usize).max(4);
    let (a, b) = (
        amplitude(&v[..half], frequency, joint.period, block),
        amplitude(&v[half..], frequency, joint.period, block),
    );
    (a > 0.0).then_some(b / a)
}

/// Least ratio of thrust between the strongest and the weakest tenth of the flight that says anything. Our choice.
const SPREAD: f64 = 1.15;

/// Whether the amplitude of a line goes with thrust, in a sentence: the slope of its logarithm over that of the squared
/// commands, over blocks of six periods of the whole flight.
fn with_thrust(context: &Context<'_>, channel: &str, frequency: f64) -> String {
    let unknown = "Thrust hardly changed in this flight, so that it does not show whether the oscillation grows with it.";
    let mut names = vec![channel.to_owned()];
    names.extend((1..=context.rotors).map(|k| format!("rotor.{k}.command")));
    let views: Vec<&str> = names.iter().map(String::as_str).collect();
    let Some(joint) = context.joint(&views, &context.airborne()) else { return unknown.to_owned() };
    let block = ((6.0 / (frequency * joint.period)) as usize).max(8);
    let (mut x, mut y) = (Vec::new(), Vec::new());
    for s in &joint.stretches {
        for from in (0..s.len().saturating_sub(block)).step_by(block) {
            let range = from..from + block;
            let size = amplitude(&s.channels[0][range.clone()], frequency, joint.period, block);
            let thrust: f64 = s
                .channels
                .iter()
                .skip(1)
                .map(|c| robust::mean(&c[range.clone()]).unwrap_or(0.0).powi(2))
                .sum();
            if size > 0.0 && thrust > 0.0 {
                x.push(thrust.ln());
                y.push(size.ln());
            }
        }
    }
    let spread = robust::quantile(&x, 0.9).zip(robust::quantile(&x, 0.1)).map_or(0.0, |(a, b)| a - b);
    if y.len() < 12 || spread < SPREAD.ln() {
        return unknown.to_owned();
    }
    let rows = y.len();
    let m =
        nalgebra::DMatrix::from_iterator(rows, 2, x.iter().copied().chain(std::iter::repeat_n(1.0, rows)));
    let Ok(fit) = lsq::fit(&m, &nalgebra::DVector::from_vec(y), None) else { return unknown.to_owned() };
    let fit = fit.correlated(&m, None);
    let (slope, error) = (fit.value(0), fit.error(0));
    if slope > 0.5 && slope > 2.0 * error {
        "It grows with thrust: loop gain rises with it (the command is not corrected for the curve of thrust), or the rotors drive it."
            .to_owned()
    } else if slope < 0.5 && error < 0.5 {
        "It does not grow with thrust.".to_owned()
    } else {
        "Whether it grows with thrust does not stand out from its own wandering.".to_owned()
    }
}
