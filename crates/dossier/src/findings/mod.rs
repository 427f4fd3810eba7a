//! What one record shows, and what it cannot.
//!
//! [`findings`] segments a flight and asks it one question after the other, each in its own file.
//! Every figure carries an uncertainty from the data itself, with the correlation of samples
//! allowed for; what the record cannot tell names the missing channel, tap point or excitation and
//! the short test that would tell.

mod attitude;
mod attribution;
mod battery;
mod bench;
mod cannot;
mod context;
mod drive;
mod dwell;
mod failsafe;
mod geometry;
mod hop;
mod hop_rows;
mod hover;
mod identify;
mod limits;
pub(crate) mod memo;
mod order;
mod oscillation;
mod phases;
mod posterior;
mod steps;
mod strands;
mod thrust;
mod turning;
mod upset;
mod velocity;
mod vibration;

pub(crate) use self::bench::MOUNTED;

use physics::aircraft::Aircraft;
use physics::magnetic::LocalField;
use serde::Serialize;

pub use self::attribution::{Source, SourceKind};
pub(crate) use self::bench::drive_chain;
pub(crate) use self::context::Known;
use self::context::{Context, Out};
pub(crate) use self::phases::ROTORS_ONLY;
use crate::chart::{Chart, Table};
use crate::estimate::Estimate;
use crate::record::{Kind, Record};

/// All that one record shows about the aircraft that flew it. Without the aircraft what needs its
/// geometry, mass or rotor is "cannot tell".
pub fn findings(record: &Record, aircraft: Option<&Aircraft>) -> Findings {
    findings_at(record, aircraft, Surroundings::default())
}

/// What surrounded a record, as far as it is known.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Surroundings {
    /// Density of the air, kg/m^3, and its standard uncertainty.
    pub density: Option<(f64, f64)>,
    /// Earth's magnetic field on the day.
    pub earth: Option<LocalField>,
}

/// The same with all that is known of the surroundings.
pub fn findings_at(record: &Record, aircraft: Option<&Aircraft>, around: Surroundings) -> Findings {
    if record.meta.kind != Kind::Flight {
        let mut out = Out::default();
        let Surroundings { density, earth } = around;
        bench::run(&bench::Bench { record, aircraft, density, earth }, &mut out);
        return out.into_findings(record, Vec::new());
    }
    let known = aircraft.map_or_else(Known::default, Known::of_aircraft);
    findings_with(record, &known)
}

/// What a flight says about its vibration alone: spectra, sources, ledger, map.
pub fn vibration_findings(record: &Record, aircraft: Option<&Aircraft>) -> Findings {
    let known = aircraft.map_or_else(Known::default, Known::of_aircraft);
    let context = Context::new(record, &known);
    let mut out = Out::default();
    vibration::run(&context, &mut out);
    out.into_findings(record, context.phases)
}

/// The same from whatever is known.
pub(crate) fn findings_with(record: &Record, known: &Known) -> Findings {
    let context = Context::new(record, known);
    let mut out = Out::default();
    hover::run(&context, &mut out);
    limits::run(&context, &mut out);
    thrust::run(&context, &mut out);
    let hop = hop::run(&context, &mut out);
    turning::run(&context, &mut out, hop);
    drive::run(&context, &mut out);
    dwell::run(&context, &mut out);
    vibration::run(&context, &mut out);
    steps::run(&context, &mut out);
    identify::run(&context, &mut out);
    attitude::run(&context, &mut out);
    velocity::run(&context, &mut out);
    oscillation::run(&context, &mut out);
    upset::run(&context, &mut out);
    battery::run(&context, &mut out);
    failsafe::run(&context, &mut out);
    cannot::run(&context, &mut out);
    out.into_findings(record, context.phases)
}

/// All that was found in one record.
#[derive(Debug, Clone, PartialEq, Serialize, Default)]
pub struct Findings {
    /// Record.
    pub record: String,
    /// Findings in reading order.
    pub items: Vec<Finding>,
    /// Phases of the record, in time order.
    pub phases: Vec<Phase>,
    /// Power spectra.
    pub spectra: Vec<Spectrum>,
    /// Sources of vibration with their evidence.
    pub sources: Vec<Source>,
    /// Rate steps.
    pub steps: Vec<StepTrace>,
    /// Charts.
    pub charts: Vec<Chart>,
    /// Tables.
    pub tables: Vec<Table>,
    /// What the record's rate and tap points cannot answer, in sentences.
    pub cannot_answer: Vec<String>,
}

