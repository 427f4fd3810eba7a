//! Static sweep of one drive.

use super::basis::Basis;
use super::common::{channel, limit, lines, number};
use super::shown::{amperes, newtons, rpm, seconds};
use super::{Draft, Power, Spec};

pub(super) const CARD: Spec = Spec {
    id: "sweep",
    title: "Static sweep of one drive",
    gate: "drive",
    record: "sweep",
    power: Power::Stand,
    criteria: &["drive."],
    fill,
};

fn fill(b: &Basis<'_>) -> Draft {
    let cell = 1.5 * b.rotor_thrust();
    let dwell = b.lag.map_or(2.0, |l| (10.0 * l).max(2.0));
    let a = b.aircraft;
    let current = [a.motor.as_ref().and_then(|m| m.max_current), a.esc.as_ref().and_then(|e| e.max_current)]
        .into_iter()
        .flatten()
        .fold(f64::INFINITY, f64::min);
    let mut abort_limits = vec![
        limit("vibration of the stand", "anything new, or a loose part", "stop first, look after"),
        limit("motor case", "80 degC", "common practice, no source; magnets and varnish suffer above"),
        limit(
            "rotor speed",
            format!("{} (5 % over the predicted full speed)", rpm(1.05 * b.full_speed)),
            "more than the models allow: the propeller is not what the file says",
        ),
    ];
    if current.is_finite() {
        abort_limits.push(limit("current", amperes(current), "stated limit of motor or ESC"));
    }
    if let Some(battery) = &a.battery {
        abort_limits.push(limit(
            "cell voltage under load",
            format!("{:.2} V", battery.cutoff),
            "battery.cutoff of the aircraft file",
        ));
    }
    Draft {
        purpose: "Command, speed, thrust, torque, voltage and current in steady states: coefficients, motor constants and the usable range of one drive.".to_owned(),
        numbers: vec![
            number("cell", "range of the load cell", cell, "N", newtons(cell), "1.5 x the predicted full thrust of one rotor: room for the start of a step (derived)"),
            number("dwell", "time at each command", dwell, "s", seconds(dwell), "ten time constants of the predicted lag, 2 s at least (derived)"),
            number("full-speed", "expected full speed", b.full_speed, "rad/s", rpm(b.full_speed), "predicted at full charge"),
        ],
        you_need: lines(["a stand with load cell, better with torque as well", "voltage and current at the ESC's input", "a speed signal, or the microphone of the card sound", "air temperature and pressure"]),
        set_up: lines([
            "Propeller free of walls and floor by two diameters, with nothing behind it that turns the wake back.",
            "ESC, leads and battery as flown; station of the rotor written down (station=N).",
            "Hang a known mass on the cell before and after: its reading is part of the record.",
        ]),
        steps: lines([
            "From rest in steps of 2 % up to 12 %: the usable minimum is there.",
            "In steps of 5 % up to 100 %, and the same way down: hysteresis shows.",
            "At 100 % no longer than the reading needs.",
            "Pause until the motor is hand-warm, then the next station. Every station is measured: spread is a criterion.",
        ]),
        abort_limits,
        log: vec![
            channel("rotor.N.command", "after mixing", 10.0, "abscissa of the map"),
            channel("rotor.N.speed", "from the ESC or a tachometer", 10.0, "C_T and C_P need it"),
            channel("rotor.N.thrust", "load cell", 10.0, "C_T; steady means of each dwell"),
            channel("rotor.N.torque", "load cell", 10.0, "C_P; without it the power comes from the motor model"),
            channel("battery.voltage, battery.current", "at the ESC's input", 10.0, "motor constants, correction to nominal voltage"),
        ],
        computed_after: lines(["C_T, C_P over speed", "velocity constant, resistance, no-load current", "command to thrust, usable minimum, dead top, hysteresis", "spread between stations and what it costs in trim"]),
        pass_limits: Vec::new(),
        check_boxes: lines(["known mass hung on the cell", "propeller screws and blades looked at"]),
    }
}
