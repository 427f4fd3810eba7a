//! Gate vibration: is what remains small enough to filter cheaply?

use crate::gates::GateSpec;
use crate::gates::candidate;
use crate::gates::context::Context;
use crate::gates::criterion::{Carry, Compare, Draft, Metric};
use crate::gates::evidence::{Answer, Found};
use crate::predict::Group;
use crate::result::Ledger;

/// The gate.
pub(super) const GATE: GateSpec = GateSpec {
    id: "vibration",
    name: "Vibration",
    question: "Is what remains small enough to filter cheaply?",
    closes_on: "a flight with a steady hover, raw gyro and accelerometer; a balance run",
    drafts,
    ledgers,
    shown: super::vibration_cost::shown,
};

fn drafts(ctx: &Context<'_>) -> Vec<Draft> {
    let a = &ctx.subject.resolved().aircraft;
    let noise = || {
        let mut c: Vec<_> = candidate::unbalance(a).into_iter().collect();
        c.extend(candidate::gains(a));
        c
    };
    vec![
        Draft {
            id: "vibration.accel",
            text: "accelerometer r.m.s. in hover, up to blade passage",
            metric: Some(Metric {
                output: "vibration.accel_rms",
                group: Group::Vibration,
                carry: Carry::Scale,
            }),
            predicted: ctx.predicted("vibration.accel_rms"),
            measured: ctx.flight("vibration.accel_rms"),
            compare: Compare::Interval,
            needs: "a steady hover with accelerometer, sampled faster than twice blade passage",
            note: None,
            candidates: candidate::unbalance(a).into_iter().collect(),
        },
        Draft {
            id: "vibration.command-noise",
            text: "motor command noise above the control band, r.m.s.",
            metric: Some(Metric {
                output: "vibration.command_noise",
                group: Group::Vibration,
                carry: Carry::Scale,
            }),
            predicted: ctx.predicted("vibration.command_noise"),
            measured: ctx.flight("vibration.command_noise"),
            compare: Compare::Interval,
            needs: "a steady hover with motor commands after mixing, at the loop's rate",
            note: Some("the prediction has the gyro's own noise only; vibration adds to it".to_owned()),
            candidates: noise(),
        },
        Draft {
            id: "vibration.filters",
            text: "delay of all own filters at the required crossover",
            metric: Some(Metric { output: "filters.delay", group: Group::Filters, carry: Carry::Add }),
            predicted: ctx.predicted("filters.delay"),
            measured: ctx.flight("filter.delay"),
            compare: Compare::Interval,
            needs: "a flight with raw and filtered gyro side by side",
            note: None,
            candidates: candidate::filters(a),
        },
        Draft::measured_only(
            "vibration.balance",
            "residual unbalance of the worst rotor, ISO 21940-11",
            worst_grade(ctx),
            Compare::Interval,
            "a balance run: 1/rev without and with a trial mass at three angles, then with the correction on",
            Some("G 16 at first; G 6.3 is the aim".to_owned()),
        ),
    ]
}

/// The worst grade over the rotors that were balanced. Rotors without a run leave the answer partial.
pub(super) fn worst_grade(ctx: &Context<'_>) -> Answer {
    let rotors = ctx.subject.resolved().aircraft.stations.len();
    let by_station = ctx.bench_by_station("balance.grade");
    if by_station.is_empty() {
        return ctx.bench("balance.grade");
    }
    let measured = by_station.len();
    let mut worst: Option<Found> = None;
    let mut other = Answer::Nothing;
    for (_, answer) in by_station {
        match answer {
            Answer::Found(f) => {
                if worst.as_ref().is_none_or(|w| f.estimate.value > w.estimate.value) {
                    worst = Some(*f);
                }
            }
            a => other = a,
        }
    }
    let Some(mut f) = worst else { return other };
    if measured < rotors {
        f.partial = Some(format!("{measured} of {rotors} rotors were balanced"));
    }
    Answer::Found(Box::new(f))
}

fn ledgers(_: &Context<'_>) -> Vec<Ledger> {
    Vec::new()
}
