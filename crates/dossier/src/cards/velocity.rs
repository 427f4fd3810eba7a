//! Velocity steps.

use super::basis::Basis;
use super::common::{channel, height, limit, lines, number, room, too_low};
use super::shown::{metres, seconds, speed};
use super::{Draft, Power, Spec};

pub(super) const CARD: Spec = Spec {
    id: "velocity-steps",
    title: "Velocity steps of 3 m/s",
    gate: "velocity",
    record: "flight",
    power: Power::Free,
    criteria: &["velocity.gain", "velocity.phase-margin", "velocity.overshoot"],
    fill,
};

/// The hold of place and height in wind.
pub(super) const HOLD: Spec = Spec {
    id: "hold",
    title: "Hold of place and height in wind",
    gate: "velocity",
    record: "flight",
    power: Power::Free,
    criteria: &["velocity.position", "velocity.height"],
    fill: fill_hold,
};

const SIZE: f64 = 3.0;
/// Tilt limit of the velocity loop where the file states none, rad: 25 deg (common practice, no source).
const USUAL_TILT: f64 = 0.44;

/// Velocity gain: as stated, else a quarter of a quarter of the crossover.
fn gain(b: &Basis<'_>) -> f64 {
    b.aircraft.velocity_loop.as_ref().map_or(b.crossover / 16.0, |l| l.gain).max(0.05)
}

/// Way that it takes to stop from the step's speed, with a second of reaction.
fn stop(b: &Basis<'_>) -> f64 {
    SIZE * (1.0 + 2.0 / gain(b))
}

fn fill(b: &Basis<'_>) -> Draft {
    let hold = (4.0 / gain(b)).clamp(4.0, 10.0);
    let ahead = SIZE * hold + stop(b) + 2.0 * b.span;
    let above = height(b, None, 10.0, 5.0);
    let way = b.aircraft.velocity_loop.as_ref().map_or_else(
        || "loop.velocity.gain is not stated: a quarter of a quarter of the crossover is taken".to_owned(),
        |l| format!("four time constants at the velocity gain of {:.2} 1/s, 4 to 10 s (derived)", l.gain),
    );
    Draft {
        purpose: "Whether velocity command follows without overshoot, and how much phase its loop has left."
            .to_owned(),
        numbers: vec![
            number(
                "size",
                "velocity step",
                SIZE,
                "m/s",
                speed(SIZE),
                "the criterion's size; begin with 1 m/s",
            ),
            number("hold", "time to hold it", hold, "s", seconds(hold), way),
            number(
                "stop",
                "way to stop",
                stop(b),
                "m",
                metres(stop(b)),
                "a second of reaction and two time constants at the step's speed (derived)",
            ),
            room("room ahead, in each direction", ahead, "way of a step, way to stop, two spans"),
            above,
        ],
        you_need: lines([
            "gate attitude met",
            "gate sensing met: a heading error turns what the loop asks for",
            "wind below a fifth of what the aircraft holds",
            "an observer who watches the room ahead",
        ]),
        set_up: lines([
            "The pilot can take attitude command back by one switch, tried on the ground and in a hover before the first step.",
            "First flight: speed limited to 1 m/s and tilt to 10 deg; low-thrust attitude authority off.",
            "Satellites as many as usual at the site, heading checked against a landmark.",
        ]),
        steps: lines([
            "Hover in attitude command, then velocity command at zero: it stays, and does not circle. If it circles, take over at once.",
            "Gentle first: 1 m/s forward and stop. Land, read the log.",
            "3 m/s forward, hold, stop, hold; the same back, left and right.",
            "Climb by 1.5 m/s, hold, stop, hold; descend the same. Well above the ground: a fast descent straight down meets the own wake.",
            "Take over by the switch in flight, once.",
            "Land at a third of the charge.",
        ]),
        abort_limits: vec![
            limit(
                "circling",
                "half a turn",
                "the heading is wrong by more than the loop's phase margin: attitude command, land",
            ),
            limit("speed", speed(1.6 * SIZE), "1.6 x the step"),
            limit("distance ahead", metres(ahead), "the room"),
            limit(
                "tilt",
                format!("{:.0} deg", tilt_limit(b) + 5.0),
                "5 deg beyond what the loop may ask for",
            ),
            limit("an oscillation that grows", "two swings", "velocity gain down by a third"),
        ],
        log: vec![
            channel("velocity_demand.x, .y, .z", "before mixing", 20.0, "the steps"),
            channel(
                "velocity.x, .y, .z",
                "estimated or external",
                20.0,
                "ten samples within a tenth of a second matter little here; external shows the estimate's delay",
            ),
            channel(
                "thrust_demand",
                "before mixing",
                20.0,
                "what thrust makes of the climb speed; else the mean rotor command stands in",
            ),
            channel(
                "attitude_demand.w, .i, .j, .k",
                "before mixing",
                20.0,
                "what the velocity loop asks for: its gain and integral",
            ),
            channel("attitude.w, .i, .j, .k", "estimated or external", 20.0, "tilt"),
            channel("rotor.N.command", "after mixing", 50.0, "saturation"),
        ],
        computed_after: lines([
            "overshoot, rise, settling and the error left at the end of steps",
            "gain, integral and delay of the velocity loop as it works, and the phase it spends",
        ]),
        pass_limits: Vec::new(),
        check_boxes: lines([
            "take-over switch tried",
            "room ahead free in all four directions",
            "low-thrust attitude authority off (first flight)",
        ]),
    }
}

