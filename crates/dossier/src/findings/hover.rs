//! Hover: command, rotor speeds, shares between rotors, yaw trim, voltage.

use physics::STANDARD_GRAVITY;
use signal::robust;

use super::context::{Context, Out, Series};
use super::geometry;
use crate::estimate::{Contribution, Estimate};

/// What a hover command rests on.
pub(super) const RESTS: &[&str] = &["mass", "rotor", "motor", "esc", "battery", "station", "aircraft"];
const SHARES: &[&str] = &["mass", "rotor", "motor", "station", "aircraft"];

/// Local exponent of thrust against command near hover, where no speed is logged: between 1.3
/// (much resistance) and 2 (none). Common practice, no source.
const COMMAND_EXPONENT: (f64, f64) = (1.7, 0.25);

/// Mean over windows with its standard error. A straight trend within each window (the battery
/// empties) is no error of the mean; what is left counts with its correlation.
pub(super) fn steady(windows: &[&[f64]]) -> Option<robust::MeanError> {
    let n: usize = windows.iter().map(|w| w.len()).sum();
    let (mut square, mut count, mut effective) = (0.0, 0_usize, 0.0);
    for w in windows {
        let w = blocks(w, 2000);
        let m = w.len();
        if m < 8 {
            continue;
        }
        let mid = 0.5 * (m - 1) as f64;
        let mean = robust::mean(&w)?;
        let (mut sxx, mut sxy) = (0.0, 0.0);
        for (k, v) in w.iter().enumerate() {
            let x = k as f64 - mid;
            sxx += x * x;
            sxy += x * (v - mean);
        }
        let rest: Vec<f64> =
            w.iter().enumerate().map(|(k, v)| v - mean - sxy / sxx * (k as f64 - mid)).collect();
        square += rest.iter().map(|r| r * r).sum::<f64>();
        count += m;
        effective += m as f64 / robust::correlation_length(&rest);
    }
    if count < 8 || n == 0 {
        return None;
    }
    let mean = windows.iter().flat_map(|w| w.iter()).sum::<f64>() / n as f64;
    let deviation = (square / count as f64).sqrt();
    Some(robust::MeanError { mean, error: deviation / effective.max(1.0).sqrt(), deviation, effective })
}

/// Means of equal runs of samples, at most `most` of them.
fn blocks(values: &[f64], most: usize) -> Vec<f64> {
    let run = values.len().div_ceil(most.max(1)).max(1);
    if run == 1 {
        return values.to_vec();
    }
    values.chunks_exact(run).map(|c| c.iter().sum::<f64>() / run as f64).collect()
}

pub(super) fn over(series: &Series, windows: &[(f64, f64)]) -> Option<robust::MeanError> {
    let parts: Vec<&[f64]> = windows.iter().map(|(a, b)| series.slice(*a, *b).1).collect();
    steady(&parts)
}

pub(super) fn run(context: &Context<'_>, out: &mut Out) {
    let hover = context.hover();
    if hover.is_empty() {
        let missing = if super::phases::shows_motion(context) {
            "a steady hover of 1.5 s"
        } else {
            "rate, accelerometer or attitude beside the rotors: steady rotors alone do not show a hover"
        };
        let test = "hover hands off for 10 s";
        for (key, label) in [
            ("hover.command", "hover command"),
            ("hover.speed", "hover rotor speed"),
            ("hover.roll_share", "share of the right rotors"),
            ("hover.pitch_share", "share of the front rotors"),
            ("hover.yaw_trim", "yaw trim"),
            ("hover.voltage", "voltage in hover"),
        ] {
            out.cannot_tell(key, label, missing, test, RESTS);
        }
        return;
    }
    let length = Context::length(&hover);
    command(context, &hover, length, out);
    speed(context, &hover, out);
    shares(context, &hover, out);
    match context.series("battery.voltage").and_then(|s| over(s, &hover)) {
        Some(m) => {
            let e = context.estimate("hover voltage", m.mean, m.error, "V");
            out.value("hover.voltage", "voltage in hover", e, "Mean over the hover phases.", &["battery"]);
        }
        None => out.cannot_tell(
            "hover.voltage",
            "voltage in hover",
            "the channel battery.voltage",
            "log the battery voltage in hover",
            &["battery"],
        ),
    }
}

