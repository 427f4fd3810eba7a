//! A first hop of half a second: sensor axes, rotor order and spins.
//!
//! A verdict is given only where the posterior is above 99 %, where it stays above 90 % with half of the
//! independent samples, and where the hypothesis explains more than half of the motion about every
//! axis: a leg that drags, a taut tether and a gust are in no hypothesis. Otherwise the answer is which
//! motor to spin next with its propeller off: the one whose station and sense are least certain
//! (largest entropy).

use super::context::{AXES, Context, Out};
use super::geometry;
use super::hop_rows::{Hop, models};
use super::posterior::{Frame, Hypotheses, Hypothesis, Orientation, Posterior, Seen, explained, posterior};
use crate::chart::Table;

/// What the answers rest on.
const RESTS: &[&str] = &["station", "aircraft", "motor", "rotor", "imu"];
/// Longest time with thrust that is still a hop, s.
const LONGEST: f64 = 2.0;
/// Posterior from which on there is a verdict.
const SURE: f64 = 0.99;
/// The same with half of the independent samples.
const STILL: f64 = 0.9;
/// Share of the motion that the verdict explains about every axis.
const EXPLAINED: f64 = 0.6;

/// The hop of a record, with the mean specific force of its channels; `None` where the record is none.
fn hop(context: &Context<'_>) -> Option<(Hop, Option<[f64; 3]>)> {
    let n = context.rotors;
    let speeds = context.rotor_series("speed").is_some();
    let what = if speeds { "speed" } else { "command" };
    context.rotor_series(what)?;
    let stem = if AXES.iter().all(|(l, _)| context.series(&format!("rate_raw.{l}")).is_some()) {
        "rate_raw"
    } else {
        "rate"
    };
    let mut names: Vec<String> = (1..=n).map(|i| format!("rotor.{i}.{what}")).collect();
    names.extend(AXES.iter().map(|(l, _)| format!("{stem}.{l}")));
    let felt = AXES.iter().all(|(l, _)| context.series(&format!("accel.{l}")).is_some());
    if felt {
        names.extend(AXES.iter().map(|(l, _)| format!("accel.{l}")));
    }
    let views: Vec<&str> = names.iter().map(String::as_str).collect();
    let time = &context.record.time;
    let joint = context.joint(&views, &[(*time.first()?, *time.last()?)])?;
    let stretch = joint.stretches.iter().max_by_key(|s| s.len())?;
    let (drive, rest) = stretch.channels.split_at(n.min(stretch.channels.len()));
    let [x, y, z, force @ ..] = rest else { return None };
    let total: Vec<f64> = (0..x.len()).map(|k| drive.iter().map(|d| d[k] * d[k]).sum()).collect();
    let level = signal::robust::quantile(&total, 0.9)?;
    let on = total.iter().filter(|t| **t > 0.5 * level).count() as f64 * joint.period;
    if level <= 0.0 || on > LONGEST {
        return None;
    }
    let down = match force {
        [fx, fy, fz] => {
            let middle = |f: &[f64]| signal::robust::median(f).unwrap_or(0.0);
            Some([middle(fx), middle(fy), middle(fz)])
        }
        _ => None,
    };
    // Specific force along the mean direction: vibration across it averages out.
    let along = match (force, down) {
        ([fx, fy, fz], Some(d)) => {
            let size = (d[0] * d[0] + d[1] * d[1] + d[2] * d[2]).sqrt();
            (size > 0.0)
                .then(|| (0..fx.len()).map(|k| (fx[k] * d[0] + fy[k] * d[1] + fz[k] * d[2]) / size).collect())
        }
        _ => None,
    };
    let hop = Hop {
        period: joint.period,
        drive: drive.to_vec(),
        speeds,
        rate: [x.clone(), y.clone(), z.clone()],
        force: along,
    };
    Some((hop, down))
}

/// What was seen with propellers off and entered beside the record.
fn seen(context: &Context<'_>, n: usize) -> Seen {
    let value = |key: &str| context.record.meta.values.get(key).map(|v| v.value);
    let mut seen = Seen { axes: value("axes_confirmed").is_some_and(|v| v > 0.5), ..Seen::default() };
    for i in 0..n {
        if let Some(s) = value(&format!("seen.{}.station", i + 1)).filter(|s| *s >= 1.0 && *s <= n as f64) {
            seen.station.push((i, s as usize - 1));
        }
        if let Some(s) = value(&format!("seen.{}.spin", i + 1)).filter(|s| *s != 0.0) {
            seen.spin.push((i, s.signum()));
        }
    }
    seen
}

/// The rest of the hop in a few words.
fn words(h: &Hypothesis, file: &[f64], stations: &[String]) -> String {
    let moved: Vec<String> = h
        .order
        .iter()
        .enumerate()
        .filter(|(i, s)| i != *s)
        .map(|(i, s)| {
            format!("output {} drives the rotor {}", i + 1, stations.get(*s).map_or("?", String::as_str))
        })
        .collect();
    let turned: Vec<String> = h
        .spins
        .iter()
        .zip(&h.order)
        .enumerate()
        .filter(|(_, (s, st))| file.get(**st) != Some(s))
        .map(|(i, _)| (i + 1).to_string())
        .collect();
    let mut all = Vec::new();
    if h.orientation != Orientation::AS_MAPPED {
        all.push(h.orientation.words());
    }
    all.extend(moved);
    if !turned.is_empty() {
        all.push(format!("the rotor on output {} turns against the file", turned.join(", ")));
    }
    if all.is_empty() { "everything as in the file".to_owned() } else { all.join("; ") }
}

