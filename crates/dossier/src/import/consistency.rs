//! Does a record agree with itself? Each disagreement is a question about its map.

use super::axes::Turn;
use super::doubt::{Amendment, Choice, Doubt};
use super::kinematics::{self, Agreement, compare, vector};
use super::map::{ChannelMap, tap_text};
use super::vocabulary::{Frame, VECTORS, vector_name};
use super::{commands, taps};
use crate::record::Record;

/// Least correlation that counts as agreement.
const AGREES: f64 = 0.7;
/// Least r.m.s. of a rate that counts as motion, rad/s.
const MOVES: f64 = 0.03;
const DEGREE: f64 = 180.0 / std::f64::consts::PI;

/// Runs all tests on a record made with a map.
pub fn check_map(record: &Record, map: &ChannelMap) -> Vec<Doubt> {
    let mut doubts = Vec::new();
    time(record, map, &mut doubts);
    let turned = rates(record, map, &mut doubts);
    gravity(record, map, turned, &mut doubts);
    upright(record, map, &mut doubts);
    motion(record, map, &mut doubts);
    commands::check(record, map, &mut doubts);
    taps::check(record, &mut doubts);
    voltage(record, &mut doubts);
    doubts
}

fn near(value: f64, target: f64, share: f64) -> bool {
    value > target / (1.0 + share) && value < target * (1.0 + share)
}

fn time(record: &Record, map: &ChannelMap, doubts: &mut Vec<Doubt>) {
    let rate = record.meta.rate;
    let Some(entry) = map.time.first() else { return };
    if entry.unit == "sample" || rate.is_nan() || rate <= 0.0 || (2.0..=40_000.0).contains(&rate) {
        return;
    }
    let mut options: Vec<Choice> = [("s", 1.0), ("ms", 1e-3), ("us", 1e-6), ("ns", 1e-9)]
        .into_iter()
        .map(|(unit, scale)| (unit, scale, rate * entry.scale / scale))
        .filter(|(_, _, r)| (2.0..=40_000.0).contains(r))
        .map(|(unit, scale, r)| {
            Choice::new(
                unit,
                format!("{unit}, which gives {r:.1} rows a second"),
                vec![Amendment::Time(unit.to_owned(), scale)],
            )
        })
        .collect();
    options.push(Choice::keep(format!("{} is right", entry.unit)));
    doubts.push(Doubt {
        id: "time-unit".to_owned(),
        channel: "time".to_owned(),
        question: format!("Is `{}` the unit of the time column?", entry.unit),
        why: format!("it gives {rate:.4} rows a second"),
        options,
    });
}

fn rate_stems(map: &ChannelMap) -> Vec<&'static str> {
    ["rate", "rate_raw", "rate_demand"]
        .into_iter()
        .filter(|s| map.channels.iter().any(|c| c.name.starts_with(&format!("{s}."))))
        .collect()
}

/// What the attitude says about the measured rate. Returns whether the axes were asked about.
fn rates(record: &Record, map: &ChannelMap, doubts: &mut Vec<Doubt>) -> bool {
    let stem = if vector(record, "rate").is_some() { "rate" } else { "rate_raw" };
    let Some(found) = compare(record, stem, false) else {
        rate_size(record, map, doubts);
        return false;
    };
    let moving: Vec<usize> = (0..3)
        .filter(|i| found.from_attitude[*i] > MOVES && found.measured.iter().any(|m| *m > 0.0))
        .collect();
    if moving.is_empty() {
        rate_size(record, map, doubts);
        return false;
    }
    // Which rate axis follows each attitude axis, with what sign.
    let best: Vec<(usize, usize, f64)> = moving
        .iter()
        .map(|i| {
            let row = found.correlation[*i];
            let j = (0..3).max_by(|a, b| row[*a].abs().total_cmp(&row[*b].abs())).unwrap_or(*i);
            // Own axis wins a near tie.
            let j = if row[*i].abs() > 0.9 * row[j].abs() { *i } else { j };
            (*i, j, row[j])
        })
        .collect();
    if best.iter().any(|(_, _, r)| r.abs() < AGREES) {
        if let Some(doubt) = unrelated(record, map, stem, &found, &best) {
            doubts.push(doubt);
        }
        return false;
    }
    scale(map, &found, &best, doubts);
    orientation(record, map, &found, &best, doubts)
}

