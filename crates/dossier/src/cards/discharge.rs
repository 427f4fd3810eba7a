//! A battery emptied.

use super::basis::Basis;
use super::common::{channel, limit, lines, number};
use super::shown::{amperes, joules, seconds, volts};
use super::{Draft, Power, Spec};

pub(super) const CARD: Spec = Spec {
    id: "discharge",
    title: "Empty the battery on purpose",
    gate: "fail-safe",
    record: "discharge",
    power: Power::Unpowered,
    criteria: &[],
    fill,
};

fn fill(b: &Basis<'_>) -> Draft {
    let mut numbers = Vec::new();
    let mut abort_limits = vec![
        limit("case of a cell", "60 degC, or 5 K above its neighbours", "common practice, no source"),
        limit(
            "swelling, smell, hiss",
            "at all",
            "leave the room or carry nothing: let it burn outside, from a distance",
        ),
    ];
    if let Some(battery) = &b.aircraft.battery {
        let current = b.currents.map_or(battery.capacity / 720.0, |(hover, _)| hover);
        let time = battery.capacity / current.max(1e-9);
        let cells = f64::from(battery.series);
        numbers.push(number(
            "current",
            "discharge current",
            current,
            "A",
            amperes(current),
            if b.currents.is_some() {
                "hover, predicted"
            } else {
                "five times the capacity an hour: hover is not predicted"
            },
        ));
        numbers.push(number("time", "to empty", time, "s", seconds(time), "capacity over current"));
        numbers.push(number(
            "cut-off",
            "end of the test",
            battery.cutoff * cells,
            "V",
            volts(battery.cutoff * cells),
            format!("{cells:.0} cells at {:.2} V under load, battery.cutoff", battery.cutoff),
        ));
        let pulse = 3.0 * battery.polarisation_time;
        numbers.push(number(
            "rest",
            "rest after each pulse",
            pulse,
            "s",
            seconds(pulse),
            "three time constants of the RC pair: the resistance splits in two (derived)",
        ));
        if let Some(e) = b.stored {
            numbers.push(number(
                "stored",
                "energy in the pack",
                e,
                "J",
                joules(e),
                "capacity x 3.7 V x cells: what a fire would start from",
            ));
        }
        abort_limits.insert(
            0,
            limit(
                "any cell",
                format!("below {}", volts(battery.cutoff)),
                "battery.cutoff of the aircraft file",
            ),
        );
    }
    Draft {
        purpose: "Capacity, open-circuit curve, resistance and RC pair: what the remaining-charge estimate and the way home rest on.".to_owned(),
        numbers,
        you_need: lines(["a load that takes the current (never the motors with propellers)", "voltage at the pack and every cell, current", "a surface that does not burn, sand, a way to carry it outside", "a second person"]),
        set_up: lines(["Fully charged, rested an hour, at the temperature it will fly at.", "Connect the load last. Never leave it alone."]),
        steps: lines([
            "Rest 5 min, log on.",
            "Pulses: load for 60 s, rest as above; until the cut-off under load.",
            "Then one run without rests at the hover current with a fresh charge: usable capacity.",
            "Charge, and note what went in.",
        ]),
        abort_limits,
        log: vec![
            channel("battery.voltage, battery.current", "at the pack", 10.0, "the step at each pulse gives the resistance"),
            channel("battery.charge", "estimated", 1.0, "the estimate that will fly, against the truth"),
            channel("battery.temperature", "on the middle cell", 1.0, "resistance goes with it"),
        ],
        computed_after: lines(["capacity, open-circuit curve, series resistance, RC pair", "error of the remaining-charge estimate"]),
        pass_limits: vec![limit("error of the remaining charge at the trigger", "≤ 5 %", "common practice, no source"), limit("lands with", "≥ 20 % of capacity", "common practice, no source")],
        check_boxes: lines(["second person in place", "surface and sand ready"]),
    }
}
