//! Three axes of one sensor on uniform stretches with the speed of every rotor at each sample.

use std::f64::consts::TAU;

use signal::orders_speed::{self, Search};
use signal::{filter, robust, timebase};

use super::super::context::Context;

/// So much of the air time is looked at, s: the beginning. What is said of a source is not sharpened by more.
const MOST: f64 = 40.0;
/// Below this no vibration is looked for, Hz.
pub(super) const FLYING: f64 = 5.0;

/// One gap-free stretch.
#[derive(Debug, Clone)]
pub(super) struct Stretch {
    /// Samples by axis with all below [`FLYING`] taken out.
    pub channels: Vec<Vec<f64>>,
    /// Samples as they are.
    pub raw: Vec<Vec<f64>>,
    /// Speed by rotor, rad/s; empty where it is not known.
    pub speeds: Vec<Vec<f64>>,
}

/// How the speed is known.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Speed {
    /// Logged for each rotor.
    Logged,
    /// One common speed estimated from the record, with its confidence.
    Estimated(f64),
    /// Not known.
    Unknown,
}

/// One sensor.
#[derive(Debug, Clone)]
pub(super) struct Group {
    /// Base name of the channels.
    pub base: &'static str,
    /// Sample rate, Hz.
    pub rate: f64,
    pub stretches: Vec<Stretch>,
    pub speed: Speed,
    /// Blades, where known.
    pub blades: Option<u32>,
    /// Mean square by axis before anything was taken out.
    pub total: Vec<f64>,
    /// Mean square by axis that each order took out, by order.
    pub taken: Vec<(u32, Vec<f64>)>,
}

impl Group {
    pub(super) fn new(context: &Context<'_>, base: &'static str, windows: &[(f64, f64)]) -> Option<Self> {
        let names: Vec<String> = ["x", "y", "z"].iter().map(|a| format!("{base}.{a}")).collect();
        let names: Vec<&str> = names.iter().map(String::as_str).collect();
        let mut left = MOST;
        let mut short = Vec::new();
        for &(a, b) in windows {
            if left > 0.0 {
                short.push((a, b.min(a + left)));
                left -= b - a;
            }
        }
        let joint = context.joint(&names, &short)?;
        let rate = 1.0 / joint.period;
        let logged = context.rotor_series("speed");
        let mut group = Self {
            base,
            rate,
            stretches: Vec::new(),
            speed: if logged.is_some() { Speed::Logged } else { Speed::Unknown },
            blades: context.known.blades,
            total: vec![0.0; 3],
            taken: Vec::new(),
        };
        for s in joint.stretches {
            let n = s.len();
            let mut speeds = Vec::new();
            let (mut from, mut to) = (0, n);
            for series in logged.iter().flatten() {
                let (values, mask) =
                    timebase::on_grid(&series.time, &series.values, s.start, joint.period, n).ok()?;
                // The longest run that has speeds.
                let (a, b) = longest(&mask);
                from = from.max(a);
                to = to.min(b);
                speeds.push(values);
            }
            if to <= from + (0.5 * rate) as usize {
                continue;
            }
            speeds.iter_mut().for_each(|v| *v = v[from..to].to_vec());
            let raw: Vec<Vec<f64>> = s.channels.iter().map(|c| c[from..to].to_vec()).collect();
            let Some(channels) = raw.iter().map(|c| high(c, rate)).collect::<Option<Vec<_>>>() else {
                continue;
            };
            group.stretches.push(Stretch { channels, raw, speeds });
        }
        if group.stretches.is_empty() {
            return None;
        }
        if logged.is_none() {
            group.estimate_speed(context, &short);
        }
        group.total = group.mean_square();
        Some(group)
    }

    /// Puts the speed found in the record itself into every stretch, if it is found in all.
    fn estimate_speed(&mut self, context: &Context<'_>, windows: &[(f64, f64)]) {
        let search = Search { blades: self.blades, ..Search::default() };
        let prior = prior(context, windows, self);
        let mut tracks = Vec::new();
        let mut confidence: f64 = 1.0;
        for (k, s) in self.stretches.iter().enumerate() {
            let views: Vec<&[f64]> = s.channels.iter().map(Vec::as_slice).collect();
            let own = prior.as_ref().and_then(|p| p.get(k)).map(Vec::as_slice);
            match orders_speed::track(&views, self.rate, 0.0, own, &search) {
                Ok(t) => {
                    confidence = confidence.min(t.confidence);
                    tracks.push(t);
                }
                Err(_) => return,
            }
        }
        // A speed n and its image at the rate less n leave the same ridges, all orders folded alike: where the image is a
        // speed that a rotor can have, the record cannot say which it is.
        let fastest = tracks.iter().flat_map(|t| t.turns.iter().copied()).fold(0.0, f64::max);
        let image = self.rate - fastest < search.range.1;
        if confidence < orders_speed::LEAST_CONFIDENCE || image {
            return;
        }
        for (s, t) in self.stretches.iter_mut().zip(&tracks) {
            let n = s.channels.first().map_or(0, Vec::len);
            s.speeds = vec![(0..n).map(|k| TAU * between(&t.time, &t.turns, k as f64 / self.rate)).collect()];
        }
        self.speed = Speed::Estimated(confidence);
    }

