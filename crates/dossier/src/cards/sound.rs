//! A recording of one drive's sound.

use super::basis::Basis;
use super::common::{channel, limit, lines, number};
use super::shown::{hertz, metres, seconds};
use super::{Draft, Power, Spec};

pub(super) const CARD: Spec = Spec {
    id: "sound",
    title: "Steps by sound",
    gate: "drive",
    record: "sound",
    power: Power::Stand,
    criteria: &["drive."],
    fill,
};

fn fill(b: &Basis<'_>) -> Draft {
    let passage = b.passage(b.full_speed);
    let rate = (2.5 * 4.0 * passage).max(8_000.0);
    let away = 2.0 * b.aircraft.rotor.diameter;
    let hold = (10.0 * b.lag.unwrap_or(0.7 * b.delay_budget)).max(0.5);
    Draft {
        purpose: "Rotor speed against time from the blade passage in a recording: lag without any sensor, dead time with the command on a second track.".to_owned(),
        numbers: vec![
            number("passage", "blade passage at full speed", passage, "Hz", hertz(passage), "predicted: the tone to look for"),
            number("microphone", "microphone from the hub", away, "m", metres(away), "two diameters: near enough to be loud, off the wake; the way of the sound is taken out at the speed of sound"),
            number("hold", "time to hold each level", hold, "s", seconds(hold), "ten time constants of the predicted lag, half a second at least (derived)"),
        ],
        you_need: lines(["a recorder that writes WAV without compression and with level control off", "for dead time: the command line through a divider to the second track (below 1 V)", "a stand; the stand needs no load cell"]),
        set_up: lines([
            "Microphone in the disc's plane line is forbidden ground for people: fix it on a tripod before, beside the disc, out of the wake.",
            "Level so that full thrust stays below half of full scale.",
            "Other motors, fans and voices off. Distance of the microphone written down.",
        ]),
        steps: lines([
            "Record 3 s of silence, then 3 s at the base level.",
            "Steps as on the card step: four sizes, up and down, ten of each.",
            "Say station and time of day on the track before motors start.",
        ]),
        abort_limits: vec![
            limit("recording", "clipped", "harmonics of a clipped tone mislead"),
            limit("a start that stutters or loses step", "once", "the ESC's settings come first"),
        ],
        log: vec![
            channel("sound", "microphone, 16 bit or better", rate, "2.5 x the fourth harmonic of blade passage, 8 kHz at least"),
            channel("second track: command line", "through a divider", rate, "gives the dead time; without it only the lag"),
        ],
        computed_after: lines(["rotor speed against time, octave errors resolved or reported", "lag up and down, dead time with two tracks", "a step record made of the track"]),
        pass_limits: vec![limit("as on the card step", format!("≤ {} together", seconds(0.7 * b.delay_budget)), "derived: 0.7 T_b")],
        check_boxes: lines(["microphone fixed, nobody needs to touch it"]),
    }
}
