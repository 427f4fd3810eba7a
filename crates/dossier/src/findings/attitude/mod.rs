//! Attitude command as flown: gain, steps, response over frequency, hard diagonals.
//!
//! What counts is where an attitude demand is logged and no velocity demand beside it: in velocity command the attitude
//! demand contains the outer loop's feedback.

mod diagonals;
mod response;
mod steps;

use nalgebra::{DMatrix, DVector, Quaternion, UnitQuaternion};
use signal::{lsq, robust};

use super::context::{AXES, Context, Out};

const RESTS: &[&str] =
    &["esc", "motor", "rotor", "filter", "loop.rate", "loop.attitude", "mass", "imu", "station", "aircraft"];
const PARTS: [&str; 4] = ["w", "i", "j", "k"];

/// Attitude and its demand over one stretch.
pub(super) struct Stretch {
    pub start: f64,
    /// Roll and pitch, rad.
    pub angle: [Vec<f64>; 2],
    /// Roll and pitch demanded, rad.
    pub demand: [Vec<f64>; 2],
    /// Turn from attitude to demand about each body axis, rad.
    pub error: [Vec<f64>; 3],
    /// Rate demanded, rad/s, where it is logged.
    pub rate_demand: Option<[Vec<f64>; 3]>,
}

impl Stretch {
    pub(super) fn len(&self) -> usize {
        self.angle[0].len()
    }
}

/// Attitude command over the record.
pub(super) struct Flown {
    pub period: f64,
    pub stretches: Vec<Stretch>,
}

impl Flown {
    /// Reads it over the windows, or says what is missing.
    pub(super) fn new(context: &Context<'_>, windows: &[(f64, f64)]) -> Result<Self, String> {
        for stem in ["attitude", "attitude_demand"] {
            if PARTS.iter().any(|p| context.series(&format!("{stem}.{p}")).is_none()) {
                return Err(format!("the channels {stem}.w, .i, .j, .k (or {stem}.roll, .pitch, .yaw)"));
            }
        }
        let mut names: Vec<String> =
            ["attitude", "attitude_demand"].iter().flat_map(|s| PARTS.map(|p| format!("{s}.{p}"))).collect();
        let rates = AXES.map(|(l, _)| format!("rate_demand.{l}"));
        let with_rates = rates.iter().all(|n| context.series(n).is_some());
        if with_rates {
            names.extend(rates);
        }
        let views: Vec<&str> = names.iter().map(String::as_str).collect();
        let joint = context
            .joint(&views, windows)
            .ok_or_else(|| "a stretch in the air in attitude command".to_owned())?;
        let stretches = joint
            .stretches
            .iter()
            .filter(|s| s.len() as f64 * joint.period >= 1.0)
            .map(|s| {
                let mut out = Stretch {
                    start: s.start,
                    angle: Default::default(),
                    demand: Default::default(),
                    error: Default::default(),
                    rate_demand: with_rates.then(|| [8, 9, 10].map(|c| s.channels[c].clone())),
                };
                let q = |k: usize, from: usize| {
                    let part = |i: usize| s.channels[from + i][k];
                    UnitQuaternion::from_quaternion(Quaternion::new(part(0), part(1), part(2), part(3)))
                };
                for k in 0..s.len() {
                    let (is, asked) = (q(k, 0), q(k, 4));
                    let (a, d) = (is.euler_angles(), asked.euler_angles());
                    out.angle[0].push(a.0);
                    out.angle[1].push(a.1);
                    out.demand[0].push(d.0);
                    out.demand[1].push(d.1);
                    let error = (is.inverse() * asked).scaled_axis();
                    out.error.iter_mut().zip(error.iter()).for_each(|(list, e)| list.push(*e));
                }
                out
            })
            .collect::<Vec<_>>();
        if stretches.is_empty() {
            return Err("a stretch of 1 s in attitude command without gaps".to_owned());
        }
        Ok(Self { period: joint.period, stretches })
    }
}

