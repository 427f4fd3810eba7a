//! Predictions frozen before a build flies, and scored once it has flown.

use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};

use serde::{Deserialize, Serialize};

use crate::atomic::write_atomically;
use crate::check::Opened;
use crate::diagnostic::{Diagnostic, Diagnostics};
use crate::estimate::Estimate;
use crate::gates::Context;
use crate::predict::{Group, Prediction};
use crate::record::Kind;
use crate::result::{self, Figure, Score};
use crate::tuning;

/// `predictions/<build>.json`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Frozen {
    /// Build.
    pub build: String,
    /// Date of freezing, ISO 8601.
    pub date: String,
    /// Version of the tool whose models predicted.
    pub version: String,
    /// Fingerprint of the aircraft file.
    pub fingerprint: BTreeMap<String, String>,
    /// Figures by id.
    pub figures: BTreeMap<String, Estimate>,
}

impl Frozen {
    /// As people read it: figures under today's names, those that no model makes any more last.
    pub fn shown(self, today: &Prediction, fingerprint: &BTreeMap<String, String>) -> result::Frozen {
        let mut left = self.figures;
        let mut figures: Vec<Figure> = today
            .figures
            .iter()
            .filter_map(|f| left.remove(&f.id).map(|estimate| Figure { estimate, ..f.clone() }))
            .collect();
        figures.extend(left.into_iter().map(|(id, estimate)| Figure {
            name: id.clone(),
            id,
            group: "No longer predicted".to_owned(),
            estimate,
        }));
        let sections: BTreeSet<&String> = self.fingerprint.keys().chain(fingerprint.keys()).collect();
        let changed = sections
            .into_iter()
            .filter(|s| self.fingerprint.get(*s) != fingerprint.get(*s))
            .cloned()
            .collect();
        result::Frozen { date: self.date, version: self.version, changed, figures }
    }
}

fn path(dir: &Path, build: &str) -> PathBuf {
    dir.join("predictions").join(format!("{build}.json"))
}

/// Freezes the predictions of a build that has not flown yet.
///
/// # Errors
/// The dossier's own errors; a build that has flown already; a file that cannot be written.
pub fn freeze(dir: &Path, build: Option<&str>, date: &str) -> Result<PathBuf, Diagnostics> {
    let opened = Opened::open(dir, build, &[])?;
    if let Some(flight) = opened.records.iter().find(|r| r.kind == Kind::Flight) {
        return Err(Diagnostic::error(
            dir,
            format!("build {} has flown already ({})", opened.build, flight.id),
        )
        .help("a prediction counts only when it is frozen before the first flight; freeze the next build")
        .into());
    }
    let prediction = opened.subject.predict(&Group::ALL);
    let frozen = Frozen {
        build: opened.build.clone(),
        date: date.to_owned(),
        version: env!("CARGO_PKG_VERSION").to_owned(),
        fingerprint: opened.subject.file().fingerprint(),
        figures: prediction.figures.into_iter().map(|f| (f.id, f.estimate)).collect(),
    };
    let file = path(dir, &opened.build);
    let text = serde_json::to_string_pretty(&frozen)
        .map_err(|e| Diagnostic::error(&file, format!("cannot be written: {e}")))?;
    write_atomically(&file, text.as_bytes())?;
    Ok(file)
}

/// Frozen predictions of a build, where there are any.
///
/// # Errors
/// A file that cannot be read or is not what was written.
pub fn load(dir: &Path, build: &str) -> Result<Option<Frozen>, Diagnostics> {
    let file = path(dir, build);
    match std::fs::read_to_string(&file) {
        Ok(text) => serde_json::from_str(&text).map(Some).map_err(|e| {
            Diagnostic::error(&file, format!("is not a frozen prediction: {e}"))
                .at(e.line(), e.column())
                .help("restore the file from version control, or remove it to go on without a score")
                .into()
        }),
        Err(e) if e.kind() == std::io::ErrorKind::NotFound => Ok(None),
        Err(e) => Err(Diagnostic::error(&file, format!("cannot be read: {e}")).into()),
    }
}

