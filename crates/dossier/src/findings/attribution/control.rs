//! Oscillations of a control loop: a steady line in the control band that the rotors' own thrust explains.
//!
//! Every line that the gyro sees comes back in the command, so that coherence alone proves nothing. What tells is size: thrust
//! that turns the aircraft makes angular acceleration in a fixed proportion to the difference of squared rotor speeds. That
//! proportion, taken from slower motion of the same record, holds at the line when the loop makes it; a line that the gyro
//! feels from elsewhere is many times larger than the rotors' answer to it.

use signal::peaks;
use signal::spectrum::{self, Cross, Options};

use super::data::Group;
use super::{Source, SourceKind, short};
use crate::findings::context::{AXES, Context};

/// Smallest oscillation worth a word, rad/s r.m.s. (1 deg/s).
const LEAST: f64 = 0.0175;
/// Coherence between rotors and rate at the line.
const COHERENT: f64 = 0.6;
/// Proportion at the line over that of slower motion: speeds, and commands (which the motors' lag weakens).
const BY_SPEED: (f64, f64) = (0.4, 2.5);
const BY_COMMAND: (f64, f64) = (0.1, 2.5);

pub(super) fn find(context: &Context<'_>, group: &Group, windows: &[(f64, f64)]) -> Vec<Source> {
    let mut out: Vec<Source> = Vec::new();
    for (axis, (letter, name)) in AXES.iter().enumerate() {
        if let Some(s) = one(context, group, windows, axis, *letter, name) {
            // Roll and pitch leak into each other through the sensor: the stronger one speaks.
            match out.iter_mut().find(|o| (o.seen.0 - s.seen.0).abs() < 1.5) {
                Some(o) if s.rms > o.rms => *o = s,
                Some(_) => {}
                None => out.push(s),
            }
        }
    }
    out
}

fn block(period: f64, longest: usize) -> usize {
    let mut n = 32;
    while (n * 2) as f64 <= (2.2 / period).min(longest as f64 / 3.0) {
        n *= 2;
    }
    n
}

fn one(
    context: &Context<'_>,
    group: &Group,
    windows: &[(f64, f64)],
    axis: usize,
    letter: char,
    name: &str,
) -> Option<Source> {
    let channel = group.channel(axis);
    let joint = context.joint(&[&channel], windows)?;
    let rate = 1.0 / joint.period;
    let options = Options::hann(block(joint.period, joint.longest()));
    let density = spectrum::welch(&joint.channel(0), rate, &options).ok()?;
    let top = group.all_turns().map_or(40.0, |t| (0.7 * t.0).min(40.0)).min(0.4 * rate);
    let search =
        peaks::Options { low: 1.5_f64.max(2.0 * density.resolution), floor_bins: 12, least: 8.0, most: 8 };
    let peak = peaks::find(&density, &search).into_iter().find(|p| p.frequency < top && p.rms > LEAST)?;
    let f = peak.frequency;
    let base = Source {
        kind: SourceKind::CannotTell,
        rotors: Vec::new(),
        order: None,
        folded: false,
        seen: (f - density.resolution, f + density.resolution),
        true_frequency: None,
        channel: channel.clone(),
        rms: peak.rms,
        name: format!("cannot tell: oscillation about {name} at {f:.1} Hz"),
        evidence: String::new(),
        would_tell: Some("log command and speed of every rotor beside the gyro, and hover hands off for 10 s; a gain lowered by a third that calms it speaks for the loop".to_owned()),
    };
    let size = format!("{} deg/s r.m.s. at {f:.1} Hz in {channel}", short(peak.rms.to_degrees()));
    let (what, limits) = if context.rotor_series("speed").is_some() {
        ("speed", BY_SPEED)
    } else if context.rotor_series("command").is_some() {
        ("command", BY_COMMAND)
    } else {
        return Some(Source {
            evidence: format!("{size}, while neither commands nor speeds of the rotors are logged."),
            ..base
        });
    };
    let Some(answer) = proportion(context, &channel, what, windows, f) else {
        return Some(Source {
            evidence: format!("{size}, in a record too short to compare it with the rotors."),
            ..base
        });
    };
    let _ = letter;
    if answer.coherence < COHERENT {
        // The rotors do not move with it: the gyro feels it from elsewhere; fixed peaks are named by others.
        return None;
    }
    let Some(ratio) = answer.ratio else {
        return Some(Source {
            evidence: format!(
                "{size}, coherent with the rotors ({:.2}), as is all that the gyro sees; slower motion that would give the proportion is missing.",
                answer.coherence
            ),
            would_tell: Some(
                "fly small rate steps about the axis before the hover, then hover hands off for 10 s"
                    .to_owned(),
            ),
            ..base
        });
    };
    if ratio > limits.1 {
        return Some(Source {
            evidence: format!(
                "{size}: {ratio:.1} times what the rotors' thrust explains, so it does not come from the loop; a soft mount or a loose part in the control band."
            ),
            name: format!("cannot tell: line at {f:.1} Hz about {name}, not made by the loop"),
            would_tell: Some("tap the sensor's mount with the rotors off".to_owned()),
            ..base
        });
    }
    if ratio < limits.0 {
        return None;
    }
    Some(Source {
        kind: SourceKind::Control,
        name: format!("control oscillation about {name} at {f:.1} Hz"),
        evidence: format!(
            "{size}, coherent with the rotors' {what}s ({:.2}), and {ratio:.1} times the angular acceleration that their thrust gives in slower motion: the \
             aircraft really turns, driven by its own loop.",
            answer.coherence
        ),
        would_tell: None,
        ..base
    })
}

