//! Tethered first hop of half a second.

use super::basis::Basis;
use super::common::{channel, drive_rate, limit, lines, loop_rate, number};
use super::shown::{degrees, degrees_per_second, joules, metres, newtons, percent, seconds};
use super::{Draft, Power, Spec};

/// Shortest hop, s.
const SHORTEST: f64 = 0.5;
/// From full command to where no leg drags, beyond the drive's own lag, s.
const CLEAR: f64 = 0.1;

pub(super) const CARD: Spec = Spec {
    id: "first-hop",
    title: "Tethered first hop of half a second",
    gate: "hover",
    record: "flight",
    power: Power::Free,
    criteria: &["set-up.order", "set-up.axes"],
    fill,
};

fn fill(b: &Basis<'_>) -> Draft {
    let height = b.hop_height();
    let spare = (b.thrust - b.weight).max(0.0);
    // A runaway at full thrust rises by the slack h, then stretches the tether by x: (T - W)(h + x) = F x / 2, with a
    // tension F that grows with the stretch. A cord that doubles its length h at that pull: x = h, F = 4 (T - W).
    let snatch = 4.0 * spare;
    let energy = spare * height;
    let tilt = (height / (0.5 * b.span)).atan().min(20_f64.to_radians());
    let f = b.first_flight();
    let (loops, loops_why) = loop_rate(b);
    let (drives, drives_why) = drive_rate(b);
    let lag = b.lag.unwrap_or(0.05);
    let pulse = (1.2 * lag).clamp(0.025, 0.1);
    let duration = (CLEAR + 2.0 * lag + 6.0 * pulse + 0.05).max(SHORTEST);
    let ground = b.ground_command.map(|c| {
        number("ground", "command that holds it one radius above the ground", c, "1", percent(c), "hover command less the ground effect, 16/15 of the thrust at the same speed (Cheeseman and Bennett 1955): it lifts below the hover command, and sinks again above a diameter")
    });
    Draft {
        purpose: "Whether every output turns the aircraft the way the file says, before it is high enough to matter.".to_owned(),
        numbers: [
            number("duration", "length of the hop", duration, "s", seconds(duration), "two lags and 0.1 s to clear the ground, six pulses; half a second at least (derived)"),
            number("height", "slack of the tether above the ground", height, "m", metres(height), "three quarters of a disc, 0.25 m at least"),
            number("snatch", "pull that stops a runaway at full thrust", snatch, "N", newtons(snatch), format!("full thrust over the slack gives {}, and the thrust goes on pulling while the cord doubles its length: 4 (T - W) (derived)", joules(energy))),
            number("breaking", "breaking load of cord, lines and anchor", 2.0 * snatch, "N", newtons(2.0 * snatch), "twice the pull (common practice, no source); a plain line that stretches a tenth would need 22 (T - W)"),
            number("reach", "height that a runaway reaches", 2.0 * height, "m", metres(2.0 * height), "slack and stretched cord (derived)"),
            number("tilt", "abort tilt", tilt, "rad", degrees(tilt), "slack over half the span, 20 deg at most: the tip would touch (derived)"),
            number("command", "highest command", f.thrust, "1", percent(f.thrust), "hover command x √1.3 (derived)"),
            number("pulse", "length of a pulse", pulse, "s", seconds(pulse), "1.2 lags of the drive, 25 to 100 ms, so that it shows in the rate and not in the tilt (derived)"),
        ]
        .into_iter()
        .chain(ground)
        .collect(),
        you_need: lines(["soft ground, wind below 2 m/s", "four lines from the frame's middle to one rubber cord below, the cord as long as the slack and twice as long at the pull, and an anchor", "a scripted hop: nobody can time half a second by hand", "a battery at half charge"]),
        set_up: lines([
            "Gate set-up first: hand rotation, spin check, presets. Propellers go on now, last.",
            "Rate loop at a fifth of its gains, integral off; attitude loop off. Centre of gravity within 2 % of the arm: lead it there.",
            "Script: highest command at once (a slow lift drags a leg), held, off. Clear of the ground, three patterns one after the other, each for a pulse and reversed for a pulse: 20 % of command up on one half of the outputs and down on the other; first the right half up, then the front half, then the outputs of one spin.",
        ]),
        steps: lines(["Everybody at the distance. Word, log, hop.", "Motors off by script, cut by the second person, battery unplugged, then look.", "Import the log as a flight. Read the verdict before any second hop.", "“Cannot tell” names the motor to spin with propellers off; that settles it."]),
        abort_limits: vec![
            limit("tilt", degrees(tilt), "slack over half the span"),
            limit("rate about any axis", degrees_per_second(2.0 * f.rate), "twice the first-flight limit: it runs away"),
            limit("tether", "taut for more than 0.2 s", "it pulls harder than hover needs"),
        ],
        log: vec![
            channel("rotor.N.command", "after mixing", loops.max(drives), drives_why),
            channel("rate.x, rate.y, rate.z", "raw", loops.max(200.0), format!("{loops_why}; 200 Hz at least: half a second must give a hundred samples")),
            channel("accel.x, accel.y, accel.z", "raw", loops.max(200.0), "which way is down, and that it left the ground"),
            channel("rotor.N.speed", "from the ESC", 50.0, "in place of the command and its lag, where there is one"),
        ],
        computed_after: lines(["posterior over rotor order, spins and 24 sensor orientations", "a verdict above 99 %, else which motor to spin next"]),
        pass_limits: vec![limit("order, spins and axes as in the file", "> 99 %", "derived: posterior against every other")],
        check_boxes: lines(["tether pulled with its snatch load", "gains lowered, script tried with propellers off"]),
    }
}
