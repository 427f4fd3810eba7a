//! The record as the questions need it: clean series, phases, what is known about the aircraft.

use std::collections::BTreeMap;
use std::sync::Arc;

use physics::Mat3;
use physics::aircraft::{Aircraft, Station};
use physics::mass::mass_properties;
use signal::timebase;

use super::phases::{self, AxisStep};
use super::{Finding, Findings, Outcome, Phase, PhaseKind, Source, Spectrum, StepTrace};
use crate::chart::{Chart, Table};
use crate::estimate::{Estimate, Origin};
use crate::record::{Record, Tap};

/// The three body axes with their names.
pub(super) const AXES: [(char, &str); 3] = [('x', "roll"), ('y', "pitch"), ('z', "yaw")];

/// What is known about the aircraft from outside the record. Anything may be missing.
#[derive(Debug, Clone, Default)]
pub(crate) struct Known {
    /// Stations; positions count relative to each other.
    pub stations: Option<Vec<Station>>,
    /// Whether the positions are true lengths (else the arm was set to 1 m).
    pub lengths: bool,
    /// Mass and its standard uncertainty, kg.
    pub mass: Option<(f64, f64)>,
    /// Inertia about the centre of gravity, kg m^2.
    pub inertia: Option<Mat3>,
    /// Reaction torque per thrust of a rotor, m.
    pub reaction: Option<f64>,
    /// Blades of a rotor.
    pub blades: Option<u32>,
    /// Gyro range, rad/s, and accelerometer range, m/s^2.
    pub ranges: Option<(f64, f64)>,
    /// Command below which a motor does not turn steadily.
    pub usable_minimum: f64,
    /// Highest proportional rate gain of roll and pitch, 1/s: near the crossover.
    pub rate_gain: Option<f64>,
    /// The aircraft as it flew, where there is a file of it.
    pub aircraft: Option<Aircraft>,
}

impl Known {
    /// From an aircraft file.
    pub(crate) fn of_aircraft(aircraft: &Aircraft) -> Self {
        let mass = mass_properties(&aircraft.bodies);
        let solid = mass.inertia.determinant() > 0.0;
        let rotor = &aircraft.rotor;
        let (ct, _) = rotor.coefficients_at(1.0, 0.0);
        Self {
            stations: (!aircraft.stations.is_empty()).then(|| {
                let mut stations = aircraft.stations.clone();
                for s in &mut stations {
                    s.at -= mass.centre;
                }
                stations
            }),
            lengths: true,
            mass: (mass.mass > 0.0).then_some((mass.mass, 0.0)),
            inertia: solid.then_some(mass.inertia),
            reaction: (ct > 0.0).then(|| rotor.torque_per_thrust(1.0, 1.0)),
            blades: Some(rotor.blades),
            ranges: aircraft.imu.as_ref().map(|i| (i.rate_range, i.accel_range)),
            usable_minimum: aircraft.esc.as_ref().map_or(0.0, |e| e.usable_minimum),
            rate_gain: aircraft.rate_loop.as_ref().map(|l| l.p[0].max(l.p[1])),
            aircraft: Some(aircraft.clone()),
        }
    }
}

/// One channel without its missing samples.
#[derive(Debug, Clone)]
pub(super) struct Series {
    pub time: Arc<Vec<f64>>,
    pub values: Vec<f64>,
    pub period: f64,
}

impl Series {
    /// Samples from `from` to `to`, both ends included.
    pub(super) fn slice(&self, from: f64, to: f64) -> (&[f64], &[f64]) {
        let a = self.time.partition_point(|t| *t < from);
        let b = self.time.partition_point(|t| *t <= to).max(a);
        (&self.time[a..b], &self.values[a..b])
    }

    /// Value at a time, linear; none outside the samples or inside a gap.
    pub(super) fn at(&self, t: f64) -> Option<f64> {
        let k = self.time.partition_point(|s| *s < t);
        let here = self.time.get(k);
        if here.is_some_and(|s| (s - t).abs() <= 1e-9) {
            return self.values.get(k).copied();
        }
        let j = k.checked_sub(1)?;
        let (a, b) = (self.time[j], *here?);
        (b - a <= timebase::GAP_PERIODS * self.period)
            .then(|| self.values[j] + (self.values[k] - self.values[j]) * (t - a) / (b - a))
    }

    /// Mean over a stretch.
    pub(super) fn mean(&self, from: f64, to: f64) -> Option<f64> {
        signal::robust::mean(self.slice(from, to).1)
    }

    /// Sample rate, Hz.
    pub(super) fn rate(&self) -> f64 {
        1.0 / self.period
    }
}

