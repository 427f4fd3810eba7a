//! Weighing on three scales.

use super::basis::Basis;
use super::common::{channel, limit, lines, number};
use super::shown::{mass, metres};
use super::{Draft, Power, Spec};

pub(super) const CARD: Spec = Spec {
    id: "weighing",
    title: "Weighing on three scales",
    gate: "sizing",
    record: "weighing",
    power: Power::Unpowered,
    criteria: &["sizing.centre-offset", "sizing.hover-share"],
    fill,
};

fn fill(b: &Basis<'_>) -> Draft {
    let reading = 1e-3 * b.body.mass;
    let third = b.body.mass / 3.0;
    let place = 0.005 * 0.5 * b.size;
    Draft {
        purpose: "Mass and centre of gravity as built take the place of the computed ones.".to_owned(),
        numbers: vec![
            number(
                "resolution",
                "reading of a scale",
                reading,
                "kg",
                mass(reading),
                "a thousandth of the mass: thrust to weight to 0.1 % (derived)",
            ),
            number(
                "range",
                "range of a scale",
                2.0 * third,
                "kg",
                mass(2.0 * third),
                "twice a third of the computed mass (derived)",
            ),
            number(
                "place",
                "places of the scales known to",
                place,
                "m",
                metres(place),
                "a tenth of the 5 % of the arm that the centre of gravity may be off (derived)",
            ),
        ],
        you_need: lines([
            "three scales of one make",
            "a level floor without draught",
            "a square and a tape",
            "a level, and blocks for a tilt of 15 to 25 deg",
        ]),
        set_up: lines([
            "Zero each scale, then put a known mass on each in turn and write its reading down.",
            "Stand one leg, or a pin under the frame, on each scale; measure where each point stands from the reference point of the aircraft file.",
            "Battery in its place and strapped, leads as flown, propellers off but laid on their hubs.",
        ]),
        steps: lines([
            "Read all three scales twice, the second time after lifting off and setting down.",
            "Turn the aircraft by 180 deg on the scales and read again: what does not turn with it is a scale.",
            "For the height of the centre: raise the nose by a known angle and read again.",
            "Write down whether the payload was on.",
        ]),
        abort_limits: vec![limit(
            "two readings of one scale",
            format!("differ by more than {}", mass(2.0 * reading)),
            "the pin rubs or the floor gives way",
        )],
        log: vec![
            channel(
                "scale.1 to scale.3",
                "reading",
                0.0,
                "mass is their sum, the centre their weighted mean",
            ),
            channel("point.N.at", "tape", 0.0, "where each scale carries"),
            channel("tilt.pitch, tilted.1 to tilted.3", "reading", 0.0, "height of the centre"),
        ],
        computed_after: lines([
            "mass with its uncertainty",
            "centre of gravity x, y, and z where tilted",
            "what that does to hover share, trim and authority",
        ]),
        pass_limits: Vec::new(),
        check_boxes: lines(["payload on or off written down"]),
    }
}
