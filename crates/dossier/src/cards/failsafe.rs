//! Fail-safe flight: three lost links, a take-over, a low battery that turns it home. And what to do every day.

use physics::homeward::energy::Wind;
use physics::homeward::impact::{safety_distance, throw};

use super::basis::Basis;
use super::common::{channel, limit, lines, number};
use super::shown::{metres, percent, seconds, speed};
use super::{Draft, Power, Spec};

pub(super) const CARD: Spec = Spec {
    id: "fail-safe",
    title: "Fail-safes in flight: lost link, take-over, low battery",
    gate: "fail-safe",
    record: "flight",
    power: Power::Free,
    criteria: &["fail-safe."],
    fill,
};

/// The daily card.
pub(super) const DAILY: Spec = Spec {
    id: "daily",
    title: "Every flying day: before, during, after",
    gate: "set-up",
    record: "note",
    power: Power::Free,
    criteria: &["hover.case-temperature", "fail-safe.charge-left"],
    fill: fill_daily,
};

/// Where the file states no fail-safe: distance, height, speed, time (common practice, no source).
const USUAL: (f64, f64, f64, f64) = (50.0, 20.0, 4.0, 2.0);

/// Distance, height, speed, longest time until it acts, and why.
fn plan(b: &Basis<'_>) -> ((f64, f64, f64, f64), &'static str) {
    match b.aircraft.safety.failsafe {
        Some(f) => {
            ((f.farthest, f.plan.height, f.plan.speed, f.lost_link_time), "failsafe of the aircraft file")
        }
        None => (USUAL, "failsafe is not stated: a usual value (common practice, no source)"),
    }
}

/// Room below and to the side of the path.
fn side(b: &Basis<'_>, height: f64, fast: f64) -> f64 {
    let drag = b.aircraft.drag_area.max(0.1 * b.span * b.span);
    let wind = Wind { speed: 5.0 }.at(0.5 * height);
    let t = throw(height, fast, wind, b.body.mass, drag, b.density);
    safety_distance(&t, fast, 2.0) + 0.5 * b.span
}

fn fill(b: &Basis<'_>) -> Draft {
    let ((farthest, height, fast, acts), why) = plan(b);
    let near = (0.15 * farthest).clamp(15.0, 60.0);
    let side = side(b, height, fast);
    Draft {
        purpose: "Whether it comes home by itself: on a lost link three times of three, and on a low battery with charge to spare; whether the pilot gets it back at once.".to_owned(),
        numbers: vec![
            number("near", "distance of the first lost link", near, "m", metres(near), "0.15 of the farthest, 15 to 60 m: a pilot sees what it does (common practice, no source)"),
            number("farthest", "distance of the low-battery return", farthest, "m", metres(farthest), why),
            number("height", "height of the way home", height, "m", metres(height), why),
            number("speed", "speed home", fast, "m/s", speed(fast), why),
            number("acts", "lost link until it acts", acts, "s", seconds(acts), why),
            number("side", "nobody nearer to the path than", side, "m", metres(side), "throw from that height and speed in 5 m/s of wind, 2 s to cut the power, half the span (derived)"),
        ],
        you_need: lines([
            "gate velocity met; wind within what the way home was computed for",
            "rotorwright homeward read: the charge at which it must turn is below the one that is set",
            "a safety pilot with a switch that always wins, and a second person who holds the sender's power",
            "a charger that shows what it puts back",
        ]),
        set_up: lines([
            "Presets tried on the ground with propellers off: gate set-up.",
            "Home point looked at on the map before every take-off. Height above everything on the way.",
            "Low-battery trigger set higher for the first try, so that it acts close by with half the charge.",
        ]),
        steps: lines([
            "Hover near. Pilot: switch over and back, twice: the take-over is quick and nothing jumps.",
            "Sender off at the first distance, count aloud. It acts: sender on, take over, fly back. Three times, from three sides.",
            "Low battery close by, with the trigger set high: let it come home and land. Hands at the switch.",
            "Land, read the log. Only then out to the farthest, downwind, and wait for the trigger.",
            "It comes home into the wind and lands. Take over if it sinks on the way, drifts or has not turned in time.",
            "Charge, and write down what went back in.",
        ]),
        abort_limits: vec![
            limit("not acting", format!("{} after the loss", seconds(acts + 2.0)), "the stated time and 2 s: sender on, take over"),
            limit("height on the way home", metres(0.7 * height), "0.7 of the stated one"),
            limit("charge", percent(b.aircraft.battery.as_ref().map_or(0.2, |x| x.reserve)), "battery.reserve: land where it is"),
            limit("anybody under the path", "at all", "take over, hold, land clear"),
        ],
        log: vec![
            channel("link.on", "at the receiver", 20.0, "1 with the link, 0 without: when it was lost"),
            channel("mode", "as numbers", 20.0, "what flies it: a change is when it acted"),
            channel("pilot.override", "at the receiver", 20.0, "the switch of the safety pilot"),
            channel("battery.charge", "estimated", 5.0, "the estimate that triggers, against the truth"),
            channel("battery.voltage, battery.current", "at the pack", 10.0, "counted charge"),
            channel("position.x, .y, .z", "estimated", 5.0, "from how far, how high"),
            channel("wind, charge_at_start, charge_put_back", "by hand", 0.0, "given at import: --value wind='6 m/s'"),
        ],
        computed_after: lines([
            "how late each fail-safe acted, how quickly the pilot had it",
            "error of the remaining charge at the trigger, by count and by voltage",
            "charge left at the landing, and the charge above the reserve over what the way home took",
        ]),
        pass_limits: Vec::new(),
        check_boxes: lines(["home point right", "take-over switch tried", "sender's power in a second hand", "path free of people"]),
    }
}