/// Stretches in the air in which no velocity is demanded.
fn without_velocity(context: &Context<'_>) -> Vec<(f64, f64)> {
    let air = context.airborne();
    let Some(demand) = context.series("velocity_demand.x") else { return air };
    let mut out = Vec::new();
    for (from, to) in air {
        let (times, _) = demand.slice(from, to);
        let mut cursor = from;
        let mut k = 0;
        while let Some(&first) = times.get(k) {
            let mut end = k;
            while times.get(end + 1).is_some_and(|t| t - times[end] < 5.0 * demand.period) {
                end += 1;
            }
            if first - cursor > demand.period {
                out.push((cursor, first - demand.period));
            }
            cursor = times[end] + demand.period;
            k = end + 1;
        }
        if to > cursor {
            out.push((cursor, to));
        }
    }
    out
}

pub(super) fn run(context: &Context<'_>, out: &mut Out) {
    if context.series("attitude_demand.w").is_none() && context.series("attitude_demand.i").is_none() {
        // Nobody asked for an attitude: that this is missing is no news of a flight in rate command.
        return;
    }
    let windows = without_velocity(context);
    if windows.is_empty() {
        return;
    }
    match Flown::new(context, &windows) {
        Ok(flown) => {
            for axis in 0..2 {
                gain(context, &flown, axis, out);
            }
            steps::run(context, &flown, out);
            response::run(context, &flown, out);
            diagonals::run(context, &flown, out);
        }
        Err(missing) => {
            let test = "fly in attitude command with attitude and its demand logged at 100 Hz or more";
            out.cannot_tell("attitude.step.x.overshoot", "attitude steps", missing, test, RESTS);
        }
    }
}

/// Share of the rate limit up to which the rate demand counts as free.
const FREE: f64 = 0.9;
/// Share of the rate demand's variance that the attitude error must explain.
const EXPLAINED: f64 = 0.9;

/// The gain from attitude error to rate demand.
fn gain(context: &Context<'_>, flown: &Flown, axis: usize, out: &mut Out) {
    let (letter, name) = AXES[axis];
    let (key, label) = (format!("attitude.{letter}.gain"), format!("{name} attitude gain"));
    let test =
        "log rate_demand beside attitude and attitude_demand while the attitude is moved by 5 deg or more";
    let limit = context.known.aircraft.as_ref().and_then(|a| a.attitude_loop.as_ref()).map(|l| l.rate_limit);
    let (mut x, mut y) = (Vec::new(), Vec::new());
    for s in &flown.stretches {
        let Some(rates) = &s.rate_demand else { continue };
        for (e, r) in s.error[axis].iter().zip(&rates[axis]) {
            if limit.is_none_or(|l| r.abs() < FREE * l) {
                x.push(*e);
                y.push(*r);
            }
        }
    }
    // Every tenth of a second is enough, and keeps long flights quick.
    let every = ((0.02 / flown.period).round() as usize).max(1);
    let thin = |v: &[f64]| -> Vec<f64> { v.iter().step_by(every).copied().collect() };
    let (x, y) = (thin(&x), thin(&y));
    if robust::rms(&x).unwrap_or(0.0) < 0.01 {
        let missing = if x.is_empty() {
            format!("the channel rate_demand.{letter} in attitude command")
        } else {
            format!("excitation: {name} error above 0.6 deg r.m.s.")
        };
        out.cannot_tell(&key, &label, missing, test, RESTS);
        return;
    }
    let rows = x.len();
    let m = DMatrix::from_iterator(rows, 2, x.iter().copied().chain(std::iter::repeat_n(1.0, rows)));
    let Ok(fit) = lsq::fit(&m, &DVector::from_vec(y), None) else {
        out.cannot_tell(&key, &label, "samples that are finite", test, RESTS);
        return;
    };
    if fit.explained < EXPLAINED || fit.value(0) <= 0.0 {
        let missing = format!(
            "a rate demand that follows the attitude error: a gain explains {:.0} % of it only",
            100.0 * fit.explained.max(0.0)
        );
        out.cannot_tell(&key, &label, missing, test, RESTS);
        return;
    }
    let fit = fit.correlated(&m, None);
    let value = fit.value(0);
    let e =
        context.estimate(&format!("{name} attitude gain"), value, fit.error(0).hypot(0.005 * value), "1/s");
    let text = format!(
        "Slope of the rate demand over the attitude error, below {:.0} % of the rate limit; it explains {:.1} % of the demand.",
        100.0 * FREE,
        100.0 * fit.explained
    );
    out.value(&key, &label, e, text, RESTS);
}
