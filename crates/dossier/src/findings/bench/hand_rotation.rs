//! The aircraft turned by hand about each axis: which channel is which axis, with which sign.
//!
//! Six motions are looked for in the gyro: right side down and back, nose up and back, nose to the right and
//! back. The integral of each is a rotation vector in the channels' axes; the body axis it should lie
//! along is known from the order. Gravity before and in each hold says the same of the
//! accelerometer, and the turn of the attitude estimate of the attitude. Each is held against all 48
//! assignments of axes and signs (a wrong sign on one channel is a reflection); with equal weight before
//! and a hand that strays by 15 deg (common practice, no source) this gives a posterior. A motion
//! that lies between axes leaves it open.

use super::Bench;
use crate::chart::{Axis, Chart, Series, Style, Table};
use crate::estimate::Estimate;
use crate::findings::context::{AXES, Out};

const RESTS: &[&str] = &["imu"];
/// Spread of a hand-made turn about its axis, rad: 15 deg.
const SPREAD: f64 = 0.262;
/// Rate above which it is turned, rad/s.
const MOVING: f64 = 0.15;
/// Pause that ends a motion, s.
const PAUSE: f64 = 0.25;
/// Least turn, rad: 15 deg.
const LEAST: f64 = 0.262;
/// A motion further off every axis is mixed, rad: 30 deg.
const MIXED: f64 = 0.524;
const TURNS: [&str; 3] = ["right side down", "nose up", "nose to the right"];
const TEST: &str = "turn it again by the card hand-rotation: right side down and back, nose up and back, nose right and back, \
                    with a second of rest between";

type V = [f64; 3];

fn dot(a: V, b: V) -> f64 {
    a[0] * b[0] + a[1] * b[1] + a[2] * b[2]
}
fn norm(a: V) -> f64 {
    dot(a, a).sqrt()
}
fn angle(a: V, b: V) -> f64 {
    let size = norm(a) * norm(b);
    if size > 0.0 { (dot(a, b) / size).clamp(-1.0, 1.0).acos() } else { std::f64::consts::PI }
}

/// Body axis j is seen on channel `to[j]` with a sign.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Assignment {
    to: [usize; 3],
    sign: V,
}

impl Assignment {
    /// All 48, the natural one first.
    fn all() -> Vec<Self> {
        let mut all = Vec::new();
        for to in [[0, 1, 2], [0, 2, 1], [1, 0, 2], [1, 2, 0], [2, 0, 1], [2, 1, 0]] {
            for bits in 0..8_u32 {
                let sign = [0, 1, 2].map(|j| if bits >> j & 1 == 1 { -1.0 } else { 1.0 });
                all.push(Self { to, sign });
            }
        }
        all
    }
    /// A body vector as the channels show it.
    fn seen(&self, body: V) -> V {
        let mut v = [0.0; 3];
        for j in 0..3 {
            v[self.to[j]] = self.sign[j] * body[j];
        }
        v
    }
}

/// Posterior of the assignments from pairs of what is expected in the body and what the channels show.
fn posterior(pairs: &[(V, V)]) -> Vec<(Assignment, f64)> {
    let logs: Vec<(Assignment, f64)> = Assignment::all()
        .into_iter()
        .map(|a| {
            (a, pairs.iter().map(|(body, seen)| -0.5 * (angle(a.seen(*body), *seen) / SPREAD).powi(2)).sum())
        })
        .collect();
    let top = logs.iter().map(|(_, l)| *l).fold(f64::NEG_INFINITY, f64::max);
    let sum: f64 = logs.iter().map(|(_, l)| (l - top).exp()).sum();
    logs.into_iter().map(|(a, l)| (a, (l - top).exp() / sum)).collect()
}

/// One sensor's answer.
struct Answer {
    /// Posterior of the axes as mapped.
    mapped: f64,
    /// The likeliest assignment and its posterior.
    best: (Assignment, f64),
    /// By turn: angle off the nearest channel axis, rad.
    off: [Option<f64>; 3],
}