fn command(context: &Context<'_>, hover: &[(f64, f64)], length: f64, out: &mut Out) {
    if let Some(all) = context.rotor_series("command") {
        let mut means = Vec::new();
        for (i, s) in all.iter().enumerate() {
            let Some(m) = over(s, hover) else { continue };
            let e = context.estimate(&format!("hover command, rotor {}", i + 1), m.mean, m.error, "1");
            means.push((i, e));
        }
        let n = means.len() as f64;
        let total = means.iter().map(|(_, e)| e.value).sum::<f64>();
        let mean = total / n;
        // Commands of the rotors move against each other in turns and together in heave: the mean's
        // error is that of the mean series.
        let columns: Vec<String> = (1..=context.rotors).map(|i| format!("rotor.{i}.command")).collect();
        let names: Vec<&str> = columns.iter().map(String::as_str).collect();
        let error = context.joint(&names, hover).and_then(|j| {
            let series: Vec<Vec<f64>> = j
                .stretches
                .iter()
                .map(|s| {
                    (0..s.len())
                        .map(|k| s.channels.iter().map(|c| c[k]).sum::<f64>() / s.channels.len() as f64)
                        .collect()
                })
                .collect();
            let views: Vec<&[f64]> = series.iter().map(Vec::as_slice).collect();
            steady(&views)
        });
        if let (false, Some(error)) = (means.is_empty(), error) {
            let e = context.estimate("hover command", mean, error.error, "1");
            let text = format!(
                "Mean command over {} rotors in {length:.1} s of hover, sum {total:.3}. It moves with battery \
                 voltage and air density; it does not say which of mass, rotor or motor is off.",
                means.len()
            );
            out.value("hover.command", "hover command", e, text, RESTS);
            for (i, e) in means {
                let key = format!("hover.command.{}", i + 1);
                out.value(
                    &key,
                    &format!("hover command, rotor {}", i + 1),
                    e,
                    "Mean over the hover phases.",
                    RESTS,
                );
            }
            return;
        }
    }
    if let Some(m) = context.series("thrust_demand").and_then(|s| over(s, hover)) {
        let e = context.estimate("hover command", m.mean, m.error, "1");
        let text = "From the thrust demand before mixing; commands of single rotors are not logged.";
        out.value("hover.command", "hover command", e, text, RESTS);
        return;
    }
    out.cannot_tell(
        "hover.command",
        "hover command",
        "the channels rotor.N.command or thrust_demand",
        "log the command of every rotor after mixing and hover for 10 s",
        RESTS,
    );
}

