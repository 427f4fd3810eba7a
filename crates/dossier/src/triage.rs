//! Triage: another team's log and nothing else. What it proves, what it cannot and why, and the
//! three things to ask for next.

use std::collections::BTreeMap;

use serde::Serialize;

use crate::findings::{Finding, Findings, Known, Outcome, findings_with};
use crate::record::{Record, RecordOrigin};

/// Answer of a triage.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Triage {
    /// Record.
    pub record: String,
    /// What the log proves, in sentences.
    pub proves: Vec<String>,
    /// What it cannot tell, and why.
    pub cannot: Vec<Open>,
    /// What its rate and tap points cannot answer, in sentences.
    pub limits: Vec<String>,
    /// Saturation, clipping, oscillations, an order that contradicts the layout.
    pub alarms: Vec<Alarm>,
    /// Three things to ask for next, the one that unlocks most first.
    pub ask_for: [Ask; 3],
    /// Everything that was found, with figures, phases, spectra and steps.
    pub findings: Findings,
}

/// An open question.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Open {
    /// What stays open.
    pub what: String,
    /// What is missing.
    pub why: String,
    /// Which short test would tell.
    pub would_tell: String,
}

/// Something to look at before the next flight.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Alarm {
    /// `saturation`, `clipping`, `oscillation`, `order`.
    pub kind: String,
    /// Sentence.
    pub text: String,
}

/// A thing to ask for.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Ask {
    /// What to ask for.
    pub what: String,
    /// What it would unlock.
    pub unlocks: Vec<String>,
}

/// What a request needs to cover to answer an open question.
struct Request {
    what: &'static str,
    /// Words in the missing part that this request supplies.
    words: &'static [&'static str],
    /// Tie-break: cheap and telling first.
    rank: f64,
}

const REQUESTS: &[Request] = &[
    Request {
        what: "the same flight with the speed of every rotor logged (rotor.N.speed), or a sound recording of its hover",
        words: &["rotor.n.speed", "rotor speed"],
        rank: 0.30,
    },
    Request {
        what: "every rotor's command after mixing, with its tap point stated",
        words: &["rotor.n.command", "command after mixing", "tap point of rotor"],
        rank: 0.28,
    },
    Request {
        what: "a flight of rate steps: 100 deg/s to both sides about each axis, held 0.35 s, released for 2 s, rate demand logged",
        words: &["rate_demand", "excitation", "a step", "steps to both", "a release", "command moved"],
        rank: 0.26,
    },
    Request {
        what: "the mass on the day, from scales, with the reading's uncertainty",
        words: &["the mass"],
        rank: 0.24,
    },
    Request {
        what: "the layout with the rotors' numbers, places and spins, and the length of the arms",
        words: &["places of the rotors", "length of the arms"],
        rank: 0.22,
    },
    Request {
        what: "a hover of 10 s hands off, battery full, in calm air",
        words: &["steady hover", "a hover", "second in the air", "stretch in the air"],
        rank: 0.20,
    },
    Request {
        what: "a log of raw gyro and raw accelerometer at 1 kHz or more, tap points stated, with the number of blades",
        words: &["raw", "tap point of accel", "rate:", "accel.", "number of blades", "coherence"],
        rank: 0.18,
    },
    Request { what: "the attitude in the log, and how it was estimated", words: &["attitude."], rank: 0.16 },
    Request {
        what: "battery voltage and current in the log, through a pull of thrust",
        words: &["battery.", "the current"],
        rank: 0.14,
    },
    Request {
        what: "a pull of full thrust for 0.6 s after a hover, battery full, room above",
        words: &["a pull"],
        rank: 0.12,
    },
    Request {
        what: "the gyro rates rate.x, rate.y, rate.z in the log",
        words: &["channels rate.", "channel rate."],
        rank: 0.29,
    },
    // Two that always help: what no flight log holds.
    Request {
        what: "the weight on three points, level and tilted: centre of gravity in three axes",
        words: &["centre of gravity"],
        rank: 0.02,
    },
    Request {
        what: "a static sweep of one motor with its propeller: command, voltage, current, speed, thrust, torque",
        words: &["static sweep"],
        rank: 0.01,
    },
];

