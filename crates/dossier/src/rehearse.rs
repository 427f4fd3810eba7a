//! Rehearsal: a card flown many times by the flight model, the aircraft drawn each time from the file's own uncertainty.
//!
//! Every input is drawn by itself: stated ones evenly over their tolerance, measured ones from a normal distribution of their
//! uncertainty (the same assumptions as everywhere). A run has its own random numbers from the seed and its number, so
//! that the answer does not depend on how many threads fly. Vibration is left out, and time goes from loop to loop in steps of at
//! most 1 ms: a test shows what that changes.
//!
//! The loops fly on what the described sensors tell ([`physics::sensors`]); the rest of the motion stays true, and the answer
//! says which.
//!
//! A rehearsal is no evidence: it says what the model and the stated uncertainties allow, not what the aircraft does.

mod fault;
mod figures;
mod script;

use std::collections::BTreeMap;
use std::path::Path;

use physics::aircraft::Aircraft;
use physics::atmosphere::Air;
use physics::flight::{Fault, FlightLog, Scenario, Sensing, Stepping, Wind, fly, objection};
use physics::sensors::sources;
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal, Uniform};
use rayon::prelude::*;
use serde::Serialize;

pub use self::fault::{EXAMPLES, fault, words};
use self::figures::{Kind, Measured, measure};
pub use self::script::CARDS;
use crate::check::Opened;
use crate::diagnostic::{Diagnostic, Diagnostics};
use crate::gates::Context;
use crate::predict::{SiteAir, Subject};
use crate::record::{HandValue, Record};
use crate::result::{InputLine, Limit, Sense};

/// What stands over every answer.
pub const LABEL: &str = "A rehearsal, no evidence: flown by the flight model within the file's own uncertainty. It closes no gate.";
/// Most runs in one call.
pub const MOST_RUNS: usize = 100_000;
/// Correlation below which an input is not named, times the error of a correlation of so many runs, 1/sqrt(runs): at three
/// one of the hundred inputs would be named by chance in most answers.
const NAMED: f64 = 4.0;

/// What is asked.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Ask {
    /// Card: one of [`CARDS`].
    pub card: String,
    /// What fails.
    pub faults: Vec<Fault>,
    /// Mean wind, m/s, with its gusts; light air for `None`.
    pub wind: Option<f64>,
    /// Runs.
    pub runs: usize,
    /// Seed.
    pub seed: u64,
    /// With the payload on.
    pub payload: bool,
}

/// One figure over all runs.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Spread {
    /// Identity.
    pub id: &'static str,
    /// Name.
    pub name: &'static str,
    /// SI unit.
    pub unit: &'static str,
    /// 5, 50 and 95 % of the runs lie below.
    pub quantiles: [f64; 3],
    /// Least and largest.
    pub range: [f64; 2],
    /// Limit, where a criterion has one.
    pub limit: Option<Limit>,
    /// Share of the runs inside it.
    pub inside: Option<f64>,
    /// Inputs that decide: key and rank correlation, strongest first.
    pub inputs: Vec<(String, f64)>,
}

/// The answer.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Rehearsal {
    /// What was asked.
    pub ask: Ask,
    /// Build.
    pub build: String,
    /// Faults in words.
    pub faults: Vec<String>,
    /// What the loops fly on, in words.
    pub flown_on: Vec<String>,
    /// Runs that were flown.
    pub flown: usize,
    /// Runs that could not be flown, and why the first of them could not.
    pub refused: (usize, Option<String>),
    /// Runs in which it was lost: turned over, fell far, or met the ground where it was not to land.
    pub lost: usize,
    /// Share of the runs inside every limit and not lost.
    pub pass: f64,
    /// Standard error of that share.
    pub pass_error: f64,
    /// Figures.
    pub figures: Vec<Spread>,
    /// Number of the worst run.
    pub worst: usize,
    /// Why it is the worst.
    pub worst_why: String,
    /// What it says of itself.
    pub label: &'static str,
}