impl Findings {
    /// Finding by key.
    pub fn get(&self, key: &str) -> Option<&Finding> {
        self.items.iter().find(|f| f.key == key)
    }
    /// Estimate by key, when the record could tell.
    pub fn estimate(&self, key: &str) -> Option<&Estimate> {
        match &self.get(key)?.outcome {
            Outcome::Value { estimate } => Some(estimate),
            _ => None,
        }
    }
}

/// One finding.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Finding {
    /// Identity: `hover.command`, `step.x.overshoot`.
    pub key: String,
    /// Name for people.
    pub label: String,
    /// What came out.
    pub outcome: Outcome,
    /// One sentence: what it says, and what it cannot say.
    pub text: String,
    /// Sections of the aircraft file it rests on (`rotor`, `mass`, ...).
    pub rests_on: Vec<String>,
    /// Numeric input of the aircraft file (`rotor.ct`) that the figure replaces in predictions.
    pub replaces: Option<String>,
}

/// What came out.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[serde(tag = "outcome", rename_all = "kebab-case")]
pub enum Outcome {
    /// A figure.
    Value {
        /// The figure.
        estimate: Estimate,
    },
    /// An answer in words.
    Words {
        /// The answer.
        answer: String,
    },
    /// The record cannot tell.
    CannotTell {
        /// What is missing: a channel, a tap point, excitation.
        missing: String,
        /// Which short test would tell.
        would_tell: String,
    },
}

/// Kind of a phase.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum PhaseKind {
    /// Rotors off or idle.
    Ground,
    /// Steady hover.
    Hover,
    /// A rate step held.
    Step,
    /// Demand back to zero after a step.
    Release,
    /// A pull of thrust.
    Pull,
    /// Anything else in the air.
    Manoeuvre,
}

/// A stretch of a record.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Phase {
    /// Kind.
    pub kind: PhaseKind,
    /// Label: "roll step right 100 deg/s".
    pub label: String,
    /// Start, s.
    pub start: f64,
    /// End, s.
    pub end: f64,
}

/// A power spectral density, one-sided.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Spectrum {
    /// Channel.
    pub channel: String,
    /// Unit of the density, as `(m/s^2)^2/Hz`.
    pub unit: String,
    /// Frequencies, Hz.
    pub frequency: Vec<f64>,
    /// Density.
    pub density: Vec<f64>,
    /// Cumulative r.m.s. from the lowest frequency, in the channel's unit.
    pub cumulative: Vec<f64>,
    /// Independent blocks averaged: the random error of a density is one over its root.
    pub averages: f64,
    /// Peaks, largest first.
    pub peaks: Vec<Peak>,
}

/// A spectral peak.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Peak {
    /// Frequency, Hz.
    pub frequency: f64,
    /// R.m.s. within the peak, in the channel's unit.
    pub rms: f64,
    /// What it is likely to be, or that it cannot be told.
    pub attribution: String,
}

/// One rate step with its metrics.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct StepTrace {
    /// Axis: `x`, `y`, `z`.
    pub axis: char,
    /// Size, rad/s, signed.
    pub size: f64,
    /// Time from the step, s.
    pub time: Vec<f64>,
    /// Demand, rad/s.
    pub demand: Vec<f64>,
    /// Rate, rad/s.
    pub rate: Vec<f64>,
    /// Delay to 10 %, s.
    pub delay: Option<f64>,
    /// Rise time 10 to 90 %, s.
    pub rise: Option<f64>,
    /// Overshoot as a fraction of the step.
    pub overshoot: Option<f64>,
    /// Time to stay within 5 %, s.
    pub settling: Option<f64>,
    /// Attitude drift in the 2 s after release, rad.
    pub drift: Option<f64>,
    /// Visible half-cycles after release.
    pub half_cycles: Option<u32>,
    /// Damping ratio of the ring-down after release.
    pub damping: Option<f64>,
}
