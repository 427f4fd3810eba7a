//! What bench records say about inputs of the aircraft file: the measured figure replaces the stated.

use std::collections::BTreeMap;

use crate::estimate::Origin;
use crate::findings::Outcome;
use crate::gates::evidence::{Evidence, changed, station_of};
use crate::predict::Measured;

/// Measured figures by input key. Of every rotor station the newest record that still holds counts;
/// several stations are averaged, and their spread is part of the uncertainty of the mean.
pub fn replacements(evidence: &Evidence, today: &BTreeMap<String, String>) -> BTreeMap<String, Measured> {
    type ByStation = BTreeMap<Option<usize>, Measured>;
    let mut found: BTreeMap<String, ByStation> = BTreeMap::new();
    // Oldest first: a later record of the same station takes its place.
    for record in &evidence.benches {
        for item in &record.findings.items {
            let (Some(key), Outcome::Value { estimate }) = (&item.replaces, &item.outcome) else { continue };
            if changed(&record.meta, today, &item.rests_on).is_some() {
                continue;
            }
            found.entry(key.clone()).or_default().insert(
                station_of(&record.meta),
                Measured {
                    value: estimate.value,
                    uncertainty: estimate.uncertainty,
                    unit: estimate.unit.clone(),
                    origin: Origin::from(record.meta.origin),
                    records: vec![record.meta.id.clone()],
                },
            );
        }
    }
    found.into_iter().filter_map(|(key, list)| Some((key, mean(list.into_values().collect())?))).collect()
}

/// Mean of several stations. One load cell or clock served them all, so that their uncertainties
/// do not average out; their spread does.
fn mean(list: Vec<Measured>) -> Option<Measured> {
    let n = list.len() as f64;
    let first = list.first()?.clone();
    let value = list.iter().map(|m| m.value).sum::<f64>() / n;
    let own = list.iter().map(|m| m.uncertainty.powi(2)).sum::<f64>() / n;
    let spread = if n > 1.0 {
        list.iter().map(|m| (m.value - value).powi(2)).sum::<f64>() / (n - 1.0) / n
    } else {
        0.0
    };
    // Simulated evidence marks the whole.
    let origin = list.iter().map(|m| m.origin).max().unwrap_or(first.origin);
    let records = list.iter().flat_map(|m| m.records.clone()).collect();
    Some(Measured { value, uncertainty: (own + spread).sqrt(), unit: first.unit, origin, records })
}
