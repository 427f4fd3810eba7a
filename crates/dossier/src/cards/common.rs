//! What several cards share: cautions, distances, boxes, pass limits.

use super::basis::Basis;
use super::shown::{hertz, joules, metres, newtons, next_rate, si, speed, with};
use super::{LimitLine, LogLine, Number, Power};
use crate::gates::Limits;
use crate::result::Sense;

/// Air density of ISO 2533 at sea level, kg/m^3.
pub(super) const SEA_LEVEL: f64 = 1.225;

/// A list of owned lines.
pub(super) fn lines<const N: usize>(list: [&str; N]) -> Vec<String> {
    list.iter().map(|s| (*s).to_owned()).collect()
}

pub(super) fn number(
    id: &'static str,
    name: &str,
    value: f64,
    unit: &'static str,
    shown: String,
    why: impl Into<String>,
) -> Number {
    Number { id, name: name.to_owned(), value, unit, shown, why: why.into() }
}

/// Free room of a test in the air, and why.
pub(super) fn room(name: &str, value: f64, why: &str) -> Number {
    number("room", name, value, "m", metres(value), format!("{why} (derived)"))
}

/// Height of a test in the air: half its room where one is given, a number of diameters, and a least height in m.
pub(super) fn height(b: &Basis<'_>, room: Option<f64>, diameters: f64, least: f64) -> Number {
    let value = (0.5 * room.unwrap_or(0.0)).max(diameters * b.aircraft.rotor.diameter).max(least);
    let half = if room.is_some() { "half the room, " } else { "" };
    let why =
        format!("{half}{diameters:.0} diameters and {least:.0} m at least (common practice, no source)");
    number("height", "height", value, "m", metres(value), why)
}

/// The height at which a test in the air is ended.
pub(super) fn too_low(height: &Number) -> LimitLine {
    limit("height", metres(0.5 * height.value), "half the height of the test")
}

/// What ballast and straps of a restrained run-up hold.
pub(super) fn hold_down(b: &Basis<'_>) -> Number {
    let hold = 1.5 * b.thrust;
    let why = "1.5 x full thrust, the weight not counted (common practice, no source)";
    number("hold-down", "ballast and straps hold", hold, "N", newtons(hold), why)
}

pub(super) fn limit(what: &str, limit: impl Into<String>, why: impl Into<String>) -> LimitLine {
    LimitLine { what: what.to_owned(), limit: limit.into(), why: why.into() }
}

/// A channel with its least rate, rounded up to a usual one; zero is written down by hand.
pub(super) fn channel(name: &str, tap: &str, rate: f64, why: impl Into<String>) -> LogLine {
    let least_rate = if rate > 0.0 { next_rate(rate) } else { 0.0 };
    let shown = if rate > 0.0 { hertz(least_rate) } else { "by hand".to_owned() };
    LogLine { channel: name.to_owned(), tap: tap.to_owned(), least_rate, shown, why: why.into() }
}

/// Rate for vibration, Hz, and why.
pub(super) fn vibration_rate(b: &Basis<'_>) -> (f64, String) {
    let passage = b.passage(b.full_speed);
    (
        2.5 * passage,
        format!("2.5 x blade passage at full speed, {passage:.0} Hz: it stands clear of half the rate"),
    )
}

/// Rate that a loop of this size needs, Hz, and why.
pub(super) fn loop_rate(b: &Basis<'_>) -> (f64, String) {
    let hold = 5_f64.to_radians();
    (
        b.crossover / (2.0 * hold),
        format!(
            "holding a sample for its period costs 5 deg at the required crossover of {:.1} rad/s (12/sqrt(d), derived)",
            b.crossover
        ),
    )
}

/// Rate that shows a drive's lag, Hz, and why.
pub(super) fn drive_rate(b: &Basis<'_>) -> (f64, String) {
    match b.lag {
        Some(lag) => (
            (20.0 / lag).max(20.0 / (0.7 * b.delay_budget)),
            format!(
                "20 samples within the predicted lag of {:.0} ms and within 0.7 T_b (derived)",
                lag * 1e3
            ),
        ),
        None => (
            20.0 / (0.7 * b.delay_budget),
            "20 samples within 0.7 T_b (derived); the lag is not predicted".to_owned(),
        ),
    }
}

