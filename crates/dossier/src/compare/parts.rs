//! What of a difference comes from which changed key, recomputed.
//!
//! For every change both ends are asked: what it does alone on top of the first file, and what is lost without it in
//! the second. The mean of the two is its part (for two changes that is Shapley's value, 1953); what the parts do
//! not add up to is the changes acting together. Changes that make no aircraft alone are taken as one.

use std::collections::BTreeMap;

use rayon::prelude::*;
use serde::Serialize;

use crate::aircraft_file::AircraftFile;
use crate::aircraft_file::difference::{Change, between};
use crate::predict::{Group, Subject};

/// Part of a difference.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Part {
    /// Keys of the aircraft file that changed together, or what else it comes from.
    pub from: String,
    /// Its part, in the figure's unit.
    pub value: f64,
}

/// Smallest groups of changes that make an aircraft, alone and when all the others are there.
fn groups<'c>(a: &AircraftFile, b: &AircraftFile, changes: &'c [Change]) -> Vec<Vec<&'c Change>> {
    let stands = |some: &[&Change]| {
        let others: Vec<&Change> = changes.iter().filter(|c| !some.contains(c)).collect();
        between(a, b, some).is_ok() && between(a, b, &others).is_ok()
    };
    let (mut good, mut bad): (Vec<Vec<&Change>>, Vec<Vec<&Change>>) =
        changes.iter().map(|c| vec![c]).partition(|g| stands(g));
    // First a whole section, then all that is left.
    let mut sections: BTreeMap<String, Vec<&Change>> = BTreeMap::new();
    for c in bad.drain(..).flatten() {
        sections.entry(c.section().to_owned()).or_default().push(c);
    }
    let mut rest = Vec::new();
    for group in sections.into_values() {
        if stands(&group) { good.push(group) } else { rest.extend(group) }
    }
    if !rest.is_empty() {
        if stands(&rest) {
            good.push(rest);
        } else {
            good = vec![changes.iter().collect()];
        }
    }
    good
}

/// Input keys whose text differs between two files: what was measured of them no longer holds.
pub(super) fn changed_inputs(a: &Subject, b: &AircraftFile) -> Vec<String> {
    let Ok(other) = b.resolve(&BTreeMap::new()) else { return Vec::new() };
    let texts: BTreeMap<&str, &str> =
        other.inputs.iter().map(|i| (i.key.as_str(), i.text.as_str())).collect();
    let Ok(own) = a.file().resolve(&BTreeMap::new()) else { return Vec::new() };
    let mut keys: Vec<String> = own
        .inputs
        .iter()
        .filter(|i| texts.get(i.key.as_str()) != Some(&i.text.as_str()))
        .map(|i| i.key.clone())
        .collect();
    keys.extend(
        other.inputs.iter().filter(|i| !own.inputs.iter().any(|o| o.key == i.key)).map(|i| i.key.clone()),
    );
    keys
}

/// Central figures of a subject by id.
fn figures(s: &Subject) -> BTreeMap<String, f64> {
    s.nominal(&Group::ALL).outputs.into_iter().map(|o| (o.id, o.value)).collect()
}

/// Parts of every figure's difference from `first` to the file `last`, by the figure's id, with the central
/// difference between the two.
pub(super) fn parts(
    first: &Subject,
    last: &AircraftFile,
    changes: &[Change],
) -> BTreeMap<String, (Vec<Part>, f64)> {
    let file = first.file();
    let on = |some: &[&Change]| -> Option<BTreeMap<String, f64>> {
        let file = between(file, last, some).ok()?;
        let keys = changed_inputs(first, &file);
        let keys: Vec<&str> = keys.iter().map(String::as_str).collect();
        Some(figures(&first.with_file(file, &keys).ok()?))
    };
    let all: Vec<&Change> = changes.iter().collect();
    let (start, end) = (figures(first), on(&all));
    let Some(end) = end else { return BTreeMap::new() };
    let groups = groups(file, last, changes);
    let single = groups.len() == 1;
    let ends: Vec<_> = groups
        .par_iter()
        .map(|g| {
            if single {
                return (Some(end.clone()), Some(start.clone()));
            }
            let others: Vec<&Change> = changes.iter().filter(|c| !g.contains(c)).collect();
            (on(g), on(&others))
        })
        .collect();
    let mut out = BTreeMap::new();
    for (id, from) in &start {
        let Some(to) = end.get(id) else { continue };
        let mut list = Vec::new();
        for (g, (with, without)) in groups.iter().zip(&ends) {
            let alone = with.as_ref().and_then(|w| w.get(id)).map(|v| v - from);
            let last = without.as_ref().and_then(|w| w.get(id)).map(|v| to - v);
            let value = match (alone, last) {
                (Some(a), Some(b)) => 0.5 * (a + b),
                (Some(one), None) | (None, Some(one)) => one,
                (None, None) => continue,
            };
            let from = g.iter().map(|c| c.key()).collect::<Vec<_>>().join(", ");
            list.push(Part { from, value });
        }
        out.insert(id.clone(), (list, to - from));
    }
    out
}
