//! A drive's sound: rotor speed against time, lags up and down, and with a command line beside the
//! microphone the dead time.

use std::f64::consts::TAU;

use physics::aircraft::Aircraft;
use physics::powertrain::open_circuit_voltage;
use signal::modes::pooled;
use signal::sound::{self, StepFit, Track, TrackOptions, TrackStep, command};

use super::{Bench, drive_chain, pieces};
use crate::aircraft_file::keys::SPEC;
use crate::chart::{Axis, Chart, Mark, Series, Style, Table};
use crate::findings::context::Out;

/// What the response of a drive rests on; the battery through its voltage.
const RESTS: &[&str] = &["esc", "motor", "rotor", "battery"];
const TEST: &str = "one motor on a restrained rig, microphone a hand's breadth from the propeller's edge and out of its stream, command from 40 to 60 % and back every \
                    second, five times; the command line through a divider on the second channel";
/// Clock of a sound card (common practice, no source).
const CLOCK: f64 = 5e-5;
/// Multiples of the blade passage that are used.
const ORDERS: [f64; 4] = [1.0, 2.0, 3.0, 4.0];

/// Lines that explain less of the sound than they leave are not a step of this rotor, dB.
const LEAST_SIGNAL: f64 = 0.0;

/// A fitted step with its dead time and that of the command's own edge.
struct Seen {
    step: TrackStep,
    fit: StepFit,
    dead: Option<(f64, f64)>,
}

/// Blade passage at no load and full charge, Hz: what no rotor of this aircraft passes.
fn fastest(a: &Aircraft) -> Option<f64> {
    let (motor, battery) = (a.motor.as_ref()?, a.battery.as_ref()?);
    let volts = open_circuit_voltage(battery.chemistry, 1.0) * f64::from(battery.series);
    Some(motor.kv * volts * f64::from(a.rotor.blades) / TAU)
}

pub(super) fn run(bench: &Bench<'_>, out: &mut Out) {
    let time = &bench.record.time;
    let Some(audio) = bench.channel("sound") else {
        out.cannot_tell("step.lag_up", "time constant, speed rising", "the channel sound", TEST, RESTS);
        return;
    };
    let (Some(first), Some(last)) = (time.first(), time.last()) else { return };
    let rate = (time.len().saturating_sub(1)) as f64 / (last - first);
    let blades =
        bench.hand("blades").map_or(bench.aircraft.map_or(2.0, |a| f64::from(a.rotor.blades)), |b| b.0);
    let mut options = TrackOptions::for_rate(rate);
    let top = bench.aircraft.and_then(fastest);
    if let Some(top) = top {
        options.high = (1.05 * top).min(options.high);
        options.low = (0.08 * top).clamp(25.0, 0.5 * options.high);
    }
    if let Some((low, _)) = bench.hand("blade_passage.low") {
        options.low = low;
    }
    if let Some((high, _)) = bench.hand("blade_passage.high") {
        options.high = high;
    }
    let track = match sound::track(audio, rate, &options) {
        Ok(t) => t,
        Err(e) => {
            out.cannot_tell(
                "step.lag_up",
                "time constant, speed rising",
                format!("a rotor that can be followed: {e}"),
                TEST,
                RESTS,
            );
            return;
        }
    };
    octave(out, &track, top);
    let edges = bench.channel("command_line").map(|l| command::edges(l, rate));
    let air = air_path(bench);
    let steps = sound::steps(&track, 0.08, 0.03);
    let seen: Vec<Seen> = steps
        .iter()
        .filter_map(|s| {
            let fit = sound::fit_step(audio, rate, s, &ORDERS)
                .ok()
                .filter(|f| f.signal_to_noise >= LEAST_SIGNAL)?;
            let dead = edges.as_ref().and_then(|list| {
                let e = list
                    .iter()
                    .filter(|e| e.at < fit.at && fit.at - e.at < 0.4)
                    .max_by(|a, b| a.at.total_cmp(&b.at))?;
                Some((fit.at - e.at - air.0, fit.at_error.hypot(e.error)))
            });
            Some(Seen { step: *s, fit, dead })
        })
        .collect();
    chart(out, &track, &seen, blades, first.max(0.0));
    if seen.is_empty() {
        let missing = if steps.is_empty() {
            "steps of the speed of 3 % or more, held for 0.1 s"
        } else {
            "a step that a first-order response fits"
        };
        for (key, label) in [
            ("step.lag_up", "time constant, speed rising"),
            ("step.lag_down", "time constant, speed falling"),
        ] {
            out.cannot_tell(key, label, missing, TEST, RESTS);
        }
        return;
    }
    lags(bench, out, &seen);
    dead_time(bench, out, &seen, edges.is_some(), air);
    drive_chain::worth(bench, out, RESTS);
    table(out, &seen, blades);
}

