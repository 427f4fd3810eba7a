//! Two builds of a dossier side by side: figures and criteria, predicted and measured, and what each changed key
//! of the aircraft file has to do with the difference.
//!
//! An error that both builds share cancels in a difference: the same air, the same propeller, the same scales. The
//! parts that differ have errors of their own: where any key of `rotor`, `motor`, `esc` or `battery` differs, the
//! part is another one. What was measured of a part that both builds share holds for both.

use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;

use serde::Serialize;

use super::parts::{self, Part};
use crate::aircraft_file::difference::{Change, changes};
use crate::check::Opened;
use crate::diagnostic::{Diagnostic, Diagnostics};
use crate::estimate::{Contribution, Estimate};
use crate::gates::causes::section;
use crate::gates::{Evidence, metric_of};
use crate::predict::{Group, Measured, Prediction, Subject};
use crate::result::{CheckResult, CriterionResult, Limit, State};

/// Two builds side by side.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct BuildComparison {
    /// Name of the programme.
    pub programme: String,
    /// First build.
    pub before: String,
    /// Second build.
    pub after: String,
    /// What differs in the aircraft files.
    pub changes: Vec<FileChange>,
    /// What each prediction stands on beside its own file and records, in sentences.
    pub borrowed: Vec<String>,
    /// Key figures.
    pub figures: Vec<FigurePair>,
    /// Gates.
    pub gates: Vec<GatePair>,
}

/// A key that differs.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct FileChange {
    /// Key.
    pub key: String,
    /// Text in the first build's file.
    pub before: Option<String>,
    /// Text in the second build's file.
    pub after: Option<String>,
}

/// A figure in both builds.
#[derive(Debug, Clone, PartialEq, Serialize, Default)]
pub struct Pair {
    /// First build.
    pub before: Option<Estimate>,
    /// Second build.
    pub after: Option<Estimate>,
    /// Second less first; shared errors have cancelled.
    pub difference: Option<Estimate>,
    /// What the difference comes from, largest first; they add up to it.
    pub parts: Vec<Part>,
}

/// A predicted key figure.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct FigurePair {
    /// Identity.
    pub id: String,
    /// Name with its heading.
    pub name: String,
    /// The figure.
    #[serde(flatten)]
    pub pair: Pair,
}

/// A gate in both builds.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct GatePair {
    /// Identity.
    pub id: String,
    /// Name.
    pub name: String,
    /// States, first and second build.
    pub states: [State; 2],
    /// Whether each rests on simulated evidence.
    pub simulated: [bool; 2],
    /// Criteria.
    pub criteria: Vec<CriterionPair>,
}

/// A criterion in both builds.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct CriterionPair {
    /// Identity.
    pub id: String,
    /// In words.
    pub text: String,
    /// Limits of both builds: they may go with size.
    pub limits: [Option<Limit>; 2],
    /// States; none where the build does not have the criterion.
    pub states: [Option<State>; 2],
    /// Whether each rests on simulated evidence.
    pub simulated: [bool; 2],
    /// Predicted.
    pub predicted: Pair,
    /// Measured.
    pub measured: Pair,
}

/// Key figures beside those that criteria ask for.
const KEY_FIGURES: [&str; 11] = [
    "mass.total",
    "full.full.thrust",
    "hover.full.payload.speed",
    "hover.full.payload.power",
    "endurance.payload",
    "endurance.bare",
    "airspeed.top",
    "airspeed.range",
    "lag.braked",
    "latency.total",
    "loop.x.crossover",
];
/// Sections that are one part: another key, another part.
const PARTS: [&str; 4] = ["rotor", "motor", "esc", "battery"];

/// Compares two builds of the dossier in `dir`.
///
/// # Errors
/// All that is wrong with the dossier's files; the same build twice.
pub fn builds(dir: &Path, before: &str, after: &str) -> Result<BuildComparison, Diagnostics> {
    let evidence = |build| crate::check::evidence(dir, Some(build));
    let (first, second) = (evidence(before)?, evidence(after)?);
    builds_on(dir, (before, &first), (after, &second))
}

/// One build judged, with its subject and prediction.
struct Side {
    check: CheckResult,
    subject: Subject,
    prediction: Prediction,
}

impl Side {
    fn of(dir: &Path, build: &str, evidence: &Evidence) -> Result<Self, Diagnostics> {
        let opened = Opened::open(dir, Some(build), &[])?;
        let (check, (subject, prediction)) =
            opened.judge_and(evidence, &[], |ctx| (ctx.subject.clone(), ctx.prediction.clone()))?;
        Ok(Self { check, subject, prediction })
    }

