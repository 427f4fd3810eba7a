//! Inertia from the period of a pendulum on two wires.

use std::f64::consts::PI;

use physics::STANDARD_GRAVITY;

use super::basis::Basis;
use super::common::{channel, limit, lines, number};
use super::shown::{metres, newtons, seconds, square_metre_inertia};
use super::{Draft, Power, Spec};

pub(super) const CARD: Spec = Spec {
    id: "swing",
    title: "Swing on two wires",
    gate: "sizing",
    record: "swing",
    power: Power::Unpowered,
    criteria: &["sizing.roll-acceleration", "sizing.pitch-acceleration", "sizing.yaw-acceleration"],
    fill,
};

fn fill(b: &Basis<'_>) -> Draft {
    let length = (2.0 * b.size).clamp(0.6, 3.0);
    let apart = 0.5 * b.size;
    // T = 4 pi sqrt(I h/(m g))/D, from I = m g D^2 T^2/(16 pi^2 h).
    let period = |inertia: f64| {
        4.0 * PI * (inertia * length / (b.body.mass * STANDARD_GRAVITY)).sqrt() / apart.max(1e-6)
    };
    let axes = [("roll", 0), ("pitch", 1), ("yaw", 2)];
    let mut numbers = vec![
        number(
            "length",
            "length of the wires",
            length,
            "m",
            metres(length),
            "twice the size, 0.6 to 3 m: small angles at a swing that can be seen (common practice, no source)",
        ),
        number(
            "apart",
            "distance between the wires",
            apart,
            "m",
            metres(apart),
            "half the size: the slower it swings the smaller the error of timing (derived)",
        ),
        number(
            "wire",
            "load that each wire holds",
            2.5 * b.weight,
            "N",
            newtons(2.5 * b.weight),
            "five times half the weight (common practice, no source)",
        ),
    ];
    for (name, k) in axes {
        let i = b.body.inertia[(k, k)];
        if i > 0.0 {
            let id = ["period-roll", "period-pitch", "period-yaw"].get(k).copied().unwrap_or("period");
            numbers.push(number(
                id,
                &format!("expected period about {name}"),
                period(i),
                "s",
                seconds(period(i)),
                format!("from the computed {} (Jardin and Mueller 2009): a period far off means another hang than the sketch", square_metre_inertia(i)),
            ));
        }
    }
    Draft {
        purpose: "Inertia about an axis from the period of a swing takes the place of the computed one."
            .to_owned(),
        numbers,
        you_need: lines([
            "two thin wires of one length that do not stretch",
            "a beam that does not move",
            "a stop-watch or the gyro log",
            "scales for what swings",
        ]),
        set_up: lines([
            "Hang the aircraft with the axis in question upright, wires parallel and as far to either side of the centre of gravity.",
            "Stow payload, battery and leads as flown. No draught.",
            "Measure length and distance of the wires at both ends.",
        ]),
        steps: lines([
            "Turn it by 5 deg about the upright axis and let go; it must turn, not swing sideways.",
            "Time 20 periods, three times; or log the gyro for a minute.",
            "Repeat for the other two axes, and once with a bar of known inertia to see the method's error.",
        ]),
        abort_limits: vec![limit(
            "swing",
            "above 10 deg, or sideways more than a tenth of the turn",
            "the formula holds for small turns about one axis",
        )],
        log: vec![
            channel(
                "period, length, separation, mass",
                "stop-watch, tape, scales",
                0.0,
                "inertia = m g D² T² / (16 π² h)",
            ),
            channel(
                "rate.z (the upright axis)",
                "raw",
                50.0,
                "in place of the stop-watch; 50 Hz shows a swing of a second well",
            ),
        ],
        computed_after: lines([
            "inertia about each axis with its uncertainty",
            "angular acceleration available, loop gain",
        ]),
        pass_limits: Vec::new(),
        check_boxes: lines(["wires tried with five times the load"]),
    }
}
