//! What `check` answers: criteria, gates, ledgers, causes. The command line, the workbench, the
//! report and `--json` all show these types.

use serde::Serialize;

use crate::chart::Shown;
use crate::estimate::{Estimate, Origin};

/// State of a criterion or a gate.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize)]
#[serde(rename_all = "lowercase")]
pub enum State {
    /// The whole interval lies on the right side of the limit, on measured evidence.
    Met,
    /// Nothing is measured, and the prediction does not fail it.
    Open,
    /// The interval straddles the limit, or there was too little excitation.
    Undecided,
    /// Measured on something that has since changed.
    Stale,
    /// The whole interval lies on the wrong side of the limit.
    Short,
}

impl State {
    /// The word people read.
    pub fn word(self) -> &'static str {
        match self {
            Self::Met => "met",
            Self::Short => "short",
            Self::Undecided => "undecided",
            Self::Open => "open",
            Self::Stale => "stale",
        }
    }
    /// The word with the mark of simulated evidence: `met (simulated)`.
    pub fn word_marked(self, simulated: bool) -> String {
        if simulated { format!("{} (simulated)", self.word()) } else { self.word().to_owned() }
    }
    /// The worse of two states: short, stale, undecided, open, met.
    #[must_use]
    pub fn worse(self, other: Self) -> Self {
        let rank = |s: Self| match s {
            Self::Met => 0,
            Self::Open => 1,
            Self::Undecided => 2,
            Self::Stale => 3,
            Self::Short => 4,
        };
        if rank(other) > rank(self) { other } else { self }
    }
}

/// Which side of the limit is right.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Sense {
    /// The value must not exceed the limit.
    AtMost,
    /// The value must reach the limit.
    AtLeast,
}

/// A limit and why it is that.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Limit {
    /// Value, in `unit`.
    pub value: f64,
    /// Unit.
    pub unit: String,
    /// Which side is right.
    pub sense: Sense,
    /// `published`, `derived` or `common practice, no source`.
    pub origin: String,
    /// Source, or the formula with its numbers.
    pub basis: String,
}

/// What was measured against a criterion.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Evidence {
    /// The measured figure.
    pub estimate: Estimate,
    /// Records behind it.
    pub records: Vec<String>,
    /// Why it no longer holds, when parts of the aircraft it rests on have changed.
    pub stale: Option<String>,
}

/// One criterion of a gate.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct CriterionResult {
    /// Identity, as in `sizing.hover-thrust`.
    pub id: String,
    /// The criterion in words.
    pub text: String,
    /// Its limit.
    pub limit: Limit,
    /// What the models say.
    pub predicted: Option<Estimate>,
    /// What was measured.
    pub measured: Option<Evidence>,
    /// State.
    pub state: State,
    /// Whether the state rests on simulated evidence.
    pub simulated: bool,
    /// Distance to the limit on the right side, as a fraction of the limit; negative when short.
    pub margin: Option<f64>,
    /// What it waits for: a key, a channel, a record.
    pub waits_for: Option<String>,
    /// One sentence more where it helps.
    pub note: Option<String>,
    /// Up to three physical causes, first the most likely.
    pub causes: Vec<Cause>,
    /// Where two causes fit equally: the cheapest measurement that separates them.
    pub separating_test: Option<String>,
}

/// Class of a change: hardware first, filters second, gains last.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "lowercase")]
pub enum ChangeClass {
    /// Wiring, order, sense.
    Configuration,
    /// Parts and their places.
    Hardware,
    /// Filters.
    Filter,
    /// Gains.
    Gain,
}

/// One key of the aircraft file set to a new value, as it would be written there.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct KeyChange {
    /// Dotted key, list items numbered from 1: `mass.2.at`, `esc.dead_time`.
    pub key: String,
    /// New value as TOML text, such as `"3 ms"` with its quotes.
    pub value: String,
}

/// A physical cause with the change that removes it.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Cause {
    /// The cause in a few words.
    pub name: String,
    /// Why it is suspected, with numbers.
    pub why: String,
    /// Class of the change.
    pub class: ChangeClass,
    /// The change in words.
    pub change: String,
    /// The change as edits of the aircraft file.
    pub edits: Vec<KeyChange>,
    /// Effect on the criterion, recomputed end to end.
    pub effect: Effect,
    /// Gates whose evidence this change would make stale.
    pub makes_stale: Vec<String>,
    /// Criteria of other gates that the change would push over their limit.
    pub breaks: Vec<String>,
}

/// Effect of a change on a criterion.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Effect {
    /// Value before the change.
    pub before: Estimate,
    /// Value expected after it.
    pub after: Estimate,
    /// Difference, in which shared errors have cancelled.
    pub difference: Estimate,
    /// Whether the criterion would be inside its limit, at the central value.
    pub meets: bool,
}

/// One line of a ledger.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct LedgerLine {
    /// What it is.
    pub name: String,
    /// How much.
    pub value: Estimate,
    /// Share of the sum.
    pub share: f64,
    /// Second figure in words ("7.4 deg at crossover"), or why it is as it is.
    pub note: String,
}

/// An itemised account that adds up.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Ledger {
    /// Identity: `mass`, `latency`, `cg-x`, ...
    pub id: String,
    /// Title.
    pub title: String,
    /// Lines.
    pub lines: Vec<LedgerLine>,
    /// Sum.
    pub sum: Estimate,
    /// Allowance, where there is one, in the unit of the sum.
    pub allowance: Option<f64>,
}

