//! What a bench record shows. One file per kind, and one line in [`run`].

mod balance;
mod checklist;
mod discharge;
pub(crate) mod drive_chain;
mod fall;
mod hand_rotation;
mod magnetic;
mod pieces;
mod range;
mod reception;
mod sound;
mod spin_check;
mod step;
mod step_shown;
mod struck;
mod sweep;
mod sweep_shown;
mod swing;
mod tap;

pub(crate) use self::sweep::MOUNTED;

use std::collections::BTreeMap;

use physics::aircraft::Aircraft;
use physics::magnetic::LocalField;

use super::context::Out;
use crate::estimate::{Estimate, Origin};
use crate::record::{Kind, Record, Stamp};

/// A bench record with what is known about the aircraft.
pub(super) struct Bench<'a> {
    /// The record.
    pub record: &'a Record,
    /// Aircraft of the build, where there is one.
    pub aircraft: Option<&'a Aircraft>,
    /// Air density at the site, kg/m^3, and its standard uncertainty.
    pub density: Option<(f64, f64)>,
    /// Earth's magnetic field at the site on the day.
    pub earth: Option<LocalField>,
}

impl Bench<'_> {
    /// A channel's samples.
    pub(super) fn channel(&self, name: &str) -> Option<&[f64]> {
        self.record.channels.get(name).map(Vec::as_slice)
    }
    /// A value entered by hand, SI, with its standard uncertainty.
    pub(super) fn hand(&self, key: &str) -> Option<(f64, f64)> {
        self.record.meta.values.get(key).map(|v| (v.value, v.uncertainty))
    }
    /// Times and values of a channel without its missing samples, and what its time stamps mean.
    pub(super) fn series(&self, name: &str) -> Option<(Vec<f64>, Vec<f64>, Option<Stamp>)> {
        let values = self.channel(name)?;
        let (mut time, mut kept) = (Vec::new(), Vec::new());
        let mut last = f64::NEG_INFINITY;
        for (t, v) in self.record.time.iter().zip(values) {
            if t.is_finite() && v.is_finite() && *t > last {
                time.push(*t);
                kept.push(*v);
                last = *t;
            }
        }
        let stamp = self.record.channel_meta(name).and_then(|c| c.stamp);
        (time.len() > 1).then_some((time, kept, stamp))
    }
    /// A source of uncertainty in this record.
    pub(super) fn source(&self, what: &str) -> String {
        format!("record {}: {what}", self.record.meta.id)
    }
    /// What the record's figures may claim.
    pub(super) fn origin(&self) -> Origin {
        self.record.meta.origin.into()
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

impl Bench<'_> {
    /// An estimate whose only uncertainty is this record's own.
    pub(super) fn estimate(&self, what: &str, value: f64, uncertainty: f64, unit: &str) -> Estimate {
        let source = format!("record {}: {what}", self.record.meta.id);
        Estimate::single(value, uncertainty, unit, self.record.meta.origin.into(), &source)
    }
}

/// Runs the questions of the record's kind.
pub(super) fn run(bench: &Bench<'_>, out: &mut Out) {
    match bench.record.meta.kind {
        Kind::Weighing | Kind::Note | Kind::Flight => {}
        Kind::Balance => balance::run(bench, out),
        Kind::Step => step::run(bench, out),
        Kind::Sweep => sweep::run(bench, out),
        Kind::Magnetic => magnetic::run(bench, out),
        Kind::Reception => reception::run(bench, out),
        Kind::Sound => sound::run(bench, out),
        Kind::Tap => tap::run(bench, out),
        Kind::Fall => fall::run(bench, out),
        Kind::Swing => swing::run(bench, out),
        Kind::Discharge => discharge::run(bench, out),
        Kind::HandRotation => hand_rotation::run(bench, out),
        Kind::SpinCheck => spin_check::run(bench, out),
        Kind::Checklist => checklist::run(bench, out),
        Kind::Range => range::run(bench, out),
    }
    if bench.record.meta.kind == Kind::Tap {
        struck::run(bench, out);
    }
}
