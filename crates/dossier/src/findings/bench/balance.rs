//! Balancing a rotor by amplitudes alone: one run as it is, three or more with a trial mass (see [`signal::balance`]).
//!
//! Entered by hand, one record for one rotor:
//!
//! ```toml
//! station = "2"                            # rotor, from 1
//! speed = "5400 rpm"                       # the same in all runs, to a few per cent
//! baseline = "0.82 m/s^2 +- 0.02 m/s^2"    # 1/rev without trial mass
//! after = "0.11 m/s^2 +- 0.02 m/s^2"       # 1/rev with the correction on, when it is done
//! [trial]
//! mass = "0.30 g +- 0.01 g"
//! radius = "14 mm +- 0.5 mm"
//! [trial.1]
//! angle = "0 deg"
//! amplitude = "1.31 m/s^2 +- 0.02 m/s^2"
//! # trial.2 at 120 deg, trial.3 at 240 deg
//! [rotor]
//! mass = "46 g +- 1 g"                     # all that turns: propeller, bell, hub
//! ```
//!
//! The mass goes on the motor's bell or hub, where any angle can be used; a two-bladed propeller taped at its tips
//! can be corrected along its blades only.

use signal::balance::{self, Balance, BalanceError, Trial};

use super::Bench;
use crate::chart::{Axis, Chart, Mark, Series, Style, Table};
use crate::estimate::{Contribution, Estimate, Origin};
use crate::findings::context::Out;

const RESTS: &[&str] = &["rotor", "motor"];
/// Amplitudes stated without tolerance are taken as good to this share: what a spectrum of 10 s gives (common practice,
/// no source).
const ASSUMED: f64 = 0.03;
const TEST: &str = "four runs at one speed, restrained and from a distance: as it is, then the trial mass at 0, 120 and 240 deg, \
                    each with its 1/rev amplitude; repeat the first run at the end to see that nothing drifted";

fn degrees(rad: f64) -> f64 {
    rad.to_degrees()
}

/// Grams-millimetres from kg m.
const G_MM: f64 = 1e6;

pub(super) fn run(bench: &Bench<'_>, out: &mut Out) {
    let (key, label) = ("balance.mass", "correction mass at the trial mass' radius");
    let amplitude =
        |key: &str| bench.hand(key).map(|(v, u)| (v, if u > 0.0 { u } else { ASSUMED * v.abs() }));
    let Some(baseline) = amplitude("baseline") else {
        out.cannot_tell(key, label, "`baseline`, the amplitude without trial mass", TEST, RESTS);
        return;
    };
    let mut trials = Vec::new();
    for k in 1..=12 {
        let (angle, a) =
            (bench.hand(&format!("trial.{k}.angle")), amplitude(&format!("trial.{k}.amplitude")));
        if let (Some((angle, _)), Some((value, uncertainty))) = (angle, a) {
            trials.push(Trial { angle, amplitude: value, uncertainty });
        }
    }
    // A floor: no amplitude is known better than a thousandth of the largest.
    let top = trials.iter().map(|t| t.amplitude).fold(baseline.0, f64::max);
    let floor = |u: f64| u.max(1e-3 * top);
    trials.iter_mut().for_each(|t| t.uncertainty = floor(t.uncertainty));
    match balance::solve((baseline.0, floor(baseline.1)), &trials) {
        Ok(b) => solved(bench, &b, baseline, &trials, amplitude("after"), out),
        Err(e) => {
            let missing = match e {
                BalanceError::Inconsistent { .. } => format!(
                    "a common solution: {e}. The speed differed between runs, something is loose, or an angle is noted wrongly"
                ),
                BalanceError::WeakTrial { .. } => {
                    format!("an answer to the trial mass: {e}; take a heavier one")
                }
                other => other.to_string(),
            };
            out.cannot_tell(key, label, missing, TEST, RESTS);
        }
    }
}