/// Figures that are scored: model, name, frozen id, finding of a flight.
const SCORED: [(&str, &str, &str, &str); 15] = [
    ("rotor", "hover rotor speed, without payload", "hover.half.bare.speed", "hover.speed"),
    ("vibration", "accelerometer r.m.s. in hover", "vibration.accel_rms", "vibration.accel_rms"),
    ("filters", "delay of the own filters", "filters.delay", "filter.delay"),
    ("loops", "roll step overshoot", "loop.x.overshoot", "step.x.overshoot"),
    ("loops", "pitch step overshoot", "loop.y.overshoot", "step.y.overshoot"),
    ("loops", "roll crossover", "loop.x.crossover", "loop.x.crossover"),
    ("loops", "pitch crossover", "loop.y.crossover", "loop.y.crossover"),
    ("loops", "roll phase margin", "loop.x.phase_margin", "loop.x.phase_margin"),
    ("loops", "pitch phase margin", "loop.y.phase_margin", "loop.y.phase_margin"),
    ("loops", "roll total delay", "latency.total", "loop.x.delay"),
    ("loops", "roll decay of the rate", "loop.x.damping", "loop.x.damping"),
    ("outer loops", "velocity response, total delay", "outer.velocity_delay", "velocity.response.delay"),
    ("outer loops", "velocity response, decay by drag", "outer.velocity_decay", "velocity.response.decay"),
    ("outer loops", "heave gain", "heave.gain", "heave.gain"),
    ("outer loops", "vertical damping", "heave.decay", "heave.decay"),
];

/// Scores frozen predictions: difference over the combined standard uncertainty.
pub fn score(frozen: &Frozen, ctx: &Context<'_>) -> Vec<Score> {
    compared(&|id| frozen.figures.get(id).cloned(), &frozen.fingerprint, ctx)
}

/// Predictions of an aircraft file with this fingerprint beside what was measured on it.
pub(crate) fn compared(
    predicted: &dyn Fn(&str) -> Option<Estimate>,
    fingerprint: &BTreeMap<String, String>,
    ctx: &Context<'_>,
) -> Vec<Score> {
    let mut scores = Vec::new();
    let mut add = |model: &str, name: &str, id: &str, measured: Estimate, shift: f64| {
        let Some(mut predicted) = predicted(id) else { return };
        predicted.value += shift;
        let difference = measured.minus(&predicted);
        if difference.uncertainty > 0.0 {
            scores.push(Score {
                model: model.to_owned(),
                name: name.to_owned(),
                predicted,
                score: difference.value / difference.uncertainty,
                measured,
            });
        }
    };
    if let Some(w) = ctx.weighed().filter(|w| !w.carried && w.stale.is_none()) {
        let (mass, centre) =
            if w.loaded { ("mass.total", "mass.centre") } else { ("mass.bare", "mass.bare.centre") };
        add("mass", "mass", mass, w.mass, 0.0);
        add("mass", "centre of gravity x", &format!("{centre}.x"), w.x, 0.0);
        add("mass", "centre of gravity y", &format!("{centre}.y"), w.y, 0.0);
    }
    for (model, name, id, finding) in SCORED {
        // Scored only where the aircraft that flew is the one the prediction was frozen for.
        if let Some(f) = ctx.evidence.flight(finding, fingerprint).found()
            && f.stale.is_none()
        {
            add(model, name, id, f.estimate, at_the_voltage_flown(ctx, id));
        }
    }
    scores
}

/// What the voltage flown changes of a predicted crossover or phase margin, in its unit: the stated gains hold on a full
/// battery, and a flight is rarely flown on one.
fn at_the_voltage_flown(ctx: &Context<'_>, id: &str) -> f64 {
    let axis = ["loop.x.", "loop.y."].iter().position(|head| id.starts_with(head));
    let change = axis.and_then(|axis| {
        let factor = tuning::voltage_factor(ctx, axis)?;
        let aircraft = ctx.subject.resolved().aircraft.without_payload();
        let chain = tuning::chain_of(&aircraft, axis, ctx.subject.air().usual.density)?;
        let (full, flown) = (chain.margins(), chain.with_gain_factor(factor).margins());
        match id.rsplit('.').next() {
            Some("crossover") => Some(flown.crossover - full.crossover),
            Some("phase_margin") => Some(flown.phase_margin - full.phase_margin),
            _ => None,
        }
    });
    change.filter(|c| c.is_finite()).unwrap_or(0.0)
}