/// One gate.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct GateResult {
    /// Identity: `sizing`, `set-up`, `hover`, `vibration`, `rate`.
    pub id: String,
    /// Name.
    pub name: String,
    /// The question it asks.
    pub question: String,
    /// Kinds of record it closes on.
    pub closes_on: String,
    /// State.
    pub state: State,
    /// Whether the state rests on simulated evidence.
    pub simulated: bool,
    /// Name of the earlier gate that is not met, when there is one.
    pub premature: Option<String>,
    /// The verdict in a sentence.
    pub verdict: String,
    /// Criteria.
    pub criteria: Vec<CriterionResult>,
    /// Ledgers.
    pub ledgers: Vec<Ledger>,
    /// Charts and tables.
    pub shown: Shown,
    /// Records behind the evidence.
    pub records: Vec<String>,
    /// Date of the newest evidence, ISO 8601, where there is one.
    pub evidence_date: Option<String>,
}

/// A named predicted figure.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Figure {
    /// Identity: `hover.full.speed`.
    pub id: String,
    /// Group: "Hover, full charge".
    pub group: String,
    /// Name: "rotor speed".
    pub name: String,
    /// The figure.
    pub estimate: Estimate,
}

/// A fact in words.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Fact {
    /// What it is about.
    pub name: String,
    /// The fact.
    pub text: String,
}

/// What limits the aircraft, in one breath.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Limiting {
    /// Gate.
    pub gate: String,
    /// Criterion.
    pub criterion: String,
    /// Sentence: what is short and by how much.
    pub sentence: String,
    /// First cause and its change, when one was found.
    pub cause: Option<Cause>,
}

/// Predictions as they were frozen.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Frozen {
    /// Date of freezing, ISO 8601.
    pub date: String,
    /// Version of the tool that predicted.
    pub version: String,
    /// Sections of the aircraft file that have changed since.
    pub changed: Vec<String>,
    /// Figures with today's groups and names where those still exist.
    pub figures: Vec<Figure>,
}

/// A frozen prediction beside what was measured later.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Score {
    /// Model that made the prediction: `powertrain`, `loops`, `mass`.
    pub model: String,
    /// What was predicted.
    pub name: String,
    /// The frozen prediction; a rate loop's crossover and phase margin brought to the bus voltage flown.
    pub predicted: Estimate,
    /// What was measured after.
    pub measured: Estimate,
    /// Difference over the combined standard uncertainty.
    pub score: f64,
}

/// Everything that `check` found for one build.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct CheckResult {
    /// Name of the programme.
    pub programme: String,
    /// Identity of the build.
    pub build: String,
    /// All builds, in order.
    pub builds: Vec<String>,
    /// The aircraft as the models see it.
    pub aircraft: physics::aircraft::Aircraft,
    /// Total mass with payload, centre of gravity and inertia (see `figures` for uncertainties).
    pub centre_of_gravity: [f64; 3],
    /// Predicted figures, grouped.
    pub figures: Vec<Figure>,
    /// Facts in words: which limit binds, yaw signs.
    pub facts: Vec<Fact>,
    /// Predictions that could not be made, with what they wait for.
    pub waits: Vec<String>,
    /// Gates in ladder order.
    pub gates: Vec<GateResult>,
    /// What limits this aircraft, when something is short.
    pub limiting: Option<Limiting>,
    /// What was frozen before the build flew.
    pub frozen: Option<Frozen>,
    /// Frozen predictions scored by what was measured.
    pub scores: Vec<Score>,
    /// Records of the build.
    pub records: Vec<crate::record::RecordMeta>,
    /// Inputs of the aircraft file with their uncertainties.
    pub inputs: Vec<InputLine>,
    /// Edits applied on top of the file for this result (a what-if), empty otherwise.
    pub edits: Vec<KeyChange>,
    /// Warnings about the files.
    pub warnings: Vec<crate::diagnostic::Diagnostic>,
}

/// One numeric input of the aircraft file.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct InputLine {
    /// Dotted key, list items from 1: `mass.2.mass`, `rotor.ct`.
    pub key: String,
    /// What it is, for people.
    pub label: String,
    /// Text as it stands in the file.
    pub text: String,
    /// Value, SI.
    pub value: f64,
    /// Standard uncertainty, SI.
    pub uncertainty: f64,
    /// SI unit.
    pub unit: String,
    /// Whether the uncertainty is our default because none was stated.
    pub assumed: bool,
    /// What it may claim: `stated`, or that of the record that replaces the statement.
    pub origin: Origin,
    /// What the file states, where a measurement has replaced it.
    pub replaced: Option<Replaced>,
}

/// A statement of the aircraft file that a measurement has replaced.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Replaced {
    /// Stated value, SI; none where the file leaves the key out.
    pub stated: Option<f64>,
    /// Its standard uncertainty, SI.
    pub stated_uncertainty: f64,
    /// Difference measured less stated over the combined standard uncertainty.
    pub score: Option<f64>,
    /// Records behind the measurement.
    pub records: Vec<String>,
    /// What each gives by itself, where it was measured in more than one way; else empty.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub ways: Vec<Way>,
}

/// One of several ways in which an input was measured.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Way {
    /// Record.
    pub record: String,
    /// Value, SI.
    pub value: f64,
    /// Standard uncertainty, SI.
    pub uncertainty: f64,
}