fn answer(pairs: &[(usize, V, V)]) -> Answer {
    let all = posterior(&pairs.iter().map(|(_, b, s)| (*b, *s)).collect::<Vec<_>>());
    let best = all
        .iter()
        .copied()
        .fold((Assignment { to: [0, 1, 2], sign: [1.0; 3] }, 0.0), |b, x| if x.1 > b.1 { x } else { b });
    let mut off = [None; 3];
    for (j, body, seen) in pairs {
        if let Some(slot) = off.get_mut(*j) {
            let here = angle(best.0.seen(*body), *seen);
            *slot = Some(slot.map_or(here, |o: f64| o.max(here)));
        }
    }
    Answer { mapped: all.first().map_or(0.0, |(_, p)| *p), best, off }
}

/// A motion: samples from, to, and its rotation vector in the channels' axes.
struct Motion {
    from: usize,
    to: usize,
    turn: V,
}

fn motions(time: &[f64], rate: &[&[f64]; 3]) -> Vec<Motion> {
    let size = |k: usize| norm([rate[0][k], rate[1][k], rate[2][k]]);
    let mut found: Vec<(usize, usize)> = Vec::new();
    for k in 0..time.len() {
        if !(size(k) > MOVING) {
            continue;
        }
        match found.last_mut() {
            Some(last) if time[k] - time[last.1] < PAUSE => last.1 = k,
            _ => found.push((k, k)),
        }
    }
    found
        .into_iter()
        .map(|(from, to)| {
            let mut turn = [0.0; 3];
            for k in from + 1..=to {
                for (sum, r) in turn.iter_mut().zip(rate) {
                    let mean = 0.5 * (r[k - 1] + r[k]);
                    if mean.is_finite() {
                        *sum += mean * (time[k] - time[k - 1]);
                    }
                }
            }
            Motion { from, to, turn }
        })
        .filter(|m| norm(m.turn) > LEAST)
        .collect()
}

/// Three channels of a vector.
fn vector<'a>(bench: &'a Bench<'_>, stem: &str) -> Option<[&'a [f64]; 3]> {
    let get = |l: char| bench.channel(&format!("{stem}.{l}"));
    Some([get('x')?, get('y')?, get('z')?])
}

/// Mean of a vector over samples.
fn mean(v: &[&[f64]; 3], from: usize, to: usize) -> V {
    v.map(|c| {
        let good: Vec<f64> =
            c.get(from..to).unwrap_or_default().iter().copied().filter(|x| x.is_finite()).collect();
        good.iter().sum::<f64>() / good.len().max(1) as f64
    })
}

/// Rotation vector from the attitude `a` to `b` (quaternions earth from body), in body axes.
fn relative(a: [f64; 4], b: [f64; 4]) -> V {
    // conj(a) b.
    let w = a[0] * b[0] + a[1] * b[1] + a[2] * b[2] + a[3] * b[3];
    let v = [
        a[0] * b[1] - a[1] * b[0] - a[2] * b[3] + a[3] * b[2],
        a[0] * b[2] + a[1] * b[3] - a[2] * b[0] - a[3] * b[1],
        a[0] * b[3] - a[1] * b[2] + a[2] * b[1] - a[3] * b[0],
    ];
    let s = if w < 0.0 { -1.0 } else { 1.0 };
    let size = norm(v);
    if size > 1e-12 { v.map(|x| s * x * 2.0 * size.atan2(w.abs()) / size) } else { [0.0; 3] }
}

