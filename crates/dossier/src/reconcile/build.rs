//! What all measurements of a build say of what its aircraft file states.
//!
//! Held against each other are what the file predicts by itself (nothing measured put in the place of anything stated)
//! and what was measured: the figures that frozen predictions are scored on, full thrust over hover thrust, and every
//! input that a record has measured by itself.

use serde::Serialize;

use super::{Change, Reconciliation, cheapest_test, reconcile};
use crate::estimate::{Contribution, Estimate, Origin};
use crate::gates::Context;
use crate::predict::{Group, Prediction, freeze};
use crate::result::InputLine;

/// A reconciliation with the inputs by name.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Account {
    /// Figures, changes, inputs that cannot be told apart.
    pub found: Reconciliation,
    /// Inputs that change: as stated, in SI.
    pub inputs: Vec<Stated>,
}

/// An input as the file states it.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Stated {
    /// Key.
    pub key: String,
    /// Name.
    pub name: String,
    /// SI value.
    pub value: f64,
    /// SI unit.
    pub unit: String,
}

/// Of the build that the gates are judged for.
pub fn of_build(ctx: &Context<'_>) -> Account {
    let subject = ctx.subject.as_stated();
    let stated = subject.predict(&Group::ALL);
    let lines = subject.inputs();
    let found = reconcile(&pairs(ctx, &stated, &lines));
    let inputs = lines
        .into_iter()
        .filter(|i| found.changes.iter().any(|c| c.source == i.key))
        .map(|i| Stated { key: i.key, name: i.label, value: i.value, unit: i.unit })
        .collect();
    Account { found, inputs }
}

/// Name, predicted from the file alone, measured.
fn pairs(ctx: &Context<'_>, stated: &Prediction, lines: &[InputLine]) -> Vec<(String, Estimate, Estimate)> {
    let mut out: Vec<(String, Estimate, Estimate)> =
        freeze::compared(&|id| stated.get(id).cloned(), &ctx.today, ctx)
            .into_iter()
            .map(|c| (c.name, c.predicted, c.measured))
            .collect();
    for line in ctx.subject.inputs() {
        // What was weighed is among the scored figures.
        let Some(replaced) = line.replaced.as_ref().filter(|_| !line.key.starts_with("weighed.")) else {
            continue;
        };
        let source = format!("record {}", replaced.records.join(", "));
        let (name, predicted) = match (replaced.stated, replaced.stated_uncertainty > 0.0) {
            (Some(value), true) => {
                let part = Contribution {
                    source: line.key.clone(),
                    sensitivity: 1.0,
                    uncertainty: replaced.stated_uncertainty,
                };
                let predicted = Estimate::new(value, &line.unit, Origin::Stated, vec![part]);
                (format!("{} ({})", line.label, line.key), predicted)
            }
            (None, _) => match from_blade(ctx, &line.key, lines) {
                Some(predicted) => (format!("{}, from the blade's geometry", line.label), predicted),
                None => continue,
            },
            _ => continue,
        };
        out.push((
            name,
            predicted,
            Estimate::single(line.value, line.uncertainty, &line.unit, line.origin, &source),
        ));
    }
    out
}

/// A coefficient that a sweep has measured, as the blade's geometry alone gives it: the sweep rules, and what
/// the geometry is off shows as a change of its scale.
fn from_blade(ctx: &Context<'_>, key: &str, lines: &[InputLine]) -> Option<Estimate> {
    let (ct, cp) = ctx.subject.file().blade_coefficients()?;
    let (value, scale) = match key {
        "rotor.ct" => (ct, "rotor.ct_scale"),
        "rotor.cp" => (cp, "rotor.cp_scale"),
        _ => return None,
    };
    let line = lines.iter().find(|l| l.key == scale)?;
    let part = Contribution { source: scale.to_owned(), sensitivity: value, uncertainty: line.uncertainty };
    Some(Estimate::new(value * line.value, "1", Origin::Computed, vec![part]))
}

impl Account {
    /// Changes with the inputs they belong to.
    pub fn changes(&self) -> impl Iterator<Item = (&Change, &Stated)> {
        self.found
            .changes
            .iter()
            .filter_map(|c| self.inputs.iter().find(|i| i.key == c.source).map(|i| (c, i)))
    }

    /// What the changes explain, in a sentence.
    pub fn misfit_words(&self) -> String {
        let (before, after) = self.found.misfit;
        format!(
            "Sum of squared differences over the measurements' uncertainties: {before:.0} as stated, {after:.0} with these changes and their own price, over {} figures. Far above that number, a model or a measurement is wrong and not an input.",
            self.found.pairs.len()
        )
    }

    /// Inputs that do the same to everything measured, each set in a sentence with the test that separates it.
    pub fn alike(&self) -> Vec<String> {
        let mut sets: Vec<Vec<&str>> = Vec::new();
        for t in &self.found.twins {
            let pair = [t.a.as_str(), t.b.as_str()];
            // All sets that one of the two is in become one.
            let (joined, apart): (Vec<_>, Vec<_>) =
                sets.into_iter().partition(|s| pair.iter().any(|name| s.contains(name)));
            let mut set: Vec<&str> = joined.concat();
            for name in pair {
                if !set.contains(&name) {
                    set.push(name);
                }
            }
            sets = apart;
            sets.push(set);
        }
        sets.iter()
            .map(|set| {
                let test = cheapest_test(set);
                format!(
                    "{} do the same to everything measured, up or down: they cannot be told apart here. The cheapest measurement that settles one of them: {test}.",
                    set.join(", ")
                )
            })
            .collect()
    }
}