/// One run's outcome.
struct Run {
    inputs: Vec<f64>,
    figures: Result<Measured, String>,
}

/// What all runs share.
struct Plan<'a> {
    ask: &'a Ask,
    subject: &'a Subject,
    inputs: Vec<InputLine>,
    kinds: &'static [Kind],
    /// Inertia and bus voltage that the controller reckons with: of the file as it stands, without payload, full.
    tuned_for: Option<(physics::Mat3, f64)>,
    /// The earth's magnetic field at the site, T.
    earth: Option<physics::Vec3>,
}

impl Plan<'_> {
    /// The random numbers of a run.
    fn random(&self, run: usize) -> ChaCha8Rng {
        let mut random = ChaCha8Rng::seed_from_u64(self.ask.seed);
        random.set_stream(run as u64 + 1);
        random
    }

    /// Values of the inputs of a run; run 0 is the file as it stands.
    fn draw(&self, run: usize) -> Vec<f64> {
        if run == 0 {
            return self.inputs.iter().map(|i| i.value).collect();
        }
        let mut random = self.random(run);
        self.inputs
            .iter()
            .map(|i| {
                let by = if i.replaced.is_some() {
                    let z: f64 = StandardNormal.sample(&mut random);
                    z.clamp(-2.9, 2.9)
                } else {
                    let root = 3.0_f64.sqrt();
                    Uniform::new_inclusive(-root, root).map_or(0.0, |u| u.sample(&mut random))
                };
                i.value + by * i.uncertainty
            })
            .collect()
    }

    /// Aircraft and air of drawn values.
    fn aircraft(&self, values: &[f64]) -> Result<(Aircraft, Air), String> {
        let all: BTreeMap<String, f64> =
            self.inputs.iter().map(|i| i.key.clone()).zip(values.iter().copied()).collect();
        let (site, own): (BTreeMap<_, _>, BTreeMap<_, _>) =
            all.into_iter().partition(|(k, _)| k.starts_with("site."));
        let aircraft = self.subject.drawn(&own).map_err(|d| d.to_string())?;
        let air = SiteAir::of(&self.subject.site().with(&site)).usual;
        let aircraft = if self.ask.payload { aircraft } else { aircraft.without_payload() };
        Ok((aircraft, air))
    }

    /// The flight of a run.
    fn scenario(&self, aircraft: &Aircraft, run: usize) -> Result<Scenario, String> {
        let mut s = script::scenario(&self.ask.card, aircraft)?;
        s.seed = self.ask.seed.wrapping_mul(0x9e37_79b9_7f4a_7c15).wrapping_add(run as u64);
        s.faults.clone_from(&self.ask.faults);
        if let Some(speed) = self.ask.wind {
            // From the front: a card's steps lie along and across it.
            s.wind = Wind::dryden(physics::Vec3::new(-speed, 0.0, 0.0), s.height);
        }
        s.tuned_for = self.tuned_for;
        s.sensing = Some(Sensing { earth: self.earth, flown: true });
        s.blade_passage = 0.0;
        s.stepping = Stepping::Grid;
        s.step = 1e-3;
        s.ground = true;
        s.log_rate = s.log_rate.min(100.0);
        Ok(s)
    }

    fn fly(&self, values: &[f64], run: usize) -> Result<FlightLog, String> {
        let (mut aircraft, air) = self.aircraft(values)?;
        let scenario = self.scenario(&aircraft, run)?;
        aircraft.rotor.unbalance = 0.0;
        fly(&aircraft, &air, &scenario).map_err(|e| e.to_string())
    }

    fn run(&self, run: usize) -> Run {
        let inputs = self.draw(run);
        let figures = self.fly(&inputs, run).map(|log| measure(&log, self.kinds));
        Run { inputs, figures }
    }
}