    /// With figures measured on the other build added, where they hold here too.
    fn borrow(&mut self, lent: &BTreeMap<String, Measured>) -> Result<(), Diagnostics> {
        if lent.is_empty() {
            return Ok(());
        }
        let mut all = self.subject.measured().clone();
        all.extend(lent.iter().map(|(k, m)| (k.clone(), m.clone())));
        let stated = Subject::new(self.subject.file().clone(), self.subject.site().clone())?;
        self.subject = stated.with_measured(&all)?.0;
        self.prediction = self.subject.predict(&Group::ALL);
        Ok(())
    }
}

/// As [`builds`], on evidence that is there already.
///
/// # Errors
/// As [`builds`].
pub fn builds_on(
    dir: &Path,
    before: (&str, &Evidence),
    after: (&str, &Evidence),
) -> Result<BuildComparison, Diagnostics> {
    if before.0 == after.0 {
        return Err(Diagnostic::error(&dir.join("dossier.toml"), format!("{} is named twice", before.0))
            .key("build.id")
            .help("name two builds")
            .into());
    }
    let mut a = Side::of(dir, before.0, before.1)?;
    let mut b = Side::of(dir, after.0, after.1)?;
    let changes = changes(a.subject.file(), b.subject.file());
    let own = Own::of(&a.subject, &b.subject, &changes);
    let mut borrowed = Vec::new();
    let (to_b, to_a) = (own.lent(&a, &b), own.lent(&b, &a));
    for (lent, from, to) in [(&to_b, before.0, after.0), (&to_a, after.0, before.0)] {
        if !lent.is_empty() {
            let keys: Vec<&str> = lent.keys().map(String::as_str).collect();
            borrowed.push(format!(
                "What was measured on {from} of parts that both have holds for {to} too: {}.",
                keys.join(", ")
            ));
        }
    }
    b.borrow(&to_b)?;
    a.borrow(&to_a)?;
    let parts = common_parts(&a, &b, &own, &changes)?;
    let pair = |id: &str| predicted(&a, &b, &own, &parts, id);
    let name = |id: &str| {
        let f = a.prediction.figures.iter().chain(&b.prediction.figures).find(|f| f.id == id)?;
        Some(format!("{}: {}", f.group, f.name))
    };
    let figures = KEY_FIGURES
        .iter()
        .filter_map(|id| Some(FigurePair { id: (*id).to_owned(), name: name(id)?, pair: pair(id) }))
        .collect();
    let gates = a
        .check
        .gates
        .iter()
        .zip(&b.check.gates)
        .map(|(x, y)| {
            let both = |id: &str| {
                let of = |g: &crate::result::GateResult| g.criteria.iter().find(|c| c.id == id).cloned();
                (of(x), of(y))
            };
            let mut ids: Vec<&str> = x.criteria.iter().map(|c| c.id.as_str()).collect();
            ids.extend(
                y.criteria.iter().map(|c| c.id.as_str()).filter(|i| !x.criteria.iter().any(|c| c.id == *i)),
            );
            GatePair {
                id: x.id.clone(),
                name: x.name.clone(),
                states: [x.state, y.state],
                simulated: [x.simulated, y.simulated],
                criteria: ids.into_iter().map(|id| criterion(id, both(id), &pair)).collect(),
            }
        })
        .collect();
    Ok(BuildComparison {
        programme: a.check.programme.clone(),
        before: before.0.to_owned(),
        after: after.0.to_owned(),
        changes: changes
            .iter()
            .map(|c| FileChange { key: c.key(), before: c.before.clone(), after: c.after.clone() })
            .collect(),
        borrowed,
        figures,
        gates,
    })
}

fn criterion(
    id: &str,
    (x, y): (Option<CriterionResult>, Option<CriterionResult>),
    pair: &dyn Fn(&str) -> Pair,
) -> CriterionPair {
    let both = [x.as_ref(), y.as_ref()];
    let measured = both.map(|c| c.and_then(|c| c.measured.as_ref()).map(|m| m.estimate.clone()));
    let [before, after] = measured;
    let difference = before.as_ref().zip(after.as_ref()).map(|(a, b)| b.minus(a));
    let predicted = match metric_of(id) {
        Some(metric) => pair(metric),
        None => Pair {
            before: x.as_ref().and_then(|c| c.predicted.clone()),
            after: y.as_ref().and_then(|c| c.predicted.clone()),
            ..Pair::default()
        },
    };
    CriterionPair {
        id: id.to_owned(),
        text: both.iter().flatten().next().map_or(String::new(), |c| c.text.clone()),
        limits: both.map(|c| c.map(|c| c.limit.clone())),
        states: both.map(|c| c.map(|c| c.state)),
        simulated: both.map(|c| c.is_some_and(|c| c.simulated)),
        predicted,
        measured: Pair { before, after, difference, parts: Vec::new() },
    }
}

