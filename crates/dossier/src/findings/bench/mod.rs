//! What a bench record shows. One file per kind, and one line in [`run`].

mod balance;

use std::collections::BTreeMap;

use physics::aircraft::Aircraft;

use super::context::Out;
use crate::record::{Kind, Record};

/// A bench record with what is known about the aircraft.
#[expect(dead_code, reason = "read by the kinds")]
pub(super) struct Bench<'a> {
    /// The record.
    pub record: &'a Record,
    /// Aircraft of the build, where there is one.
    pub aircraft: Option<&'a Aircraft>,
    /// Air density at the site, kg/m^3, and its standard uncertainty.
    pub density: Option<(f64, f64)>,
}

impl Bench<'_> {
    /// A channel's samples.
    #[expect(dead_code, reason = "for the kinds that read channels")]
    pub(super) fn channel(&self, name: &str) -> Option<&[f64]> {
        self.record.channels.get(name).map(Vec::as_slice)
    }
    /// A value entered by hand, SI, with its standard uncertainty.
    pub(super) fn hand(&self, key: &str) -> Option<(f64, f64)> {
        self.record.meta.values.get(key).map(|v| (v.value, v.uncertainty))
    }
    /// The rotor station (1-based) that the record is about: the hand value `station`, or the only
    /// rotor among the channels.
    pub(super) fn station(&self) -> Option<usize> {
        if let Some((n, _)) = self.hand("station") {
            return (n >= 1.0 && n.fract() == 0.0).then_some(n as usize);
        }
        let mut seen = BTreeMap::new();
        for name in self.record.channels.keys() {
            if let Some(n) = name.strip_prefix("rotor.").and_then(|r| r.split('.').next()?.parse().ok()) {
                seen.insert(n, ());
            }
        }
        (seen.len() == 1).then(|| seen.into_keys().next()).flatten()
    }
}

/// Runs the questions of the record's kind.
pub(super) fn run(bench: &Bench<'_>, out: &mut Out) {
    match bench.record.meta.kind {
        Kind::Weighing | Kind::Note | Kind::Flight => {}
        Kind::Balance => balance::run(bench, out),
        kind => {
            out.cannot.push(format!("nothing is computed from a record of kind {} yet", kind.word()));
        }
    }
}