/// What a controller is set up for.
fn tuning(aircraft: &Aircraft, density: f64) -> Option<(physics::Mat3, f64)> {
    let bare = aircraft.without_payload();
    let hover = physics::powertrain::airspeed::trim(&bare, 0.0, 0.0, 1.0, density).ok()??;
    Some((physics::mass::mass_properties(&bare.bodies).inertia, hover.point.bus_voltage))
}

/// What the loops of an aircraft fly on, in words.
fn flown_on(aircraft: &Aircraft, earth: Option<&physics::Vec3>) -> Vec<String> {
    let all = sources(aircraft, earth);
    let estimated: Vec<String> =
        all.iter().filter(|s| s.missing.is_none()).map(|s| format!("{} ({})", s.what, s.sensors)).collect();
    let mut out = vec![format!("The loops fly on estimates of {}.", estimated.join(", "))];
    for s in &all {
        if let Some(m) = &s.missing {
            out.push(format!("True {} flown: the estimate waits for `{}`.", s.what, m.key));
        }
    }
    let bias = &aircraft.sensors.bias;
    if bias.rate == 0.0 && bias.accel == 0.0 {
        out.push(
            "No bias of gyro and accelerometer flown: `imu.rate_bias` and `imu.accel_bias` are not stated."
                .to_owned(),
        );
    }
    out
}

/// Flies a card many times. `progress` is called once a run.
///
/// # Errors
/// What is wrong with the dossier's files, or with what is asked.
pub fn rehearse(
    dir: &Path,
    build: Option<&str>,
    ask: &Ask,
    progress: &(dyn Fn() + Sync),
) -> Result<(Rehearsal, Option<Record>), Diagnostics> {
    let opened = Opened::open(dir, build, &[])?;
    let wrong = |why: String| Diagnostics::from(Diagnostic::error(dir, why));
    let Some(kinds) = script::kinds(&ask.card) else {
        let names: Vec<&str> = CARDS.iter().map(|c| c.0).collect();
        return Err(Diagnostic::error(dir, format!("there is no rehearsal of a card `{}`", ask.card))
            .help(format!("cards that can be rehearsed are: {}", names.join(", ")))
            .into());
    };
    if !(1..=MOST_RUNS).contains(&ask.runs) {
        return Err(wrong(format!("{} runs; 1 to {MOST_RUNS} can be flown", ask.runs)));
    }
    let evidence = opened.evidence();
    let name = opened.build.clone();
    let fingerprint = opened.subject.file().fingerprint();
    opened.in_context(&evidence, &[], |ctx| -> Result<(Rehearsal, Option<Record>), Diagnostics> {
        let inputs: Vec<InputLine> =
            ctx.subject.inputs().into_iter().filter(|i| i.uncertainty > 0.0).collect();
        let tuned_for = tuning(&ctx.subject.resolved().aircraft, ctx.subject.air().usual.density);
        let earth = ctx.subject.site().earth.map(|e| physics::Vec3::new(e.north, e.east, e.down));
        let plan = Plan { ask, subject: ctx.subject, inputs, kinds, tuned_for, earth };
        let (central, _) = plan.aircraft(&plan.draw(0)).map_err(wrong)?;
        for fault in &ask.faults {
            if let Some(why) = objection(fault, &central) {
                return Err(wrong(format!("{}: {why}", words(fault))));
            }
        }
        script::scenario(&ask.card, &central).map_err(wrong)?;
        let runs: Vec<Run> = (0..ask.runs)
            .into_par_iter()
            .map(|k| {
                let run = plan.run(k);
                progress();
                run
            })
            .collect();
        let answer = summary(ctx, &plan, &name, &runs);
        let record = plan.fly(&plan.draw(answer.worst), answer.worst).ok().map(|log| {
            let id = format!("rehearsal-{}-{}", ask.card, answer.worst);
            let remark =
                format!("{LABEL} Worst of {} runs: {}. Seed {}.", ask.runs, answer.worst_why, ask.seed);
            let mut record =
                crate::demo::flight_record(&id, &name, "1970-01-01", &remark, &log, &fingerprint);
            if ask.payload {
                let value = HandValue { value: 1.0, uncertainty: 0.0, unit: "1".to_owned() };
                record.meta.values.insert("payload_fitted".to_owned(), value);
            }
            record
        });
        Ok((answer, record))
    })?
}