/// Triage of a record. `mass` is value and standard uncertainty in kg, `layout` one of the named
/// layouts, `arm` the distance of the hubs from the centre in m. All may be missing.
pub fn triage(record: &Record, mass: Option<(f64, f64)>, layout: Option<&str>, arm: Option<f64>) -> Triage {
    let mass = mass.filter(|m| m.0 > 0.0 && m.0.is_finite() && m.1.is_finite());
    let arm = arm.filter(|a| *a > 0.0 && a.is_finite());
    let stations = layout.and_then(|l| physics::layout::stations(l, arm.unwrap_or(1.0), 0.0, true));
    let unknown_layout = layout.filter(|_| stations.is_none());
    let known = Known { stations, lengths: arm.is_some(), mass, ..Known::default() };
    let found = findings_with(record, &known);

    let mut cannot: Vec<Open> = found.items.iter().filter_map(open).collect();
    if mass.is_none() {
        cannot.push(Open {
            what: "thrust in newtons, inertia".to_owned(),
            why: "the mass".to_owned(),
            would_tell: "weigh the aircraft as flown".to_owned(),
        });
    }
    if arm.is_none() {
        cannot.push(Open {
            what: "inertia, offset of the centre of gravity in millimetres".to_owned(),
            why: "the length of the arms".to_owned(),
            would_tell: "measure hub to hub across the centre".to_owned(),
        });
    }
    if let Some(name) = unknown_layout {
        cannot.push(Open {
            what: "everything that needs the rotors' places".to_owned(),
            why: format!(
                "the places of the rotors: `{name}` is none of {}",
                physics::layout::NAMES.join(", ")
            ),
            would_tell: "name the layout, or describe the places and spins of the rotors".to_owned(),
        });
    }
    let ask_for = requests(&cannot, record);
    Triage {
        record: record.meta.id.clone(),
        proves: proves(record, &found),
        alarms: alarms(&found),
        limits: found.cannot_answer.clone(),
        cannot,
        ask_for,
        findings: found,
    }
}

fn open(f: &Finding) -> Option<Open> {
    match &f.outcome {
        Outcome::CannotTell { missing, would_tell } => {
            Some(Open { what: f.label.clone(), why: missing.clone(), would_tell: would_tell.clone() })
        }
        _ => None,
    }
}

fn proves(record: &Record, found: &Findings) -> Vec<String> {
    let mut lines = Vec::new();
    let marked = if record.meta.origin == RecordOrigin::Simulated { " (simulated)" } else { "" };
    let mut total: BTreeMap<&str, f64> = BTreeMap::new();
    for p in &found.phases {
        let word = match p.kind {
            crate::findings::PhaseKind::Ground => "on the ground",
            crate::findings::PhaseKind::Hover => "in hover",
            crate::findings::PhaseKind::Step => "in rate steps",
            crate::findings::PhaseKind::Release => "in releases",
            crate::findings::PhaseKind::Pull => "in pulls of thrust",
            crate::findings::PhaseKind::Manoeuvre if p.label == crate::findings::ROTORS_ONLY => {
                "with the rotors turning, in flight or not"
            }
            crate::findings::PhaseKind::Manoeuvre => "in other flight",
        };
        *total.entry(word).or_default() += p.end - p.start;
    }
    if !total.is_empty() {
        let parts: Vec<String> = total.iter().map(|(w, t)| format!("{t:.1} s {w}")).collect();
        lines.push(format!("The record holds {}{marked}.", parts.join(", ")));
    }
    for f in &found.items {
        match &f.outcome {
            Outcome::Value { estimate } => lines.push(format!(
                "{}: {:.4} ± {:.2} {}{marked}. {}",
                capital(&f.label),
                Significant(estimate.value),
                Significant(estimate.uncertainty),
                if estimate.unit == "1" { "" } else { &estimate.unit },
                f.text
            )),
            Outcome::Words { answer } => {
                lines.push(format!("{}: {answer}{marked}. {}", capital(&f.label), f.text));
            }
            Outcome::CannotTell { .. } => {}
        }
    }
    for l in &mut lines {
        *l = l.replace(" .", ".");
    }
    lines
}

/// A number with as many significant digits as the precision says.
struct Significant(f64);