struct Proportion {
    coherence: f64,
    ratio: Option<f64>,
}

/// Coherence at the line between the rate and the rotors' difference, and how the proportion of angular acceleration to
/// it compares with that below 0.6 times the line's frequency.
fn proportion(
    context: &Context<'_>,
    channel: &str,
    what: &str,
    windows: &[(f64, f64)],
    f: f64,
) -> Option<Proportion> {
    let mut names: Vec<String> = (1..=context.rotors).map(|i| format!("rotor.{i}.{what}")).collect();
    names.insert(0, channel.to_owned());
    let views: Vec<&str> = names.iter().map(String::as_str).collect();
    let joint = context.joint(&views, windows)?;
    let rate = 1.0 / joint.period;
    if f > 0.4 * rate {
        return None;
    }
    let options = Options::hann(block(joint.period, joint.longest()));
    // Squared speeds give thrust; commands are taken as they are.
    let shaped: Vec<Vec<Vec<f64>>> = joint
        .stretches
        .iter()
        .map(|s| {
            s.channels
                .iter()
                .enumerate()
                .map(
                    |(k, c)| {
                        if k > 0 && what == "speed" { c.iter().map(|v| v * v).collect() } else { c.clone() }
                    },
                )
                .collect()
        })
        .collect();
    let cross_of = |input: &dyn Fn(&[Vec<f64>]) -> Vec<f64>| -> Option<Cross> {
        let inputs: Vec<Vec<f64>> = shaped.iter().map(|s| input(s)).collect();
        let pairs: Vec<(&[f64], &[f64])> = inputs
            .iter()
            .zip(&shaped)
            .filter_map(|(x, s)| Some((x.as_slice(), s.first()?.as_slice())))
            .collect();
        spectrum::cross(&pairs, rate, &options).ok()
    };
    // Sign of each rotor: whether its part moves with or against the angular acceleration at the line.
    let mut signs = Vec::new();
    for r in 1..=context.rotors {
        let c = cross_of(&|s: &[Vec<f64>]| s.get(r).cloned().unwrap_or_default())?;
        let k = (f / c.resolution).round() as usize;
        // Acceleration leads the rate by a quarter turn: conj(U) i w R.
        let v = *c.xy.get(k)? * spectrum::Complex64::new(0.0, 1.0);
        signs.push(v);
    }
    // Rotors of one side turn together: the reference is the strongest.
    let reference = signs.iter().copied().max_by(|a, b| a.norm().total_cmp(&b.norm()))?;
    let strongest = reference.norm();
    let signs: Vec<f64> = signs
        .iter()
        .map(|v| if v.norm() < 0.25 * strongest { 0.0 } else { (v * reference.conj()).re.signum() })
        .collect();
    let c = cross_of(&|s: &[Vec<f64>]| {
        let n = s.first().map_or(0, Vec::len);
        (0..n)
            .map(|k| signs.iter().enumerate().map(|(r, g)| g * s.get(r + 1).map_or(0.0, |v| v[k])).sum())
            .collect()
    })?;
    let coherence = c.coherence();
    let line = (f / c.resolution).round() as usize;
    let gain = |k: usize| c.xy[k].norm() / c.xx[k].max(1e-300) * (k as f64 * c.resolution);
    let at_line = *coherence.get(line)?;
    let low = (0.8 / c.resolution).ceil().max(2.0) as usize;
    let high = (0.6 * f / c.resolution).floor() as usize;
    let (mut sum, mut weight) = (0.0, 0.0);
    let mut bins = 0;
    for k in low..=high.min(c.xx.len().saturating_sub(1)) {
        let g = coherence[k];
        if g > 0.35 {
            sum += g * gain(k).max(1e-300).ln();
            weight += g;
            bins += 1;
        }
    }
    let ratio = (bins >= 2 && weight > 0.0).then(|| gain(line) / (sum / weight).exp());
    Some(Proportion { coherence: at_line, ratio })
}
