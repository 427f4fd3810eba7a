//! Questions that import asks instead of guessing, and what each answer changes in the map.

use std::path::Path;

use serde::Serialize;

use super::axes::Turn;
use super::map::{ChannelMap, Column};
use super::vocabulary::{Frame, VECTORS};
use crate::diagnostic::{Diagnostic, Diagnostics};
use crate::record::Tap;

/// A question about a map.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Doubt {
    /// Short name, for answers: `rate.y-sign`.
    pub id: String,
    /// Channel or group it is about.
    pub channel: String,
    /// The question, in one sentence.
    pub question: String,
    /// The numbers that raise it.
    pub why: String,
    /// Possible answers.
    pub options: Vec<Choice>,
}

/// One answer.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Choice {
    /// The word that gives this answer: `flip`.
    pub answer: String,
    /// What it means.
    pub text: String,
    /// What it changes.
    #[serde(skip)]
    pub amend: Vec<Amendment>,
}

impl Choice {
    /// An answer with its changes.
    pub fn new(answer: &str, text: impl Into<String>, amend: Vec<Amendment>) -> Self {
        Self { answer: answer.to_owned(), text: text.into(), amend }
    }
    /// The map stands as it is.
    pub fn keep(text: impl Into<String>) -> Self {
        Self::new("keep", text, Vec::new())
    }
}

/// A change of a map.
#[derive(Debug, Clone, PartialEq)]
pub enum Amendment {
    /// Turns the sign of a channel.
    Flip(String),
    /// Sets the unit of a channel, without a range.
    Unit(String, String),
    /// Multiplies the factor of a channel.
    Factor(String, f64),
    /// Sets the source values that mean 0 and 1, in a unit.
    Range(String, f64, f64, String),
    /// Sets the turn of one vector, or of the body side of an attitude.
    Turn(String, Turn),
    /// Sets the turn of all body vectors and attitudes.
    Body(Turn),
    /// Sets the turn of the earth frame.
    Earth(Turn),
    /// The quaternion is the inverse of ours.
    Inverse(bool),
    /// Sets the tap point of a channel.
    Tap(String, Tap),
    /// Gives a channel another name.
    Rename(String, String),
    /// Gives a channel another column.
    Column(String, Column),
    /// Leaves a channel out.
    Drop(String),
    /// Sets the unit of time.
    Time(String, f64),
}

impl Amendment {
    /// Applies the change.
    pub fn apply(&self, map: &mut ChannelMap) {
        let named = |map: &mut ChannelMap, name: &str, change: &dyn Fn(&mut super::map::ChannelEntry)| {
            map.channels.iter_mut().filter(|c| c.name == name).for_each(change);
        };
        match self {
            Self::Flip(n) => named(map, n, &|c| c.sign = -c.sign),
            Self::Unit(n, unit) => named(map, n, &|c| {
                c.unit.clone_from(unit);
                c.range = None;
            }),
            Self::Factor(n, f) => named(map, n, &|c| c.factor *= f),
            Self::Range(n, a, b, unit) => named(map, n, &|c| {
                c.range = Some((*a, *b));
                c.unit.clone_from(unit);
            }),
            Self::Turn(stem, turn) => {
                map.axes.own.insert(stem.clone(), *turn);
            }
            Self::Body(turn) => {
                map.axes.from = Some(*turn);
                map.axes
                    .own
                    .retain(|stem, _| VECTORS.iter().any(|(n, _, f)| n == stem && *f == Frame::Earth));
                map.axes.earth = map.axes.earth.or(Some(Turn::NONE));
            }
            Self::Earth(turn) => map.axes.earth = Some(*turn),
            Self::Inverse(v) => map.axes.inverse = *v,
            Self::Tap(n, tap) => named(map, n, &|c| c.tap = Some(*tap)),
            Self::Rename(n, to) => named(map, n, &|c| c.name.clone_from(to)),
            Self::Column(n, column) => named(map, n, &|c| c.column = Some(column.clone())),
            Self::Drop(n) => map.channels.retain(|c| c.name != *n),
            Self::Time(unit, scale) => {
                for t in &mut map.time {
                    t.unit.clone_from(unit);
                    t.scale = *scale;
                }
            }
        }
    }
}

/// Answers to doubts, given as `id=answer`.
#[derive(Debug, Clone, Default)]
pub struct Answers {
    given: Vec<(String, String, bool)>,
}

impl Answers {
    /// Reads `id=answer` texts.
    pub fn parse(file: &Path, texts: &[String]) -> Result<Self, Diagnostics> {
        let mut errors = Vec::new();
        let mut given = Vec::new();
        for text in texts {
            match text.split_once('=') {
                Some((id, answer)) => given.push((id.trim().to_owned(), answer.trim().to_owned(), false)),
                None => {
                    let d = Diagnostic::error(file, format!("`{text}` is no answer")).key("accept");
                    errors.push(d.found(text.clone()).help("question and answer: rate.y-sign=flip"));
                }
            }
        }
        if errors.is_empty() { Ok(Self { given }) } else { Err(Diagnostics(errors)) }
    }

    /// Applies answers to the map; returns whether it changed. Doubts that are answered leave the list.
    pub fn settle(
        &mut self,
        file: &Path,
        map: &mut ChannelMap,
        doubts: &mut Vec<Doubt>,
    ) -> Result<bool, Diagnostics> {
        let mut changed = false;
        let mut errors = Vec::new();
        doubts.retain(|doubt| {
            let Some((_, answer, used)) = self.given.iter_mut().find(|(id, _, _)| *id == doubt.id) else {
                return true;
            };
            let Some(choice) = doubt.options.iter().find(|c| c.answer == *answer) else {
                if !*used {
                    let offered: Vec<_> = doubt.options.iter().map(|c| c.answer.as_str()).collect();
                    let d = Diagnostic::error(file, format!("`{answer}` does not answer `{}`", doubt.id));
                    errors.push(d.key(doubt.id.clone()).help(format!("one of: {}", offered.join(", "))));
                }
                return true;
            };
            if choice.amend.is_empty() {
                *used = true;
                return false;
            }
            // An answer changes the map once; should the same doubt remain, it is asked again.
            if *used {
                return true;
            }
            *used = true;
            changed = true;
            choice.amend.iter().for_each(|a| a.apply(map));
            false
        });
        if errors.is_empty() { Ok(changed) } else { Err(Diagnostics(errors)) }
    }

    /// Answers to questions that were never asked.
    pub fn unused(&self) -> Vec<String> {
        self.given.iter().filter(|(_, _, used)| !used).map(|(id, _, _)| id.clone()).collect()
    }
}

/// Open doubts as errors: import stops and asks.
pub fn as_diagnostics(file: &Path, doubts: &[Doubt]) -> Diagnostics {
    Diagnostics(
        doubts
            .iter()
            .map(|d| {
                let options: Vec<_> =
                    d.options.iter().map(|c| format!("--accept {}={}: {}", d.id, c.answer, c.text)).collect();
                Diagnostic::error(file, d.question.clone())
                    .key(d.channel.clone())
                    .found(d.why.clone())
                    .help(format!("answer by {}", options.join("; or ")))
            })
            .collect(),
    )
}