/// Judges a hop. False where the record is none, and nothing was said.
pub(super) fn run(context: &Context<'_>, out: &mut Out) -> bool {
    let Some((hop, down)) = hop(context) else { return false };
    let n = context.rotors;
    let (sense, order) = ("hop.sense", "order.posterior");
    let (sense_label, order_label) =
        ("every output turns the aircraft as the file says", "rotor order and spins as in the file");
    let refuse = |out: &mut Out, missing: &str, test: &str| {
        out.cannot_tell(sense, sense_label, missing, test, RESTS);
        out.cannot_tell(order, order_label, missing, test, RESTS);
        true
    };
    let Some(stations) = context.known.stations.as_ref().filter(|s| s.len() == n && (3..=8).contains(&n))
    else {
        return refuse(out, "the places of 3 to 8 rotors", "give the layout in the aircraft file");
    };
    let models = models(&hop);
    if models.is_empty() {
        return refuse(
            out,
            "time off the ground with rates at 100 Hz or more",
            "hop again by the card first-hop, or spin one motor at a time with propellers off",
        );
    }
    let levers = geometry::levers(stations, context.known);
    let spin: Vec<f64> = stations.iter().map(|s| s.spin.reaction_sign()).collect();
    let at: Vec<[f64; 3]> = stations.iter().map(|s| [s.at.x, s.at.y, s.at.z]).collect();
    let axis: Vec<[f64; 3]> = stations.iter().map(|s| [s.axis.x, s.axis.y, s.axis.z]).collect();
    let [lx, ly, _] = levers.lever.clone();
    let frame = Frame::new([lx, ly], levers.cant.clone(), levers.reaction, spin.clone(), &at, &axis);
    let hyp = Hypotheses::of(&frame, Orientation::all());
    let seen = seen(context, n);
    let (full, careful) = posterior(&models, down, &frame, &hyp);
    let (full, careful) = (full.given(&seen), careful.given(&seen));
    let fits =
        |p: &Posterior, k: usize| explained(&models, &frame, &p.hypothesis(k)).iter().all(|e| *e > EXPLAINED);

    let best = full.best();
    let (p, still) = (full.class_weight(best), careful.class_weight(best));
    let sure = full.trusted && p > SURE && still > STILL && fits(&full, best);
    let places: Vec<String> = stations.iter().map(|s| s.place.clone()).collect();
    let next = next_words(&full);
    let told = words(&full.hypothesis(best), &spin, &places);
    let members = full.members(best).len();
    let nose = if members > 1 && full.weight(best) < SURE {
        " Which way is forward it cannot tell: the layout looks the same after a turn. Hand rotation, or one motor seen, settles it."
    } else {
        ""
    };
    let reduced = if full.reduced() {
        " With more than six rotors only likely faults were tried: one or two exchanges, a turned or mirrored numbering, up to two reversed spins."
    } else {
        ""
    };
    if sure {
        let nominal = full.class_weight(0);
        let e = context.estimate("hop", nominal, (p - still).abs().max(1e-6), "1");
        out.value(sense, sense_label, e, format!("{told} (posterior {p:.4}).{nose}{reduced}"), RESTS);
    } else {
        let why = if full.trusted {
            format!("a posterior above 99 % (the likeliest, {told}, has {p:.2})")
        } else {
            "agreement of the hop with what was seen".to_owned()
        };
        out.cannot_tell(sense, sense_label, why, next, RESTS);
    }

    // Given the axes as mapped, which hand rotation shows.
    let mapped = Seen { axes: true, ..seen };
    let (given, given_still) = (full.given(&mapped), careful.given(&mapped));
    let best_given = given.best();
    let clear = given.trusted
        && given.weight(best_given) > SURE
        && given_still.weight(best_given) > STILL
        && fits(&given, best_given);
    if clear {
        let w = given.weight(0);
        let e =
            context.estimate("rotor order and spins", w, (w - given_still.weight(0)).abs().max(1e-9), "1");
        let other = words(&given.hypothesis(given.best_but(best_given)), &spin, &places);
        let text = format!(
            "With the sensor's axes as mapped: {}. Best alternative: {other}.{reduced}",
            words(&given.hypothesis(best_given), &spin, &places)
        );
        out.value(order, order_label, e, text, RESTS);
    } else {
        out.cannot_tell(
            order,
            order_label,
            "a posterior above 99 % with the sensor's axes as mapped",
            next_words(&given),
            RESTS,
        );
    }
    out.tables.push(table(&full, &spin, &places));
    true
}

fn next_words(p: &Posterior) -> String {
    match p.next_to_spin() {
        Some((i, bits)) if bits > 1e-3 => format!(
            "spin the motor on output {0} alone, propellers off, and enter where it is and which way it turns: seen.{0}.station, seen.{0}.spin (it tells most: {bits:.1} bit)",
            i + 1
        ),
        _ => "a second hop by the card first-hop, clear of the ground and with a slack tether".to_owned(),
    }
}

/// The likeliest hypotheses, one of each class.
fn table(p: &Posterior, spin: &[f64], places: &[String]) -> Table {
    let mut rows = Vec::new();
    let mut taken: Vec<usize> = Vec::new();
    let mut ranked = p.ranked();
    while rows.len() < 5 {
        let Some(k) = ranked.next().filter(|k| p.weight(*k) > 1e-6) else { break };
        if taken.contains(&k) {
            continue;
        }
        taken.extend(p.members(k));
        rows.push(vec![words(&p.hypothesis(k), spin, places), format!("{:.4}", p.class_weight(k))]);
    }
    Table {
        id: "hop-hypotheses".to_owned(),
        title: "What the hop says".to_owned(),
        head: vec!["axes, order and spins".to_owned(), "posterior".to_owned()],
        rows,
        note: "Hypotheses that only differ by a turn of sensor and numbering together, under which the layout looks the same, are one line.".to_owned(),
    }
}