impl std::fmt::Display for Significant {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        let digits = f.precision().unwrap_or(4) as i32;
        let v = self.0;
        if v == 0.0 || !v.is_finite() {
            return write!(f, "{v}");
        }
        let magnitude = v.abs().log10().floor() as i32;
        if (-4..6).contains(&magnitude) {
            write!(f, "{v:.*}", (digits - 1 - magnitude).max(0) as usize)
        } else {
            write!(f, "{v:.*e}", (digits - 1).max(0) as usize)
        }
    }
}

fn capital(text: &str) -> String {
    let mut c = text.chars();
    c.next().map_or_else(String::new, |first| first.to_uppercase().chain(c).collect())
}

fn alarms(found: &Findings) -> Vec<Alarm> {
    let mut alarms = Vec::new();
    let mut push = |kind: &str, text: String| alarms.push(Alarm { kind: kind.to_owned(), text });
    let saturated = [("saturation.share", 0.001), ("saturation.flight", 0.01)]
        .into_iter()
        .find_map(|(key, most)| Some((key, found.estimate(key).filter(|e| e.value > most)?)));
    if let Some((key, e)) = saturated {
        let text = found.get(key).map_or("", |f| f.text.as_str());
        push("saturation", format!("Commands are at a limit in {:.2} % of samples. {text}", 100.0 * e.value));
    }
    for what in ["gyro", "accel"] {
        let key = format!("clipping.{what}");
        if let Some(e) = found.estimate(&key).filter(|e| e.value > 0.0) {
            let text = found.get(&key).map_or("", |f| f.text.as_str());
            push("clipping", format!("The {what} is clipped in {:.3} % of samples. {text}", 100.0 * e.value));
        }
    }
    for axis in ["x", "y", "z"] {
        let key = format!("oscillation.{axis}");
        if let (Some(e), Some(f)) = (found.estimate(&key), found.get(&key)) {
            push(
                "oscillation",
                format!("{}, {:.1} deg/s r.m.s. {}", capital(&f.label), e.value.to_degrees(), f.text),
            );
        }
    }
    if let (Some(e), Some(f)) = (found.estimate("order.posterior"), found.get("order.posterior"))
        && e.value < 0.5
    {
        push("order", f.text.clone());
    }
    alarms
}

fn requests(open: &[Open], record: &Record) -> [Ask; 3] {
    let mut gains: Vec<(f64, usize, Vec<String>)> =
        (0..REQUESTS.len()).map(|k| (REQUESTS[k].rank, k, Vec::new())).collect();
    for o in open {
        let why = o.why.to_lowercase();
        // The first request (in order of rank) whose words occur supplies what is missing.
        let mut candidates: Vec<usize> =
            (0..REQUESTS.len()).filter(|&k| REQUESTS[k].words.iter().any(|w| why.contains(w))).collect();
        candidates.sort_by(|a, b| REQUESTS[*b].rank.total_cmp(&REQUESTS[*a].rank));
        // Step figures are many for one flight: they count together as a few.
        let weight = if o.what.contains(" step, ") { 0.25 } else { 1.0 };
        if let Some(&k) = candidates.first() {
            gains[k].0 += weight;
            let name = match o.what.split_once(" step, ") {
                Some((axis, _)) => format!("{axis} step figures"),
                None => o.what.clone(),
            };
            if !gains[k].2.contains(&name) {
                gains[k].2.push(name);
            }
        }
    }
    gains.sort_by(|a, b| b.0.total_cmp(&a.0));
    let has_speed = record.channel("rotor.1.speed").is_some();
    let mut asks = gains.into_iter().map(|(_, k, unlocks)| {
        let unlocks = if unlocks.is_empty() { vec![standing(REQUESTS[k].what, has_speed)] } else { unlocks };
        Ask { what: REQUESTS[k].what.to_owned(), unlocks }
    });
    let mut next = || asks.next().unwrap_or_else(|| Ask { what: String::new(), unlocks: Vec::new() });
    [next(), next(), next()]
}

/// Why a request helps that no open question asks for.
fn standing(what: &str, has_speed: bool) -> String {
    if what.contains("three points") {
        "tells an off-centre mass from a weak rotor or a twisted arm".to_owned()
    } else if what.contains("static sweep") && has_speed {
        "turns the speeds of this record into thrust without relying on the accelerometer".to_owned()
    } else {
        "confirms what this record shows by a second, independent look".to_owned()
    }
}