fn numbers(found: &Agreement, best: &[(usize, usize, f64)]) -> String {
    let parts: Vec<String> = best
        .iter()
        .map(|(i, j, r)| {
            let (a, m) = (found.from_attitude[*i], found.measured[*j]);
            let (a_name, m_name) = (["x", "y", "z"][*i], ["x", "y", "z"][*j]);
            format!("about {a_name} the attitude turns {a:.3} rad/s r.m.s., rate.{m_name} is {m:.3}, correlation {r:+.2}")
        })
        .collect();
    format!("{} ({} spans)", parts.join("; "), found.spans)
}

fn unrelated(
    record: &Record,
    map: &ChannelMap,
    stem: &str,
    found: &Agreement,
    best: &[(usize, usize, f64)],
) -> Option<Doubt> {
    let why = numbers(found, best);
    let inverse = compare(record, stem, true)?;
    let agrees = |a: &Agreement| {
        (0..3).filter(|i| a.from_attitude[*i] > MOVES).all(|i| a.correlation[i][i].abs() > AGREES)
    };
    let mut options = Vec::new();
    if agrees(&inverse) {
        let text = "the quaternion takes earth vectors to the body";
        options.push(Choice::new("inverse", text, vec![Amendment::Inverse(!map.axes.inverse)]));
    } else if best.iter().all(|(i, _, _)| found.from_attitude[*i] < 0.1) {
        // Slow drift against sensor noise shows nothing either way.
        return None;
    }
    options.push(Choice::keep("both are right as mapped"));
    Some(Doubt {
        id: "attitude".to_owned(),
        channel: "attitude".to_owned(),
        question:
            "Do attitude and rate belong together as mapped? The attitude's change does not follow the rate."
                .to_owned(),
        why,
        options,
    })
}

/// Degrees for radians, or another factor.
fn scale(map: &ChannelMap, found: &Agreement, best: &[(usize, usize, f64)], doubts: &mut Vec<Doubt>) {
    let mut ratios: Vec<f64> =
        best.iter().map(|(i, j, _)| found.measured[*j] / found.from_attitude[*i]).collect();
    ratios.sort_by(f64::total_cmp);
    let Some(ratio) = ratios.get(ratios.len() / 2).copied() else { return };
    if near(ratio, 1.0, 0.35) {
        return;
    }
    let names: Vec<String> = rate_stems(map).iter().flat_map(|s| (0..3).map(|i| vector_name(s, i))).collect();
    let all = |unit: &str| names.iter().map(|n| Amendment::Unit(n.clone(), unit.to_owned())).collect();
    let mut options = Vec::new();
    if near(ratio, DEGREE, 0.2) {
        options.push(Choice::new("deg/s", "the columns are in degrees per second", all("deg/s")));
    } else if near(ratio, 1.0 / DEGREE, 0.2) {
        options.push(Choice::new("rad/s", "the columns are in radians per second", all("rad/s")));
    } else {
        let amend = names.iter().map(|n| Amendment::Factor(n.clone(), 1.0 / ratio)).collect();
        options.push(Choice::new("factor", format!("multiply the rates by {:.4}", 1.0 / ratio), amend));
    }
    options.push(Choice::keep("the unit in the map is right"));
    let factor = if near(ratio, DEGREE, 0.2) || near(ratio, 1.0 / DEGREE, 0.2) {
        " (degrees and radians differ by 57.3)"
    } else {
        ""
    };
    doubts.push(Doubt {
        id: "rate-unit".to_owned(),
        channel: "rate".to_owned(),
        question: "In what unit are the rates?".to_owned(),
        why: format!(
            "the measured rate is {ratio:.4} times the attitude's{factor}: {}",
            numbers(found, best)
        ),
        options,
    });
}

