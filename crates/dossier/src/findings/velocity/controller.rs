//! The velocity loop's controller from its input and output.
//!
//! The tilt demanded, as a horizontal acceleration g tan(tilt) in earth axes, is regressed on the velocity error and its
//! integral, with the velocity shifted by a delay; the delay that explains most is taken. Velocity here is what is
//! logged: where that is the controller's own late estimate the delay found is that from the estimate on, and
//! the text says so.

use nalgebra::{DMatrix, DVector, Quaternion, UnitQuaternion};
use physics::STANDARD_GRAVITY;
use signal::lsq;

use super::super::context::{Context, Out};
use super::RESTS;
use crate::record::Tap;

/// Longest delay that is tried, s, and the spacing of the trials, s.
const LONGEST: f64 = 0.6;
const SPACING: f64 = 0.01;
/// Spacing of the rows, s: the loops are slow.
const ROW: f64 = 0.05;
/// Share of the demand's variance that the controller must explain.
const EXPLAINED: f64 = 0.9;

/// Rows of one stretch and one axis: acceleration asked for, demand, velocity.
struct Part {
    asked: Vec<f64>,
    demand: Vec<f64>,
    velocity: Vec<f64>,
}

pub(super) fn run(context: &Context<'_>, out: &mut Out) {
    let test = "fly velocity steps of 3 m/s with velocity_demand, velocity and attitude_demand logged at 20 Hz or more";
    let tell = |out: &mut Out, missing: String| {
        out.cannot_tell("velocity.gain", "velocity gain", missing, test, RESTS);
    };
    let Some((period, parts)) = parts(context) else {
        tell(
            out,
            "the channels attitude_demand.w, .i, .j, .k beside velocity and velocity_demand".to_owned(),
        );
        return;
    };
    let tries = (LONGEST / SPACING) as usize;
    let best = (0..=tries)
        .filter_map(|k| {
            let delay = k as f64 * SPACING;
            fit(&parts, period, delay).map(|(f, x)| (delay, f, x))
        })
        .max_by(|a, b| a.1.explained.total_cmp(&b.1.explained));
    let Some((delay, fit, x)) = best else {
        tell(out, "excitation: the velocity demand does not move".to_owned());
        return;
    };
    if fit.explained < EXPLAINED || fit.value(0) <= 0.0 {
        let share = 100.0 * fit.explained.max(0.0);
        tell(
            out,
            format!(
                "a tilt demand that follows the velocity error: a gain and an integral explain {share:.0} % of it only"
            ),
        );
        return;
    }
    let fit = fit.correlated(&x, None);
    let (gain, integral) = (fit.value(0), fit.value(1));
    let source = "velocity controller";
    let e = context.estimate(&format!("{source}, gain"), gain, fit.error(0).hypot(0.01 * gain), "1/s");
    let text = format!(
        "Slope of the acceleration asked for, g tan(tilt demand), over the velocity error; with an integral it explains {:.1} % of it.",
        100.0 * fit.explained
    );
    out.value("velocity.gain", "velocity gain", e, text, RESTS);
    let e = context.estimate(
        &format!("{source}, integral"),
        integral,
        fit.error(1).hypot(0.01 * integral.abs()),
        "1/s^2",
    );
    out.value("velocity.integral", "integral velocity gain", e, "From the same regression.", RESTS);
    let label = "delay of the velocity in the loop";
    if context.tap("velocity.x") == Some(Tap::External) {
        let error = (0.5 * SPACING).hypot(fit.error(0) / gain);
        let e = context.estimate(&format!("{source}, delay"), delay, error.max(period / 12f64.sqrt()), "s");
        let text = "The shift of the velocity, measured from outside, that explains the tilt demand best.";
        out.value("velocity.delay", label, e, text, RESTS);
    } else {
        let missing = "a velocity from outside the aircraft: the controller's own estimate hides its delay";
        let test = "log an external velocity, or state the estimator's delay as loop.velocity.delay";
        out.cannot_tell("velocity.delay", label, missing, test, RESTS);
    }
}

fn parts(context: &Context<'_>) -> Option<(f64, Vec<Part>)> {
    let names = [
        "velocity_demand.x",
        "velocity_demand.y",
        "velocity.x",
        "velocity.y",
        "attitude_demand.w",
        "attitude_demand.i",
        "attitude_demand.j",
        "attitude_demand.k",
    ];
    let joint = context.joint(&names, &context.airborne())?;
    let limit = context.known.aircraft.as_ref().and_then(|a| a.velocity_loop.as_ref()).map(|l| l.tilt_limit);
    let mut parts = Vec::new();
    for s in &joint.stretches {
        let mut asked = [Vec::new(), Vec::new()];
        let mut limited = false;
        for k in 0..s.len() {
            let c = |i: usize| s.channels[i][k];
            let q = UnitQuaternion::from_quaternion(Quaternion::new(c(4), c(5), c(6), c(7)));
            let up = q * nalgebra::Vector3::new(0.0, 0.0, -1.0);
            let per = STANDARD_GRAVITY / (-up.z).max(0.1);
            asked[0].push(up.x * per);
            asked[1].push(up.y * per);
            limited |= limit.is_some_and(|l| (-up.z).clamp(-1.0, 1.0).acos() > 0.98 * l);
        }
        // A limited tilt is no longer a sum of gain and integral, and the integral stood still meanwhile.
        if limited || s.len() as f64 * joint.period < 4.0 {
            continue;
        }
        for (axis, asked) in asked.into_iter().enumerate() {
            parts.push(Part {
                asked,
                demand: s.channels[axis].clone(),
                velocity: s.channels[2 + axis].clone(),
            });
        }
    }
    (!parts.is_empty()).then_some((joint.period, parts))
}

/// Regression with the velocity shifted by `delay`: gain, integral gain, and a level for each part.
fn fit(parts: &[Part], period: f64, delay: f64) -> Option<(lsq::Fit, DMatrix<f64>)> {
    let shift = delay / period;
    let every = ((ROW / period).round() as usize).max(1);
    let columns = 2 + parts.len();
    let (mut rows, mut y) = (Vec::new(), Vec::new());
    for (n, part) in parts.iter().enumerate() {
        let first = (LONGEST / period).ceil() as usize;
        let mut sum = 0.0;
        for k in first..part.asked.len() {
            let back = k as f64 - shift;
            let below = back.floor().max(0.0) as usize;
            let t = back - below as f64;
            let v = part.velocity[below] + t * (part.velocity[(below + 1).min(k)] - part.velocity[below]);
            let error = part.demand[k] - v;
            if (k - first).is_multiple_of(every) {
                let mut row = vec![0.0; columns];
                (row[0], row[1], row[2 + n]) = (error, sum, 1.0);
                rows.extend(row);
                y.push(part.asked[k]);
            }
            sum += error * period;
        }
    }
    if y.len() < 4 * columns {
        return None;
    }
    let x = DMatrix::from_row_slice(y.len(), columns, &rows);
    lsq::fit(&x, &DVector::from_vec(y), None).ok().map(|f| (f, x))
}