fn fill_hold(b: &Basis<'_>) -> Draft {
    let above = height(b, None, 10.0, 5.0);
    let ahead = 10.0 + 2.0 * b.span + stop(b);
    let time = 60.0;
    Draft {
        purpose: "Whether place and height are held in the wind that the aircraft is for.".to_owned(),
        numbers: vec![
            number(
                "time",
                "time to hold",
                time,
                "s",
                seconds(time),
                "15 s count at the least; a minute holds a few of the slow gusts (common practice, no source)",
            ),
            room("room to each side", ahead, "ten times the limit, way to stop, two spans"),
            above.clone(),
        ],
        you_need: lines([
            "velocity steps without overshoot",
            "an anemometer at the height of the hold, or as near as a pole reaches",
            "an observer downwind",
        ]),
        set_up: lines([
            "Calm first, then a third, two thirds and all of the wind that the requirement states: one flight each.",
            "Take-over switch tried.",
        ]),
        steps: lines([
            "Hover into the wind in attitude command; the tilt that it takes is within the velocity loop's limit.",
            "Hold place and height for the time, sticks still. Write down the mean wind.",
            "Turn by a quarter, hold again: a heading error shows as another place.",
            "Land at a third of the charge: wind costs charge.",
        ]),
        abort_limits: vec![
            limit("distance from the place", metres(5.0), "five times the limit"),
            limit("circling", "half a turn", "the heading is wrong: attitude command, land"),
            limit(
                "tilt",
                format!("{:.0} deg", tilt_limit(b)),
                "the velocity loop's limit: it can no longer hold",
            ),
            too_low(&above),
        ],
        log: vec![
            channel("position_demand.x, .y, .z", "before mixing", 10.0, "what was to be held"),
            channel(
                "position.x, .y, .z",
                "estimated or external",
                10.0,
                "the controller's own estimate hides its own drift; external does not",
            ),
            channel(
                "velocity_demand.x, .y, .z and velocity",
                "before mixing; estimated",
                10.0,
                "the loop at work",
            ),
            channel("wind", "by hand", 0.0, "given at import: --value wind='6 m/s'"),
        ],
        computed_after: lines([
            "distance from the place and error of height that 95 % of the time stays within",
            "mean error of place: what the integral leaves",
        ]),
        pass_limits: Vec::new(),
        check_boxes: lines(["mean wind written down", "take-over switch tried", "observer downwind"]),
    }
}

/// Tilt at which place can no longer be held, deg.
fn tilt_limit(b: &Basis<'_>) -> f64 {
    let stated = b.aircraft.velocity_loop.as_ref().map(|l| l.tilt_limit);
    // Full thrust carries the weight up to this tilt.
    let carried = (b.weight / b.thrust.max(b.weight)).acos();
    stated.unwrap_or(USUAL_TILT).min(carried).to_degrees()
}
