//! Vibration with and without a trial mass.

use super::basis::Basis;
use super::common::{channel, limit, lines, number, vibration_rate};
use super::shown::{gram_millimetres, metres, rpm};
use super::{Draft, Power, Spec};

pub(super) const CARD: Spec = Spec {
    id: "balance",
    title: "Balance a propeller with a trial mass",
    gate: "vibration",
    record: "balance",
    power: Power::Restrained,
    criteria: &["vibration.accel", "vibration.command-noise"],
    fill,
};

fn fill(b: &Basis<'_>) -> Draft {
    let r = &b.aircraft.rotor;
    // Permissible residual unbalance of ISO 21940-11: U = m e, e omega = G.
    let rotor_mass = b.blade_mass * f64::from(r.blades.max(1));
    let grade = |g: f64| rotor_mass * g * 1e-3 / b.hover_speed.max(1e-9);
    // On the motor's bell, where any angle can be used.
    let radius = 0.06 * r.diameter;
    let trial = (5.0 * grade(16.0)).max(0.3 * r.unbalance);
    let (rate, why) = vibration_rate(b);
    Draft {
        purpose: "The residual unbalance of a propeller in g mm, and the mass and place that cure it."
            .to_owned(),
        numbers: vec![
            number(
                "speed",
                "speed of the test",
                b.hover_speed,
                "rad/s",
                rpm(b.hover_speed),
                "hover: where it flies",
            ),
            number(
                "g16",
                "residual unbalance, grade G16",
                grade(16.0),
                "kg m",
                gram_millimetres(grade(16.0)),
                format!(
                    "ISO 21940-11: m G/omega with {:.1} g of blades, from the rotor's inertia",
                    rotor_mass * 1e3
                ),
            ),
            number(
                "g6",
                "residual unbalance, grade G6.3",
                grade(6.3),
                "kg m",
                gram_millimetres(grade(6.3)),
                "the aim",
            ),
            number(
                "trial",
                "trial unbalance",
                trial,
                "kg m",
                gram_millimetres(trial),
                "five times G16, or a third of what is stated, so that the change stands out (derived)",
            ),
            number(
                "trial-mass",
                "as tape on the motor's bell",
                trial / radius,
                "kg",
                format!("{:.0} mg at {}", trial / radius * 1e6, metres(radius)),
                "trial unbalance over the radius, taken as 6 % of the propeller's diameter: measure yours (common practice, no source)",
            ),
        ],
        you_need: lines([
            "tape weighed to a tenth of the trial mass",
            "an accelerometer at the motor, or the aircraft's own, raw",
            "a mark on the bell for 0 deg, angles counted from it in the sense of rotation",
            "the rotor's speed, the same in all runs to a few per cent",
        ]),
        set_up: lines([
            "Aircraft strapped down on soft foam so that its own modes lie below half the rotor's speed.",
            "Only the motor under test has its propeller on.",
            "Tape only with power off and the battery unplugged.",
        ]),
        steps: lines([
            "Run 10 s at the test speed without tape: baseline.",
            "Trial mass on the bell at 0 deg: run 10 s. The same at 120 and at 240 deg: trial.1 to trial.3.",
            "Correct as computed, run again: after. On a two-bladed propeller taped at its tips only the share along the blades.",
            "Every motor and every spare propeller.",
        ]),
        abort_limits: vec![
            limit(
                "vibration at the motor",
                "twice that of the first run",
                "the tape is on the heavy side, or something is loose",
            ),
            limit("tape", "that lifts", "stop"),
        ],
        log: vec![
            channel("accel.x, accel.y, accel.z", "raw", rate, why),
            channel("rotor.N.speed", "from the ESC or a tachometer", 20.0, "the line to follow"),
            channel(
                "baseline, trial.1.amplitude to trial.3.amplitude, after",
                "1/rev of the log",
                0.0,
                "one for each run",
            ),
            channel(
                "trial.mass, trial.radius, trial.1.angle to trial.3.angle",
                "scales, calliper",
                0.0,
                "what was added where",
            ),
        ],
        computed_after: lines([
            "response per g mm",
            "residual unbalance and its ISO 21940-11 grade",
            "correction mass and angle",
        ]),
        pass_limits: vec![limit(
            "residual unbalance",
            "G16 at first, G6.3 as the aim",
            "ISO 21940-11 grades",
        )],
        check_boxes: lines(["propellers on the other motors off"]),
    }
}
