//! First free hover.

use super::basis::Basis;
use super::common::{channel, limit, lines, loop_rate, number, vibration_rate};
use super::shown::{degrees, metres, percent, rpm, seconds, volts};
use super::{Draft, Power, Spec};

pub(super) const CARD: Spec = Spec {
    id: "hover",
    title: "First free hover",
    gate: "hover",
    record: "flight",
    power: Power::Free,
    criteria: &["hover."],
    fill,
};

fn fill(b: &Basis<'_>) -> Draft {
    let f = b.first_flight();
    let (vibration, vibration_why) = vibration_rate(b);
    let (loops, loops_why) = loop_rate(b);
    let mut numbers = vec![
        number(
            "height",
            "height",
            f.height,
            "m",
            metres(f.height),
            "two diameters: ground effect below 0.4 % (Cheeseman and Bennett 1955), 1 m at least",
        ),
        number("time", "steady hover", 15.0, "s", seconds(15.0), "10 s are needed, the rest is for settling"),
        number(
            "hover-speed",
            "expected rotor speed",
            b.hover_speed,
            "rad/s",
            rpm(b.hover_speed),
            "predicted",
        ),
    ];
    if let Some(c) = b.hover_command {
        numbers.push(number(
            "command",
            "expected hover command",
            c,
            "1",
            percent(c),
            "predicted at full charge; within 10 % it is as computed",
        ));
    }
    let mut abort_limits = vec![
        limit("tilt", degrees(f.tilt), "first-flight limit (common practice, no source)"),
        limit("height", metres(2.0 * f.height), "twice the height of the test"),
        limit("an oscillation that grows", "two swings", "land, gains down"),
        limit("motor case", "80 degC", "common practice, no source"),
    ];
    if let Some(battery) = &b.aircraft.battery {
        let v = f64::from(battery.series) * (battery.cutoff + 0.3);
        abort_limits.push(limit(
            "pack voltage",
            volts(v),
            "0.3 V a cell above the cut-off under load (common practice, no source)",
        ));
    }
    Draft {
        purpose: "Whether it hovers as computed: command, shares, trim, vibration.".to_owned(),
        numbers,
        you_need: lines([
            "still air (below 2 m/s)",
            "a full battery, payload off",
            "a first hop without contradiction",
        ]),
        set_up: lines([
            "First-flight limits of the card end-points set.",
            "Prediction frozen before (rotorwright freeze).",
        ]),
        steps: lines([
            "Lift off into the wind, to the height.",
            "Hold for the time, sticks still.",
            "Land, off, feel every motor, read the case temperature.",
            "Second flight: five minutes, for the case temperature.",
        ]),
        abort_limits,
        log: vec![
            channel(
                "rate.x, .y, .z and rate_raw.x, .y, .z",
                "filtered and raw",
                vibration,
                vibration_why.clone(),
            ),
            channel("accel.x, accel.y, accel.z", "raw", vibration, vibration_why),
            channel("rotor.N.command", "after mixing", loops, loops_why),
            channel("rotor.N.speed", "from the ESC", 50.0, "order lines, thrust per speed squared"),
            channel(
                "battery.voltage, battery.current",
                "at the pack",
                10.0,
                "hover command at the measured voltage",
            ),
            channel("attitude.w, .i, .j, .k", "estimated", 50.0, "tilt in hover, drift"),
        ],
        computed_after: lines([
            "hover command against the prediction, in standard uncertainties",
            "shares of the rotors, yaw trim, saturation",
            "vibration by rotor order, command noise",
        ]),
        pass_limits: Vec::new(),
        check_boxes: lines(["prediction frozen", "wind measured"]),
    }
}
