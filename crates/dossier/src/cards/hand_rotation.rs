//! Unpowered: the aircraft turned by hand about each axis.

use super::basis::Basis;
use super::common::{channel, limit, lines, number};
use super::shown::{degrees, mass};
use super::{Draft, Power, Spec};

pub(super) const CARD: Spec = Spec {
    id: "hand-rotation",
    title: "Turn it by hand about each axis",
    gate: "set-up",
    record: "hand-rotation",
    power: Power::Unpowered,
    criteria: &["set-up.axes"],
    fill,
};

fn fill(b: &Basis<'_>) -> Draft {
    let heavy = b.body.mass > 4.0;
    let turn = if heavy { 30_f64 } else { 70_f64 }.to_radians();
    let hands = if heavy {
        format!("It weighs {}: two people, or a cradle, and {} are enough.", mass(b.body.mass), degrees(turn))
    } else {
        "One person turns it, standing clear of table edges.".to_owned()
    };
    Draft {
        purpose: "Which axis of the sensor is which axis of the aircraft, and with which sign.".to_owned(),
        numbers: vec![number(
            "turn",
            "turn about each axis",
            turn,
            "rad",
            degrees(turn),
            if heavy {
                "above 4 kg less is turned, so that nobody lifts at arm's length (common practice, no source)"
            } else {
                "the more it is turned, the plainer the axis (common practice, no source)"
            },
        )],
        you_need: lines([
            "the aircraft with its electronics powered from a bench supply or USB",
            "a log of gyro and accelerometer, attitude where there is one",
        ]),
        set_up: vec![
            "Propellers off, main battery unplugged: motors cannot turn.".to_owned(),
            "Level on a table, nose away from you.".to_owned(),
            hands,
        ],
        steps: vec![
            "Log, and leave it level and still for 2 s.".to_owned(),
            format!("Right side down by {}, hold 1 s, back to level, rest 1 s.", degrees(turn)),
            format!("Nose up by {}, hold 1 s, back to level, rest 1 s.", degrees(turn)),
            format!(
                "Nose to the right (clockwise seen from above) by {}, hold 1 s, back, rest 1 s.",
                degrees(turn)
            ),
            "In this order, once each, at a steady quarter turn a second: the order tells the turns apart."
                .to_owned(),
        ],
        abort_limits: vec![limit(
            "a turn that was mixed",
            "do it again",
            "more than 30 deg off the axis proves nothing (derived: posterior below 99 %)",
        )],
        log: vec![
            channel(
                "rate.x, rate.y, rate.z",
                "raw",
                50.0,
                "the turn is its integral; 50 Hz for turns of a second",
            ),
            channel("accel.x, accel.y, accel.z", "raw", 50.0, "gravity before and after each turn"),
            channel(
                "attitude.w, .i, .j, .k",
                "estimated",
                20.0,
                "shows that the estimate follows the same signs",
            ),
        ],
        computed_after: lines([
            "by axis: which sensor axis it is, with which sign, and how sure that is",
            "the channel map that would be right, where this one is not",
        ]),
        pass_limits: vec![limit(
            "every axis and sign",
            "> 99 %",
            "derived: posterior against every other axis and sign",
        )],
        check_boxes: lines(["main battery unplugged"]),
    }
}
