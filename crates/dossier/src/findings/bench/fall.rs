//! A weight that falls on a thread and turns the aircraft: moment of inertia about the axis of the drum.
//!
//! Hand values, in SI, for each axis tried (x, y, z): `y.mass` of the weight, `y.radius` of the drum, and of the body's
//! bearing `y.friction_mass`, the weight that just keeps it turning; `y.rig`, the moment of inertia of drum and holder
//! measured alone. The motion: two points tracked in a film (`point.1.x`, `point.1.y`, `point.2.x`, `point.2.y`), or a
//! rate (`rate.y`); or `y.distance` that the weight falls from rest with `y.time.1`, `y.time.2`, ...

use physics::STANDARD_GRAVITY;
use physics::mass::mass_properties;
use signal::fall::{Fall, Turned, line_angle, turned};
use signal::robust;

use super::{Bench, pieces};
use crate::chart::{Axis, Chart, Series, Style};
use crate::findings::context::Out;

/// Sections of the aircraft file that a moment of inertia rests on.
const RESTS: &[&str] = &["mass", "geometry", "weighed"];
/// How well a person stops a watch, s (common practice, no source).
const THUMB: f64 = 0.1;
/// Weight that keeps a free bearing turning, as a share of the falling one (standard deviation; common practice, no
/// source).
const BEARING: f64 = 0.02;
const TEST: &str = "let a weight on a thread turn the aircraft about one axis (rotorwright card DIR fall): film two points \
                    of it or log its rate, and enter y.mass and y.radius";

/// Angular acceleration about an axis, its standard uncertainty, rad/s^2, and where it comes from.
struct Motion {
    acceleration: f64,
    error: f64,
    how: String,
    seen: Option<(Vec<f64>, Vec<f64>, Turned)>,
}

fn tracked(bench: &Bench<'_>, axis: &str) -> Option<Result<Motion, String>> {
    let point = |n: u8, a: &str| bench.channel(&format!("point.{n}.{a}"));
    let time = &bench.record.time;
    let (rows, how) = match (point(1, "x"), point(1, "y"), point(2, "x"), point(2, "y")) {
        (Some(x1), Some(y1), Some(x2), Some(y2)) => {
            let (angle, share) = line_angle((x1, y1), (x2, y2));
            (angle, format!("from two points in a film, whose distance varies by {:.1} %", 100.0 * share))
        }
        _ => {
            let rate = bench.channel(&format!("rate.{axis}"))?;
            let mut sum = 0.0;
            let mut last: Option<(f64, f64)> = None;
            let angle = time.iter().zip(rate).map(|(t, r)| {
                if let Some((t0, r0)) = last {
                    sum += 0.5 * (r + r0) * (t - t0);
                }
                if r.is_finite() {
                    last = Some((*t, *r));
                }
                if r.is_finite() { sum } else { f64::NAN }
            });
            (angle.collect(), "from the rate".to_owned())
        }
    };
    let (t, a): (Vec<f64>, Vec<f64>) =
        time.iter().zip(&rows).filter(|(_, a)| a.is_finite()).map(|(t, a)| (*t, *a)).unzip();
    Some(match turned(&t, &a) {
        Ok(fit) => Ok(Motion {
            acceleration: fit.acceleration,
            error: fit.error,
            how: format!(
                "{how}; released at {:.2} s, used until it is fastest at {:.2} s, air braking taken apart",
                fit.start, fit.until
            ),
            seen: Some((t, a, fit)),
        }),
        Err(e) => Err(format!("a track that begins at rest and speeds up ({e})")),
    })
}

fn timed(bench: &Bench<'_>, axis: &str, radius: f64) -> Option<Result<Motion, String>> {
    let (way, way_error) = bench.hand(&format!("{axis}.distance"))?;
    let times: Vec<(f64, f64)> = (1..=50).map_while(|i| bench.hand(&format!("{axis}.time.{i}"))).collect();
    let values: Vec<f64> = times.iter().map(|t| t.0).collect();
    let Some(time) = robust::mean(&values).filter(|t| *t > 0.0 && way > 0.0) else {
        return Some(Err(format!("times of the fall ({axis}.time.1) and a distance, all above zero")));
    };
    // a = 2 s/(r t^2).
    let acceleration = 2.0 * way / (radius * time * time);
    let stated = times.iter().map(|t| t.1).fold(0.0, f64::max);
    let one = if stated > 0.0 { stated } else { THUMB };
    let own = robust::variance(&values).map_or(0.0, f64::sqrt).max(one) / (values.len() as f64).sqrt();
    let relative = (2.0 * own / time).hypot(way_error / way);
    Some(Ok(Motion {
        acceleration,
        error: acceleration * relative,
        how: format!("{way:.3} m in {time:.3} s, mean of {}; braking by the air stays in it", values.len()),
        seen: None,
    }))
}