/// Signs and axes.
fn orientation(
    record: &Record,
    map: &ChannelMap,
    found: &Agreement,
    best: &[(usize, usize, f64)],
    doubts: &mut Vec<Doubt>,
) -> bool {
    if best.iter().all(|(i, j, r)| i == j && *r > 0.0) {
        return false;
    }
    let why = numbers(found, best);
    let swapped = best.iter().any(|(i, j, _)| i != j);
    let flipped: Vec<usize> =
        best.iter().filter(|(i, j, r)| i == j && *r < 0.0).map(|(i, _, _)| *i).collect();
    let mut options = Vec::new();
    let mut seen = Turn::NONE;
    for (i, j, r) in best {
        seen.from[*i] = *j;
        seen.sign[*i] = if *r < 0.0 { -1 } else { 1 };
    }
    // One axis that does not move is known from the other two of a right-handed set.
    if best.len() == 2
        && let Some(rest) = (0..3).find(|i| best.iter().all(|(b, _, _)| b != i))
        && let Some(free) = (0..3).find(|j| best.iter().all(|(_, b, _)| b != j))
    {
        seen.from[rest] = free;
        if seen.determinant() < 0 {
            seen.sign[rest] = -seen.sign[rest];
        }
    }
    let mut used = seen.from;
    used.sort_unstable();
    let whole = used == [0, 1, 2] && seen.determinant() > 0 && best.len() >= 2;
    if whole {
        turned_sensor(record, map, seen, &mut options);
    }
    if !swapped {
        let names: Vec<String> = flipped
            .iter()
            .flat_map(|i| rate_stems(map).into_iter().map(|s| source_name(map, s, *i)))
            .collect();
        let word = if flipped.len() == 1 { "flip" } else { "flip-signs" };
        let listed: Vec<_> = flipped.iter().map(|i| vector_name("rate", *i)).collect();
        let amend = names.into_iter().map(Amendment::Flip).collect();
        options.push(Choice::new(word, format!("turn the sign of {}", listed.join(" and ")), amend));
    }
    options.push(Choice::keep("the map is right, the attitude is what differs"));
    let single = if let ([one], false) = (flipped.as_slice(), swapped) { Some(*one) } else { None };
    let (id, channel, question) = match single {
        Some(axis) => {
            let name = vector_name("rate", axis);
            (format!("{name}-sign"), name.clone(), format!("Is the sign of {name} turned?"))
        }
        None => ("axes".to_owned(), "rate".to_owned(), "Where do the axes of the rates point?".to_owned()),
    };
    doubts.push(Doubt { id, channel, question, why, options });
    single.is_none() || whole
}

/// The channel of the map that our axis `axis` of a vector comes from.
fn source_name(map: &ChannelMap, stem: &str, axis: usize) -> String {
    vector_name(stem, map.axes.body(stem).from[axis])
}

/// Options for rates that differ from the attitude by a proper turn.
fn turned_sensor(record: &Record, map: &ChannelMap, seen: Turn, options: &mut Vec<Choice>) {
    let whole = seen.after(&map.axes.body("rate"));
    let mut amend: Vec<Amendment> = rate_stems(map)
        .iter()
        .map(|s| Amendment::Turn((*s).to_owned(), seen.after(&map.axes.body(s))))
        .collect();
    let mut listed = rate_stems(map).join(", ");
    if let Some(mean) = mean_force(record) {
        let down: f64 = (0..3).map(|j| seen.matrix()[(2, j)] * mean[j]).sum();
        if mean[2] > -0.5 * norm(mean) && down < 0.0 {
            for stem in ["accel", "accel_raw"] {
                if map.channels.iter().any(|c| c.name.starts_with(&format!("{stem}."))) {
                    amend.push(Amendment::Turn(stem.to_owned(), seen.after(&map.axes.body(stem))));
                    listed.push_str(", ");
                    listed.push_str(stem);
                }
            }
        }
    }
    let words = whole.body_words();
    options.push(Choice::new(&words, format!("{listed} are given in {words} axes"), amend));
    // Or the attitude is what is turned, on both sides where it then stands upright.
    let mut inverse = Turn::NONE;
    for i in 0..3 {
        inverse.from[seen.from[i]] = i;
        inverse.sign[seen.from[i]] = seen.sign[i];
    }
    let body = inverse.after(&map.axes.body("attitude"));
    let mut amend = vec![Amendment::Turn("attitude".to_owned(), body)];
    let upright = down_cosine(record).unwrap_or(1.0) * f64::from(inverse.sign[2]);
    if upright < 0.0 && inverse.from[2] == 2 {
        amend.push(Amendment::Earth(Turn::ABOUT_X.after(&map.axes.earth("attitude"))));
    }
    let text = format!("the attitude is given in {} axes, the rates are right", body.body_words());
    options.push(Choice::new("attitude", text, amend));
}

