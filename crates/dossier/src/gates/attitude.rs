//! Gate attitude: does it survive hard diagonal stick?

use crate::chart::{Series, Shown, Style};
use crate::gates::candidate::{self, Candidate};
use crate::gates::context::Context;
use crate::gates::criterion::{Carry, Compare, Draft, Metric};
use crate::gates::evidence::{Answer, Found};
use crate::gates::{GateSpec, rate};
use crate::predict::Group;
use crate::result::Ledger;
use crate::tuning::chain_of;
use physics::loops::response::{Step, attitude_step};

/// The gate.
pub(super) const GATE: GateSpec = GateSpec {
    id: "attitude",
    name: "Attitude",
    question: "Does it survive hard diagonal stick?",
    closes_on: "a flight in attitude command with steps, a sweep of the stick and hard diagonals",
    drafts,
    ledgers,
    shown,
};

const STEPS: &str =
    "a flight with attitude steps of 10 to 20 deg, attitude and attitude demand logged at 100 Hz or more";
const SWEEP: &str = "a sweep of the stick about roll and about pitch in attitude command (card attitude)";
const DIAGONALS: &str = "the four diagonals at 80 to 100 % stick from 0.2 to 2 Hz, and loop.attitude.full_tilt in the aircraft file";

fn drafts(ctx: &Context<'_>) -> Vec<Draft> {
    let a = &ctx.subject.resolved().aircraft;
    // By the stated gain: what is proposed is written there.
    let crossover = match (&a.attitude_loop, ctx.prediction.get("outer.gain_ratio")) {
        (Some(l), Some(ratio)) if ratio.value > 0.0 => Some(l.gain[0].max(l.gain[1]) / ratio.value),
        _ => None,
    };
    let loops = || -> Vec<Candidate> {
        let mut c = candidate::delays(a);
        c.extend(candidate::rotor_inertia(a));
        c.extend(candidate::filters(a));
        c.extend(candidate::attitude_gain(a, crossover));
        c.extend(candidate::gains(a));
        c
    };
    // Of a ratio of gains the gains are the cause.
    let gains = || -> Vec<Candidate> {
        let mut c = candidate::attitude_gain(a, crossover);
        c.extend(candidate::gains(a));
        c
    };
    let draft = |id, text, output, measured, needs| Draft {
        id,
        text,
        metric: Some(Metric { output, group: Group::Outer, carry: Carry::Add }),
        predicted: ctx.predicted(output),
        measured,
        compare: Compare::Interval,
        needs,
        note: None,
        candidates: loops(),
    };
    let power = || {
        let mut c = candidate::thrust(a);
        c.extend(candidate::lighter(ctx));
        c
    };
    vec![
        Draft {
            candidates: gains(),
            note: Some(
                "the gain as the controller shows it (rate demand over attitude error) over the crossover that rate steps \
                 have shown"
                    .to_owned(),
            ),
            ..draft(
                "attitude.gain",
                "attitude gain over the rate crossover, the worse of roll and pitch",
                "outer.gain_ratio",
                gain_ratio(ctx),
                "attitude steps with rate_demand logged, and rate steps that show the crossover",
            )
        },
        draft(
            "attitude.overshoot",
            "overshoot of attitude steps, the worse of roll and pitch",
            "outer.overshoot",
            ctx.flight_worst(&["attitude.step.x.overshoot", "attitude.step.y.overshoot"]),
            STEPS,
        ),
        draft(
            "attitude.bandwidth",
            "attitude bandwidth, the lesser of roll and pitch",
            "outer.bandwidth",
            rate::least_of(ctx, ["attitude.x.bandwidth", "attitude.y.bandwidth"]),
            SWEEP,
        ),
        draft(
            "attitude.phase-delay",
            "phase delay of the attitude response, the worse of roll and pitch",
            "outer.phase_delay",
            ctx.flight_worst(&["attitude.x.phase_delay", "attitude.y.phase_delay"]),
            SWEEP,
        ),
        Draft::measured_only(
            "attitude.diagonals",
            "cells of hard diagonals flown",
            ctx.flight("diagonal.share"),
            Compare::Central,
            DIAGONALS,
            Some("what was not flown has not been survived".to_owned()),
        ),
        Draft {
            metric: Some(Metric { output: "sizing.hover_share", group: Group::Full, carry: Carry::Scale }),
            predicted: None,
            note: Some("a rotor at its end cannot turn the aircraft: the less thrust is left, the longer it lasts".to_owned()),
            candidates: power(),
            ..draft(
                "attitude.saturation",
                "longest time with a rotor at an end of its command in hard diagonals",
                "sizing.hover_share",
                ctx.flight("diagonal.saturation"),
                DIAGONALS,
            )
        },
    ]
}

