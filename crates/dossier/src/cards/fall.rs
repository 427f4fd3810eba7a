//! Inertia from a weight that falls on a thread.

use physics::STANDARD_GRAVITY;

use super::basis::Basis;
use super::common::{channel, limit, lines, number};
use super::shown::{joules, mass, metres, seconds, square_metre_inertia};
use super::{Draft, Power, Spec};

pub(super) const CARD: Spec = Spec {
    id: "fall",
    title: "Turn by a falling weight",
    gate: "sizing",
    record: "fall",
    power: Power::Unpowered,
    criteria: &["sizing.roll-acceleration", "sizing.pitch-acceleration", "sizing.yaw-acceleration"],
    fill,
};

/// Angle over which the body is sped up, rad: a quarter turn, so that air and slant of the picture stay small.
const ANGLE: f64 = std::f64::consts::FRAC_PI_2;
/// Time that it takes, s: 30 pictures a second show it well.
const TIME: f64 = 0.8;

fn fill(b: &Basis<'_>) -> Draft {
    let radius = (0.06 * b.size).clamp(0.01, 0.1);
    let inertia = b.body.inertia[(1, 1)].max(1e-9);
    let acceleration = 2.0 * ANGLE / (TIME * TIME);
    // m g r = (I + m r^2) a.
    let weight = inertia * acceleration
        / (radius * (STANDARD_GRAVITY - radius * acceleration).max(0.2 * STANDARD_GRAVITY));
    let fall = radius * ANGLE;
    let energy = weight * STANDARD_GRAVITY * fall;
    Draft {
        purpose:
            "Inertia about an axis from the pull of a known weight takes the place of the computed one: for what cannot hang on two wires."
                .to_owned(),
        numbers: vec![
            number(
                "radius",
                "radius of the drum",
                radius,
                "m",
                metres(radius),
                "6 % of the size, 10 to 100 mm (common practice, no source); measured with half the thread's thickness added",
            ),
            number(
                "weight",
                "falling weight",
                weight,
                "kg",
                mass(weight),
                format!(
                    "turns the computed {} about pitch a quarter turn in {} (m g r = (I + m r²) α, derived); scale it with the inertia for the other axes",
                    square_metre_inertia(inertia),
                    seconds(TIME)
                ),
            ),
            number(
                "way",
                "way that it falls",
                fall,
                "m",
                metres(fall),
                "a quarter turn of the drum: later the air brakes and a picture is seen aslant (derived)",
            ),
            number(
                "energy",
                "energy in the turn",
                energy,
                "J",
                joules(energy),
                "weight times way: what a soft stop must take up (derived)",
            ),
        ],
        you_need: lines([
            "an axle with free bearings through the centre of gravity, and a drum on it",
            "thin thread that does not stretch, weights, scales, calliper",
            "a camera at right angles to the axle with two marks on the aircraft, or the gyro log",
            "a soft stop below the weight",
        ]),
        set_up: lines([
            "Balance the aircraft on the axle until it stays where it is left: a centre of gravity off the axis swings and spoils the figure.",
            "Stow payload, battery and leads as flown. No draught.",
            "Wind the thread in one layer; it must leave the drum straight down.",
            "Find the weight that just keeps the body turning once it is pushed: y.friction_mass.",
        ]),
        steps: lines([
            "Start film or log, wait a second at rest, let go without a push.",
            "Stop the body softly after the weight has landed.",
            "Three runs with this weight, two with half of it: the inertia must come out the same.",
            "Turn drum and holder alone with a small weight: y.rig.",
        ]),
        abort_limits: vec![
            limit("thread", "it slips, crosses itself or goes slack", "the pull is then not the weight's"),
            limit("axle", "the body leans or wobbles", "it must not come off its bearings"),
        ],
        log: vec![
            channel("y.mass, y.radius, y.friction_mass, y.rig", "scales, calliper", 0.0, "x, y or z: the axis that turns"),
            channel(
                "point.1.x, point.1.y, point.2.x, point.2.y",
                "film",
                25.0,
                format!("20 pictures within the {} of the turn", seconds(TIME)),
            ),
            channel("rate.y (the axis that turns)", "raw", 100.0, "in place of the film"),
        ],
        computed_after: lines([
            "inertia about the axis with its uncertainty: (m - m_f) g r/α - m r²",
            "angular acceleration available, loop gain",
        ]),
        pass_limits: Vec::new(),
        check_boxes: lines(["bearings hold three times the weight of aircraft and drum", "soft stop in place"]),
    }
}