fn octave(out: &mut Out, track: &Track, top: Option<f64>) {
    let o = track.octave;
    let f = track.frequency.iter().copied().fold(0.0, f64::max);
    // A rotor cannot turn faster than its motor does without load.
    let no_twice = top.is_some_and(|t| 2.0 * f > 1.05 * t);
    let sure = o.sure || (no_twice && o.half < -9.0);
    let answer = if sure { "the blade passage itself" } else { "unsure: it may be half or twice of it" };
    let text = format!(
        "Lines midway between the multiples stand {:.0} dB, odd against even multiples {:+.0} dB. {}",
        o.half,
        o.odd,
        if sure {
            "Time constants and dead times do not depend on it."
        } else {
            "Time constants and dead times hold all the same; the speeds need one known speed to compare with."
        }
    );
    out.words("sound.octave", "what the track follows", answer, text, RESTS);
}

/// Delay of the air path, s, with its standard uncertainty.
fn air_path(bench: &Bench<'_>) -> (f64, f64) {
    let (distance, error) = bench.hand("distance").unwrap_or((0.3, 0.15));
    let temperature = bench.hand("temperature").map_or(293.15, |t| t.0);
    let c = sound::speed_of_sound(temperature);
    (distance / c, error / c)
}

fn lags(bench: &Bench<'_>, out: &mut Out, seen: &[Seen]) {
    for (up, key, label, input) in [
        (true, "step.lag_up", "time constant, speed rising", "response_up"),
        (false, "step.lag_down", "time constant, speed falling", "response_down"),
    ] {
        let list: Vec<(f64, f64)> = seen
            .iter()
            .filter(|s| (s.fit.to > s.fit.from) == up)
            .map(|s| (s.fit.lag, s.fit.lag_error))
            .collect();
        let Some((lag, error, scatter)) = pooled(&list) else {
            let missing = if up { "a step upward" } else { "a step downward" };
            out.cannot_tell(key, label, missing, TEST, RESTS);
            continue;
        };
        let what = format!("{label}, by sound");
        let e = pieces::several(
            bench,
            lag,
            "s",
            &[(what.as_str(), error), ("clock of the recorder", lag * CLOCK)],
        );
        let text = format!(
            "Fitted to the sound itself, {} steps, {:.1} ms of scatter between them; no window stands between. The supply's sag is taken out as a drift.",
            list.len(),
            1e3 * scatter
        );
        out.value(key, label, e, text, RESTS);
        if SPEC.key("esc", input).is_some() {
            out.replaces(key, &format!("esc.{input}"));
        }
    }
}