fn rate_size(record: &Record, map: &ChannelMap, doubts: &mut Vec<Doubt>) {
    let Some(rate) = vector(record, "rate").or_else(|| vector(record, "rate_raw")) else { return };
    let largest =
        rate.iter().flat_map(|v| v.iter()).filter(|v| v.is_finite()).fold(0.0_f64, |m, v| m.max(v.abs()));
    if largest <= 35.0 {
        return;
    }
    let names: Vec<String> = rate_stems(map).iter().flat_map(|s| (0..3).map(|i| vector_name(s, i))).collect();
    let amend = names.into_iter().map(|n| Amendment::Unit(n, "deg/s".to_owned())).collect();
    doubts.push(Doubt {
        id: "rate-unit".to_owned(),
        channel: "rate".to_owned(),
        question: "In what unit are the rates?".to_owned(),
        why: format!(
            "the largest is {largest:.1} rad/s, {:.0} deg/s; gyros of small aircraft end at 2000 deg/s (common practice, no source)",
            largest * DEGREE
        ),
        options: vec![
            Choice::new("deg/s", "the columns are in degrees per second", amend),
            Choice::keep("the unit in the map is right"),
        ],
    });
}

fn norm(v: [f64; 3]) -> f64 {
    v.iter().map(|x| x * x).sum::<f64>().sqrt()
}

/// Mean specific force, m/s^2.
fn mean_force(record: &Record) -> Option<[f64; 3]> {
    let parts = vector(record, "accel").or_else(|| vector(record, "accel_raw"))?;
    let mut mean = [0.0; 3];
    for (m, values) in mean.iter_mut().zip(parts) {
        let (sum, n) =
            values.iter().filter(|v| v.is_finite()).fold((0.0, 0usize), |(s, n), v| (s + v, n + 1));
        if n < 10 {
            return None;
        }
        *m = sum / n as f64;
    }
    Some(mean)
}

/// Mean cosine between our body z axis and down.
fn down_cosine(record: &Record) -> Option<f64> {
    let q = kinematics::quaternions(record, "attitude")?;
    let cosines: Vec<f64> = q.into_iter().flatten().map(|q| 1.0 - 2.0 * (q.i * q.i + q.j * q.j)).collect();
    (!cosines.is_empty()).then(|| cosines.iter().sum::<f64>() / cosines.len() as f64)
}

