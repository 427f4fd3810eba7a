//! Oscillations of a control loop: a steady line in the control band that the rotors' own thrust explains.
//!
//! Every line that the gyro sees comes back in the command, so that coherence alone proves nothing. What tells is size:
//! the angular acceleration that the rotors' thrust makes follows from the geometry, the inertia and the hover (thrust
//! per squared speed is weight over the sum of squared speeds). At an oscillation of the loop, and near its crossover, it
//! is what the gyro shows; a line that the gyro feels from elsewhere is many times larger than the rotors' answer to it.
//! The proportion cannot be taken from slower motion of the same flight: there the loop holds against gusts, and rate and
//! thrust show the inverse of the controller.

use signal::peaks;
use signal::spectrum::{self, Options};

use super::data::Group;
use super::{Source, SourceKind, short};
use crate::findings::context::{AXES, Context};
use crate::findings::geometry::levers;

/// Smallest oscillation worth a word, rad/s r.m.s. (1 deg/s).
const LEAST: f64 = 0.0175;
/// Coherence between rotors and rate at the line.
const COHERENT: f64 = 0.6;
/// Measured over explained angular acceleration: near one where the loop alone drives the line, more where a gust or the
/// pilot pushes and the rotors answer; a fifth either way is the doubt of inertia and thrust.
const DRIVEN: (f64, f64) = (0.75, 1.25);
/// Beyond this the rotors cannot have made it.
const NOT_DRIVEN: f64 = 2.0;
/// The line holds this share of the rate's mean square in the control band: gusts do not.
const LEAST_SHARE: f64 = 0.5;

