//! One criterion: from prediction, evidence and limit to a state.

use crate::estimate::{Estimate, Origin};
use crate::gates::candidate::Candidate;
use crate::gates::evidence::{Answer, Found};
use crate::predict::Group;
use crate::result::{CriterionResult, Evidence, Limit, Sense, State};

/// How a figure is held against the limit.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Compare {
    /// The whole 95 % interval must lie on the right side.
    Interval,
    /// The value itself decides: the uncertainty is already inside the figure.
    Central,
}

/// How a predicted change carries over to a measured figure.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Carry {
    /// Measured plus predicted difference.
    Add,
    /// Measured times predicted ratio.
    Scale,
    /// Measured less predicted difference: the figure is what goes beyond the output.
    Beyond,
}

/// The predicted output that a criterion, or the effect of a change on it, is about.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Metric {
    /// Output id.
    pub output: &'static str,
    /// Group that computes it.
    pub group: Group,
    /// How a change carries over to a measured figure.
    pub carry: Carry,
}

/// A criterion before it is judged.
pub(super) struct Draft {
    /// Identity.
    pub id: &'static str,
    /// In words.
    pub text: &'static str,
    /// Output that is held against the limit, and on which changes act.
    pub metric: Option<Metric>,
    /// What the models say.
    pub predicted: Option<Estimate>,
    /// What was measured.
    pub measured: Answer,
    /// How it is compared.
    pub compare: Compare,
    /// What is needed to measure it.
    pub needs: &'static str,
    /// One sentence more.
    pub note: Option<String>,
    /// Changes that might help.
    pub candidates: Vec<Candidate>,
}

impl Draft {
    /// A criterion that no model predicts and no change of the file answers.
    pub(super) fn measured_only(
        id: &'static str,
        text: &'static str,
        measured: Answer,
        compare: Compare,
        needs: &'static str,
        note: Option<String>,
    ) -> Self {
        Self {
            id,
            text,
            metric: None,
            predicted: None,
            measured,
            compare,
            needs,
            note,
            candidates: Vec::new(),
        }
    }

    /// The same with a sentence more.
    pub(super) fn noted(self, note: Option<String>) -> Self {
        Self { note, ..self }
    }

    /// The same with a prediction where there is none.
    pub(super) fn predicted_or(mut self, other: Option<Estimate>) -> Self {
        self.predicted = self.predicted.or(other);
        self
    }

    /// Sections that the measured figure rests on.
    pub(super) fn rests_on(&self) -> &[String] {
        match &self.measured {
            Answer::Found(f) => &f.rests_on,
            _ => &[],
        }
    }
    fn found(&self) -> Option<&Found> {
        match &self.measured {
            Answer::Found(f) => Some(f),
            _ => None,
        }
    }
    /// The figure that a shortfall is about: the measured one that still holds, else the predicted.
    pub(super) fn figure(&self) -> Option<(&Estimate, bool)> {
        match self.found() {
            Some(f) if f.stale.is_none() => Some((&f.estimate, true)),
            _ => self.predicted.as_ref().map(|p| (p, false)),
        }
    }
}

/// Whether a value lies on the right side.
pub(super) fn inside(value: f64, limit: &Limit) -> bool {
    match limit.sense {
        Sense::AtMost => value <= limit.value,
        Sense::AtLeast => value >= limit.value,
    }
}

/// Distance to the limit on the right side as a fraction of the limit.
pub(super) fn margin(value: f64, limit: &Limit) -> f64 {
    let d = match limit.sense {
        Sense::AtMost => limit.value - value,
        Sense::AtLeast => value - limit.value,
    };
    d / limit.value.abs().max(1e-300)
}

fn judge(e: &Estimate, limit: &Limit, compare: Compare) -> State {
    let (low, high) = match compare {
        Compare::Interval => e.interval(),
        Compare::Central => (e.value, e.value),
    };
    match (inside(low, limit), inside(high, limit)) {
        (true, true) => State::Met,
        (false, false) => State::Short,
        _ => State::Undecided,
    }
}

/// Judges a draft; causes are added later.
pub(super) fn result(draft: &Draft, limit: Limit) -> CriterionResult {
    let predicted_state = draft.predicted.as_ref().map(|p| judge(p, &limit, draft.compare));
    let found = draft.found();
    let (state, simulated) = match found {
        Some(f) if f.stale.is_none() => {
            let state = match judge(&f.estimate, &limit, draft.compare) {
                State::Met if f.partial.is_some() => State::Undecided,
                other => other,
            };
            (state, f.estimate.origin == Origin::Simulated)
        }
        Some(_) if predicted_state != Some(State::Short) => (State::Stale, false),
        _ if predicted_state == Some(State::Short) => (State::Short, false),
        _ => match &draft.measured {
            Answer::CannotTell(_) => (State::Undecided, false),
            _ => (State::Open, false),
        },
    };
    let waits_for = match (&draft.measured, state) {
        (Answer::CannotTell(why), _) => Some(format!("a record that can tell: {why}")),
        (Answer::Nothing, State::Open) => Some(draft.needs.to_owned()),
        (Answer::Found(f), State::Undecided) if f.partial.is_some() => f.partial.clone(),
        (Answer::Found(f), State::Stale) => {
            f.stale.as_ref().map(|s| format!("{s}; measure again: {}", draft.needs))
        }
        _ => None,
    };
    let margin = draft.figure().map(|(e, _)| margin(e.value, &limit));
    CriterionResult {
        id: draft.id.to_owned(),
        text: draft.text.to_owned(),
        predicted: draft.predicted.clone(),
        measured: found.map(|f| Evidence {
            estimate: f.estimate.clone(),
            records: vec![f.record.clone()],
            stale: f.stale.clone(),
        }),
        limit,
        state,
        simulated,
        margin,
        waits_for,
        note: draft.note.clone(),
        causes: Vec::new(),
        separating_test: None,
    }
}
