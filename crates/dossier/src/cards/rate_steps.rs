//! Steps of the rate demand.

use physics::STANDARD_GRAVITY;

use super::basis::Basis;
use super::common::{channel, height, limit, lines, loop_rate, number, room, too_low, vibration_rate};
use super::shown::{degrees, degrees_per_second, seconds};
use super::{Draft, Power, Spec};

pub(super) const CARD: Spec = Spec {
    id: "rate-steps",
    title: "Rate steps of 100 deg/s",
    gate: "rate",
    record: "flight",
    power: Power::Free,
    criteria: &["rate."],
    fill,
};

fn fill(b: &Basis<'_>) -> Draft {
    let size = 100_f64.to_radians();
    // Six time constants of the loop show the step settled; the tilt that it costs limits it.
    let settle = 6.0 / b.crossover;
    let hold = settle.clamp(0.15, 0.30);
    let tilt = size * hold;
    // Sideways while it tilts, for the release of 2 s and the way back.
    let way = 0.5 * STANDARD_GRAVITY * (0.5 * tilt).tan() * 4.0;
    let above = height(b, Some(way), 5.0, 3.0);
    let (vibration, vibration_why) = vibration_rate(b);
    let (loops, loops_why) = loop_rate(b);
    Draft {
        purpose:
            "Whether rate steps are crisp, without overshoot or drift, to both sides and about every axis."
                .to_owned(),
        numbers: vec![
            number(
                "size",
                "step",
                size,
                "rad/s",
                degrees_per_second(size),
                "the criterion's size; begin with half of it",
            ),
            number(
                "hold",
                "time to hold it",
                hold,
                "s",
                seconds(hold),
                format!(
                    "6/wc = {} at wc = {:.1} rad/s, 0.15 to 0.30 s: settled, but not on its side (derived)",
                    seconds(settle),
                    b.crossover
                ),
            ),
            number("step-tilt", "tilt after a step", tilt, "rad", degrees(tilt), "size x time"),
            room("room to each side", way, "g tan(tilt/2) over 2 s of release and as long to come back"),
            above.clone(),
        ],
        you_need: lines([
            "a hover that was as computed",
            "gate vibration met",
            "wind below a fifth of what the aircraft holds",
        ]),
        set_up: lines([
            "Rate command, steps by script or by a switch: hands are too slow and never the same.",
            "Release: demand zero for 2 s, nobody touches it.",
        ]),
        steps: lines([
            "Hover, then one step of half the size right, release, back to level.",
            "Ten steps of full size about roll, five to each side; the same about pitch; yaw at 60 deg/s.",
            "One pull of full thrust of half a second at the end, for full thrust and saturation.",
            "Land at a third of the charge.",
        ]),
        abort_limits: vec![
            limit("tilt", degrees((1.5 * tilt).min(60_f64.to_radians())), "1.5 x the tilt of a step"),
            limit(
                "an oscillation that grows after a release",
                "two swings",
                "the loop is near its neutral frequency: gains down",
            ),
            limit("rate", degrees_per_second(1.5 * size), "1.5 x the step"),
            too_low(&above),
        ],
        log: vec![
            channel("rate_demand.x, .y, .z", "before mixing", loops.max(100.0), loops_why.clone()),
            channel(
                "rate.x, .y, .z",
                "filtered",
                loops.max(200.0),
                format!("{loops_why}; 200 Hz at least: rise within a sample or two says nothing"),
            ),
            channel("rate_raw.x, .y, .z and accel", "raw", vibration, vibration_why),
            channel(
                "rotor.N.command",
                "after mixing",
                loops.max(200.0),
                "saturation, plant from outside the loop",
            ),
            channel(
                "attitude.w, .i, .j, .k",
                "estimated or external",
                50.0,
                "drift after the release: a gyro cannot show its own bias",
            ),
        ],
        computed_after: lines([
            "overshoot, rise, settling, left against right, drift and half-cycles after release",
            "margins and the loop's gain and delay",
            "the next step of gain",
        ]),
        pass_limits: Vec::new(),
        check_boxes: lines(["room to each side free"]),
    }
}