fn fill_daily(b: &Basis<'_>) -> Draft {
    let ((_, _, _, acts), why) = plan(b);
    let cell = b.aircraft.battery.as_ref().map(|x| x.cutoff);
    let mut numbers = vec![number("acts", "lost link until it acts", acts, "s", seconds(acts), why)];
    if let Some(c) = b.hover_command {
        numbers.push(number(
            "command",
            "hover command, as computed",
            c,
            "1",
            percent(c),
            "predicted; a tenth more than yesterday asks why (derived)",
        ));
    }
    Draft {
        purpose: "That today's aircraft is yesterday's, that it may fly here and now, and that what it shows is kept.".to_owned(),
        numbers,
        you_need: lines(["the aircraft's log of hours and faults", "a hand scale, an anemometer, a thermometer", "yesterday's hover command and case temperatures"]),
        set_up: lines([
            "Before: rules, weather, people, place; wind below what it was tested in.",
            "Before: propellers off: screws, arms, leads, connectors by hand; propellers looked at against the light, each motor turned by hand.",
            "Before: batteries at rest within 0.02 V between cells, warm, charge written down.",
            "Before: build and aircraft file agree: rotorwright check shows nothing stale that the flight rests on.",
        ]),
        steps: lines([
            "Propellers on, last. Home point, fence and heading looked at.",
            "Hover low for 30 s: hover command, vibration and sound as yesterday. Otherwise land and look.",
            "Controls to every side, take-over switch once.",
            "Fly one card. Land with the reserve untouched.",
            "After: motors, ESCs and battery by probe, hottest written down; arms and screws by hand again.",
            "After: log copied and imported the same day, with wind, payload and what was odd. Battery to storage charge.",
        ]),
        abort_limits: vec![
            limit("hover command", "a tenth over yesterday's", "mass, propeller or battery has changed"),
            limit("a sound or shake that is new", "at all", "land, look, balance"),
            limit("cell under load", cell.map_or("3.3 V".to_owned(), |c| format!("{c:.2} V")), "battery.cutoff, or 3.3 V where not stated (common practice, no source)"),
            limit("wind or people", "beyond what was agreed", "land"),
        ],
        log: vec![
            channel("rotor.N.command", "after mixing", 50.0, "hover command, shares, saturation"),
            channel("battery.voltage, battery.current", "at the pack", 10.0, "resistance and charge from day to day"),
            channel("rate.x, .y, .z and accel.x, .y, .z", "raw", 200.0, "vibration from day to day; the flight's own card asks for more"),
            channel("case_temperature", "by hand", 0.0, "kind note: the hottest motor"),
            channel("remark", "by hand", 0.0, "what was changed, what was odd"),
        ],
        computed_after: lines(["what has drifted since the last record: rotorwright compare", "which evidence a change made stale: rotorwright check"]),
        pass_limits: Vec::new(),
        check_boxes: lines(["propellers looked at", "battery charge written down", "home point right", "log imported"]),
    }
}
