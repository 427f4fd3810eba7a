//! Magnetometer and current in a restrained run-up.

use super::basis::Basis;
use super::common::{channel, hold_down, limit, lines, number};
use super::shown::{amperes, seconds};
use super::{Draft, Power, Spec};

pub(super) const CARD: Spec = Spec {
    id: "magnetic",
    title: "Magnetic field of the currents",
    gate: "sensing",
    record: "magnetic",
    power: Power::Restrained,
    criteria: &["sensing."],
    fill,
};

fn fill(b: &Basis<'_>) -> Draft {
    let dwell = 4.0;
    let mut numbers = vec![
        hold_down(b),
        number(
            "dwell",
            "time at each level",
            dwell,
            "s",
            seconds(dwell),
            "40 samples at 10 Hz: the mean is ten times better than a sample",
        ),
    ];
    if let Some((hover, full)) = b.currents {
        numbers.push(number(
            "hover-current",
            "expected current in hover",
            hover,
            "A",
            amperes(hover),
            "predicted at full charge",
        ));
        numbers.push(number(
            "full-current",
            "expected current at full thrust",
            full,
            "A",
            amperes(full),
            "predicted at full charge",
        ));
    }
    Draft {
        purpose: "Field per ampere at the magnetometer, and the heading error that it makes.".to_owned(),
        numbers,
        you_need: lines([
            "straps and ballast without iron",
            "a place free of iron by three times the aircraft's size",
            "place and date, for the field of the earth",
        ]),
        set_up: lines([
            "All propellers on; if one pair can be turned over so that its thrust is down, do that: it then holds itself.",
            "Heading by a hand compass before, motors off; do not move the aircraft after.",
            "Payload and radio as flown.",
        ]),
        steps: lines([
            "10 s with motors off.",
            "All motors to a quarter, half, hover, three quarters of full current, and shortly full; each held as above.",
            "10 s off. Turn the aircraft by 90 deg and repeat.",
            "Once with each motor alone: which lead is to blame.",
        ]),
        abort_limits: vec![
            limit("straps", "any slip", "stop"),
            limit("full thrust", "held for more than 5 s", "motors and battery warm up, the field drifts"),
            limit("motor case", "80 degC", "common practice, no source"),
        ],
        log: vec![
            channel("mag.x, mag.y, mag.z", "raw", 20.0, "means of each level; 20 Hz leaves room"),
            channel("battery.current", "raw", 20.0, "abscissa"),
            channel("rotor.N.command", "after mixing", 20.0, "which motor ran"),
            channel("accel.x, accel.y, accel.z", "raw", 20.0, "whether the magnetometer was shaken"),
        ],
        computed_after: lines([
            "field per ampere as a vector, and whether it is in proportion",
            "heading error at hover and at full current against the field of the place",
            "which lead or place to change",
        ]),
        pass_limits: Vec::new(),
        check_boxes: lines(["straps and ballast pulled"]),
    }
}