    pub(super) fn mean_square(&self) -> Vec<f64> {
        let n: usize = self.stretches.iter().filter_map(|s| s.channels.first()).map(Vec::len).sum();
        (0..3)
            .map(|a| {
                let sum: f64 = self
                    .stretches
                    .iter()
                    .filter_map(|s| s.channels.get(a))
                    .map(|c| c.iter().map(|v| v * v).sum::<f64>())
                    .sum();
                sum / n.max(1) as f64
            })
            .collect()
    }

    pub(super) fn nyquist(&self) -> f64 {
        0.5 * self.rate
    }

    pub(super) fn rotors(&self) -> usize {
        self.stretches.first().map_or(0, |s| s.speeds.len())
    }

    /// Time in all stretches, s.
    pub(super) fn seconds(&self) -> f64 {
        self.stretches.iter().filter_map(|s| s.channels.first()).map(Vec::len).sum::<usize>() as f64
            / self.rate
    }

    /// 5 % and 95 % quantile of one rotor's speed, rev/s.
    pub(super) fn turns(&self, rotor: usize) -> Option<(f64, f64)> {
        // Every tenth sample is plenty.
        let v: Vec<f64> = self
            .stretches
            .iter()
            .filter_map(|s| s.speeds.get(rotor))
            .flat_map(|s| s.iter().step_by(10).copied())
            .collect();
        Some((robust::quantile(&v, 0.05)? / TAU, robust::quantile(&v, 0.95)? / TAU))
    }

    /// The same over all rotors.
    pub(super) fn all_turns(&self) -> Option<(f64, f64)> {
        (0..self.rotors()).filter_map(|r| self.turns(r)).reduce(|a, b| (a.0.min(b.0), a.1.max(b.1)))
    }

    /// Name of an axis' channel.
    pub(super) fn channel(&self, axis: usize) -> String {
        format!("{}.{}", self.base, ["x", "y", "z"].get(axis).unwrap_or(&"?"))
    }

    pub(super) fn unit(&self) -> &'static str {
        if self.base == "accel" { "m/s²" } else { "rad/s" }
    }

    /// All stretches of one axis.
    pub(super) fn axis(&self, axis: usize) -> Vec<&[f64]> {
        self.stretches.iter().filter_map(|s| s.channels.get(axis).map(Vec::as_slice)).collect()
    }
}

/// Frequency at which `f` is seen at this rate.
pub(super) fn fold(f: f64, rate: f64) -> f64 {
    (f - rate * (f / rate).round()).abs()
}

/// What lies above [`FLYING`].
pub(super) fn high(x: &[f64], rate: f64) -> Option<Vec<f64>> {
    if 0.5 * rate <= 2.0 * FLYING {
        return None;
    }
    let low = filter::low_pass(x, rate, FLYING).ok()?;
    Some(x.iter().zip(&low).map(|(a, b)| a - b).collect())
}

/// Longest run of true: start and end.
fn longest(mask: &[bool]) -> (usize, usize) {
    let (mut best, mut start) = ((0, 0), 0);
    for (k, m) in mask.iter().chain(std::iter::once(&false)).enumerate() {
        if !m {
            if k - start > best.1 - best.0 {
                best = (start, k);
            }
            start = k + 1;
        }
    }
    best
}

fn between(x: &[f64], y: &[f64], at: f64) -> f64 {
    let k = x.partition_point(|v| *v < at);
    match (k.checked_sub(1), y.get(k)) {
        (Some(j), Some(b)) => {
            let t = (at - x[j]) / (x[k] - x[j]).max(1e-12);
            y[j] + (b - y[j]) * t
        }
        (None, Some(b)) => *b,
        (Some(j), None) => y.get(j).copied().unwrap_or(0.0),
        (None, None) => 0.0,
    }
}

/// Mean command times bus voltage at each sample of each stretch, where both are logged.
fn prior(context: &Context<'_>, windows: &[(f64, f64)], group: &Group) -> Option<Vec<Vec<f64>>> {
    let commands = context.rotor_series("command")?;
    let voltage = context.series("battery.voltage")?;
    let names: Vec<String> = (1..=commands.len()).map(|i| format!("rotor.{i}.command")).collect();
    let mut all: Vec<&str> = names.iter().map(String::as_str).collect();
    let base = format!("{}.x", group.base);
    all.push(&base);
    let joint = context.joint(&all, windows)?;
    if joint.stretches.len() != group.stretches.len() {
        return None;
    }
    let out: Vec<Vec<f64>> = joint
        .stretches
        .iter()
        .zip(&group.stretches)
        .map(|(s, g)| {
            let n = g.channels.first().map_or(0, Vec::len);
            (0..n)
                .map(|k| {
                    let at = ((k as f64 / group.rate) / joint.period) as usize;
                    let sum: f64 = (0..commands.len())
                        .filter_map(|r| {
                            s.channels.get(r).and_then(|c| c.get(at.min(c.len().saturating_sub(1))))
                        })
                        .sum();
                    sum * voltage.at(s.start + at as f64 * joint.period).unwrap_or(f64::NAN)
                })
                .collect()
        })
        .collect();
    Some(out)
}
