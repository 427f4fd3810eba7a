//! Velocity over the acceleration asked for by tilt, in earth axes.
//!
//! Where the velocity demand is logged and no position loop makes it, it comes from outside the loop and the response is read
//! through it. In attitude command it is read from the tilt demand itself.

use nalgebra::{Quaternion, UnitQuaternion};
use physics::STANDARD_GRAVITY;

use super::super::context::{Context, Joint, Out};
use super::fitted::{self, Ask, Data};
use super::outside;

/// Least stretch, s.
const LEAST: f64 = 8.0;
/// Crossover of the velocity loop where no file states its gain, rad/s. Our choice.
const NEAR: f64 = 1.0;
/// How much of an acceleration must be asked for without a velocity demand, m/s^2: its middle four fifths. Our choice.
const MOVED: f64 = 0.5;

const TEST: &str = "fly velocity steps of 3 m/s for 40 s or more with velocity, its demand and the attitude demand logged at 20 Hz or more";
const THROUGH: Ask = Ask {
    stem: "velocity.response",
    chart: "velocity-response",
    name: "velocity response",
    outside: true,
    near: NEAR,
    gain: ("acceleration had over that asked for by tilt", "1", "It should be 1."),
    decay: "decay of the velocity by drag",
    lag: true,
    test: TEST,
};
const BY_TILT: Ask = Ask {
    stem: "velocity.by_tilt",
    chart: "velocity-by-tilt",
    name: "velocity by tilt",
    outside: false,
    ..THROUGH
};

pub(super) fn run(context: &Context<'_>, out: &mut Out) {
    let gain = context.known.aircraft.as_ref().and_then(|a| a.velocity_loop.as_ref()).map(|l| l.gain);
    let near = gain.filter(|g| *g > 0.0).unwrap_or(NEAR).clamp(0.2, 6.0);
    let demanded = context.series("velocity_demand.x").is_some();
    let Some(data) = data(context, demanded) else { return };
    if demanded {
        fitted::run(context, &data, &Ask { near, ..THROUGH }, false, out);
        return;
    }
    let asked: Vec<f64> = data.parts.iter().flat_map(|p| p[1].iter().copied()).collect();
    if fitted::moved(&asked) >= MOVED {
        fitted::run(context, &data, &Ask { near, ..BY_TILT }, true, out);
    }
}

/// Demand (or the acceleration asked for in its place), acceleration asked for, velocity: both earth axes.
fn data(context: &Context<'_>, demanded: bool) -> Option<Data> {
    let mut names: Vec<String> =
        ["w", "i", "j", "k"].iter().map(|c| format!("attitude_demand.{c}")).collect();
    names.extend(["x", "y"].map(|a| format!("velocity.{a}")));
    if demanded {
        names.extend(["x", "y"].map(|a| format!("velocity_demand.{a}")));
    }
    let views: Vec<&str> = names.iter().map(String::as_str).collect();
    let Joint { period, stretches } = context.joint(&views, &outside(context))?;
    let limit = context.known.aircraft.as_ref().and_then(|a| a.velocity_loop.as_ref()).map(|l| l.tilt_limit);
    let mut parts = Vec::new();
    for s in &stretches {
        if (s.len() as f64) * period < LEAST {
            continue;
        }
        let (mut asked, mut limited) = ([Vec::with_capacity(s.len()), Vec::with_capacity(s.len())], false);
        for k in 0..s.len() {
            let c = |i: usize| s.channels[i][k];
            let q = UnitQuaternion::from_quaternion(Quaternion::new(c(0), c(1), c(2), c(3)));
            let up = q * nalgebra::Vector3::new(0.0, 0.0, -1.0);
            let per = STANDARD_GRAVITY / (-up.z).max(0.1);
            asked[0].push(up.x * per);
            asked[1].push(up.y * per);
            limited |= demanded && limit.is_some_and(|l| (-up.z).clamp(-1.0, 1.0).acos() > 0.98 * l);
        }
        // A tilt at its limit is no longer what the demand made of it.
        if limited {
            continue;
        }
        for (axis, asked) in asked.into_iter().enumerate() {
            let reference = if demanded { s.channels[6 + axis].clone() } else { asked.clone() };
            parts.push([reference, asked, s.channels[4 + axis].clone()]);
        }
    }
    (!parts.is_empty()).then_some(Data { parts, period })
}
