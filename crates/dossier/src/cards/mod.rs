//! Cards: the printable procedure of one test, with distances, rates and limits computed for one
//! build.
//!
//! A new card is one new file and one line in [`CARDS`]. Every number on a card says why it is
//! that: published, derived (with the formula), or common practice without a source.

mod attitude;
mod balance;
mod basis;
mod common;
mod discharge;
mod end_points;
mod energy;
mod failsafe;
mod fall;
mod first_hop;
mod hand_rotation;
mod hover;
mod magnetic;
mod payload;
mod range;
mod rate_steps;
mod reception;
mod shown;
mod sound;
mod spin_check;
mod step;
mod sweep;
mod swing;
mod tap;
mod velocity;
mod weighing;

use std::path::Path;

use physics::aircraft::Aircraft;
use serde::Serialize;

pub use self::basis::{Basis, FirstFlight};
pub use self::energy::{CRITICAL_INJURY, FATAL_FLYING_BODY, fragment_distance, slide_distance};

use crate::check::Opened;
use crate::diagnostic::Diagnostics;
use crate::gates::Limits;
use crate::result::KeyChange;

/// What may move in a test.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Power {
    /// Nothing is powered but the electronics.
    Unpowered,
    /// Motors turn without propellers.
    PropellersOff,
    /// One propeller turns, on a stand.
    Stand,
    /// Propellers turn on an aircraft that is held down.
    Restrained,
    /// The aircraft may leave the ground.
    Free,
}

/// A number on a card, with its reason.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Number {
    /// Identity: `distance`, `bystanders`.
    pub id: &'static str,
    /// Name for people.
    pub name: String,
    /// Value, SI.
    pub value: f64,
    /// SI unit.
    pub unit: &'static str,
    /// As people read it.
    pub shown: String,
    /// Why it is that: formula with its numbers, source, or "common practice, no source".
    pub why: String,
}

/// A limit in words.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct LimitLine {
    /// What is watched.
    pub what: String,
    /// The limit.
    pub limit: String,
    /// Where it comes from.
    pub why: String,
}

/// A channel to log.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct LogLine {
    /// Channel, by its name in a channel map.
    pub channel: String,
    /// Where it is tapped.
    pub tap: String,
    /// Least rate, Hz; zero for a value that is written down by hand.
    pub least_rate: f64,
    /// The same as people read it.
    pub shown: String,
    /// Why.
    pub why: String,
}

/// The procedure of one test for one build.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Card {
    /// Identity: `first-hop`.
    pub id: &'static str,
    /// Title.
    pub title: &'static str,
    /// Gate that it serves.
    pub gate: &'static str,
    /// Kind of record that it makes, as `import --kind` takes it.
    pub record: &'static str,
    /// Name of the aircraft.
    pub aircraft: String,
    /// What may move.
    pub power: Power,
    /// What it is for, in a sentence.
    pub purpose: String,
    /// Cautions.
    pub cautions: Vec<String>,
    /// Numbers of this build.
    pub numbers: Vec<Number>,
    /// What is needed.
    pub you_need: Vec<String>,
    /// How it is set up.
    pub set_up: Vec<String>,
    /// Steps.
    pub steps: Vec<String>,
    /// When to stop at once.
    pub abort_limits: Vec<LimitLine>,
    /// What to log.
    pub log: Vec<LogLine>,
    /// What will be computed from it.
    pub computed_after: Vec<String>,
    /// What the figures must reach.
    pub pass_limits: Vec<LimitLine>,
    /// Boxes to tick before the first motor turns.
    pub check_boxes: Vec<String>,
}

impl Card {
    /// Number by its identity.
    pub fn number(&self, id: &str) -> Option<&Number> {
        self.numbers.iter().find(|n| n.id == id)
    }
    /// Highest of the least rates, Hz.
    pub fn highest_rate(&self) -> f64 {
        self.log.iter().map(|l| l.least_rate).fold(0.0, f64::max)
    }
}

/// What a card's file fills in.
#[derive(Debug, Clone, Default)]
struct Draft {
    purpose: String,
    numbers: Vec<Number>,
    you_need: Vec<String>,
    set_up: Vec<String>,
    steps: Vec<String>,
    abort_limits: Vec<LimitLine>,
    log: Vec<LogLine>,
    computed_after: Vec<String>,
    pass_limits: Vec<LimitLine>,
    check_boxes: Vec<String>,
}

/// A card before it knows the build.
struct Spec {
    id: &'static str,
    title: &'static str,
    gate: &'static str,
    record: &'static str,
    power: Power,
    /// Criteria (or, ending in a dot, all criteria of a gate) whose limits are the pass limits.
    criteria: &'static [&'static str],
    fill: fn(&Basis<'_>) -> Draft,
}

/// All cards in the order of the job.
const CARDS: [&Spec; 24] = [
    &weighing::CARD,
    &swing::CARD,
    &fall::CARD,
    &tap::CARD,
    &sweep::CARD,
    &step::CARD,
    &sound::CARD,
    &hand_rotation::CARD,
    &spin_check::CARD,
    &end_points::CARD,
    &balance::CARD,
    &magnetic::CARD,
    &reception::CARD,
    &discharge::CARD,
    &first_hop::CARD,
    &hover::CARD,
    &rate_steps::CARD,
    &attitude::CARD,
    &velocity::CARD,
    &velocity::HOLD,
    &range::CARD,
    &failsafe::CARD,
    &payload::CARD,
    &failsafe::DAILY,
];

/// Identity and gate of every card, in the order of the job.
pub fn list() -> impl Iterator<Item = (&'static str, &'static str)> {
    CARDS.iter().map(|c| (c.id, c.gate))
}

/// All cards for one aircraft in air of `density`, kg/m^3.
pub fn deck(aircraft: &Aircraft, density: f64, limits: &Limits) -> Vec<Card> {
    let basis = Basis::of(aircraft, density);
    CARDS.iter().map(|spec| make(spec, &basis, limits)).collect()
}

/// All cards for a build of the dossier in `dir` (the last one for `None`), with edits on top of
/// its file.
///
/// # Errors
/// All that is wrong with the dossier's files.
pub fn of_dossier(
    dir: &Path,
    build: Option<&str>,
    edits: &[KeyChange],
) -> Result<(String, Vec<Card>), Diagnostics> {
    let opened = Opened::open(dir, build, edits)?;
    let limits = Limits::load(dir)?;
    let density = opened.subject.density().map_or(common::SEA_LEVEL, |(d, _)| d);
    Ok((opened.build, deck(&opened.subject.resolved().aircraft, density, &limits)))
}

fn make(spec: &Spec, basis: &Basis<'_>, limits: &Limits) -> Card {
    let d = (spec.fill)(basis);
    let mut numbers = common::numbers(spec.power, basis);
    numbers.extend(d.numbers);
    let mut pass_limits = common::pass(spec.criteria, basis, limits);
    pass_limits.extend(d.pass_limits);
    let mut check_boxes = common::check_boxes(spec.power);
    check_boxes.extend(d.check_boxes);
    Card {
        id: spec.id,
        title: spec.title,
        gate: spec.gate,
        record: spec.record,
        aircraft: basis.aircraft.name.clone(),
        power: spec.power,
        purpose: d.purpose,
        cautions: common::cautions(spec.power, basis),
        numbers,
        you_need: d.you_need,
        set_up: d.set_up,
        steps: d.steps,
        abort_limits: d.abort_limits,
        log: d.log,
        computed_after: d.computed_after,
        pass_limits,
        check_boxes,
    }
}