fn speed(context: &Context<'_>, hover: &[(f64, f64)], out: &mut Out) {
    let Some(all) = context.rotor_series("speed") else {
        out.cannot_tell(
            "hover.speed",
            "hover rotor speed",
            "the channels rotor.N.speed",
            "log rotor speeds, or take the blade-passage tone from a sound recording of a hover",
            RESTS,
        );
        return;
    };
    let mut squares = Vec::new();
    for (i, s) in all.iter().enumerate() {
        let Some(m) = over(s, hover) else { continue };
        let e = context.estimate(&format!("hover speed, rotor {}", i + 1), m.mean, m.error, "rad/s");
        squares.push((m.mean.powi(2) + m.deviation.powi(2), m.error));
        let key = format!("hover.speed.{}", i + 1);
        out.value(&key, &format!("hover speed, rotor {}", i + 1), e, "Mean over the hover phases.", RESTS);
    }
    if squares.is_empty() {
        return;
    }
    let n = squares.len() as f64;
    let mean = (squares.iter().map(|s| s.0).sum::<f64>() / n).sqrt();
    // Worst case of full correlation between rotors: heave moves all together.
    let error = squares.iter().map(|s| s.1).sum::<f64>() / n;
    let e = context.estimate("hover speed", mean, error, "rad/s");
    let text = "Root of the mean square over all rotors, which is what thrust goes with.";
    out.value("hover.speed", "hover rotor speed", e, text, RESTS);
    if let Some((mass, uncertainty)) = context.known.mass {
        let sum = n * mean * mean;
        let k = mass * STANDARD_GRAVITY / sum;
        let e = Estimate::new(
            k,
            "N/(rad/s)^2",
            context.origin,
            vec![
                Contribution {
                    source: context.source("hover speed"),
                    sensitivity: -2.0 * k / mean,
                    uncertainty: error,
                },
                Contribution { source: "mass".to_owned(), sensitivity: k / mass, uncertainty },
            ],
        );
        let text = "Weight over the sum of squared speeds: all rotors alike, no tilt, no vertical speed. The \
                    uncertainty of the mass counts only where it was given.";
        out.value("hover.thrust_per_speed_squared", "thrust per speed squared", e, text, &["mass", "rotor"]);
    }
}

/// Share of each rotor's thrust in the mean, with its error, and how it was found.
fn share_series(context: &Context<'_>, hover: &[(f64, f64)]) -> Option<(Vec<(f64, f64)>, bool)> {
    let (what, from_speed) =
        if context.rotor_series("speed").is_some() { ("speed", true) } else { ("command", false) };
    let columns: Vec<String> = (1..=context.rotors).map(|i| format!("rotor.{i}.{what}")).collect();
    let names: Vec<&str> = columns.iter().map(String::as_str).collect();
    let joint = context.joint(&names, hover)?;
    let n = names.len();
    let exponent = if from_speed { 2.0 } else { COMMAND_EXPONENT.0 };
    let mut shares = Vec::new();
    for i in 0..n {
        let series: Vec<Vec<f64>> = joint
            .stretches
            .iter()
            .map(|s| {
                (0..s.len())
                    .map(|k| {
                        let mean =
                            s.channels.iter().map(|c| c[k].max(0.0).powf(exponent)).sum::<f64>() / n as f64;
                        if mean > 0.0 { s.channels[i][k].max(0.0).powf(exponent) / mean } else { 1.0 }
                    })
                    .collect()
            })
            .collect();
        let views: Vec<&[f64]> = series.iter().map(Vec::as_slice).collect();
        let m = steady(&views)?;
        shares.push((m.mean, m.error));
    }
    Some((shares, from_speed))
}

