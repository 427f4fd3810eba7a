//! Oscillations in the control band: a steady line in the rate while nothing is asked for.

use signal::peaks;

use super::context::{AXES, Context, Out};
use super::vibration::{density, quiet, turns};

const RESTS: &[&str] = &["loop", "filter", "esc", "motor", "rotor", "mass"];
/// An oscillation below this is not worth a word, rad/s r.m.s. (1 deg/s). Our choice.
const LEAST: f64 = 0.0175;

pub(super) fn run(context: &Context<'_>, out: &mut Out) {
    let (windows, in_hover) = quiet(context);
    let test = "hover hands off for 10 s with the gyro logged at 200 Hz or more";
    for (letter, name) in AXES {
        let (key, label) = (format!("oscillation.{letter}"), format!("{name} oscillation"));
        let channel = format!("rate.{letter}");
        if !in_hover {
            let missing = if context.series(&channel).is_none() {
                format!("the channel {channel}")
            } else {
                "a steady hover of 2 s".to_owned()
            };
            out.cannot_tell(&key, &label, missing, test, RESTS);
            continue;
        }
        let Some((joint, d)) =
            context.joint(&[&channel], &windows).and_then(|j| density(&j, 0).map(|d| (j, d)))
        else {
            out.cannot_tell(&key, &label, format!("the channel {channel}"), test, RESTS);
            continue;
        };
        let nyquist = 0.5 / joint.period;
        let top = turns(context, &windows).map_or(40.0, |(low, _)| (0.7 * low).min(40.0)).min(0.9 * nyquist);
        let options =
            peaks::Options { low: 1.5 * d.resolution.max(0.5), floor_bins: 16, least: 8.0, most: 12 };
        let found = peaks::find(&d, &options).into_iter().find(|p| p.frequency < top && p.rms > LEAST);
        let Some(p) = found else {
            let text = format!(
                "No line above {:.1} deg/s r.m.s. between 1 and {top:.0} Hz in hover.",
                LEAST.to_degrees()
            );
            out.words(&key, &label, "none seen", text, RESTS);
            continue;
        };
        let halves = growth(&joint, p.frequency);
        let course = match halves {
            Some(r) if r > 1.5 => format!(" It grows: the second half holds {r:.1} times the first."),
            Some(r) if r < 0.67 => format!(" It dies down: the second half holds {r:.1} times the first."),
            Some(_) => " It neither grows nor dies down.".to_owned(),
            None => String::new(),
        };
        let error = p.rms * 0.5 * d.random_error() / (p.bins.1 - p.bins.0 + 1) as f64 * 2.0;
        let e = context.estimate(&format!("{name} oscillation"), p.rms, error.max(0.02 * p.rms), "rad/s");
        let text = format!(
            "At {:.2} Hz in hover, r.m.s. within the peak.{course} The loop near its limit, a soft mount and a pilot look \
             alike here; a gain lowered by a third that moves or calms it speaks for the loop.",
            p.frequency
        );
        out.value(&key, &label, e, text, RESTS);
    }
}

/// R.m.s. near a frequency in the second half of the longest stretch over the first.
fn growth(joint: &super::context::Joint, frequency: f64) -> Option<f64> {
    let s = joint.stretches.iter().max_by_key(|s| s.len())?;
    let v = s.channels.first()?;
    let half = v.len() / 2;
    let amplitude = |part: &[f64]| {
        let w = std::f64::consts::TAU * frequency * joint.period;
        let n = part.len().max(1) as f64;
        // Blocks of four periods, so that a wandering phase does not cancel.
        let block = ((4.0 / (frequency * joint.period)) as usize).clamp(4, part.len().max(4));
        let sum: f64 = part
            .chunks(block)
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
    };
    if (half as f64) * joint.period * frequency < 8.0 {
        return None;
    }
    let (a, b) = (amplitude(&v[..half]), amplitude(&v[half..]));
    (a > 0.0).then_some(b / a)
}