fn solved(
    bench: &Bench<'_>,
    b: &Balance,
    baseline: (f64, f64),
    trials: &[Trial],
    after: Option<(f64, f64)>,
    out: &mut Out,
) {
    let meta = &bench.record.meta;
    let origin = Origin::from(meta.origin);
    let source = |what: &str| format!("record {}: {what}", meta.id);
    let place = bench.station().map_or_else(String::new, |n| format!(" of rotor {n}"));
    let (Some(mass), Some(radius)) = (bench.hand("trial.mass"), bench.hand("trial.radius")) else {
        let missing = format!(
            "`trial.mass` and `trial.radius`; so far: {:.2} times the trial mass at {:.0} ± {:.0} deg",
            b.ratio,
            degrees(b.angle),
            degrees(b.angle_uncertainty)
        );
        out.cannot_tell("balance.mass", "correction mass at the trial mass' radius", missing, TEST, RESTS);
        return;
    };
    let part = |what: &str, sensitivity: f64, uncertainty: f64| Contribution {
        source: source(what),
        sensitivity,
        uncertainty,
    };
    let correction = Estimate::new(
        mass.0 * b.ratio,
        "kg",
        origin,
        vec![
            part("amplitudes of the four runs", mass.0, b.ratio_uncertainty),
            part("trial mass", b.ratio, mass.1),
        ],
    );
    let angle =
        Estimate::single(b.angle, b.angle_uncertainty, "rad", origin, &source("amplitudes of the four runs"));
    let at = format!("{:.0} ± {:.0} deg", degrees(b.angle), degrees(b.angle_uncertainty));
    out.value(
        "balance.mass",
        "correction mass at the trial mass' radius",
        correction,
        format!(
            "Take the trial mass off and add {:.3} g at {at}, counted like the trial angles, at a radius of {:.1} mm{place}; expect 1/rev to fall \
             from {:.3} to about {:.3}. The four amplitudes fit together (chi-squared {:.1} with {} degree of freedom).",
            1e3 * mass.0 * b.ratio,
            1e3 * radius.0,
            b.original,
            b.expected,
            b.chi_squared,
            b.freedom
        ),
        RESTS,
    );
    out.value(
        "balance.angle",
        "angle of the correction",
        angle,
        "Counted from the reference mark in the sense of the trial angles.",
        RESTS,
    );
    // Unbalance: trial mass x radius x amplitude / answer of the trial mass.
    let per_amplitude = mass.0 * radius.0 / b.answer;
    let unbalance = |amplitude: f64, own: f64, what: &str| {
        let value = per_amplitude * amplitude;
        Estimate::new(
            value,
            "kg m",
            origin,
            vec![
                part(what, per_amplitude, own),
                part("trial mass", value / mass.0, mass.1),
                part("trial radius", value / radius.0, radius.1),
            ],
        )
    };
    let was = unbalance(b.original, b.ratio_uncertainty * b.answer, "amplitudes of the four runs");
    let was_value = was.value;
    out.value(
        "balance.unbalance",
        "unbalance before the correction",
        was.clone(),
        format!(
            "{:.2} g mm{place}, from the amplitude and the measured answer to the trial mass.",
            G_MM * was.value
        ),
        RESTS,
    );
    let residual = after.map(|(v, u)| unbalance(v, u, "amplitude after the correction"));
    match &residual {
        Some(r) => out.value(
            "balance.residual",
            "residual unbalance",
            r.clone(),
            format!(
                "{:.2} g mm{place} with the correction on: {:.0} % of what it was.",
                G_MM * r.value,
                100.0 * r.value / was_value.max(1e-300)
            ),
            RESTS,
        ),
        None => out.cannot_tell(
            "balance.residual",
            "residual unbalance",
            format!(
                "`after`, the amplitude with the correction on; about {:.2} g mm are to be expected",
                G_MM * per_amplitude * b.expected
            ),
            "put the correction on and run once more at the same speed",
            RESTS,
        ),
    }
    // The figure that stands today: after the correction, else before it.
    let today = residual.unwrap_or(was);
    let standing = if after.is_some() { "balance.residual" } else { "balance.unbalance" };
    out.replaces(standing, "rotor.unbalance");
    grade(bench, &today, after.is_some(), out);
    shown(b, baseline, trials, after, mass.0 * radius.0, out);
}