pub(super) fn find(context: &Context<'_>, group: &Group, windows: &[(f64, f64)]) -> Vec<Source> {
    let mut out: Vec<Source> = Vec::new();
    for (axis, (_, name)) in AXES.iter().enumerate() {
        if let Some(s) = one(context, group, windows, axis, name) {
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
    name: &str,
) -> Option<Source> {
    let channel = group.channel(axis);
    let joint = context.joint(&[&channel], windows)?;
    let rate = 1.0 / joint.period;
    let options = Options::hann(block(joint.period, joint.longest()));
    let density = spectrum::welch(&joint.channel(0), rate, &options).ok()?;
    let top = group.all_turns().map_or(40.0, |t| (0.7 * t.0).min(40.0)).min(0.4 * rate);
    let search =
        peaks::Options { low: 1.5_f64.max(2.0 * density.resolution), floor_bins: 12, least: 20.0, most: 8 };
    let peak = peaks::find(&density, &search).into_iter().find(|p| p.frequency < top && p.rms > LEAST)?;
    let f = peak.frequency;
    let total = density.band_rms(search.low, top).powi(2);
    if f < 2.0 || peak.rms.powi(2) < LEAST_SHARE * total {
        return None;
    }
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
    let what = if context.rotor_series("speed").is_some() {
        "speed"
    } else if context.rotor_series("command").is_some() {
        return Some(Source {
            evidence: format!(
                "{size}; from commands alone the motors' lag stands between what was asked and what the rotors did."
            ),
            ..base
        });
    } else {
        return Some(Source {
            evidence: format!("{size}, while neither commands nor speeds of the rotors are logged."),
            ..base
        });
    };
    let Some(answer) = proportion(context, &channel, what, windows, axis, f) else {
        return Some(Source {
            evidence: format!(
                "{size}, while geometry, mass and inertia, which say what the rotors can do, are not known."
            ),
            ..base
        });
    };
    if answer.coherence < COHERENT {
        // The rotors do not move with it: the gyro feels it from elsewhere; fixed peaks are named by others.
        return None;
    }
    let ratio = answer.ratio;
    if ratio > NOT_DRIVEN {
        return Some(Source {
            evidence: format!(
                "{size}: {ratio:.1} times what the rotors' thrust explains, so it does not come from the loop; a soft mount or a loose part in the control band."
            ),
            name: format!("cannot tell: line at {f:.1} Hz about {name}, not made by the loop"),
            would_tell: Some("tap the sensor's mount with the rotors off".to_owned()),
            ..base
        });
    }
    if ratio < DRIVEN.0 {
        return None;
    }
    if ratio > DRIVEN.1 {
        return Some(Source {
            evidence: format!(
                "{size}, {ratio:.1} times the angular acceleration that the rotors' thrust makes there: gusts or the pilot push as well."
            ),
            ..base
        });
    }
    Some(Source {
        kind: SourceKind::Control,
        name: format!("control oscillation about {name} at {f:.1} Hz"),
        evidence: format!(
            "{size}, coherent with the rotors' {what}s ({:.2}), and {ratio:.1} times the angular acceleration that their thrust makes there: the \
             aircraft really turns, driven by its own loop.",
            answer.coherence
        ),
        would_tell: None,
        ..base
    })
}

/// Measured angular acceleration at a line of the gyro over the one that the rotors' thrust makes, from their speeds;
/// infinite where the rotors do not move with the line. None where geometry, mass, inertia or speeds are not known.
pub(in crate::findings) fn driven(
    context: &Context<'_>,
    windows: &[(f64, f64)],
    axis: usize,
    frequency: f64,
) -> Option<f64> {
    let channel = format!("rate.{}", AXES.get(axis)?.0);
    let answer = proportion(context, &channel, "speed", windows, axis, frequency)?;
    Some(if answer.coherence >= COHERENT { answer.ratio } else { f64::INFINITY })
}

struct Proportion {
    coherence: f64,
    ratio: f64,
}

/// Coherence at the line between the rate and the angular acceleration that the rotors' thrust makes, and the measured one
/// over it. `None` without geometry, mass and inertia.
fn proportion(
    context: &Context<'_>,
    channel: &str,
    what: &str,
    windows: &[(f64, f64)],
    axis: usize,
    f: f64,
) -> Option<Proportion> {
    let known = context.known;
    let stations = known.stations.as_ref().filter(|s| s.len() == context.rotors && known.lengths)?;
    let inertia = known.inertia?[(axis, axis)];
    let weight = known.mass?.0 * physics::STANDARD_GRAVITY;
    let levers = levers(stations, known);
    let lever = levers.lever.get(axis)?;
    let mut names: Vec<String> = (1..=context.rotors).map(|i| format!("rotor.{i}.{what}")).collect();
    names.insert(0, channel.to_owned());
    let views: Vec<&str> = names.iter().map(String::as_str).collect();
    let joint = context.joint(&views, windows)?;
    let rate = 1.0 / joint.period;
    if f > 0.4 * rate || inertia <= 0.0 {
        return None;
    }
    // Mean over the flight of the sum of squares: it carries the weight.
    let (mut square, mut samples) = (0.0, 0_usize);
    for s in &joint.stretches {
        for c in s.channels.iter().skip(1) {
            square += c.iter().map(|v| v * v).sum::<f64>();
        }
        samples += s.len();
    }
    let per_square = weight * samples as f64 / square.max(1e-300);
    let explained: Vec<Vec<f64>> = joint
        .stretches
        .iter()
        .map(|s| {
            (0..s.len())
                .map(|k| {
                    let moment: f64 =
                        s.channels.iter().skip(1).zip(lever).map(|(c, l)| l * per_square * c[k] * c[k]).sum();
                    moment / inertia
                })
                .collect()
        })
        .collect();
    let pairs: Vec<(&[f64], &[f64])> = explained
        .iter()
        .zip(&joint.stretches)
        .filter_map(|(x, s)| Some((x.as_slice(), s.channels.first()?.as_slice())))
        .collect();
    let c = spectrum::cross(&pairs, rate, &Options::hann(block(joint.period, joint.longest()))).ok()?;
    let line = (f / c.resolution).round() as usize;
    let coherence = *c.coherence().get(line)?;
    let omega = std::f64::consts::TAU * line as f64 * c.resolution;
    let ratio = omega * (c.yy.get(line)? / c.xx.get(line)?.max(1e-300)).sqrt();
    Some(Proportion { coherence, ratio })
}
