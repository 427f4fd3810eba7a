//! Satellite signal and barometer with motors and radio off and on.

use super::basis::Basis;
use super::common::{channel, hold_down, limit, lines, number};
use super::shown::seconds;
use super::{Draft, Power, Spec};

pub(super) const CARD: Spec = Spec {
    id: "reception",
    title: "Reception and pressure, motors off and on",
    gate: "sensing",
    record: "reception",
    power: Power::Restrained,
    criteria: &["sensing."],
    fill,
};

fn fill(b: &Basis<'_>) -> Draft {
    // Dynamic pressure of the wake, T/A at the disc.
    let wake = b.weight / (b.aircraft.stations.len().max(1) as f64 * b.aircraft.rotor.disc_area().max(1e-9));
    Draft {
        purpose: "What motors, radio and camera cost the satellite receiver and the barometer.".to_owned(),
        numbers: vec![
            hold_down(b),
            number(
                "dwell",
                "time in each state",
                60.0,
                "s",
                seconds(60.0),
                "signal wanders with the satellites: a minute each, off again at the end",
            ),
            number(
                "wake",
                "pressure of the wake",
                wake,
                "Pa",
                format!("{wake:.0}\u{a0}Pa, {:.1}\u{a0}m", wake / (b.density * 9.806_65)),
                "disc loading in hover: what a barometer in the wake may see, as pressure and as height",
            ),
        ],
        you_need: lines(["open sky", "straps and ballast", "radio, camera and payload as flown"]),
        set_up: lines(["Held down as for the card magnetic.", "Sensor covers and foam as flown."]),
        steps: lines([
            "Everything off but the electronics: a minute.",
            "Radio and camera on: a minute.",
            "Motors at hover command: a minute. At three quarters: half a minute.",
            "All off: a minute. The difference of the two off states is the drift.",
        ]),
        abort_limits: vec![
            limit("straps", "any slip", "stop"),
            limit("motor case", "80 degC", "common practice, no source"),
        ],
        log: vec![
            channel(
                "signal (noise ratio, satellites)",
                "receiver",
                1.0,
                "one a second is what receivers give",
            ),
            channel("pressure", "raw", 20.0, "mean and noise in each state"),
            channel("rotor.N.command, battery.current", "after mixing; raw", 10.0, "tells the states apart"),
            channel(
                "accel.x, accel.y, accel.z",
                "raw",
                b.passage(b.full_speed) * 2.5,
                "clipped samples, share of the range: 2.5 x blade passage",
            ),
        ],
        computed_after: lines([
            "loss of signal-to-noise ratio in each state",
            "offset and noise of the barometer",
            "clipped samples and peak over range of the accelerometer",
        ]),
        pass_limits: vec![
            limit("loss of signal-to-noise ratio, powered", "≤ 3 dB", "derived"),
            limit("accelerometer", "no clipped sample, peak ≤ half the range", "common practice, no source"),
        ],
        check_boxes: lines(["straps and ballast pulled"]),
    }
}
