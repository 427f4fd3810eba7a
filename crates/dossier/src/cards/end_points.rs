//! End points, fail-safe presets and first-flight limits as a list to tick.

use super::basis::Basis;
use super::common::{channel, limit, lines, number};
use super::shown::{degrees, degrees_per_second, metres, percent};
use super::{Draft, Power, Spec};

pub(super) const CARD: Spec = Spec {
    id: "end-points",
    title: "End points, presets and first-flight limits",
    gate: "set-up",
    record: "checklist",
    power: Power::PropellersOff,
    criteria: &["set-up.end-points", "set-up.presets", "set-up.first-flight"],
    fill,
};

fn fill(b: &Basis<'_>) -> Draft {
    let f = b.first_flight();
    Draft {
        purpose: "The range of the command is the same for every ESC, the fail-safes are set, and the first flights cannot ask for much.".to_owned(),
        numbers: vec![
            number("tilt", "tilt limit", f.tilt, "rad", degrees(f.tilt), "common practice, no source: lift stays within 6 %"),
            number("rate", "limit of the rate demand", f.rate, "rad/s", degrees_per_second(f.rate), format!("tilt limit x attitude gain wc/4 = {:.1} 1/s (derived)", 0.25 * b.crossover)),
            number("thrust", "limit of the command", f.thrust, "1", percent(f.thrust), "hover command x √1.3: climbs with 0.3 g at most (derived; thrust as the square of the command)"),
            number("height", "height limit", f.height, "m", metres(f.height), "two diameters: ground effect below 0.4 % (Cheeseman and Bennett 1955), 1 m at least"),
        ],
        you_need: lines(["the spin check, done", "the transmitter or ground link that will be used"]),
        set_up: lines(["Propellers off, strapped down, current limit on."]),
        steps: lines([
            "Command zero on each output: the motor stands. Raise to the start command: it turns. Note start.N for all.",
            "Switch the link off while a motor idles: what is set for a lost link happens. Write down after how long.",
            "Pull the supply down to the low-battery threshold: what is set happens. Write down at which voltage.",
            "Use the cut of power with all motors idling: all stop, and stay stopped when the link comes back.",
            "Set tilt, rate, command and height limits no wider than the numbers above, and write down what was set.",
        ]),
        abort_limits: vec![limit("a motor that turns at command zero", "stop", "its end point is off"), limit("a motor that restarts by itself", "stop", "the cut does not hold")],
        log: vec![
            channel("low_stops, lost_link, low_battery, cut_power", "by eye", 0.0, "ticked with yes; the record's date is the date of the tick"),
            channel("first.tilt, first.rate, first.thrust, first.height", "as set", 0.0, "with units: first.tilt=\"15 deg\""),
            channel("start.N", "by eye", 0.0, "start.1=\"4 %\""),
        ],
        computed_after: lines(["spread of the start commands", "what of the list is not ticked", "first-flight limits against the numbers of this build"]),
        pass_limits: Vec::new(),
        check_boxes: lines(["low_stops: every motor stands at command zero", "lost_link: tried", "low_battery: tried", "cut_power: tried, stays off"]),
    }
}
