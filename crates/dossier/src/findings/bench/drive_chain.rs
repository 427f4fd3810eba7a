//! What a measured drive is worth in this build's rate loop: the crossover it allows at 45 deg of phase margin.
//!
//! Two drives with the same dead time plus lag are not the same to a loop: a lag takes away gain as well as phase,
//! a dead time phase alone. So drives are compared by the crossover that the build's own chain reaches with each.

use std::f64::consts::FRAC_PI_4;

use physics::aircraft::Aircraft;
use physics::loops::{chain, gains};

use super::Bench;
use crate::estimate::Estimate;
use crate::findings::context::Out;
use crate::predict::{drive_delay, required_crossover};

/// Roll's crossover, rad/s, that leaves 45 deg of phase margin with this dead time (from the controller's output
/// on) and lag, s. `None` where the aircraft file lacks the chain.
pub(in crate::findings) fn reachable(aircraft: &Aircraft, dead: f64, lag: f64) -> Option<f64> {
    let mut changed = aircraft.clone();
    let esc = changed.esc.as_mut()?;
    esc.protocol_period = 0.0;
    esc.update_period = 0.0;
    esc.dead_time = dead.max(0.0);
    let chain = chain::rate_chain(&changed, 0, lag, 0.0).ok()?;
    gains::crossover_at_phase_margin(&chain, FRAC_PI_4)
}

/// The same as an estimate: what dead time and lag owe to their sources it owes too.
pub(crate) fn crossover(aircraft: &Aircraft, dead: &Estimate, lag: &Estimate) -> Option<Estimate> {
    let value = reachable(aircraft, dead.value, lag.value)?;
    let slope = |u: f64, at: &dyn Fn(f64) -> Option<f64>| match (at(u), at(-u)) {
        (Some(a), Some(b)) if u > 0.0 => 0.5 * (a - b) / u,
        _ => 0.0,
    };
    let by_dead = slope(dead.uncertainty, &|u| reachable(aircraft, (dead.value + u).max(0.0), lag.value));
    let by_lag = slope(lag.uncertainty, &|u| reachable(aircraft, dead.value, (lag.value + u).max(1e-4)));
    Some(Estimate::combine(value, "rad/s", &[(by_dead, dead), (by_lag, lag)]))
}

/// Mean of the lags up and down: a loop drives as many rotors up as down.
pub(crate) fn mean_lag(up: &Estimate, down: &Estimate) -> Estimate {
    Estimate::combine(0.5 * (up.value + down.value), "s", &[(0.5, up), (0.5, down)])
}

/// The ESC's own share of a dead time from the command on, with the frame and the mean wait of the aircraft file
/// taken off. It replaces the stated one.
pub(super) fn own_dead_time(bench: &Bench<'_>, out: &mut Out, dead: &Estimate, rests_on: &[&str]) {
    let Some(esc) = bench.aircraft.and_then(|a| a.esc.as_ref()) else { return };
    let known = esc.protocol_period + 0.5 * esc.update_period;
    let own = dead.value - known;
    let (key, label) = ("step.esc_dead_time", "dead time of the ESC alone");
    if own < -2.0 * dead.uncertainty {
        out.cannot_tell(
            key,
            label,
            format!(
                "agreement with the aircraft file: its frame and wait take {:.2} ms, more than the whole dead time",
                known * 1e3
            ),
            "check esc.protocol_period and esc.update_period in the aircraft file",
            rests_on,
        );
        return;
    }
    let e = Estimate { value: own.max(0.0), ..dead.clone() };
    let text = format!(
        "The dead time less one frame ({:.2} ms) and the mean wait for the ESC ({:.2} ms) of the aircraft file.",
        esc.protocol_period * 1e3,
        0.5 * esc.update_period * 1e3
    );
    out.value(key, label, e, text, rests_on);
    out.replaces(key, "esc.dead_time");
}

/// What dead time and lag of a step or sound record come to: their ratio, and what they are worth in this build's
/// loop.
pub(super) fn worth(bench: &Bench<'_>, out: &mut Out, rests_on: &[&str]) {
    let figure = |out: &Out, key: &str| out.estimate(key).cloned();
    let (Some(up), Some(down)) = (figure(out, "step.lag_up"), figure(out, "step.lag_down")) else { return };
    let text = "Above 1 the rotor answers a falling command more slowly than a rising one.";
    out.value("step.lag_ratio", "time constant falling over rising", down.over(&up, "1"), text, rests_on);
    let (Some(a), Some(dead)) = (bench.aircraft, figure(out, "step.dead_time")) else { return };
    let wc = required_crossover(a);
    let lag = mean_lag(&up, &down);
    let slope = 1.0 / (1.0 + (wc * lag.value).powi(2));
    let delay =
        Estimate::combine(drive_delay(dead.value, lag.value, wc), "s", &[(1.0, &dead), (slope, &lag)]);
    let text = format!(
        "Dead time plus the phase of the mean lag at {wc:.1} rad/s, the crossover that this size asks for. A loop drives \
         as many rotors up as down."
    );
    out.value("step.delay", "delay of the drive at the required crossover", delay, text, rests_on);
    let (key, label) = ("step.crossover", "reachable crossover with this drive");
    match crossover(a, &dead, &lag) {
        Some(e) => {
            let text = "Roll's crossover that leaves 45 deg of phase margin with this build's sensor, filters, loop and i/p. \
                        Drives are ranked by it, not by milliseconds alone.";
            out.value(key, label, e, text, &["esc", "motor", "rotor", "imu", "filter", "loop.rate"]);
        }
        None => out.cannot_tell(
            key,
            label,
            "the rate loop's chain, or a gain that leaves 45 deg",
            "state [imu], [esc] and [loop.rate] in the aircraft file",
            rests_on,
        ),
    }
}