/// At rest and in hover the specific force is 9.81 m/s^2 upwards, -9.81 on our z.
fn gravity(record: &Record, map: &ChannelMap, axes_asked: bool, doubts: &mut Vec<Doubt>) {
    let Some(mean) = mean_force(record) else { return };
    let size = norm(mean);
    let why = format!(
        "the mean is ({:.2}, {:.2}, {:.2}) m/s^2; at rest it should be (0, 0, -9.81)",
        mean[0], mean[1], mean[2]
    );
    let stems: Vec<&str> = ["accel", "accel_raw"]
        .into_iter()
        .filter(|s| map.channels.iter().any(|c| c.name.starts_with(&format!("{s}."))))
        .collect();
    let each = |f: &dyn Fn(String) -> Amendment| -> Vec<Amendment> {
        stems.iter().flat_map(|s| (0..3).map(|i| f(vector_name(s, i)))).collect()
    };
    let mut options = Vec::new();
    let (id, question);
    let unit = if near(size, 1.0, 0.25) {
        Some("g")
    } else if near(size, 96.2, 0.25) {
        Some("m/s^2")
    } else {
        None
    };
    if let Some(unit) = unit {
        (id, question) = ("accel-unit", "In what unit is the specific force?");
        let amend = each(&|n| Amendment::Unit(n, unit.to_owned()));
        options.push(Choice::new(unit, format!("the columns are in {unit}"), amend));
    } else if size < 4.0 {
        (id, question) = ("accel-gravity", "Is gravity taken out of the specific force?");
        let amend = each(&Amendment::Drop);
        options.push(Choice::new("leave-out", "yes: leave it out, it shows no thrust", amend));
    } else if mean[2] < -0.7 * size || axes_asked {
        return;
    } else if mean[2] > 0.7 * size {
        (id, question) = ("axes", "Do the source's z axes point up?");
        let body = Turn::ABOUT_X.after(&map.axes.body("accel"));
        let mut amend = vec![Amendment::Body(body)];
        if down_cosine(record).is_some_and(|c| c > 0.3) {
            amend.push(Amendment::Earth(Turn::ABOUT_X.after(&map.axes.earth("attitude"))));
        }
        let words = body.body_words();
        options.push(Choice::new(&words, format!("all body axes are {words}"), amend));
        let amend = each(&Amendment::Flip);
        options.push(Choice::new("accel-sign", "only the specific force has its sign turned", amend));
    } else {
        (id, question) = ("axes", "Where do the axes of the specific force point?");
        let axis = if mean[0].abs() > mean[1].abs() { 0 } else { 1 };
        for words in all_turns() {
            let turn = words.after(&map.axes.body("accel"));
            if words.from[2] == axis && f64::from(words.sign[2]) * mean[axis] < 0.0 {
                let text = turn.body_words();
                options.push(Choice::new(
                    &text,
                    format!("all body axes are {text}"),
                    vec![Amendment::Body(turn)],
                ));
            }
        }
    }
    options.push(Choice::keep("the map is right"));
    doubts.push(Doubt {
        id: id.to_owned(),
        channel: "accel".to_owned(),
        question: question.to_owned(),
        why,
        options,
    });
}

/// The 24 proper turns.
fn all_turns() -> Vec<Turn> {
    let orders = [[0, 1, 2], [0, 2, 1], [1, 0, 2], [1, 2, 0], [2, 0, 1], [2, 1, 0]];
    let mut all = Vec::new();
    for from in orders {
        for bits in 0..8u8 {
            let sign = [0, 1, 2].map(|i| if bits >> i & 1 == 1 { -1 } else { 1 });
            let turn = Turn { from, sign };
            if turn.determinant() > 0 {
                all.push(turn);
            }
        }
    }
    all
}

fn upright(record: &Record, map: &ChannelMap, doubts: &mut Vec<Doubt>) {
    let Some(c) = down_cosine(record).filter(|c| *c < -0.3) else { return };
    let earth = Turn::ABOUT_X.after(&map.axes.earth("attitude"));
    let body = Turn::ABOUT_X.after(&map.axes.body("attitude"));
    doubts.push(Doubt {
        id: "attitude-frame".to_owned(),
        channel: "attitude".to_owned(),
        question: "Does the aircraft fly upside down, or is the attitude given in other axes?".to_owned(),
        why: format!("our body z axis points up most of the time: mean cosine to down {c:.2}"),
        options: vec![
            Choice::new(
                "earth",
                format!("its earth axes are {}", earth.earth_words()),
                vec![Amendment::Earth(earth)],
            ),
            Choice::new(
                "body",
                format!("its body axes are {}", body.body_words()),
                vec![Amendment::Turn("attitude".to_owned(), body)],
            ),
            Choice::keep("it flies upside down"),
        ],
    });
}