/// What the two builds do not have in common.
struct Own {
    /// Sections that differ and are one part.
    parts: BTreeSet<String>,
    /// Input keys that differ.
    keys: BTreeSet<String>,
}

impl Own {
    fn of(a: &Subject, b: &Subject, changes: &[Change]) -> Self {
        let parts =
            changes.iter().map(|c| c.section().to_owned()).filter(|s| PARTS.contains(&s.as_str())).collect();
        let (x, y) = (a.inputs(), b.inputs());
        // An item of a list may have moved to another place: its label tells.
        let text = |list: &[crate::result::InputLine], key: &str| {
            list.iter().find(|i| i.key == key).map(|i| (i.text.clone(), i.label.clone()))
        };
        let keys = x.iter().chain(&y).map(|i| i.key.clone()).filter(|k| text(&x, k) != text(&y, k)).collect();
        Self { parts, keys }
    }

    /// Whether an error of this source is not the same in both builds.
    fn has(&self, source: &str) -> bool {
        self.parts.contains(section(source)) || self.keys.contains(source)
    }

    /// What was measured on `from` and holds for `to`, which has not measured it itself.
    fn lent(&self, from: &Side, to: &Side) -> BTreeMap<String, Measured> {
        let theirs = to.subject.measured();
        let mut lent: BTreeMap<String, Measured> = from
            .subject
            .measured()
            .iter()
            .filter(|(k, _)| !k.starts_with("weighed.") && !self.has(k) && !theirs.contains_key(*k))
            .map(|(k, m)| (k.clone(), m.clone()))
            .collect();
        lent.retain(|k, _| self.response_holds(k));
        lent
    }

    /// A measured response goes with motor and rotor too.
    fn response_holds(&self, key: &str) -> bool {
        !key.starts_with("esc.response") || !["rotor", "motor"].iter().any(|s| self.parts.contains(*s))
    }
}

/// Parts of all differences in the files, on what was measured of parts that both builds have.
fn common_parts(
    a: &Side,
    b: &Side,
    own: &Own,
    changes: &[Change],
) -> Result<BTreeMap<String, (Vec<Part>, f64)>, Diagnostics> {
    let mut common: BTreeMap<String, Measured> = a.subject.measured().clone();
    common.retain(|k, _| !own.has(k) && own.response_holds(k));
    // The newer build's measurement of the same part goes before.
    for (k, m) in b.subject.measured() {
        if common.contains_key(k) && !k.starts_with("weighed.") {
            common.insert(k.clone(), m.clone());
        }
    }
    let stated = Subject::new(a.subject.file().clone(), a.subject.site().clone())?;
    Ok(parts::parts(&stated.with_measured(&common)?.0, b.subject.file(), changes))
}

/// A predicted figure of both builds, with its parts.
fn predicted(a: &Side, b: &Side, own: &Own, parts: &BTreeMap<String, (Vec<Part>, f64)>, id: &str) -> Pair {
    let (x, y) = (a.prediction.get(id).cloned(), b.prediction.get(id).cloned());
    let Some((from, to)) = x.as_ref().zip(y.as_ref()) else {
        return Pair { before: x, after: y, ..Pair::default() };
    };
    let difference = apart(to, own, &b.check.build).minus(&apart(from, own, &a.check.build));
    let mut list = parts.get(id).map_or(Vec::new(), |p| p.0.clone());
    let nothing = 1e-6 * from.value.abs().max(to.value.abs());
    let in_files = parts.get(id).map_or(0.0, |p| p.1);
    let together = in_files - list.iter().map(|p| p.value).sum::<f64>();
    let measured = difference.value - in_files;
    list.retain(|p| p.value.abs() > nothing);
    list.sort_by(|p, q| q.value.abs().total_cmp(&p.value.abs()));
    for (name, value) in
        [("the changes together", together), ("what was measured in place of stated", measured)]
    {
        if value.abs() > nothing {
            list.push(Part { from: name.to_owned(), value });
        }
    }
    Pair { before: x, after: y, difference: Some(difference), parts: list }
}

/// The estimate with sources that only this build has named as its own, so that they do not cancel.
fn apart(e: &Estimate, own: &Own, build: &str) -> Estimate {
    let contributions = e
        .contributions
        .iter()
        .map(|c| {
            let source = if own.has(&c.source) { format!("{build}: {}", c.source) } else { c.source.clone() };
            Contribution { source, ..c.clone() }
        })
        .collect();
    Estimate::new(e.value, &e.unit, e.origin, contributions)
}
