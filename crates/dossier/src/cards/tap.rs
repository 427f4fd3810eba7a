//! Free vibration after a tap.

use super::basis::Basis;
use super::common::{channel, limit, lines, number};
use super::shown::{hertz, mass, seconds};
use super::{Draft, Power, Spec};

pub(super) const CARD: Spec = Spec {
    id: "tap",
    title: "Tap the arms, the mast and the plate",
    gate: "structure",
    record: "tap",
    power: Power::Unpowered,
    criteria: &["structure."],
    fill,
};

fn fill(b: &Basis<'_>) -> Draft {
    let top = b.passage(b.full_speed);
    let low = b.hover_speed / std::f64::consts::TAU;
    let lowest = 5.0 * b.crossover / std::f64::consts::TAU;
    // 1 % damping falls to a tenth in ln(10)/(2 pi zeta) periods: 37.
    let ring = 37.0 / lowest;
    let sensor = 0.01 * b.body.mass / b.aircraft.stations.len().max(1) as f64;
    Draft {
        purpose: "Natural frequencies and damping, to keep them clear of the rotors' speeds.".to_owned(),
        numbers: vec![
            number("once", "1/rev in hover", low, "Hz", hertz(low), "predicted: no mode within 20 % of it"),
            number(
                "passage",
                "blade passage at full thrust",
                top,
                "Hz",
                hertz(top),
                "predicted: the highest line that counts",
            ),
            number(
                "lowest",
                "lowest mode allowed",
                lowest,
                "Hz",
                hertz(lowest),
                format!("5 x the required crossover of {:.1} rad/s (derived)", b.crossover),
            ),
            number(
                "ring",
                "time to log after a tap",
                ring,
                "s",
                seconds(ring),
                "a mode of that frequency with 1 % damping falls to a tenth (derived)",
            ),
            number(
                "sensor",
                "mass of a sensor on an arm",
                sensor,
                "kg",
                mass(sensor),
                "1 % of the share of one arm: it lowers the arm's frequency by less than that (derived)",
            ),
        ],
        you_need: lines([
            "an accelerometer on the part, or the aircraft's own with raw log",
            "a screwdriver handle or a small rubber hammer",
            "soft straps to hang the aircraft by",
        ]),
        set_up: lines([
            "Battery, payload and propellers as flown. The propellers stay on: their mass tunes the arm. Motors cannot turn: main battery unplugged, electronics fed from a bench supply.",
            "Hang it by soft straps at the middle, so that it swings below 2 Hz: a table would clamp it.",
            "Fix the sensor at the motor, first upright, then across the arm.",
        ]),
        steps: lines([
            "Start the log, wait 2 s, tap once beside the motor, wait until it is quiet; ten taps.",
            "Do it up and down, across, and in twist (tap at the disc's edge of the mount).",
            "Repeat for every arm, for the mast at its tip, and for the plate beside the gyro.",
            "Write down where and which way each record was tapped.",
        ]),
        abort_limits: vec![limit(
            "sensor reading",
            "at its range",
            "a clipped tap has wrong lines: tap more gently",
        )],
        log: vec![
            channel("accel.x, accel.y, accel.z", "raw", 2.5 * top, "2.5 x blade passage at full speed"),
            channel("rate.x, rate.y, rate.z", "raw", 2.5 * top, "what the gyro will feel of it"),
        ],
        computed_after: lines([
            "frequency and damping of each mode, repeats averaged",
            "root stiffness of the arm",
            "separation from 1/rev and blade passage in the dwell band, with the change that restores it",
        ]),
        pass_limits: Vec::new(),
        check_boxes: lines(["main battery unplugged: motors cannot turn"]),
    }
}
