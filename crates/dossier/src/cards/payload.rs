//! The heaviest payload at the limits.

use super::basis::Basis;
use super::common::{channel, limit, lines, loop_rate, number, vibration_rate};
use super::shown::{mass, metres, percent, seconds};
use super::{Draft, Power, Spec};

pub(super) const CARD: Spec = Spec {
    id: "payload",
    title: "Payload at the limits: hover, rate steps, a pull, low on charge",
    gate: "payload",
    record: "flight",
    power: Power::Free,
    criteria: &["payload."],
    fill,
};

fn fill(b: &Basis<'_>) -> Draft {
    let payload: f64 = b.aircraft.bodies.iter().filter(|x| x.payload).map(|x| x.mass).sum();
    let reserve = b.aircraft.battery.as_ref().map_or(0.2, |x| x.reserve);
    let low = reserve + 0.15;
    let height = (15.0 * b.aircraft.rotor.diameter).max(8.0);
    let share = b.weight / b.thrust.max(1e-9);
    let (loops, loops_why) = loop_rate(b);
    let (shake, shake_why) = vibration_rate(b);
    Draft {
        purpose: "Whether thrust, authority, margins and the way home still stand with the heaviest payload, a low battery and thin air.".to_owned(),
        numbers: vec![
            number("payload", "payload", payload, "kg", mass(payload), "items of the aircraft file marked payload"),
            number("share", "hover over full thrust, full charge", share, "1", percent(share), if b.assumed { "assumed: full thrust cannot be computed" } else { "predicted" }),
            number("low", "charge of the second flight", low, "1", percent(low), "the reserve and 15 % to fly on (common practice, no source)"),
            number("height", "height", height, "m", metres(height), "fifteen diameters and 8 m at least: a sag needs room (common practice, no source)"),
            number("pull", "length of the pull", 0.6, "s", seconds(0.6), "two to four lags of the drive; longer ones climb (common practice, no source)"),
        ],
        you_need: lines(["gates rate, attitude, velocity and fail-safe met without payload", "payload of the same mass and place that may break, for the first flight", "the gains unchanged since the flights without payload"]),
        set_up: lines([
            "Weigh it with the payload on; centre of gravity within 5 % of the arm.",
            "What hangs is on a short, stiff line, or the flight is another one: a swinging load has a mode of its own.",
            "A quarter of the payload first, then half, then all.",
        ]),
        steps: lines([
            "Full charge: hover 30 s, then rate steps of 50, then 100 deg/s about roll and pitch, each released for 2 s.",
            "One pull of full thrust, recovered.",
            "Land, read the log: margins and worst rotor.",
            "The same on the low charge, with nothing below. Land at the reserve.",
            "The strongest wind that is asked for, holding place for a minute. Then one return as on the card fail-safe.",
        ]),
        abort_limits: vec![
            limit("a rotor at full command", "longer than 0.1 s", "no authority left: down, land"),
            limit("an oscillation that grows", "two swings", "land; the margins are less than they were"),
            limit("height", metres(0.6 * height), "it sags more than it climbs"),
            limit("charge", percent(reserve), "battery.reserve"),
        ],
        log: vec![
            channel("rotor.N.command", "after mixing", loops, loops_why),
            channel("rotor.N.speed", "from the ESC", 50.0, "shares and the pull"),
            channel("rate_demand.x, .y, .z and rate.x, .y, .z", "before mixing; filtered", loops, "margins, overshoot"),
            channel("accel.x, .y, .z", "raw", shake, shake_why),
            channel("battery.voltage, battery.current", "at the pack", 10.0, "the bus that full thrust was had from"),
            channel("payload_fitted", "by hand", 0.0, "given at import: --value payload_fitted=1"),
        ],
        computed_after: lines(["hover over full thrust carried to reserve charge and the worst air", "margins and overshoot with payload, change of the loop's gain", "worst rotor's share"]),
        pass_limits: Vec::new(),
        check_boxes: lines(["nothing and nobody below", "payload secured, pulled with three times its weight", "payload_fitted noted"]),
    }
}