pub(super) fn run(bench: &Bench<'_>, out: &mut Out) {
    let mut tried = false;
    for (k, axis) in ["x", "y", "z"].into_iter().enumerate() {
        let (mass, radius) = (bench.hand(&format!("{axis}.mass")), bench.hand(&format!("{axis}.radius")));
        if mass.is_none() && radius.is_none() {
            continue;
        }
        tried = true;
        let key = format!("fall.{axis}.inertia");
        let label = format!("moment of inertia about {axis}");
        let (Some(mass), Some(radius)) = (mass.filter(|m| m.0 > 0.0), radius.filter(|r| r.0 > 0.0)) else {
            let missing = format!("{axis}.mass of the weight and {axis}.radius of the drum, both above zero");
            out.cannot_tell(&key, &label, missing, TEST, RESTS);
            continue;
        };
        match tracked(bench, axis).or_else(|| timed(bench, axis, radius.0)) {
            Some(Ok(motion)) => one(bench, out, (k, axis), mass, radius, &motion),
            Some(Err(missing)) => out.cannot_tell(&key, &label, missing, TEST, RESTS),
            None => {
                let missing = format!(
                    "the motion: channels point.1.x to point.2.y, or rate.{axis}, or {axis}.distance with {axis}.time.1"
                );
                out.cannot_tell(&key, &label, missing, TEST, RESTS);
            }
        }
    }
    if !tried {
        let missing = "the weight and the drum: y.mass and y.radius (x, y or z for the axis)";
        out.cannot_tell("fall.y.inertia", "moment of inertia", missing, TEST, RESTS);
    }
}

fn one(
    bench: &Bench<'_>,
    out: &mut Out,
    (k, axis): (usize, &str),
    mass: (f64, f64),
    radius: (f64, f64),
    motion: &Motion,
) {
    let key = format!("fall.{axis}.inertia");
    let label = format!("moment of inertia about {axis}");
    let stated = bench.hand(&format!("{axis}.friction_mass"));
    let friction = stated.unwrap_or((0.0, BEARING * mass.0));
    let rig = bench.hand(&format!("{axis}.rig")).unwrap_or((0.0, 0.0));
    let inertia = |m: f64, r: f64, f: f64, a: f64| {
        Fall { mass: m, radius: r, friction_mass: f, gravity: STANDARD_GRAVITY }.inertia(a) - rig.0
    };
    let (m, r, f, a) = (mass.0, radius.0, friction.0, motion.acceleration);
    let value = inertia(m, r, f, a);
    if !(value > 0.0 && value.is_finite()) {
        let missing = format!(
            "a moment above zero: at {a:.2} rad/s^2 the weight alone takes up its pull (check {axis}.radius, {axis}.rig)"
        );
        out.cannot_tell(&key, &label, missing, TEST, RESTS);
        return;
    }
    let half = |up: f64, down: f64| 0.5 * (up - down);
    let moved = format!("acceleration about {axis}");
    let effects = [
        (moved.as_str(), half(inertia(m, r, f, a + motion.error), inertia(m, r, f, a - motion.error))),
        ("falling weight", half(inertia(m + mass.1, r, f, a), inertia(m - mass.1, r, f, a))),
        ("radius of the drum", half(inertia(m, r + radius.1, f, a), inertia(m, r - radius.1, f, a))),
        ("bearing", half(inertia(m, r, f + friction.1, a), inertia(m, r, f - friction.1, a))),
        ("drum and holder", -rig.1),
    ];
    let e = pieces::several(bench, value, "kg m^2", &effects);
    let computed = bench.aircraft.map(|a| mass_properties(&a.bodies).inertia[(k, k)]);
    let against = computed.map_or(String::new(), |c| {
        format!(
            " The sum of the items in the aircraft file gives {c:.5} kg m^2, {:+.1} % off.",
            100.0 * (c / value - 1.0)
        )
    });
    let bearing = match stated {
        Some((f, _)) => format!("{:.1} g keep it turning and are taken off", 1e3 * f),
        None => format!(
            "the bearing was not measured (enter {axis}.friction_mass): up to {:.0} % of the weight are allowed for it",
            200.0 * BEARING
        ),
    };
    let loaded = crate::check::payload_fitted(&bench.record.meta);
    let text = format!(
        "{a:.3} ± {:.3} rad/s^2 ({}) by {:.1} g on a radius of {:.1} mm; {bearing}.{against} {}",
        1.96 * motion.error,
        motion.how,
        1e3 * m,
        1e3 * r,
        if loaded {
            "It was turned with the payload on, and stays beside the predictions."
        } else {
            "It takes the place of the computed one in every prediction."
        }
    );
    out.value(&key, &label, e, text, RESTS);
    // Predictions add the payload to what was turned without it.
    if !loaded {
        out.replaces(&key, &format!("weighed.inertia_{axis}"));
    }
    out.charts.extend(chart(axis, motion));
}

fn chart(axis: &str, motion: &Motion) -> Option<Chart> {
    let (time, angle, fit) = motion.seen.as_ref()?;
    let stride = time.len().div_ceil(1200).max(1);
    let pick = |v: &[f64], scale: f64| -> Vec<f64> { v.iter().step_by(stride).map(|x| x * scale).collect() };
    let degrees = 180.0 / std::f64::consts::PI;
    let used = fit.fitted.len().min(time.len());
    Some(Chart {
        id: format!("fall-{axis}"),
        title: format!("Turned about {axis} by a falling weight"),
        caption: format!(
            "At rest until {:.2} s, then {:.3} rad/s^2 less what the air takes; {:.2} deg of scatter about the fit. A \
             kink before the end means that the thread caught.",
            fit.start,
            fit.acceleration,
            fit.scatter * degrees
        ),
        x: Axis::linear("time", "s"),
        y: Axis::linear("angle", "deg"),
        series: vec![
            Series::new("measured", Style::Line, pick(time, 1.0), pick(angle, degrees)),
            Series::new("fit", Style::Line, pick(&time[..used], 1.0), pick(&fit.fitted, degrees)),
        ],
        marks: Vec::new(),
    })
}
