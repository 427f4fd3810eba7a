//! A restrained run-up: field of the leads per ampere, whether it is linear, heading error; and what the
//! accelerometer saw.
//!
//! B = B_0 + k I on each axis by least squares; the aircraft is held, so that the earth's field is in
//! the constant. The errors allow for residuals that are correlated in time (Newey and West 1987). A
//! second fit with I |I|/I_max tells whether the field is proportional to the current: iron near the
//! leads, or a second current that does not follow the battery's, bends it.

use nalgebra::{DMatrix, DVector};
use physics::magnetic::heading_error;
use physics::{STANDARD_GRAVITY, Vec3, mass, powertrain};
use signal::lsq::{self, Fit};

use super::super::context::Out;
use super::Bench;
use crate::chart::{Axis, Chart, Series, Style};
use crate::estimate::Estimate;

const RESTS: &[&str] = &["magnetometer", "lead", "siting"];
/// Heading errors also rest on what draws the current.
const RESTS_CURRENT: &[&str] =
    &["magnetometer", "lead", "mass", "rotor", "motor", "esc", "battery", "station"];
const TEST: &str = "a restrained run-up from rest to full current and back, magnetometer and battery current logged at 20 Hz or faster";
const AXES: [&str; 3] = ["x", "y", "z"];
/// A bend below this share of the linear part at full current counts as none.
const BEND: f64 = 0.1;

/// Samples in which magnetometer and current are both there.
struct Samples {
    current: Vec<f64>,
    field: [Vec<f64>; 3],
}