pub(super) fn run(bench: &Bench<'_>, out: &mut Out) {
    let (key, label) = ("axes.posterior", "sensor axes and signs as mapped");
    let time = &bench.record.time;
    let Some(rate) =
        vector(bench, "rate_raw").or_else(|| vector(bench, "rate")).filter(|r| r[0].len() == time.len())
    else {
        out.cannot_tell(key, label, "the channels rate.x, rate.y, rate.z", TEST, RESTS);
        return;
    };
    chart(time, &rate, out);
    let all = motions(time, &rate);
    let opposite = |a: &Motion, b: &Motion| angle(a.turn, b.turn) > 2.4;
    let [a, b, c, d, e, f] = all.as_slice() else {
        let missing = format!("six motions with rests between ({} were found)", all.len());
        out.cannot_tell(key, label, missing, TEST, RESTS);
        return;
    };
    if !(opposite(a, b) && opposite(c, d) && opposite(e, f)) {
        out.cannot_tell(key, label, "each turn followed by the way back", TEST, RESTS);
        return;
    }
    let turns = [(a, b), (c, d), (e, f)];
    let unit = |j: usize| -> V { [0, 1, 2].map(|k| if k == j { 1.0 } else { 0.0 }) };
    let gyro = answer(
        &turns
            .iter()
            .enumerate()
            .flat_map(|(j, (go, back))| [(j, unit(j), go.turn), (j, unit(j), back.turn.map(|x| -x))])
            .collect::<Vec<_>>(),
    );
    let mut sensors = vec![("gyro", gyro)];
    if let Some(force) = vector(bench, "accel_raw").or_else(|| vector(bench, "accel")) {
        let mut pairs = vec![(2, [0.0, 0.0, -1.0], mean(&force, 0, a.from))];
        for (j, (go, back)) in turns.iter().enumerate().take(2) {
            let angle = norm(go.turn);
            let (s, c) = (angle.sin(), angle.cos());
            // Specific force of a body at rest: rolled right (0, -sin, -cos), nose up (sin, 0, -cos).
            let body = if j == 0 { [0.0, -s, -c] } else { [s, 0.0, -c] };
            pairs.push((j, body, mean(&force, go.to + 1, back.from)));
        }
        sensors.push(("accelerometer", answer(&pairs)));
    } else {
        out.cannot_tell(
            "axes.accelerometer.posterior",
            "axes and signs of the accelerometer",
            "the channels accel.x, accel.y, accel.z",
            "log the accelerometer as well",
            RESTS,
        );
    }
    let quaternion: Option<Vec<&[f64]>> =
        ["w", "i", "j", "k"].iter().map(|p| bench.channel(&format!("attitude.{p}"))).collect();
    if let Some(q) = quaternion {
        let at = |k: usize| -> [f64; 4] {
            [0, 1, 2, 3]
                .map(|p| q.get(p).and_then(|c| c.get(k)).copied().filter(|x| x.is_finite()).unwrap_or(0.0))
        };
        let pairs: Vec<(usize, V, V)> = turns
            .iter()
            .enumerate()
            .map(|(j, (go, back))| {
                (j, unit(j), relative(at(go.from.saturating_sub(1)), at((go.to + back.from) / 2)))
            })
            .filter(|(_, _, v)| norm(*v) > 0.5 * LEAST)
            .collect();
        if pairs.len() == 3 {
            sensors.push(("attitude", answer(&pairs)));
        }
    }
    report(bench, out, &sensors);
}

fn report(bench: &Bench<'_>, out: &mut Out, sensors: &[(&str, Answer)]) {
    let origin = bench.record.meta.origin.into();
    let source = format!("record {}: hand", bench.record.meta.id);
    let estimate = |p: f64| Estimate::single(p, (p * (1.0 - p)).min(0.01), "1", origin, &source);
    let mut rows = Vec::new();
    let mut product = 1.0;
    let mut open = Vec::new();
    for (name, a) in sensors {
        let mixed: Vec<&str> =
            (0..3).filter(|&j| a.off[j].is_some_and(|o| o > MIXED)).map(|j| TURNS[j]).collect();
        let decided = a.best.1 > 0.99 && mixed.is_empty();
        for j in 0..3 {
            let channel = AXES.get(a.best.0.to[j]).map_or('?', |(l, _)| *l);
            let sign = if a.best.0.sign[j] < 0.0 { "reversed" } else { "as it is" };
            let verdict = match a.off[j] {
                None => "cannot tell: gravity does not change in this turn".to_owned(),
                Some(o) if o > MIXED => "cannot tell: the motion was mixed".to_owned(),
                Some(_) if a.best.1 <= 0.99 => "cannot tell".to_owned(),
                Some(_) => format!("channel {channel}, {sign}"),
            };
            rows.push(vec![
                (*name).to_owned(),
                format!("{} ({})", AXES[j].0, TURNS[j]),
                verdict,
                a.off[j].map_or("–".to_owned(), |o| format!("{:.0}", o.to_degrees())),
            ]);
        }
        let key = format!("axes.{name}.posterior");
        let label = format!("axes and signs of the {name} as mapped");
        if decided {
            product *= a.mapped;
            let text = if a.mapped > 0.5 {
                "Every axis and sign is as the channel map has it.".to_owned()
            } else {
                let list: Vec<String> = (0..3)
                    .filter(|&j| a.best.0.to[j] != j || a.best.0.sign[j] < 0.0)
                    .map(|j| {
                        let minus = if a.best.0.sign[j] < 0.0 { "minus " } else { "" };
                        format!(
                            "body {} is {minus}channel {}",
                            AXES[j].0,
                            AXES.get(a.best.0.to[j]).map_or('?', |(l, _)| *l)
                        )
                    })
                    .collect();
                format!("The channel map is wrong: {}.", list.join(", "))
            };
            out.value(&key, &label, estimate(a.mapped), text, RESTS);
        } else {
            let what = if mixed.is_empty() {
                "turns that lie along the axes".to_owned()
            } else {
                format!("a clean turn {}", mixed.join(" and "))
            };
            open.push(format!("{name}: {what}"));
            out.cannot_tell(&key, &label, what, TEST, RESTS);
        }
    }
    out.tables.push(Table {
        id: "axes".to_owned(),
        title: "Body axes in the channels".to_owned(),
        head: ["sensor", "body axis", "verdict", "off the axis, deg"].map(str::to_owned).to_vec(),
        rows,
        note: "A hand strays by some 15 deg; above 30 deg a motion was mixed.".to_owned(),
    });
    let (key, label) = ("axes.posterior", "sensor axes and signs as mapped");
    let contradicted = product < 0.5;
    if !contradicted && sensors.len() < 2 {
        open.push("the accelerometer".to_owned());
    }
    if open.is_empty() || contradicted {
        let names: Vec<&str> = sensors.iter().map(|(n, _)| *n).collect();
        let text =
            format!("Product over {}, each against all 48 assignments of axes and signs.", names.join(", "));
        out.value(key, label, estimate(product), text, RESTS);
    } else {
        out.cannot_tell(key, label, open.join("; "), TEST, RESTS);
    }
}

