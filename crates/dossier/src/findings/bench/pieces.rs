//! What several bench questions need.

use super::Bench;
use crate::estimate::{Contribution, Estimate, Origin};

/// Source of an uncertainty in this record.
pub(super) fn source(bench: &Bench<'_>, what: &str) -> String {
    format!("record {}: {what}", bench.record.meta.id)
}

/// An estimate with one source of this record.
pub(super) fn single(bench: &Bench<'_>, what: &str, value: f64, uncertainty: f64, unit: &str) -> Estimate {
    Estimate::single(value, uncertainty, unit, Origin::from(bench.record.meta.origin), &source(bench, what))
}

/// An estimate of several sources of this record: name and signed effect of one standard uncertainty.
pub(super) fn several(bench: &Bench<'_>, value: f64, unit: &str, effects: &[(&str, f64)]) -> Estimate {
    let list = effects
        .iter()
        .map(|(what, effect)| Contribution {
            source: source(bench, what),
            sensitivity: *effect,
            uncertainty: 1.0,
        })
        .collect();
    Estimate::new(value, unit, Origin::from(bench.record.meta.origin), list)
}