fn shares(context: &Context<'_>, hover: &[(f64, f64)], out: &mut Out) {
    let keys = [
        ("hover.roll_share", "share of the right rotors"),
        ("hover.pitch_share", "share of the front rotors"),
        ("hover.yaw_trim", "yaw trim"),
    ];
    let Some((shares, from_speed)) = share_series(context, hover).filter(|(s, _)| s.len() >= 3) else {
        for (key, label) in keys {
            out.cannot_tell(
                key,
                label,
                "the channels rotor.N.speed or rotor.N.command of every rotor",
                "log the speed (better) or the command after mixing of every rotor in hover",
                SHARES,
            );
        }
        return;
    };
    let (exponent, spread) = COMMAND_EXPONENT;
    let build = |what: &str, value: f64, error: f64| {
        let mut parts =
            vec![Contribution { source: context.source(what), sensitivity: 1.0, uncertainty: error }];
        if !from_speed {
            // A share's distance from the mean goes with the exponent.
            parts.push(Contribution {
                source: "exponent of thrust against command".to_owned(),
                sensitivity: value / exponent,
                uncertainty: spread,
            });
        }
        Estimate::new(value, "1", context.origin, parts)
    };
    let basis = if from_speed {
        "from squared speeds"
    } else {
        "from commands to the power 1.7 ± 0.25, as no speed is logged"
    };
    for (i, (share, error)) in shares.iter().enumerate() {
        let deviation = build(&format!("hover share, rotor {}", i + 1), share - 1.0, *error);
        let e = Estimate { value: *share, ..deviation };
        let text = format!("Thrust share over the mean, {basis}, if all rotors are equally effective.");
        out.value(
            &format!("hover.share.{}", i + 1),
            &format!("thrust share, rotor {}", i + 1),
            e,
            text,
            SHARES,
        );
    }
    if let Some((i, (share, error))) =
        shares.iter().enumerate().max_by(|a, b| (a.1.0 - 1.0).abs().total_cmp(&(b.1.0 - 1.0).abs()))
    {
        let deviation = build("hover share, worst rotor", share - 1.0, *error);
        let e = if deviation.value < 0.0 { deviation.scaled(-1.0, "1") } else { deviation };
        let text =
            format!("Rotor {}, {} the mean, {basis}.", i + 1, if *share > 1.0 { "over" } else { "under" });
        out.value("hover.worst_share", "worst rotor's thrust off the mean", e, text, SHARES);
    }
    let stations = context.known.stations.as_ref().filter(|s| s.len() == shares.len());
    let Some((stations, split)) = stations.and_then(|s| Some((s, geometry::share_split(s)?))) else {
        for (key, label) in keys {
            out.cannot_tell(
                key,
                label,
                "the places of the rotors",
                "give the layout, or an aircraft file whose stations match the rotor numbers",
                SHARES,
            );
        }
        return;
    };
    let values: Vec<f64> = shares.iter().map(|s| s.0).collect();
    let parts = geometry::apply(&split, &values);
    let middle = stations.iter().fold(physics::Vec3::zeros(), |s, st| s + st.at) / stations.len() as f64;
    let reach = |axis: usize| stations.iter().map(|s| (s.at - middle)[axis].abs()).fold(0.0, f64::max);
    for (j, (key, label)) in keys.iter().enumerate() {
        // The rotors' shares move together within a turn: the series of the combination itself.
        let error: f64 = (0..values.len()).map(|i| (split[(j, i)] * shares[i].1).powi(2)).sum::<f64>().sqrt();
        let e = build(&(*label).replace("share of the ", "hover share, "), parts[j], error);
        let value = e.value;
        let text = match j {
            0 | 1 => {
                let axis = 1 - j;
                let (more, less) = if j == 0 { ("right", "left") } else { ("front", "rear") };
                let side = if value >= 0.0 { more } else { less };
                let square: f64 = stations.iter().map(|s| (s.at - middle)[axis].powi(2)).sum::<f64>()
                    / stations.len() as f64;
                let offset = value.abs() * square / reach(axis);
                let place = if context.known.lengths {
                    format!(
                        "as a centre of gravity {:.1} mm to the {side} of the rotors' centre would need",
                        offset * 1e3
                    )
                } else {
                    format!(
                        "as a centre of gravity {:.1} % of the arm to the {side} would need",
                        offset * 100.0
                    )
                };
                format!(
                    "The {side} rotors work {:.1} % above the mean, {basis}, {place}. A weaker rotor, a \
                     twisted arm or a steady pull on one side looks the same: weighing on three points tells.",
                    value.abs() * 100.0
                )
            }
            _ => format!(
                "Rotors of one spin carry {:.1} % more than the mean to hold the heading ({} rotors more), \
                 {basis}. A twisted motor mount, a cant error or unequal propellers look alike.",
                value.abs() * 100.0,
                if value >= 0.0 { "counter-clockwise" } else { "clockwise" }
            ),
        };
        out.value(key, label, e, text, SHARES);
    }
}
