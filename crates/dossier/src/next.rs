//! Between two flights: fly again or not, which card, which gains, and why. For one screen, read in a minute.

use std::path::Path;

use serde::Serialize;

use crate::check::Opened;
use crate::diagnostic::Diagnostics;
use crate::findings::{Findings, Outcome};
use crate::gates;
use crate::result::State;
use crate::tuning::{self, Stop};

/// How much a reason weighs.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Weight {
    /// As it should be.
    Good,
    /// Watch it.
    Watch,
    /// Do not fly before it is cleared.
    Stop,
}

/// One reason.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Reason {
    /// How much it weighs.
    pub weight: Weight,
    /// What was seen, in a sentence with its figure and limit.
    pub text: String,
}

/// The answer.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Next {
    /// Build.
    pub build: String,
    /// Last flight record, where there is one.
    pub record: Option<String>,
    /// Whether to fly again.
    pub fly: bool,
    /// Reasons, heaviest first.
    pub reasons: Vec<Reason>,
    /// Gate to work on next: identity, name, and the evidence it closes on.
    pub gate: Option<(String, String, String)>,
    /// First criterion of that gate that waits, and what for.
    pub waits: Option<String>,
    /// Next step of the rate gains, where the next card is one that flies gains.
    pub step: Option<Stop>,
    /// Why there is no step of gains, or what it rests on.
    pub step_note: String,
}

/// Limits that say stop or watch. Common practice, no source.
const SATURATED_STOP: f64 = 0.05;
const SATURATED_WATCH: f64 = 0.001;
const DAMPING_STOP: f64 = 0.1;
const DAMPING_WATCH: f64 = 0.25;
const CASE_LIMIT: f64 = 353.15;
const OSCILLATION_STOP: f64 = 0.35;
const OSCILLATION_WATCH: f64 = 0.05;
/// Of the velocity while it is held, m/s r.m.s.
const SWAY_STOP: f64 = 0.5;

/// The next flight of a build.
///
/// # Errors
/// What is wrong with the dossier's files.
pub fn next(dir: &Path, build: Option<&str>) -> Result<Next, Diagnostics> {
    let opened = Opened::open(dir, build, &[])?;
    let evidence = opened.evidence();
    let build = opened.build.clone();
    let stated =
        opened.subject.resolved().aircraft.battery.as_ref().map(|b| {
            f64::from(b.series) / f64::from(b.parallel.max(1)) * b.cell_resistance + b.lead_resistance
        });
    let (result, choice) = opened.judge_and(&evidence, &[], tuning::tune)?;
    let last = evidence.flights.last();
    let mut reasons = last.map(|f| reasons(&f.findings, stated)).unwrap_or_default();
    if let Some(note) = evidence.notes.iter().rev().find_map(|m| m.values.get("case_temperature")) {
        let celsius = note.value - 273.15;
        let weight = match note.value {
            v if v > CASE_LIMIT => Weight::Stop,
            v if v > CASE_LIMIT - 10.0 => Weight::Watch,
            _ => Weight::Good,
        };
        reasons
            .push(Reason { weight, text: format!("Hottest motor case {celsius:.0} degC, at most 80 degC") });
    } else if last.is_some() {
        reasons.push(Reason {
            weight: Weight::Watch,
            text: "No case temperature was entered: feel for heat, then note it".to_owned(),
        });
    }
    reasons.sort_by_key(|r| std::cmp::Reverse(r.weight));
    let gate = result.gates.iter().find(|g| g.state != State::Met);
    let before_flight = |id: &str| matches!(id, "sizing" | "structure" | "drive" | "sensing" | "set-up");
    if let Some(g) = gate.filter(|g| last.is_none() && before_flight(&g.id) && g.state == State::Short) {
        reasons.insert(
            0,
            Reason {
                weight: Weight::Stop,
                text: format!("Gate {} is short: {}", g.name.to_lowercase(), g.verdict),
            },
        );
    }
    let fly = reasons.iter().all(|r| r.weight != Weight::Stop);
    let (step, step_note) = match choice {
        Err(why) => (None, format!("No gains can be chosen: waits for {why}.")),
        Ok(t) => {
            let first = t.path.first().filter(|s| s.gains != t.today.gains).cloned();
            if !fly {
                (None, "Gains stay as they are until the reasons above are cleared.".to_owned())
            } else if !t.measured {
                (None, format!("Fly rate steps at today's gains first: {}.", t.basis))
            } else {
                (first, t.verdict)
            }
        }
    };
    Ok(Next {
        build,
        record: last.map(|f| f.meta.id.clone()),
        fly,
        reasons,
        waits: gate.and_then(|g| {
            g.criteria.iter().find(|c| c.state != State::Met).map(|c| match &c.waits_for {
                Some(w) => format!("{}: {w}", c.text),
                None => c.text.clone(),
            })
        }),
        gate: gate.map(|g| (g.id.clone(), g.name.clone(), g.closes_on.clone())),
        step,
        step_note,
    })
}