fn grade(bench: &Bench<'_>, unbalance: &Estimate, corrected: bool, out: &mut Out) {
    let (key, label) = ("balance.grade", "balance quality, ISO 21940-11");
    let (Some(rotor), Some(speed)) = (bench.hand("rotor.mass"), bench.hand("speed")) else {
        out.cannot_tell(
            key,
            label,
            "`rotor.mass` (all that turns) and `speed`",
            "weigh propeller, bell and hub; note the speed of the runs",
            RESTS,
        );
        return;
    };
    if !(rotor.0 > 0.0 && speed.0 > 0.0) {
        out.cannot_tell(
            key,
            label,
            "a rotor mass and a speed above zero",
            "weigh what turns; note the speed of the runs",
            RESTS,
        );
        return;
    }
    let value = balance::grade(unbalance.value, rotor.0, speed.0);
    let meta = &bench.record.meta;
    let mut contributions: Vec<Contribution> = unbalance
        .contributions
        .iter()
        .map(|c| Contribution {
            source: c.source.clone(),
            sensitivity: c.sensitivity * value / unbalance.value.max(1e-300),
            uncertainty: c.uncertainty,
        })
        .collect();
    for (what, (v, u)) in [("rotor mass", rotor), ("speed", speed)] {
        contributions.push(Contribution {
            source: format!("record {}: {what}", meta.id),
            sensitivity: value / v,
            uncertainty: u,
        });
    }
    let e = Estimate::new(value, "mm/s", Origin::from(meta.origin), contributions);
    let allowed = |g: f64| G_MM * balance::permissible(g, speed.0) * rotor.0;
    let text = format!(
        "G {value:.1} at {:.0} rev/min {}; at this mass and speed G 16 allows {:.2} g mm, G 6.3 {:.2} g mm.",
        speed.0 * 30.0 / std::f64::consts::PI,
        if corrected { "with the correction on" } else { "as found" },
        allowed(16.0),
        allowed(6.3)
    );
    out.value(key, label, e, text, RESTS);
}

fn shown(
    b: &Balance,
    baseline: (f64, f64),
    trials: &[Trial],
    after: Option<(f64, f64)>,
    trial_unbalance: f64,
    out: &mut Out,
) {
    // The amplitude over the angle of the trial mass, as fitted.
    let psi = b.angle - std::f64::consts::PI;
    let x: Vec<f64> = (0..=72).map(|k| 5.0 * f64::from(k)).collect();
    let y = x
        .iter()
        .map(|d| {
            let t = d.to_radians() - psi;
            (b.original.powi(2) + b.answer.powi(2) + 2.0 * b.original * b.answer * t.cos()).max(0.0).sqrt()
        })
        .collect();
    let points = Series::new(
        "measured",
        Style::Dots,
        trials.iter().map(|t| degrees(t.angle).rem_euclid(360.0)).collect(),
        trials.iter().map(|t| t.amplitude).collect(),
    );
    out.charts.push(Chart {
        id: "balance".to_owned(),
        title: "1/rev against the angle of the trial mass".to_owned(),
        caption: "The measured points lie on the fitted curve when the runs fit together; the correction goes where the curve is lowest.".to_owned(),
        x: Axis::linear("angle of the trial mass", "deg"),
        y: Axis::linear("1/rev amplitude", ""),
        series: vec![Series::new("fitted", Style::Line, x, y), points],
        marks: vec![
            Mark::Limit { y: baseline.0, name: "without trial mass".to_owned() },
            Mark::At { x: degrees(b.angle), name: "correction".to_owned() },
        ],
    });
    let mut rows = vec![vec!["none".to_owned(), "-".to_owned(), format!("{:.4}", baseline.0)]];
    rows.extend(trials.iter().map(|t| {
        vec![
            format!("trial, {:.2} g mm", G_MM * trial_unbalance),
            format!("{:.0}", degrees(t.angle)),
            format!("{:.4}", t.amplitude),
        ]
    }));
    rows.push(vec![
        format!("correction, {:.2} g mm", G_MM * trial_unbalance * b.ratio),
        format!("{:.0}", degrees(b.angle)),
        after.map_or_else(|| format!("{:.4} expected", b.expected), |a| format!("{:.4}", a.0)),
    ]);
    // Where only thirds of the circle can be used, as on three marks of a bell.
    let thirds = [0.0_f64, 120.0, 240.0].map(f64::to_radians);
    let split = balance::split(b.ratio, b.angle, &thirds).unwrap_or_default();
    let parts: Vec<String> = split
        .iter()
        .filter_map(|(k, m)| {
            thirds
                .get(*k)
                .map(|a| format!("{:.2} g mm at {:.0} deg", G_MM * trial_unbalance * m, degrees(*a)))
        })
        .collect();
    out.tables.push(Table {
        id: "balance-runs".to_owned(),
        title: "Balance runs".to_owned(),
        head: vec!["mass".to_owned(), "angle, deg".to_owned(), "1/rev amplitude".to_owned()],
        rows,
        note: if parts.is_empty() {
            String::new()
        } else {
            format!("At the three trial marks the same correction is {}.", parts.join(" and "))
        },
    });
}
