//! Velocity command as flown: gain and delay of the loop's controller, steps level and in climb, what velocity and climb make
//! of tilt and thrust over frequency, and how place and height are held.

mod controller;
mod fitted;
mod heave;
mod hold;
mod response;
mod steps;

use super::context::{Context, Out};

const RESTS: &[&str] = &["loop", "esc", "motor", "rotor", "filter", "mass", "imu", "station", "aircraft"];

/// Air time in which no position loop makes the velocity demand.
fn outside(context: &Context<'_>) -> Vec<(f64, f64)> {
    let Some(held) = context.series("position_demand.x") else { return context.airborne() };
    let gap = 3.0 * held.period;
    let mut out = Vec::new();
    for (from, to) in context.airborne() {
        let mut begin = from;
        for t in held.slice(from, to).0 {
            if t - begin > gap {
                out.push((begin, t - held.period));
            }
            begin = t + held.period;
        }
        if to - begin > gap {
            out.push((begin, to));
        }
    }
    out
}

pub(super) fn run(context: &Context<'_>, out: &mut Out) {
    let demanded = ["x", "y"].iter().any(|a| context.series(&format!("velocity_demand.{a}")).is_some());
    let placed = ["x", "y"].iter().any(|a| context.series(&format!("position_demand.{a}")).is_some());
    if demanded {
        steps::run(context, out);
        controller::run(context, out);
    }
    response::run(context, out);
    heave::run(context, out);
    if demanded || placed {
        hold::run(context, out);
    }
}