/// What makes an oscillation, as the end of a sentence.
fn made_by(f: &Findings, key: &str) -> String {
    match f.get(key).map(|i| &i.outcome) {
        Some(Outcome::Words { answer }) => format!(", made by: {answer}"),
        _ => ", and what makes it cannot be told".to_owned(),
    }
}

/// What the last flight says.
fn reasons(f: &Findings, stated_resistance: Option<f64>) -> Vec<Reason> {
    let mut out = Vec::new();
    let mut push = |weight, text: String| out.push(Reason { weight, text });
    let value = |key: &str| f.estimate(key).map(|e| e.value);
    let grade = |v: f64, watch: f64, stop: f64| match v {
        v if v > stop => Weight::Stop,
        v if v > watch => Weight::Watch,
        _ => Weight::Good,
    };
    let hover = value("saturation.hover").or_else(|| value("saturation.share"));
    match hover {
        Some(v) => push(
            grade(v, SATURATED_WATCH, SATURATED_STOP),
            format!("Motors at an end of their command in {:.2} % of the hover, at most 0.1 %", 100.0 * v),
        ),
        None => {
            push(Weight::Watch, "Saturation cannot be told: log the rotor commands after mixing".to_owned());
        }
    }
    for (letter, name) in [('x', "roll"), ('y', "pitch"), ('z', "yaw")] {
        if let Some(v) = value(&format!("saturation.{letter}")).filter(|v| *v > 0.02) {
            let weight = if v > 0.3 { Weight::Stop } else { Weight::Watch };
            push(
                weight,
                format!(
                    "Motors at an end in {:.0} % of the {name} steps: smaller steps, or more thrust",
                    100.0 * v
                ),
            );
        }
        match f.get(&format!("step.{letter}.damping")).map(|i| &i.outcome) {
            Some(Outcome::Value { estimate }) => {
                let v = estimate.value;
                let weight = match v {
                    v if v < DAMPING_STOP => Weight::Stop,
                    v if v < DAMPING_WATCH => Weight::Watch,
                    _ => Weight::Good,
                };
                push(
                    weight,
                    format!("{name} rings after a release with a damping of {v:.2}, wanted 0.35 or more"),
                );
            }
            Some(Outcome::Words { answer }) => {
                push(Weight::Good, format!("{name} after a release: {answer}"));
            }
            _ => {}
        }
        if let Some(v) = value(&format!("oscillation.{letter}")) {
            let weight = grade(v, OSCILLATION_WATCH, OSCILLATION_STOP);
            if weight > Weight::Good {
                let size = v.to_degrees();
                let made = made_by(f, &format!("oscillation.{letter}.source"));
                push(weight, format!("{name} oscillates by {size:.1} deg/s r.m.s.{made}"));
            }
        }
    }
    if let Some(v) = value("oscillation.velocity") {
        let made = made_by(f, "oscillation.velocity.source");
        let weight = grade(v, 0.0, SWAY_STOP);
        push(weight, format!("The velocity sways by {v:.2} m/s r.m.s. while it is held{made}"));
    }
    for (what, name) in [("accel", "accelerometer"), ("rate", "gyro")] {
        if let Some(v) = value(&format!("clipping.{what}")).filter(|v| *v > 0.0) {
            push(
                Weight::Stop,
                format!("The {name} clipped in {:.3} % of its samples: its figures are void", 100.0 * v),
            );
        }
    }
    if let (Some(v), Some(stated)) = (value("battery.resistance"), stated_resistance.filter(|s| *s > 0.0)) {
        let ratio = v / stated;
        push(
            grade(ratio, 1.3, 1.8),
            format!("Battery with leads {:.0} mohm, {ratio:.2} times the stated", 1e3 * v),
        );
    }
    out
}

/// Whether a gate of this identity is about flying gains.
pub fn flies_gains(gate: &str) -> bool {
    gates::GATES.iter().any(|g| g.id == gate) && matches!(gate, "rate" | "attitude" | "velocity")
}