fn chart(time: &[f64], rate: &[&[f64]; 3], out: &mut Out) {
    let every = time.len().div_ceil(1500).max(1);
    let thin = |v: &[f64]| -> Vec<f64> { v.iter().step_by(every).copied().collect() };
    let series = AXES
        .iter()
        .zip(rate)
        .map(|((l, _), r)| {
            let y = thin(r).iter().map(|v| v.to_degrees()).collect();
            Series::new(
                &format!("rate.{l}"),
                if *l == 'x' {
                    Style::Line
                } else if *l == 'y' {
                    Style::Dashed
                } else {
                    Style::Thin
                },
                thin(time),
                y,
            )
        })
        .collect();
    out.charts.push(Chart {
        id: "turns".to_owned(),
        title: "The turns".to_owned(),
        caption: "Each turn should stand on one channel alone: first roll, then pitch, then yaw, the first of each pair upward.".to_owned(),
        x: Axis::linear("time", "s"),
        y: Axis::linear("rate", "deg/s"),
        series,
        marks: Vec::new(),
    });
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn val_relative_attitude() {
        // scipy 1.17.1: (Rotation.from_euler("ZYX", [30, 20, 10], degrees=True).inv()
        //   * Rotation.from_euler("ZYX", [30, 20, 70], degrees=True)).as_rotvec() = [pi/3, 0, 0]
        let quaternion = |yaw: f64, pitch: f64, roll: f64| {
            let h = |a: f64| ((0.5 * a.to_radians()).sin(), (0.5 * a.to_radians()).cos());
            let ((sy, cy), (sp, cp), (sr, cr)) = (h(yaw), h(pitch), h(roll));
            [
                cr * cp * cy + sr * sp * sy,
                sr * cp * cy - cr * sp * sy,
                cr * sp * cy + sr * cp * sy,
                cr * cp * sy - sr * sp * cy,
            ]
        };
        let v = relative(quaternion(30.0, 20.0, 10.0), quaternion(30.0, 20.0, 70.0));
        assert!(
            (v[0] - std::f64::consts::FRAC_PI_3).abs() < 1e-12 && v[1].abs() < 1e-12 && v[2].abs() < 1e-12,
            "{v:?}"
        );
    }

    #[test]
    fn prop_assignments_are_distinct() {
        let all = Assignment::all();
        assert_eq!(all.len(), 48);
        assert_eq!(all[0].seen([1.0, 2.0, 3.0]), [1.0, 2.0, 3.0]);
        assert!(all.iter().enumerate().all(|(i, a)| all[..i].iter().all(|b| a != b)));
    }
}