/// Cautions of a test in which so much may move. Common practice; what rests on a number says so.
pub(super) fn cautions(power: Power, b: &Basis<'_>) -> Vec<String> {
    let mut all = Vec::new();
    match power {
        Power::Unpowered => {
            all.push("Propellers off and the motors unpowered: this test needs neither.".to_owned());
        }
        Power::PropellersOff => {
            all.push("Propellers off every motor. Look twice: this is the caution that matters.".to_owned());
            all.push("Nobody holds the aircraft while motors are powered: it stands or lies, strapped down, and all hands are off.".to_owned());
        }
        Power::Stand | Power::Restrained => {
            all.push(format!(
                "Restrained rig: stand or straps hold three times the full thrust of what turns ({} for one rotor, {} for all), tried by pulling by hand scale before.",
                newtons(3.0 * b.rotor_thrust()),
                newtons(3.0 * b.thrust)
            ));
            all.push(
                "Nobody holds a powered aircraft or stand, and nobody stands in the plane of a disc."
                    .to_owned(),
            );
        }
        Power::Free => {
            all.push(
                "Nobody holds a powered aircraft. Nobody stands downwind or in the plane of a disc."
                    .to_owned(),
            );
        }
    }
    if matches!(power, Power::Stand | Power::Restrained | Power::Free) {
        all.push(format!(
            "Distance: see the numbers. A blade at full speed has {} ({} at the tip).",
            joules(b.blade_energy),
            speed(b.tip_speed)
        ));
        all.push("Eye protection for everybody in sight of a disc.".to_owned());
    }
    if power != Power::Unpowered {
        all.push("A second person watches, and can cut power without reaching past a motor. Agree the word for it.".to_owned());
        if let Some(e) = b.stored {
            all.push(format!(
                "The battery holds {} when full: connect it last, take it off first, nothing that burns near it, sand within reach.",
                joules(e)
            ));
        }
    }
    all.push("Local rules and licensed practice decide whether and where this may be done.".to_owned());
    all
}

/// Distances of a powered test.
pub(super) fn numbers(power: Power, b: &Basis<'_>) -> Vec<Number> {
    let (distance, why) = match power {
        Power::Unpowered | Power::PropellersOff => return Vec::new(),
        Power::Stand => (
            b.stand_distance(),
            format!(
                "a blade of {:.1} g has {:.1} J and falls to 14.9 J (11 ft-lb, FAA ASSURE A4) after {:.1} m of air; at least 2 m (common practice, no source), and half the disc",
                b.blade_mass * 1e3,
                b.blade_energy,
                b.blade_distance
            ),
        ),
        Power::Restrained | Power::Free => (b.distance, b.distance_why.clone()),
    };
    vec![
        number("distance", "distance of those at the test", distance, "m", metres(distance), why),
        number(
            "bystanders",
            "distance of everybody else",
            2.0 * distance,
            "m",
            metres(2.0 * distance),
            "twice that (common practice, no source)",
        ),
    ]
}

/// Boxes before the first motor turns.
pub(super) fn check_boxes(power: Power) -> Vec<String> {
    match power {
        Power::Unpowered => lines(["propellers off", "date and build written down"]),
        Power::PropellersOff => lines([
            "propellers off, looked at twice",
            "strapped down, hands off",
            "cut of power tried",
            "date and build written down",
        ]),
        Power::Stand | Power::Restrained => lines([
            "restraint pulled with three times the thrust",
            "disc plane free of people and loose things",
            "eye protection on",
            "second person in place, word agreed",
            "cut of power tried",
            "date and build written down",
        ]),
        Power::Free => lines([
            "gate set-up met: axes, order, spins, presets",
            "distance and bystanders checked",
            "eye protection on",
            "second person in place, word agreed",
            "cut of power tried",
            "local rules checked for this place and day",
            "date and build written down",
        ]),
    }
}

/// A limit as people read it: shares in per cent, natural frequencies in hertz.
fn shown(id: &str, value: f64, unit: &str) -> String {
    match unit {
        "1" if value < 1e-3 => format!("{:.0} in a million", 1e6 * value),
        "1" if value < 1.0 => with(value, 100.0, "%"),
        "rad/s" if id.ends_with("frequency") => hertz(value / std::f64::consts::TAU),
        _ => si(value, unit),
    }
}

/// Limits of the named criteria, as far as there are any.
pub(super) fn pass(criteria: &[&str], b: &Basis<'_>, limits: &Limits) -> Vec<LimitLine> {
    let mut all = Vec::new();
    for id in limits.ids() {
        let named = criteria.iter().any(|c| if c.ends_with('.') { id.starts_with(c) } else { id == *c });
        let Some(l) = named.then(|| limits.limit(id, b.aircraft)).flatten() else { continue };
        let sign = match l.sense {
            Sense::AtMost => '≤',
            Sense::AtLeast => '≥',
        };
        let what = id.split_once('.').map_or(id, |(_, name)| name).replace('-', " ");
        all.push(LimitLine {
            what,
            limit: format!("{sign}\u{a0}{}", shown(id, l.value, &l.unit)),
            why: format!("{}: {}", l.origin, l.basis),
        });
    }
    all
}