fn dead_time(bench: &Bench<'_>, out: &mut Out, seen: &[Seen], line: bool, air: (f64, f64)) {
    let (key, label) = ("step.dead_time", "dead time from the command's edge to the speed");
    if !line {
        out.cannot_tell(key, label, "the command line on a second channel: sound alone tells when the speed changes, not when it was asked to", TEST, RESTS);
        return;
    }
    let list: Vec<(f64, f64)> = seen.iter().filter_map(|s| s.dead).collect();
    let Some((dead, error, scatter)) = pooled(&list) else {
        out.cannot_tell(
            key,
            label,
            "an edge on the command line within 0.4 s before a step of the speed",
            TEST,
            RESTS,
        );
        return;
    };
    if dead + 3.0 * error.hypot(air.1) < 0.0 {
        out.cannot_tell(key, label, format!("an order that can be: the speed changes {:.1} ms before the command; the channels may be exchanged, or the distance too large", -1e3 * dead), TEST, RESTS);
        return;
    }
    let e = pieces::several(
        bench,
        dead,
        "s",
        &[("start of the response, by sound", error), ("distance of the microphone", air.1)],
    );
    let stated = bench.hand("distance").is_some();
    let text = format!(
        "From the rising edge of the first changed pulse, {} steps, {:.1} ms of scatter; {:.2} ms of air path taken off{}.",
        list.len(),
        1e3 * scatter,
        1e3 * air.0,
        if stated { "" } else { " for an assumed 0.3 m: state distance" }
    );
    out.value(key, label, e.clone(), text, RESTS);
    drive_chain::own_dead_time(bench, out, &e, RESTS);
}

fn chart(out: &mut Out, track: &Track, seen: &[Seen], blades: f64, start: f64) {
    let rpm = |f: f64| 60.0 * f / blades;
    let stride = track.time.len().div_ceil(1500).max(1);
    let mut series = vec![Series::new(
        "followed",
        Style::Dots,
        track.time.iter().step_by(stride).map(|t| t + start).collect(),
        track.frequency.iter().step_by(stride).map(|f| rpm(*f)).collect(),
    )];
    let mut marks = Vec::new();
    for (k, s) in seen.iter().enumerate() {
        let (a, b) = s.fit.span;
        let x: Vec<f64> = (0..=200).map(|i| a + (b - a) * f64::from(i) / 200.0).collect();
        let y = x.iter().map(|t| rpm(s.fit.frequency(*t))).collect();
        series.push(Series::new(
            if k == 0 { "fitted to the sound" } else { "" },
            Style::Line,
            x.iter().map(|t| t + start).collect(),
            y,
        ));
        marks.push(Mark::At { x: s.fit.at + start, name: format!("{:.0} ms", 1e3 * s.fit.lag) });
    }
    out.charts.push(Chart {
        id: "rotor-speed".to_owned(),
        title: "Rotor speed by sound".to_owned(),
        caption: format!(
            "Dots are means over {:.0} ms, which smear a step; the lines are fitted to the sound itself and may be steeper.",
            1e3 * track.window
        ),
        x: Axis::linear("time", "s"),
        y: Axis::linear("rotor speed", "rpm"),
        series,
        marks,
    });
}

fn table(out: &mut Out, seen: &[Seen], blades: f64) {
    let rpm = |f: f64| format!("{:.0}", 60.0 * f / blades);
    out.tables.push(Table {
        id: "sound-steps".to_owned(),
        title: "Steps".to_owned(),
        head: [
            "at, s",
            "from, rpm",
            "to, rpm",
            "time constant, ms",
            "±, ms",
            "dead time, ms",
            "±, ms",
            "signal to noise, dB",
        ]
        .map(str::to_owned)
        .to_vec(),
        rows: seen
            .iter()
            .map(|s| {
                let (dead, error) = s.dead.map_or(("—".to_owned(), "—".to_owned()), |(d, e)| {
                    (format!("{:.2}", 1e3 * d), format!("{:.2}", 2e3 * e))
                });
                vec![
                    format!("{:.3}", s.fit.at),
                    rpm(s.step.from),
                    rpm(s.step.to),
                    format!("{:.2}", 1e3 * s.fit.lag),
                    format!("{:.2}", 2e3 * s.fit.lag_error),
                    dead,
                    error,
                    format!("{:.0}", s.fit.signal_to_noise),
                ]
            })
            .collect(),
        note: "Levels from the track; ± is the 95 % interval of each step's own fit.".to_owned(),
    });
}
