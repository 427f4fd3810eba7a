//! Satellite signal and barometer with motors and radio off and on: loss, and pressure error as height.
//!
//! The record is split by what was on. Motors count as on where a rotor's command is above the usable
//! minimum, or the battery current above a tenth of its span; the radio by `radio.on`. Means are compared
//! with errors that allow for correlation in time. A pressure error dp is read as a height of
//! -dp/(rho g).

use physics::STANDARD_GRAVITY;
use signal::robust::{MeanError, mean_error};

use super::super::context::Out;
use super::Bench;
use crate::chart::Table;
use crate::estimate::Estimate;

const RESTS: &[&str] = &["magnetometer", "lead", "siting", "esc", "motor", "battery"];
const TEST: &str = "stand 60 s with motors and radio off, 60 s with the radio on, then 60 s in a restrained run-up with the radio on";

/// What was on.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
enum On {
    Nothing,
    Radio,
    Motors,
    Both,
}

impl On {
    fn words(self) -> &'static str {
        match self {
            Self::Nothing => "all off",
            Self::Radio => "radio on",
            Self::Motors => "motors on",
            Self::Both => "motors and radio on",
        }
    }
}

const STATES: [On; 4] = [On::Nothing, On::Radio, On::Motors, On::Both];

/// Answers of the record.
pub(super) fn run(bench: &Bench<'_>, out: &mut Out) {
    let states = states(bench);
    let signal = means(bench, &states, "satellite.signal", "signal");
    let pressure = means(bench, &states, "pressure", "pressure");
    loss(bench, &signal, out);
    height(bench, &pressure, out);
    let rows: Vec<Vec<String>> = STATES
        .iter()
        .filter_map(|s| {
            let cell = |list: &[(On, MeanError)], digits: usize| {
                list.iter()
                    .find(|m| m.0 == *s)
                    .map(|(_, m)| format!("{:.digits$} ± {:.digits$}", m.mean, m.error))
            };
            let (a, b) = (cell(&signal, 1), cell(&pressure, 1));
            (a.is_some() || b.is_some())
                .then(|| vec![s.words().to_owned(), a.unwrap_or_default(), b.unwrap_or_default()])
        })
        .collect();
    if !rows.is_empty() {
        out.tables.push(Table {
            id: "states".to_owned(),
            title: "What was on, and what was received".to_owned(),
            head: ["state", "satellite signal, dB", "pressure, Pa"].map(str::to_owned).to_vec(),
            rows,
            note: String::new(),
        });
    }
}

/// State of every row; `None` where it cannot be told.
fn states(bench: &Bench<'_>) -> Vec<Option<On>> {
    let n = bench.record.time.len();
    let commands: Vec<&[f64]> = (1..).map_while(|i| bench.channel(&format!("rotor.{i}.command"))).collect();
    let least = bench.aircraft.and_then(|a| a.esc.as_ref()).map_or(0.05, |e| e.usable_minimum);
    let current = bench.channel("battery.current");
    let finite = |c: &[f64], f: fn(f64, f64) -> f64, start: f64| {
        c.iter().copied().filter(|v| v.is_finite()).fold(start, f)
    };
    let threshold = current.map(|c| {
        let (low, high) = (finite(c, f64::min, f64::INFINITY), finite(c, f64::max, f64::NEG_INFINITY));
        (low + 0.1 * (high - low), high - low)
    });
    let radio = bench.channel("radio.on");
    (0..n)
        .map(|k| {
            let motors = if commands.is_empty() {
                // A current that never moves says nothing was switched.
                current.and_then(|c| c.get(k)).zip(threshold).map(|(i, (t, span))| span > 1.0 && *i > t)
            } else {
                Some(commands.iter().any(|c| c.get(k).is_some_and(|v| *v > least)))
            }?;
            let radio = radio.and_then(|r| r.get(k)).is_some_and(|v| *v > 0.5);
            Some(match (motors, radio) {
                (false, false) => On::Nothing,
                (false, true) => On::Radio,
                (true, false) => On::Motors,
                (true, true) => On::Both,
            })
        })
        .collect()
}