/// Measured attitude gain over measured rate crossover, the worse of roll and pitch.
fn gain_ratio(ctx: &Context<'_>) -> Answer {
    let axis = |letter: char| -> Answer {
        let gain = match ctx.flight(&format!("attitude.{letter}.gain")) {
            Answer::Found(f) => *f,
            other => return other,
        };
        match ctx.flight(&format!("loop.{letter}.crossover")) {
            Answer::Found(crossover) => over(&gain, &crossover, "1"),
            _ => Answer::CannotTell(format!(
                "{} shows the attitude gain alone; to tell, fly rate steps that show the rate loop's crossover",
                gain.record
            )),
        }
    };
    match (axis('x'), axis('y')) {
        (Answer::Found(a), Answer::Found(b)) => {
            let first = match (a.stale.is_some(), b.stale.is_some()) {
                (true, false) => false,
                (false, true) => true,
                _ => a.estimate.value >= b.estimate.value,
            };
            Answer::Found(if first { a } else { b })
        }
        (Answer::Found(mut f), _) | (_, Answer::Found(mut f)) => {
            f.partial = Some("the other of roll and pitch was not measured".to_owned());
            Answer::Found(f)
        }
        (Answer::CannotTell(why), _) | (_, Answer::CannotTell(why)) => Answer::CannotTell(why),
        _ => Answer::Nothing,
    }
}

/// One measured figure over another: it rests on what both rest on, and is stale where either is.
pub(super) fn over(a: &Found, b: &Found, unit: &str) -> Answer {
    let mut found = a.clone();
    let origin = a.estimate.origin.max(b.estimate.origin);
    found.estimate = a.estimate.over(&b.estimate, unit).with_origin(origin);
    join(&mut found, b);
    Answer::Found(Box::new(found))
}

/// Makes a figure rest on another one as well.
pub(super) fn join(found: &mut Found, other: &Found) {
    for section in &other.rests_on {
        if !found.rests_on.contains(section) {
            found.rests_on.push(section.clone());
        }
    }
    found.stale = found.stale.take().or_else(|| other.stale.clone());
    found.partial = found.partial.take().or_else(|| other.partial.clone());
}

/// The newest flight's chart of this identity with the predicted step over it.
pub(super) fn with_prediction(ctx: &Context<'_>, id: &str, predicted: Option<Step>) -> Shown {
    let flown = ctx.evidence.flights.iter().rev().find_map(|f| f.findings.charts.iter().find(|c| c.id == id));
    let Some(mut chart) = flown.cloned() else { return Shown::default() };
    if let Some(step) = predicted {
        let x = (0..step.value.len()).map(|k| k as f64 * step.dt).collect();
        let y = step.value.iter().map(|v| 100.0 * v).collect();
        chart.series.push(Series::new("predicted", Style::Dashed, x, y));
        chart.caption.push_str(" Dashed: the prediction of today's file.");
    }
    Shown { charts: vec![chart], tables: Vec::new() }
}

/// Points of a predicted step.
pub(super) const POINTS: f64 = 200.0;

fn shown(ctx: &Context<'_>) -> Shown {
    let a = ctx.subject.resolved().aircraft.without_payload();
    let density = ctx.subject.air().usual.density;
    let mut all = Shown::default();
    for (axis, letter) in ['x', 'y'].into_iter().enumerate() {
        let predicted = a.attitude_loop.as_ref().and_then(|l| {
            let gain = *l.gain.get(axis)?;
            let span = 4.0 / gain.max(1e-3);
            attitude_step(&chain_of(&a, axis, density)?, gain, span, span / POINTS).ok()
        });
        all.charts.extend(with_prediction(ctx, &format!("attitude-steps-{letter}"), predicted).charts);
    }
    all
}

fn ledgers(_: &Context<'_>) -> Vec<Ledger> {
    Vec::new()
}