/// Slopes of one channel against another, over spans of half a second.
fn slope_correlation(record: &Record, slope_of: &str, against: &str) -> Option<f64> {
    let (x, v) = (record.channel(slope_of)?, record.channel(against)?);
    let step = super::timebase::median_step(&record.time);
    let span = ((0.5 / step).round() as usize).max(1);
    let (mut a, mut b) = (Vec::new(), Vec::new());
    let mut from = 0;
    while from + span < record.time.len() {
        let to = from + span;
        let dt = record.time[to] - record.time[from];
        let mean = v.get(from..=to)?.iter().sum::<f64>() / (span + 1) as f64;
        let slope = (x.get(to)? - x.get(from)?) / dt;
        if dt < 1.5 * 0.5 + 2.0 * step && slope.is_finite() && mean.is_finite() {
            a.push(slope);
            b.push(mean);
        }
        from = to;
    }
    (a.len() >= 20).then(|| commands::correlation(&a, &b))
}

/// Position must change as the velocity says, and height against position down.
fn motion(record: &Record, map: &ChannelMap, doubts: &mut Vec<Doubt>) {
    let earth: Vec<_> = VECTORS.iter().filter(|(_, _, f)| *f == Frame::Earth).collect();
    debug_assert!(!earth.is_empty());
    for axis in 0..3 {
        let (p, v) = (vector_name("position", axis), vector_name("velocity", axis));
        let Some(r) = slope_correlation(record, &p, &v).filter(|r| *r < -AGREES) else { continue };
        let source = |stem: &str| vector_name(stem, map.axes.earth(stem).from[axis]);
        doubts.push(Doubt {
            id: format!("{v}-sign"),
            channel: v.clone(),
            question: format!("Do {p} and {v} point the same way?"),
            why: format!("the slope of {p} correlates with {v} by {r:+.2}"),
            options: vec![
                Choice::new(
                    "flip-velocity",
                    format!("turn the sign of {v}"),
                    vec![Amendment::Flip(source("velocity"))],
                ),
                Choice::new(
                    "flip-position",
                    format!("turn the sign of {p}"),
                    vec![Amendment::Flip(source("position"))],
                ),
                Choice::keep("both are right"),
            ],
        });
    }
    if let Some(r) = slope_correlation(record, "height", "velocity.z").filter(|r| *r > AGREES) {
        doubts.push(Doubt {
            id: "height-sign".to_owned(),
            channel: "height".to_owned(),
            question: "Which way does the vertical axis point?".to_owned(),
            why: format!(
                "the slope of height correlates with velocity.z (down) by {r:+.2}; it should be negative"
            ),
            options: vec![
                Choice::new(
                    "flip-height",
                    "turn the sign of height",
                    vec![Amendment::Flip("height".to_owned())],
                ),
                Choice::new(
                    "flip-velocity",
                    "turn the sign of velocity.z",
                    vec![Amendment::Flip(vector_name("velocity", map.axes.earth("velocity").from[2]))],
                ),
                Choice::keep("both are right"),
            ],
        });
    }
}

fn voltage(record: &Record, doubts: &mut Vec<Doubt>) {
    let Some(values) = record.channel("battery.voltage") else { return };
    let Some(v) =
        signal::robust::median(&values.iter().copied().filter(|v| v.is_finite()).collect::<Vec<_>>())
    else {
        return;
    };
    if (2.0..=100.0).contains(&v) || v <= 0.0 {
        return;
    }
    let mut options: Vec<Choice> = [("0.1", 0.1), ("0.01", 0.01), ("0.001", 1e-3), ("1000", 1000.0)]
        .into_iter()
        .filter(|(_, f)| (2.5..=70.0).contains(&(v * f)))
        .map(|(answer, f)| {
            let amend = vec![Amendment::Factor("battery.voltage".to_owned(), f)];
            Choice::new(answer, format!("times {answer}: {:.2} V", v * f), amend)
        })
        .collect();
    options.push(Choice::keep("the unit in the map is right"));
    doubts.push(Doubt {
        id: "battery-unit".to_owned(),
        channel: "battery.voltage".to_owned(),
        question: "In what unit is the battery voltage?".to_owned(),
        why: format!(
            "its median is {v:.2} V; packs of multirotors lie between 3 and 60 V (common practice, no source)"
        ),
        options,
    });
}

/// Text of a tap, for questions.
pub(super) fn tap_word(tap: Option<crate::record::Tap>) -> &'static str {
    tap.map_or("not stated", tap_text)
}
