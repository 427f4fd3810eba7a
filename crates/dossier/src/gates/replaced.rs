//! What bench records say about inputs of the aircraft file: the measured figure replaces the stated.

use std::collections::BTreeMap;

use physics::aircraft::Aircraft;
use physics::mass::mass_properties;

use crate::check::{as_flown, payload_fitted};
use crate::estimate::Origin;
use crate::findings::{MOUNTED, Outcome};
use crate::gates::evidence::{Evidence, changed, station_of};
use crate::import::weighing::weighing;
use crate::predict::Measured;
use crate::result::Way;

/// Measured figures by input key. Of every rotor station and kind of record the newest that still holds counts; kinds
/// are weighed together, stations averaged, and their spread is part of the uncertainty of the mean.
pub fn replacements(evidence: &Evidence, today: &BTreeMap<String, String>) -> BTreeMap<String, Measured> {
    type ByStation = BTreeMap<Option<usize>, BTreeMap<&'static str, (Measured, f64)>>;
    let mut found: BTreeMap<String, ByStation> = BTreeMap::new();
    // Oldest first: a later record of the same station and kind takes its place.
    for record in &evidence.benches {
        for item in &record.findings.items {
            let (Some(key), Outcome::Value { estimate }) = (&item.replaces, &item.outcome) else { continue };
            if changed(&record.meta, today, &item.rests_on).is_some() {
                continue;
            }
            let measured = Measured {
                value: estimate.value,
                uncertainty: estimate.uncertainty,
                unit: estimate.unit.clone(),
                origin: Origin::from(record.meta.origin),
                records: vec![record.meta.id.clone()],
                ways: Vec::new(),
            };
            let alone = estimate.contributions.iter().filter(|c| c.source.ends_with(MOUNTED));
            let alone: f64 = alone.map(|c| (c.sensitivity * c.uncertainty).powi(2)).sum();
            let station = found.entry(key.clone()).or_default().entry(station_of(&record.meta)).or_default();
            station.insert(record.meta.kind.word(), (measured, alone));
        }
    }
    found
        .into_iter()
        .filter_map(|(key, list)| {
            let stations =
                list.into_values().filter_map(|kinds| weighed_together(kinds.into_values().collect()));
            Some((key, mean(&stations.collect::<Vec<_>>())?))
        })
        .collect()
}

/// What the newest weighing says of the whole aircraft without payload, carried to today's mass items by
/// what they compute now less what they computed then. `aircraft` is as its file states it.
pub fn weighed(
    evidence: &Evidence,
    aircraft: &Aircraft,
    today: &BTreeMap<String, String>,
) -> BTreeMap<String, Measured> {
    let mut out = BTreeMap::new();
    let Some(meta) = evidence.weighing() else { return out };
    let Ok(w) = weighing(meta) else { return out };
    let rests = ["mass".to_owned(), "geometry".to_owned()];
    let kept = |name: &str| meta.values.get(&format!("computed.{name}")).map(|v| v.value);
    if kept("mass").is_none() && changed(meta, today, &rests).is_some() {
        return out;
    }
    let now = mass_properties(&as_flown(aircraft, meta).bodies);
    let bare = mass_properties(&aircraft.without_payload().bodies);
    let loaded = payload_fitted(meta);
    // The difference rests on the changed items only; a tenth of it is a fair doubt.
    let carried = |name: &str, (value, error): (f64, f64), now: f64| {
        let moved = kept(name).map_or(0.0, |then| now - then);
        (value + moved, error.hypot(0.1 * moved))
    };
    let mass = carried("mass", w.mass, now.mass);
    let payload = if loaded { now.mass - bare.mass } else { 0.0 };
    let own = mass.0 - payload;
    if own.is_nan() || own <= 0.0 {
        return out;
    }
    let mut put = |key: &str, (value, uncertainty): (f64, f64), unit: &str| {
        let records = vec![meta.id.clone()];
        let origin = Origin::from(meta.origin);
        let measured =
            Measured { value, uncertainty, unit: unit.to_owned(), origin, records, ways: Vec::new() };
        out.insert(format!("weighed.{key}"), measured);
    };
    put("mass", (own, mass.1), "kg");
    for (k, name, pair) in [(0, "x", w.centre_x), (1, "y", w.centre_y)] {
        let (c, error) = carried(&format!("centre.{name}"), pair, now.centre[k]);
        // The payload's own moment is taken off as computed.
        let moment = if loaded { now.mass * now.centre[k] - bare.mass * bare.centre[k] } else { 0.0 };
        let share = mass.0 / own;
        put(&format!("centre_{name}"), (share * c - moment / own, share * error), "m");
    }
    out
}