/// Mean of a channel in every state that has enough of it; else what was entered by hand as
/// `signal.off`, `signal.radio`, `signal.motors`, `signal.both`.
fn means(bench: &Bench<'_>, states: &[Option<On>], channel: &str, hand: &str) -> Vec<(On, MeanError)> {
    let Some(values) = bench.channel(channel) else {
        return [(On::Nothing, "off"), (On::Radio, "radio"), (On::Motors, "motors"), (On::Both, "both")]
            .into_iter()
            .filter_map(|(s, word)| {
                let (mean, error) = bench.hand(&format!("{hand}.{word}"))?;
                Some((s, MeanError { mean, error, deviation: error, effective: 1.0 }))
            })
            .collect();
    };
    STATES
        .into_iter()
        .filter_map(|s| {
            let kept: Vec<f64> = states
                .iter()
                .zip(values)
                .filter(|(state, v)| **state == Some(s) && v.is_finite())
                .map(|(_, v)| *v)
                .collect();
            (kept.len() >= 5).then(|| mean_error(&kept).map(|m| (s, m))).flatten()
        })
        .collect()
}

fn find(list: &[(On, MeanError)], state: On) -> Option<&MeanError> {
    list.iter().find(|m| m.0 == state).map(|m| &m.1)
}

fn loss(bench: &Bench<'_>, signal: &[(On, MeanError)], out: &mut Out) {
    let (key, label) = ("reception.loss", "satellite signal lost with motors and radio on");
    let Some(quiet) = find(signal, On::Nothing) else {
        let missing = "satellite.signal (dB) with everything off, beside battery.current or rotor commands";
        out.cannot_tell(key, label, missing, TEST, RESTS);
        return;
    };
    let mut lost: Vec<(On, Estimate)> = Vec::new();
    for state in [On::Radio, On::Motors, On::Both] {
        if let Some(m) = find(signal, state) {
            let e = bench.estimate(
                &format!("signal lost, {}", state.words()),
                quiet.mean - m.mean,
                quiet.error.hypot(m.error),
                "dB",
            );
            let id = match state {
                On::Radio => "reception.loss_radio",
                On::Motors => "reception.loss_motors",
                _ => "reception.loss_both",
            };
            out.value(
                id,
                &format!("signal lost, {}", state.words()),
                e.clone(),
                "Mean with all off less the mean of this state.",
                RESTS,
            );
            lost.push((state, e));
        }
    }
    match lost.into_iter().max_by(|a, b| a.1.value.total_cmp(&b.1.value)) {
        Some((state, e)) if state >= On::Motors || find(signal, On::Motors).is_some() => {
            out.value(key, label, e, format!("The worst state: {}.", state.words()), RESTS);
        }
        _ => out.cannot_tell(key, label, "a stretch with the motors on", TEST, RESTS),
    }
}

fn height(bench: &Bench<'_>, pressure: &[(On, MeanError)], out: &mut Out) {
    let (key, label) = ("reception.height_error", "height error of the barometer with motors on");
    let powered = [On::Both, On::Motors].into_iter().find_map(|s| find(pressure, s));
    let (Some(quiet), Some(on)) = (find(pressure, On::Nothing), powered) else {
        out.cannot_tell(key, label, "pressure with the motors off and on", TEST, RESTS);
        return;
    };
    let (density, u) = bench.density.unwrap_or((1.225, 0.06));
    let change = on.mean - quiet.mean;
    let value = -change / (density * STANDARD_GRAVITY);
    let error = (quiet.error.hypot(on.error) / (density * STANDARD_GRAVITY)).hypot(value * u / density);
    let e = bench.estimate("height error", value, error, "m");
    let text = format!(
        "Pressure changes by {change:+.1} Pa when the rotors turn; the barometer reads that as height. A drift of the weather within the record adds to it."
    );
    out.value(key, label, e, text, RESTS);
}