fn summary(ctx: &Context<'_>, plan: &Plan<'_>, build: &str, runs: &[Run]) -> Rehearsal {
    let good: Vec<(usize, &Run, &Measured)> =
        runs.iter().enumerate().filter_map(|(k, r)| r.figures.as_ref().ok().map(|m| (k, r, m))).collect();
    let refused: Vec<&String> = runs.iter().filter_map(|r| r.figures.as_ref().err()).collect();
    let aircraft = &ctx.subject.resolved().aircraft;
    let limits: Vec<Option<Limit>> =
        plan.kinds.iter().map(|k| k.limit.and_then(|id| ctx.limits.limit(id, aircraft))).collect();
    // How far inside its limit a figure is, as a share of the limit.
    let room = |limit: &Limit, v: f64| {
        let d = match limit.sense {
            Sense::AtMost => limit.value - v,
            Sense::AtLeast => v - limit.value,
        };
        d / limit.value.abs().max(1e-12)
    };
    let least_room = |m: &Measured| {
        limits
            .iter()
            .zip(&m.values)
            .filter_map(|(l, v)| l.as_ref().map(|l| room(l, *v)))
            // What could not be measured has not passed.
            .map(|r| if r.is_nan() { f64::NEG_INFINITY } else { r })
            .fold(f64::INFINITY, f64::min)
    };
    let passed = good.iter().filter(|(_, _, m)| !m.lost && least_room(m) >= 0.0).count();
    let worst = good.iter().min_by(|a, b| {
        let key = |m: &Measured| if m.lost { -1e9 - m.fell } else { least_room(m) };
        key(a.2).total_cmp(&key(b.2))
    });
    let worst_why = worst.map_or(String::new(), |(_, _, m)| {
        if m.lost {
            return "lost".to_owned();
        }
        let unknown =
            limits.iter().zip(&m.values).zip(plan.kinds).find(|((l, v), _)| l.is_some() && v.is_nan());
        if let Some((_, kind)) = unknown {
            return format!("{} cannot be measured", kind.name);
        }
        let nearest = limits
            .iter()
            .zip(&m.values)
            .zip(plan.kinds)
            .filter_map(|((l, v), k)| l.as_ref().map(|l| (room(l, *v), k.name)))
            .min_by(|a, b| a.0.total_cmp(&b.0));
        nearest.map_or("no limit to hold it against".to_owned(), |(r, name)| {
            format!("{name} {:.0} % {} its limit", 100.0 * r.abs(), if r < 0.0 { "beyond" } else { "inside" })
        })
    });
    let n = good.len().max(1) as f64;
    let pass = passed as f64 / n;
    let figures = plan
        .kinds
        .iter()
        .enumerate()
        .zip(limits)
        .map(|((k, kind), limit)| {
            let values: Vec<f64> =
                good.iter().map(|(_, _, m)| m.values[k]).filter(|v| v.is_finite()).collect();
            let q = |p: f64| signal::robust::quantile(&values, p).unwrap_or(f64::NAN);
            let inside = limit.as_ref().map(|l| {
                values.iter().filter(|v| room(l, **v) >= 0.0).count() as f64 / values.len().max(1) as f64
            });
            Spread {
                id: kind.id,
                name: kind.name,
                unit: kind.unit,
                quantiles: [q(0.05), q(0.5), q(0.95)],
                range: [q(0.0), q(1.0)],
                limit,
                inside,
                inputs: deciding(plan, &good, k),
            }
        })
        .collect();
    Rehearsal {
        ask: plan.ask.clone(),
        build: build.to_owned(),
        faults: plan.ask.faults.iter().map(words).collect(),
        flown_on: flown_on(aircraft, plan.earth.as_ref()),
        flown: good.len(),
        refused: (refused.len(), refused.first().map(|s| (*s).clone())),
        lost: good.iter().filter(|(_, _, m)| m.lost).count(),
        pass,
        pass_error: (pass * (1.0 - pass) / n).sqrt(),
        figures,
        worst: worst.map_or(0, |w| w.0),
        worst_why,
        label: LABEL,
    }
}