fn samples(bench: &Bench<'_>) -> Result<Samples, &'static str> {
    let Some(current) = bench.channel("battery.current") else { return Err("the channel battery.current") };
    let (Some(x), Some(y), Some(z)) =
        (bench.channel("mag.x"), bench.channel("mag.y"), bench.channel("mag.z"))
    else {
        return Err("the channels mag.x, mag.y, mag.z");
    };
    let mut s = Samples { current: Vec::new(), field: [Vec::new(), Vec::new(), Vec::new()] };
    for (((i, x), y), z) in current.iter().zip(x).zip(y).zip(z) {
        if [i, x, y, z].into_iter().all(|v| v.is_finite()) {
            s.current.push(*i);
            for (f, v) in s.field.iter_mut().zip([x, y, z]) {
                f.push(*v);
            }
        }
    }
    if s.current.len() < 30 { Err("30 samples with magnetometer and current together") } else { Ok(s) }
}

/// Answers of the record.
pub(super) fn run(bench: &Bench<'_>, out: &mut Out) {
    inertial(bench, out);
    let s = match samples(bench) {
        Ok(s) => s,
        Err(missing) => {
            out.cannot_tell("magnetic.per_ampere", "horizontal field per ampere", missing, TEST, RESTS);
            return;
        }
    };
    let most = s.current.iter().copied().fold(0.0_f64, |a, v| a.max(v.abs()));
    let low = s.current.iter().copied().fold(f64::INFINITY, f64::min);
    let full = currents(bench).map(|c| c.1);
    // With little current moved the slope rests on noise and on the field of the place.
    if most - low < 0.2 * full.unwrap_or(most) || most - low < 1.0 {
        let missing = format!("excitation: the current moved by {:.1} A only", most - low);
        out.cannot_tell("magnetic.per_ampere", "horizontal field per ampere", missing, TEST, RESTS);
        return;
    }
    let bent: Vec<f64> = s.current.iter().map(|i| i * i.abs() / most).collect();
    let (mut k, mut u) = (Vec3::zeros(), Vec3::zeros());
    let (mut bend, mut bend_error) = (Vec3::zeros(), Vec3::zeros());
    for axis in 0..3 {
        let Some((line, curve)) = fits(&s.current, &bent, &s.field[axis]) else {
            out.cannot_tell(
                "magnetic.per_ampere",
                "horizontal field per ampere",
                "a fit that has an answer",
                TEST,
                RESTS,
            );
            return;
        };
        (k[axis], u[axis]) = (line.value(0), line.error(0));
        (bend[axis], bend_error[axis]) = (curve.value(1), curve.error(1));
    }
    for axis in 0..3 {
        let name = AXES[axis];
        out.value(
            &format!("magnetic.field.{name}"),
            &format!("field per ampere, {name}"),
            bench.estimate(&format!("field per ampere, {name}"), k[axis], u[axis], "T/A"),
            "Slope of the magnetometer against battery current.",
            RESTS,
        );
    }
    let across = k.xy().norm();
    let error = if across > 0.0 {
        ((k.x * u.x).powi(2) + (k.y * u.y).powi(2)).sqrt() / across
    } else {
        u.xy().norm()
    };
    // Near zero the length of a vector cannot be told from its error.
    let error = error.max(u.x.min(u.y));
    let per_ampere = bench.estimate("horizontal field per ampere", across, error, "T/A");
    out.value(
        "magnetic.per_ampere",
        "horizontal field per ampere",
        per_ampere.clone(),
        format!("Horizontal part of the slope, from {low:.1} to {most:.1} A; the vertical part does not turn the compass while level."),
        RESTS,
    );
    linearity(&k, &bend, &bend_error, out);
    heading(bench, &per_ampere, out);
    out.charts.push(chart(&s, &k));
}

/// The straight fit and the bent one.
fn fits(current: &[f64], bent: &[f64], field: &[f64]) -> Option<(Fit, Fit)> {
    let n = field.len();
    let y = DVector::from_column_slice(field);
    let x1 = DMatrix::from_fn(n, 2, |i, j| if j == 0 { current[i] } else { 1.0 });
    let x2 = DMatrix::from_fn(n, 3, |i, j| [current[i], bent[i], 1.0][j]);
    let line = lsq::fit(&x1, &y, None).ok()?;
    let curve = lsq::fit(&x2, &y, None).ok()?;
    // The triangular weights take correlation away in proportion to lag over window: ten correlation
    // lengths leave a tenth of it out, two would leave out a third.
    let length = signal::robust::correlation_length(line.residuals.as_slice());
    let lag = ((10.0 * length).ceil() as usize).min(n / 8).max(1);
    let mut fits = (line.correlated(&x1, Some(lag)), curve.correlated(&x2, Some(lag)));
    // A window that is a share b of the record estimates its variance itself uncertainly: the 95 % point of
    // the test grows from 1.96 by this cubic (Kiefer and Vogelsang 2005, Bartlett kernel; from memory).
    let b = lag as f64 / n as f64;
    let wider = (1.96 + 2.9694 * b + 0.416 * b * b - 0.5324 * b * b * b) / 1.96;
    fits.0.covariance *= wider * wider;
    fits.1.covariance *= wider * wider;
    Some(fits)
}

/// Whether the field is proportional to the current.
fn linearity(k: &Vec3, bend: &Vec3, error: &Vec3, out: &mut Out) {
    let share = bend.norm() / k.norm().max(1e-30);
    let sigma = (0..3).map(|a| (bend[a] / error[a].max(1e-30)).abs()).fold(0.0, f64::max);
    let doubt = 2.0 * error.norm() / k.norm().max(1e-30);
    let (answer, text) = if sigma > 3.0 && share > BEND {
        (
            "not linear",
            format!(
                "The field bends by {:.0} % at the largest current ({sigma:.1} standard uncertainties): iron near the leads, or a current that does not follow the battery's. The error at full current is then not that of the slope.",
                100.0 * share
            ),
        )
    } else if doubt > 2.0 * BEND {
        ("not decided", format!("A bend up to {:.0} % would not show in this record.", 100.0 * doubt))
    } else {
        ("linear", format!("No bend beyond {:.0} % at the largest current.", 100.0 * share.max(doubt)))
    };
    out.words("magnetic.linearity", "proportional to the current", answer, text, RESTS);
}

/// Battery current in hover and at full thrust as computed for the aircraft of the record, A.
fn currents(bench: &Bench<'_>) -> Option<(f64, f64)> {
    let (a, (density, _)) = (bench.aircraft?, bench.density?);
    let n = a.stations.len().max(1) as f64;
    let each = mass::mass_properties(&a.bodies).mass * STANDARD_GRAVITY / n;
    let hover = powertrain::operating_point(a, &vec![each; a.stations.len()], 0.5, density).ok()?;
    let full = powertrain::full_thrust(a, 1.0, density).ok()?;
    Some((hover.battery_current, full.point.battery_current))
}

/// Heading error at hover and full current against the earth's field.
fn heading(bench: &Bench<'_>, per_ampere: &Estimate, out: &mut Out) {
    let keys = [
        ("magnetic.heading_hover", "heading error at hover current"),
        ("magnetic.heading_full", "heading error at full current"),
    ];
    let (Some((hover, full)), Some(earth)) = (currents(bench), bench.earth) else {
        let missing = if bench.earth.is_none() {
            "site.latitude and site.longitude in dossier.toml"
        } else {
            "motor, esc and battery in the aircraft file, from which the currents are computed"
        };
        for (key, label) in keys {
            out.cannot_tell(
                key,
                label,
                missing,
                "state them: the field per ampere is measured already",
                RESTS_CURRENT,
            );
        }
        return;
    };
    let b = Vec3::new(per_ampere.value, 0.0, 0.0);
    for ((key, label), current) in keys.into_iter().zip([hover, full]) {
        let e = heading_error(&b, current, earth.horizontal);
        let slope =
            current / earth.horizontal / (1.0 - (b.x * current / earth.horizontal).powi(2)).max(0.01).sqrt();
        let estimate = Estimate::combine(e, "rad", &[(slope, per_ampere)]);
        let text = format!(
            "Largest over all headings, level, at {current:.0} A (computed) against {:.1} µT horizontal (World Magnetic Model).",
            earth.horizontal * 1e6
        );
        out.value(key, label, estimate, text, RESTS_CURRENT);
    }
}

/// Peak and clipping of the accelerometer during the run-up.
fn inertial(bench: &Bench<'_>, out: &mut Out) {
    let Some(range) = bench.aircraft.and_then(|a| a.imu.as_ref()).map(|i| i.accel_range) else { return };
    let base = ["accel_raw", "accel"].into_iter().find(|b| bench.channel(&format!("{b}.x")).is_some());
    let Some(base) = base else { return };
    let (mut n, mut clipped, mut peak) = (0_usize, 0_usize, 0.0_f64);
    for axis in AXES {
        for v in bench.channel(&format!("{base}.{axis}")).unwrap_or_default().iter().filter(|v| v.is_finite())
        {
            n += 1;
            clipped += usize::from(v.abs() >= 0.995 * range);
            peak = peak.max(v.abs());
        }
    }
    if n == 0 {
        return;
    }
    let rests = &["imu", "rotor", "mass", "structure"];
    let share = clipped as f64 / n as f64;
    let text = format!("Samples at 99.5 % of the range or more, of {n}.");
    let e = bench.estimate("clipped samples", share, (share / n as f64).sqrt(), "1");
    out.value("run_up.clipped", "clipped accelerometer samples", e, text, rests);
    let e = bench.estimate("accelerometer peak", peak / range, 1e-3 * peak / range, "1");
    out.value(
        "run_up.accel_peak",
        "largest accelerometer value over the range",
        e,
        "Over all axes, gravity included.",
        rests,
    );
}

fn chart(s: &Samples, k: &Vec3) -> Chart {
    // A few hundred points show as much as all.
    let every = (s.current.len() / 300).max(1);
    let keep = |v: &[f64]| v.iter().step_by(every).copied().collect::<Vec<f64>>();
    let x = keep(&s.current);
    let mut series = Vec::new();
    for axis in 0..3 {
        let mean_field = s.field[axis].iter().sum::<f64>() / s.field[axis].len().max(1) as f64;
        let mean_current = s.current.iter().sum::<f64>() / s.current.len().max(1) as f64;
        let rest = mean_field - k[axis] * mean_current;
        let y: Vec<f64> = keep(&s.field[axis]).iter().map(|v| (v - rest) * 1e6).collect();
        series.push(Series::new(&format!("{} measured", AXES[axis]), Style::Rings, x.clone(), y));
        let top = s.current.iter().copied().fold(0.0_f64, f64::max);
        series.push(Series::new(AXES[axis], Style::Line, vec![0.0, top], vec![0.0, k[axis] * top * 1e6]));
    }
    Chart {
        id: "field".to_owned(),
        title: "Field against current".to_owned(),
        caption: "Marks on their straight line: the field is proportional to the current; a bend says iron, or another current.".to_owned(),
        x: Axis::linear("battery current", "A"),
        y: Axis::linear("field less that at rest", "µT"),
        series,
        marks: Vec::new(),
    }
}
