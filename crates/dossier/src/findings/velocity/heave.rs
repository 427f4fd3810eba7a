//! Climb speed over thrust asked for, as a share of the thrust that carries the weight.
//!
//! Thrust is the demand before mixing where it is logged, else the mean rotor command, times the cosine of the tilt where the
//! attitude is logged. With u the share, dv/dt = gain (u - 1) - decay v: a demand that is proportional to thrust has the gain g,
//! less what the bus sags; a command g times twice that, about.

use nalgebra::{Quaternion, UnitQuaternion};
use signal::robust;

use super::super::context::{Context, Joint, Out};
use super::fitted::{self, Ask, Data};
use super::outside;

/// Least stretch, s.
const LEAST: f64 = 8.0;
/// Crossover of the climb loop where no file states its gain, rad/s. Our choice.
const NEAR: f64 = 2.0;
/// How much thrust must be moved without a climb demand, as a share: its middle four fifths. Our choice.
const MOVED: f64 = 0.06;

const TEST: &str = "fly climb steps of 1.5 m/s up and down, each held for 4 s, with velocity, its demand and the thrust demand logged at 20 Hz or more";
const THROUGH: Ask = Ask {
    stem: "heave",
    chart: "heave-response",
    name: "heave response",
    outside: true,
    near: NEAR,
    gain: (
        "vertical acceleration per share of the hover's thrust demand",
        "m/s^2",
        "It should be 9.8, less what the bus sags under all rotors.",
    ),
    decay: "vertical damping",
    lag: false,
    test: TEST,
};
const BY_THROTTLE: Ask = Ask {
    stem: "heave.by_throttle",
    chart: "heave-by-throttle",
    name: "heave by throttle",
    outside: false,
    ..THROUGH
};
/// Where the rotor commands stand in for the thrust demand.
const BY_COMMAND: (&str, &str, &str) = (
    "vertical acceleration per share of the hover's rotor command",
    "m/s^2",
    "Of the mean rotor command, as no thrust demand is logged: twice 9.8 for a thrust by the square of the command.",
);

pub(super) fn run(context: &Context<'_>, out: &mut Out) {
    let gain = context.known.aircraft.as_ref().and_then(|a| a.velocity_loop.as_ref()).map(|l| l.climb_gain);
    let near = gain.filter(|g| *g > 0.0).unwrap_or(NEAR).clamp(0.3, 8.0);
    let demanded = context.series("velocity_demand.z").is_some();
    let by_demand = context.series("thrust_demand").is_some();
    let Some(data) = data(context, demanded, by_demand) else { return };
    let mut ask = Ask { near, ..if demanded { THROUGH } else { BY_THROTTLE } };
    if !by_demand {
        // Another figure than that of the demand: it is not held against its prediction.
        (ask.stem, ask.gain) = ("heave.by_command", BY_COMMAND);
    }
    let asked: Vec<f64> = data.parts.iter().flat_map(|p| p[1].iter().copied()).collect();
    if demanded || fitted::moved(&asked) >= MOVED {
        fitted::run(context, &data, &ask, !demanded, out);
    }
}

/// Climb demand (or the thrust in its place), thrust as a share, climb speed.
fn data(context: &Context<'_>, demanded: bool, by_demand: bool) -> Option<Data> {
    let turned = context.series("attitude.w").is_some();
    let mut names = vec!["velocity.z".to_owned()];
    if demanded {
        names.push("velocity_demand.z".to_owned());
    }
    let quaternion = names.len();
    if turned {
        names.extend(["w", "i", "j", "k"].map(|c| format!("attitude.{c}")));
    }
    let thrust = names.len();
    if by_demand {
        names.push("thrust_demand".to_owned());
    } else {
        names.extend((1..=context.rotors).map(|k| format!("rotor.{k}.command")));
    }
    if names.len() == thrust {
        return None;
    }
    let views: Vec<&str> = names.iter().map(String::as_str).collect();
    let Joint { period, stretches } = context.joint(&views, &outside(context))?;
    let mut parts: Vec<[Vec<f64>; 3]> = Vec::new();
    for s in stretches.iter().filter(|s| (s.len() as f64) * period >= LEAST) {
        let count = (names.len() - thrust) as f64;
        let share: Vec<f64> = (0..s.len())
            .map(|k| {
                let c = |i: usize| s.channels[i][k];
                let upright = if turned {
                    let [w, i, j, l] = [0, 1, 2, 3].map(|n| c(quaternion + n));
                    (UnitQuaternion::from_quaternion(Quaternion::new(w, i, j, l)) * nalgebra::Vector3::z()).z
                } else {
                    1.0
                };
                upright * (thrust..names.len()).map(c).sum::<f64>() / count
            })
            .collect();
        let climb = |i: usize| s.channels[i].iter().map(|v| -v).collect::<Vec<f64>>();
        let reference = if demanded { climb(1) } else { share.clone() };
        parts.push([reference, share, climb(0)]);
    }
    let all: Vec<f64> = parts.iter().flat_map(|p| p[1].iter().copied()).collect();
    let hover = robust::median(&all).filter(|m| *m > 0.0)?;
    for p in &mut parts {
        p[1].iter_mut().for_each(|u| *u /= hover);
        if !demanded {
            p[0].iter_mut().for_each(|u| *u /= hover);
        }
    }
    Some(Data { parts, period })
}