/// Inputs that go with a figure: Spearman's rank correlation over the runs.
fn deciding(plan: &Plan<'_>, good: &[(usize, &Run, &Measured)], k: usize) -> Vec<(String, f64)> {
    let kept: Vec<&(usize, &Run, &Measured)> =
        good.iter().filter(|(_, _, m)| m.values[k].is_finite()).collect();
    if kept.len() < 10 {
        return Vec::new();
    }
    let of = ranks(&kept.iter().map(|(_, _, m)| m.values[k]).collect::<Vec<_>>());
    let least = NAMED / (kept.len() as f64).sqrt();
    let mut all: Vec<(String, f64)> = plan
        .inputs
        .iter()
        .enumerate()
        .map(|(i, line)| {
            let x = ranks(&kept.iter().map(|(_, r, _)| r.inputs[i]).collect::<Vec<_>>());
            (line.key.clone(), correlation(&x, &of))
        })
        .filter(|(_, r)| r.abs() > least)
        .collect();
    all.sort_by(|a, b| b.1.abs().total_cmp(&a.1.abs()).then_with(|| a.0.cmp(&b.0)));
    all.truncate(3);
    all
}

/// Ranks from 0, equal values sharing their mean rank.
fn ranks(values: &[f64]) -> Vec<f64> {
    let mut order: Vec<usize> = (0..values.len()).collect();
    order.sort_by(|a, b| values[*a].total_cmp(&values[*b]));
    let mut out = vec![0.0; values.len()];
    let mut k = 0;
    while k < order.len() {
        let mut end = k + 1;
        while end < order.len() && values[order[end]] == values[order[k]] {
            end += 1;
        }
        let mean = 0.5 * (k + end - 1) as f64;
        for &i in &order[k..end] {
            out[i] = mean;
        }
        k = end;
    }
    out
}

/// Pearson's correlation; zero where one of them does not vary.
fn correlation(x: &[f64], y: &[f64]) -> f64 {
    let n = x.len() as f64;
    let (mx, my) = (x.iter().sum::<f64>() / n, y.iter().sum::<f64>() / n);
    let (mut xx, mut yy, mut xy) = (0.0, 0.0, 0.0);
    for (a, b) in x.iter().zip(y) {
        xx += (a - mx).powi(2);
        yy += (b - my).powi(2);
        xy += (a - mx) * (b - my);
    }
    if xx > 0.0 && yy > 0.0 { xy / (xx * yy).sqrt() } else { 0.0 }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A worked example of Spearman's coefficient with scipy.stats.spearmanr: -0.1757575757575758 for these ten pairs (the
    /// textbook pairs of intelligence and hours of television).
    #[test]
    fn val_rank_correlation() {
        let x = [106.0, 100.0, 86.0, 101.0, 99.0, 103.0, 97.0, 113.0, 112.0, 110.0];
        let y = [7.0, 27.0, 2.0, 50.0, 28.0, 29.0, 20.0, 12.0, 6.0, 17.0];
        let r = correlation(&ranks(&x), &ranks(&y));
        assert!((r + 0.175_757_575_757_575_8).abs() < 1e-12, "{r}");
        assert_eq!(ranks(&[2.0, 1.0, 2.0]), vec![1.5, 0.0, 1.5]);
    }
}
