//! Propellers off: one motor at a time.

use super::basis::Basis;
use super::common::{channel, limit, lines, number};
use super::shown::percent;
use super::{Draft, Power, Spec};

pub(super) const CARD: Spec = Spec {
    id: "spin-check",
    title: "One motor at a time, propellers off",
    gate: "set-up",
    record: "spin-check",
    power: Power::PropellersOff,
    criteria: &["set-up.order", "set-up.direction"],
    fill,
};

fn fill(b: &Basis<'_>) -> Draft {
    let n = b.aircraft.stations.len();
    let least = b.aircraft.esc.as_ref().map_or(0.05, |e| e.usable_minimum);
    let top = (3.0 * least).clamp(0.08, 0.20);
    let mut steps = vec![
        "Say which output is next; all hands off. The second person watches the current.".to_owned(),
        format!("Raise one output by 1 % every 2 s until its motor turns steadily; note that command; stop at {}.", percent(top)),
        "Touch the turning bell with a strip of paper: the way it is dragged is the sense of turning, seen from above.".to_owned(),
        "Note output, station, sense. Next output.".to_owned(),
    ];
    steps.extend(b.aircraft.stations.iter().enumerate().map(|(k, s)| {
        format!(
            "Expected: output {} turns {} at {}.",
            k + 1,
            s.spin.word(),
            if s.place.is_empty() { "its station" } else { &s.place }
        )
    }));
    Draft {
        purpose: "Which output turns which motor, which way, and from which command on.".to_owned(),
        numbers: vec![
            number(
                "top",
                "highest command",
                top,
                "1",
                percent(top),
                "three times the stated usable minimum, 8 to 20 %: a bare motor overspeeds above (common practice, no source)",
            ),
            number("motors", "outputs to try", n as f64, "1", n.to_string(), "one after the other"),
        ],
        you_need: lines([
            "a way to command one output alone",
            "a strip of paper",
            "a bench supply with a current limit, or a battery with a fuse",
        ]),
        set_up: lines([
            "Propellers off. Aircraft strapped to the table.",
            "Current limit at 2 A a motor, so that a wiring fault burns nothing.",
            "Gate axes first: hand rotation done.",
        ]),
        steps,
        abort_limits: vec![
            limit("two motors turn at once", "stop", "outputs are tied or the mixer is on"),
            limit("current", "2 A a motor", "a bare motor needs less (common practice, no source)"),
            limit("noise or heat", "anything unusual", "a bearing, a screw in the winding"),
        ],
        log: vec![
            channel(
                "seen.N.station, seen.N.spin",
                "by eye",
                0.0,
                "as in --value seen.1.station=1 --value seen.1.spin=ccw",
            ),
            channel("start.N", "by eye", 0.0, "command from which motor N turns steadily: start.1=\"4 %\""),
            channel(
                "rotor.N.command, rotor.N.speed",
                "after mixing; from the ESC",
                20.0,
                "in place of start.N, and shows that telemetry is numbered as the outputs are",
            ),
        ],
        computed_after: lines([
            "order and sense against the file, motor by motor",
            "usable minimum of every motor and its spread",
        ]),
        pass_limits: Vec::new(),
        check_boxes: lines(["current limit set"]),
    }
}