/// Several channels on common uniform stretches.
#[derive(Debug, Clone, Default)]
pub(super) struct Joint {
    pub period: f64,
    /// By stretch: start time and channels.
    pub stretches: Vec<timebase::Stretch>,
}

impl Joint {
    pub(super) fn channel(&self, index: usize) -> Vec<&[f64]> {
        self.stretches.iter().filter_map(|s| s.channels.get(index).map(Vec::as_slice)).collect()
    }
    pub(super) fn longest(&self) -> usize {
        self.stretches.iter().map(timebase::Stretch::len).max().unwrap_or(0)
    }
}

/// The record and what was made of it.
#[derive(Debug)]
pub(super) struct Context<'a> {
    pub record: &'a Record,
    pub known: &'a Known,
    pub origin: Origin,
    series: BTreeMap<&'a str, Series>,
    /// Rotors with a command or a speed channel.
    pub rotors: usize,
    pub phases: Vec<Phase>,
    pub steps: Vec<AxisStep>,
}

impl<'a> Context<'a> {
    pub(super) fn new(record: &'a Record, known: &'a Known) -> Self {
        let mut series = BTreeMap::new();
        let full = Arc::new(record.time.clone());
        for (name, values) in &record.channels {
            if let Some(s) = clean(&record.time, values, &full) {
                series.insert(name.as_str(), s);
            }
        }
        let count = |what: &str| {
            (1..).take_while(|i| series.contains_key(format!("rotor.{i}.{what}").as_str())).count()
        };
        let rotors = count("speed").max(count("command"));
        let mut context = Self {
            record,
            known,
            origin: record.meta.origin.into(),
            series,
            rotors,
            phases: Vec::new(),
            steps: Vec::new(),
        };
        context.steps = phases::rate_steps(&context);
        context.phases = phases::segment(&context);
        context
    }

    pub(super) fn series(&self, name: &str) -> Option<&Series> {
        self.series.get(name)
    }

    /// All rotors' channels that end in `what`, or none if one is missing.
    pub(super) fn rotor_series(&self, what: &str) -> Option<Vec<&Series>> {
        let all: Option<Vec<_>> =
            (1..=self.rotors).map(|i| self.series(&format!("rotor.{i}.{what}"))).collect();
        all.filter(|a| !a.is_empty())
    }

    pub(super) fn tap(&self, name: &str) -> Option<Tap> {
        self.record.channel_meta(name).and_then(|c| c.tap)
    }

    pub(super) fn windows(&self, wanted: impl Fn(PhaseKind) -> bool) -> Vec<(f64, f64)> {
        let mut windows: Vec<(f64, f64)> = Vec::new();
        for p in self.phases.iter().filter(|p| wanted(p.kind)) {
            match windows.last_mut() {
                Some(last) if p.start - last.1 < 1e-6 => last.1 = p.end,
                _ => windows.push((p.start, p.end)),
            }
        }
        windows
    }

    /// Hover phases.
    pub(super) fn hover(&self) -> Vec<(f64, f64)> {
        self.windows(|k| k == PhaseKind::Hover)
    }

    /// Everything but the ground.
    pub(super) fn airborne(&self) -> Vec<(f64, f64)> {
        self.windows(|k| k != PhaseKind::Ground)
    }

    /// Total length of windows, s.
    pub(super) fn length(windows: &[(f64, f64)]) -> f64 {
        windows.iter().map(|(a, b)| b - a).sum()
    }

    /// Channels side by side over the windows, at the rate of the slowest of them.
    pub(super) fn joint(&self, names: &[&str], windows: &[(f64, f64)]) -> Option<Joint> {
        let series: Vec<&Series> = names.iter().map(|n| self.series(n)).collect::<Option<_>>()?;
        let slowest = *series.iter().max_by(|a, b| a.period.total_cmp(&b.period))?;
        let mut joint = Joint { period: slowest.period, stretches: Vec::new() };
        for &(from, to) in windows {
            let (time, _) = slowest.slice(from, to);
            let columns: Vec<Vec<f64>> = series
                .iter()
                .map(|s| {
                    if Arc::ptr_eq(&s.time, &slowest.time) {
                        s.slice(from, to).1.to_vec()
                    } else {
                        time.iter().map(|t| s.at(*t).unwrap_or(f64::NAN)).collect()
                    }
                })
                .collect();
            let views: Vec<&[f64]> = columns.iter().map(Vec::as_slice).collect();
            if let Ok(u) = timebase::regularise_at(time, &views, Some(slowest.period)) {
                joint.stretches.extend(u.stretches);
            }
        }
        (!joint.stretches.is_empty()).then_some(joint)
    }

    /// Identity of a source of uncertainty in this record.
    pub(super) fn source(&self, what: &str) -> String {
        format!("record {}: {what}", self.record.meta.id)
    }

