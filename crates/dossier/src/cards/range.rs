//! Range of the radio link, at reduced power on the ground.

use super::basis::Basis;
use super::common::{channel, limit, lines, number};
use super::shown::{metres, si};
use super::{Draft, Power, Spec};

pub(super) const CARD: Spec = Spec {
    id: "range",
    title: "Range of the radio link at reduced power",
    gate: "fail-safe",
    record: "range",
    power: Power::Unpowered,
    criteria: &[],
    fill,
};

/// What a sender can usually be turned down by, dB (common practice, no source).
const DOWN: f64 = 20.0;
/// Fade margin that a link is planned with, dB (common practice, no source).
const MARGIN: f64 = 10.0;
/// Where the file states no farthest distance, m (common practice, no source).
const USUAL: f64 = 300.0;

fn fill(b: &Basis<'_>) -> Draft {
    let farthest = b.aircraft.safety.failsafe.map_or(USUAL, |f| f.farthest);
    let exponent = b.aircraft.safety.link.map_or(2.0, |l| l.exponent);
    // So much less power reaches so much less far.
    let walk = (farthest / 10f64.powf((DOWN - MARGIN) / (10.0 * exponent))).max(20.0);
    Draft {
        purpose: "How the signal falls with distance here, how much it scatters, and how much is left farthest out.".to_owned(),
        numbers: vec![
            number("down", "sender turned down by", DOWN, "dB", si(DOWN, "dB"), "as much as most can (common practice, no source); write down what yours does"),
            number("walk", "distance at which it must still hold", walk, "m", metres(walk), format!("farthest {farthest:.0} m with 10 dB of margin, over 10^((20 - 10)/(10 x {exponent:.1})) (derived)")),
            number("start", "distance to begin at", 0.05 * walk, "m", metres(0.05 * walk), "a twentieth: over a decade of distance the slope can be told (derived)"),
        ],
        you_need: lines(["a second person who walks with the aircraft", "a pole of 2 to 3 m that is no metal", "a tape, a counted pace or a satellite receiver for the distance"]),
        set_up: lines([
            "Motors unpowered, propellers off. All other senders of the aircraft on: they are what disturbs it.",
            "The sender as it is held in flight; its antenna not pointed at the aircraft.",
        ]),
        steps: lines([
            "Log on. Stand for 10 s at every distance, begin near, each half as far again as the last.",
            "At three of them bank the aircraft by 30 deg and by 60 deg, and turn it once about: the antenna's null.",
            "Go on until frames are lost, or to twice the distance that must hold.",
            "Back to full power, checked, before anything flies.",
        ]),
        abort_limits: vec![limit("the sender left at reduced power", "at all", "the link would be short in flight: tick the box")],
        log: vec![
            channel("link.signal", "at the aircraft's receiver, dBm", 2.0, "level and scatter"),
            channel("link.loss", "share of frames", 2.0, "where the receiver gives up"),
            channel("distance", "from the sender", 0.5, "over ground"),
            channel("power_reduction", "by hand", 0.0, "given at import: --value power_reduction='20 dB'"),
        ],
        computed_after: lines(["path-loss exponent and spread of fading, used by the way home", "distance with 10 dB of margin at full power"]),
        pass_limits: vec![limit("margin at the distance that must hold", "≥ 10 dB", "common practice, no source")],
        check_boxes: lines(["propellers off", "full power restored and checked"]),
    }
}