/// Moves measured figures of the whole aircraft from one aircraft to another by the computed
/// difference: an item that is exchanged changes what was weighed by its own mass.
pub fn carry(measured: &mut BTreeMap<String, Measured>, before: &Aircraft, after: &Aircraft) {
    let of = |a: &Aircraft| {
        let m = mass_properties(&a.without_payload().bodies);
        let i = m.inertia;
        [
            ("weighed.mass", m.mass),
            ("weighed.centre_x", m.centre.x),
            ("weighed.centre_y", m.centre.y),
            ("weighed.inertia_x", i[(0, 0)]),
            ("weighed.inertia_y", i[(1, 1)]),
            ("weighed.inertia_z", i[(2, 2)]),
        ]
    };
    for ((key, was), (_, is)) in of(before).into_iter().zip(of(after)) {
        if let Some(m) = measured.get_mut(key)
            && was != is
        {
            m.value += is - was;
            m.uncertainty = m.uncertainty.hypot(0.1 * (is - was));
        }
    }
}

/// One figure of several ways of measuring it: the mean by inverse variance, its uncertainty grown by what they differ
/// beyond their own (the ratio of Birge, Phys. Rev. 40, 1932).
fn weighed_together(list: Vec<(Measured, f64)>) -> Option<(Measured, f64)> {
    if list.len() < 2 || list.iter().any(|m| !(m.0.uncertainty > 0.0)) {
        return list.into_iter().next_back();
    }
    let weights: Vec<f64> = list.iter().map(|m| m.0.uncertainty.powi(-2)).collect();
    let total: f64 = weights.iter().sum();
    let sum = |f: &dyn Fn(&(Measured, f64)) -> f64| -> f64 {
        list.iter().zip(&weights).map(|(m, w)| w / total * f(m)).sum()
    };
    let value = sum(&|m| m.0.value);
    let square = total * sum(&|m| (m.0.value - value).powi(2));
    let birge = (square / (list.len() - 1) as f64).sqrt().max(1.0);
    let alone = list.iter().zip(&weights).map(|(m, w)| (w / total).powi(2) * m.1).sum();
    let ways = list.iter().flat_map(|(m, _)| {
        m.records.iter().map(|r| Way { record: r.clone(), value: m.value, uncertainty: m.uncertainty })
    });
    let measured = Measured {
        value,
        uncertainty: birge / total.sqrt(),
        unit: list.first()?.0.unit.clone(),
        origin: list.iter().map(|m| m.0.origin).max()?,
        records: list.iter().flat_map(|m| m.0.records.clone()).collect(),
        ways: ways.collect(),
    };
    Some((measured, alone))
}

/// Mean of several stations, each with the variance that it does not share with the others. One load cell or clock
/// served them all, so that the rest does not average out; their spread does.
fn mean(list: &[(Measured, f64)]) -> Option<Measured> {
    let n = list.len() as f64;
    let alone = list.iter().map(|m| m.1).sum::<f64>() / n;
    let list: Vec<&Measured> = list.iter().map(|m| &m.0).collect();
    let first = (*list.first()?).clone();
    let value = list.iter().map(|m| m.value).sum::<f64>() / n;
    let shared = list.iter().map(|m| m.uncertainty.powi(2)).sum::<f64>() / n - alone;
    let spread =
        if n > 1.0 { list.iter().map(|m| (m.value - value).powi(2)).sum::<f64>() / (n - 1.0) } else { 0.0 };
    // Simulated evidence marks the whole.
    let origin = list.iter().map(|m| m.origin).max().unwrap_or(first.origin);
    let records = list.iter().flat_map(|m| m.records.clone()).collect();
    // Of several stations each is one way; what was measured twice at one of them is not told apart.
    let ways = if list.len() == 1 { first.ways } else { Vec::new() };
    Some(Measured {
        value,
        uncertainty: (shared.max(0.0) + spread.max(alone) / n).sqrt(),
        unit: first.unit,
        origin,
        records,
        ways,
    })
}