    /// An estimate whose only uncertainty is this record's own.
    pub(super) fn estimate(&self, what: &str, value: f64, uncertainty: f64, unit: &str) -> Estimate {
        Estimate::single(value, uncertainty, unit, self.origin, &self.source(what))
    }
}

fn clean(time: &[f64], values: &[f64], full: &Arc<Vec<f64>>) -> Option<Series> {
    if time.len() != values.len() {
        return None;
    }
    let ascending = |t: &[f64]| t.windows(2).all(|w| w[0] < w[1]);
    if values.iter().all(|v| v.is_finite()) && time.iter().all(|t| t.is_finite()) && ascending(time) {
        let period = timebase::order(time).ok()?.report.period;
        return Some(Series { time: Arc::clone(full), values: values.to_vec(), period });
    }
    let (mut t, mut v) = (Vec::new(), Vec::new());
    for (a, b) in time.iter().zip(values) {
        if a.is_finite() && b.is_finite() {
            t.push(*a);
            v.push(*b);
        }
    }
    let ordered = timebase::order(&t).ok()?;
    let values = ordered.rows.iter().map(|&i| v[i]).collect();
    Some(Series { time: Arc::new(ordered.time), values, period: ordered.report.period })
}

/// What the questions add to.
#[derive(Debug, Default)]
pub(super) struct Out {
    pub items: Vec<Finding>,
    pub spectra: Vec<Spectrum>,
    pub sources: Vec<Source>,
    pub steps: Vec<StepTrace>,
    pub charts: Vec<Chart>,
    pub tables: Vec<Table>,
    pub cannot: Vec<String>,
}

impl Out {
    /// A figure.
    pub(super) fn value(
        &mut self,
        key: &str,
        label: &str,
        estimate: Estimate,
        text: impl Into<String>,
        rests_on: &[&str],
    ) {
        if estimate.value.is_finite() && estimate.uncertainty.is_finite() {
            self.push(key, label, Outcome::Value { estimate }, text.into(), rests_on);
        } else {
            self.cannot_tell(
                key,
                label,
                "a figure that is finite",
                "look at the record's channels for stuck or absurd values",
                rests_on,
            );
        }
    }

    /// A figure without end, as a margin on a side where nothing limits.
    pub(super) fn unlimited(
        &mut self,
        key: &str,
        label: &str,
        estimate: Estimate,
        text: String,
        rests_on: &[&str],
    ) {
        self.push(key, label, Outcome::Value { estimate }, text, rests_on);
    }

    /// An answer in words.
    pub(super) fn words(
        &mut self,
        key: &str,
        label: &str,
        answer: &str,
        text: impl Into<String>,
        rests_on: &[&str],
    ) {
        self.push(key, label, Outcome::Words { answer: answer.to_owned() }, text.into(), rests_on);
    }

    /// "Cannot tell".
    pub(super) fn cannot_tell(
        &mut self,
        key: &str,
        label: &str,
        missing: impl Into<String>,
        would_tell: impl Into<String>,
        rests_on: &[&str],
    ) {
        let (missing, would_tell) = (missing.into(), would_tell.into());
        let text = format!("Cannot tell: missing is {missing}. What would tell: {would_tell}.");
        self.push(key, label, Outcome::CannotTell { missing, would_tell }, text, rests_on);
    }

    fn push(&mut self, key: &str, label: &str, outcome: Outcome, text: String, rests_on: &[&str]) {
        self.items.push(Finding {
            key: key.to_owned(),
            label: label.to_owned(),
            outcome,
            text,
            rests_on: rests_on.iter().map(|s| (*s).to_owned()).collect(),
            replaces: None,
        });
    }

    /// The figure under `key` replaces a numeric input of the aircraft file in predictions.
    pub(super) fn replaces(&mut self, key: &str, input: &str) {
        if let Some(item) = self.items.iter_mut().find(|f| f.key == key) {
            item.replaces = Some(input.to_owned());
        }
    }

    /// All of it.
    pub(super) fn into_findings(self, record: &Record, phases: Vec<Phase>) -> Findings {
        Findings {
            record: record.meta.id.clone(),
            items: self.items,
            phases,
            spectra: self.spectra,
            sources: self.sources,
            steps: self.steps,
            charts: self.charts,
            tables: self.tables,
            cannot_answer: self.cannot,
        }
    }

    /// Figure found so far.
    pub(super) fn estimate(&self, key: &str) -> Option<&Estimate> {
        self.items.iter().find(|f| f.key == key).and_then(|f| match &f.outcome {
            Outcome::Value { estimate } => Some(estimate),
            _ => None,
        })
    }
}
