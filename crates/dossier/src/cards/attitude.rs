//! Steps, sweeps and hard diagonals in attitude command.

use physics::STANDARD_GRAVITY;

use super::basis::Basis;
use super::common::{channel, height, limit, lines, loop_rate, number, room, too_low};
use super::shown::{degrees, hertz, metres, seconds, speed};
use super::{Draft, Power, Spec};

pub(super) const CARD: Spec = Spec {
    id: "attitude",
    title: "Attitude steps, sweeps and hard diagonals",
    gate: "attitude",
    record: "flight",
    power: Power::Free,
    criteria: &["attitude."],
    fill,
};

/// Tilt at full stick where the file states none, rad (common practice, no source).
const USUAL_TILT: f64 = 0.52;
/// Slowest and quickest swing of the diagonals, Hz.
const SLOW: f64 = 0.2;
const QUICK: f64 = 2.0;

fn fill(b: &Basis<'_>) -> Draft {
    let stated = b.aircraft.attitude_loop.as_ref().and_then(|l| l.full_tilt);
    let tilt = stated.unwrap_or(USUAL_TILT);
    let first = b.first_flight().tilt.min(0.5 * tilt);
    // Swinging with tilt T sin(w t) the acceleration is about g T sin(w t): speed g T / w, way g T / w^2.
    let pace = std::f64::consts::TAU * SLOW;
    let fastest = STANDARD_GRAVITY * tilt.tan() / pace;
    let way = STANDARD_GRAVITY * tilt.tan() / pace.powi(2);
    let room_aside = 2.0 * way + 4.0 * b.span;
    let above = height(b, Some(room_aside), 10.0, 5.0);
    let gain = b.aircraft.rate_loop.as_ref().map_or(0.0, |l| l.p[0].max(l.p[1]));
    let top = (3.5 * b.crossover.max(gain) / std::f64::consts::TAU).max(2.0 * QUICK);
    let (loops, loops_why) = loop_rate(b);
    Draft {
        purpose: "Whether attitude command follows without overshoot and survives hard diagonal stick: the hardest that the \
                  rotors are asked for."
            .to_owned(),
        numbers: vec![
            number(
                "full-tilt",
                "tilt at full stick",
                tilt,
                "rad",
                degrees(tilt),
                if stated.is_some() {
                    "loop.attitude.full_tilt"
                } else {
                    "loop.attitude.full_tilt is not stated: common practice, no source; state it, else the diagonals cannot be judged"
                },
            ),
            number(
                "first-tilt",
                "tilt at full stick for the first flight",
                first,
                "rad",
                degrees(first),
                "half of it, the first-flight limit at most: gentle first",
            ),
            number("step", "attitude step", first.min(0.26), "rad", degrees(first.min(0.26)), "15 deg, or the first tilt"),
            number(
                "sweep-top",
                "upper end of the sweep",
                top,
                "Hz",
                hertz(top),
                format!(
                    "3.5 x the crossover, {:.1} rad/s (the larger of the required one and the rate gain p): phase delay wants twice \
                     the frequency of -180 deg, which lies near 1.6 crossovers (derived)",
                    b.crossover.max(gain)
                ),
            ),
            number("speed", "speed in the slowest diagonal", fastest, "m/s", speed(fastest), "g tan(tilt)/(2 pi 0.2 Hz)"),
            room(
                "room to each side",
                room_aside,
                "twice the way of the slowest swing, g tan(tilt)/(2 pi 0.2 Hz)^2, and four spans",
            ),
            above.clone(),
        ],
        you_need: lines([
            "gate rate met: overshoot, margins, no growing oscillation",
            "wind below a fifth of what the aircraft holds",
            "one observer for the aircraft and one for the air and the people around it, both with a word for stop",
        ]),
        set_up: lines([
            "First flight: whatever raises or keeps attitude authority at low thrust is OFF. It holds attitude by adding thrust: \
             with a fault on the ground or after a bounce it lifts the aircraft off.",
            "First flight: full stick gives the first tilt above, not the full one.",
            "Geofence, low-battery and lost-link actions set and tried.",
            "Attitude and its demand, rate demand and every rotor's command into the log.",
        ]),
        steps: lines([
            "Hover for 10 s, sticks still: nothing swings.",
            "Gentle first: single steps of half size about roll, then pitch, to both sides. Land, read the log: overshoot, hot motors.",
            "Steps of full size, four about roll and four about pitch, each held for 1 s.",
            "A sweep of small stick (5 deg) from 0.3 Hz to the upper end in 20 s, about roll, then about pitch.",
            "Diagonals at half stick, quick to slow, along both lines. Land, read saturation.",
            "Diagonals at 80 to 90 % and at 90 to 100 % stick, from 2 Hz down to 0.2 Hz in 15 s, along both lines.",
            "Only after that, and only if the aircraft is to fly with it: low-thrust attitude authority on, and the gentle part again.",
            "Land at a third of the charge.",
        ]),
        abort_limits: vec![
            limit("tilt", degrees((1.3 * tilt).min(1.2)), "1.3 x the tilt at full stick: it no longer follows"),
            limit("distance from the pilot", metres(2.0 * room_aside), "twice the room: attitude can no longer be seen"),
            limit("an oscillation that grows", "two swings", "attitude gain down by a third"),
            too_low(&above),
            limit("an observer calls stop", "level, climb away, land", "no discussion in the air"),
            limit("saturation", seconds(0.3), "three times the limit in one swing: back to less stick"),
        ],
        log: vec![
            channel("attitude.w, .i, .j, .k", "estimated or external", loops.max(100.0), loops_why.clone()),
            channel("attitude_demand.w, .i, .j, .k", "before mixing", loops.max(100.0), "what was asked for: steps, sweep, diagonals"),
            channel("rate_demand.x, .y, .z", "before mixing", loops.max(100.0), "the attitude gain, as it works"),
            channel("rate.x, .y, .z", "filtered", loops.max(200.0), loops_why),
            channel("rotor.N.command", "after mixing", loops.max(200.0), "saturation, to a tenth of the limit of 0.1 s"),
        ],
        computed_after: lines([
            "overshoot, rise and settling of attitude steps",
            "attitude gain as it works, bandwidth and phase delay",
            "cells of stick and frequency flown in the four diagonals, longest saturation",
        ]),
        pass_limits: Vec::new(),
        check_boxes: lines([
            "low-thrust attitude authority off (first flight)",
            "first tilt set (first flight)",
            "observers in place, word for stop agreed",
            "room to each side free",
        ]),
    }
}
