//! Gate rate: are rate steps crisp, without overshoot or drift?

use crate::gates::GateSpec;
use crate::gates::candidate::{self, Candidate};
use crate::gates::context::Context;
use crate::gates::criterion::{Carry, Compare, Draft, Metric};
use crate::gates::evidence::Answer;
use crate::predict::{Group, delay_budget};
use crate::result::Ledger;

/// The gate.
pub(super) const GATE: GateSpec = GateSpec {
    id: "rate",
    name: "Rate",
    question: "Are rate steps crisp, without overshoot or drift?",
    closes_on: "a flight with rate steps of +-100 deg/s and releases",
    drafts,
    ledgers,
    shown: super::nothing_shown,
};

fn drafts(ctx: &Context<'_>) -> Vec<Draft> {
    let a = &ctx.subject.resolved().aircraft;
    let latency = || -> Vec<Candidate> {
        let mut c = candidate::delays(a);
        c.extend(candidate::rotor_inertia(a));
        c.extend(candidate::filters(a));
        c.extend(candidate::gains(a));
        c
    };
    let margin = |id, text, output| Draft {
        id,
        text,
        metric: Some(Metric { output, group: Group::Loop, carry: Carry::Add }),
        predicted: ctx.predicted(output),
        measured: Answer::Nothing,
        compare: Compare::Interval,
        needs: "identification from flight; this build of the tool measures steps and releases only",
        note: None,
        candidates: latency(),
    };
    let steps = "a flight with rate steps of +-100 deg/s in rate command";
    vec![
        margin("rate.phase-margin", "phase margin, the worse of roll and pitch", "loop.worst.phase_margin"),
        margin(
            "rate.gain-margin-up",
            "gain margin up, the worse of roll and pitch",
            "loop.worst.gain_margin_up",
        ),
        margin(
            "rate.gain-margin-down",
            "gain margin down, the worse of roll and pitch",
            "loop.worst.gain_margin_down",
        ),
        margin(
            "rate.peak-sensitivity",
            "peak sensitivity, the worse of roll and pitch",
            "loop.worst.peak_sensitivity",
        ),
        Draft {
            id: "rate.overshoot",
            text: "overshoot of +-100 deg/s steps, the worse of roll and pitch",
            metric: Some(Metric { output: "loop.worst.overshoot", group: Group::Step, carry: Carry::Add }),
            predicted: ctx.predicted("loop.worst.overshoot"),
            measured: ctx.flight_worst(&["step.x.overshoot", "step.y.overshoot"]),
            compare: Compare::Interval,
            needs: steps,
            note: None,
            candidates: latency(),
        },
        Draft {
            id: "rate.asymmetry",
            text: "rise time left against right, the worse of roll and pitch",
            metric: Some(Metric { output: "trim.roll_share", group: Group::Hover, carry: Carry::Add }),
            predicted: None,
            measured: ctx.flight_worst(&["step.x.asymmetry", "step.y.asymmetry"]),
            compare: Compare::Interval,
            needs: steps,
            note: None,
            candidates: candidate::moves(ctx, false),
        },
        Draft {
            id: "rate.half-cycles",
            text: "visible half-cycles after release, the worse of roll and pitch",
            metric: Some(Metric { output: "loop.worst.half_cycles", group: Group::Step, carry: Carry::Add }),
            predicted: ctx.predicted("loop.worst.half_cycles"),
            measured: ctx.flight_worst(&["step.x.half_cycles", "step.y.half_cycles"]),
            compare: Compare::Central,
            needs: steps,
            note: None,
            candidates: latency(),
        },
        Draft {
            id: "rate.drift",
            text: "attitude drift in the 2 s after release, the worse of roll and pitch",
            metric: None,
            predicted: None,
            measured: ctx.flight_worst(&["step.x.drift", "step.y.drift"]),
            compare: Compare::Interval,
            needs: "rate steps with 2 s of release and attitude logged: a gyro cannot show its own bias",
            note: None,
            candidates: Vec::new(),
        },
    ]
}

fn ledgers(ctx: &Context<'_>) -> Vec<Ledger> {
    let a = &ctx.subject.resolved().aircraft;
    let crossover = ctx.prediction.get("loop.x.crossover").map_or(0.0, |e| e.value);
    ctx.ledger(
        "latency",
        "Latency of the rate loop at the roll crossover",
        "latency.",
        "latency.total",
        Some(delay_budget(a)),
        &|_, e| format!("{:.1} deg at {crossover:.1} rad/s", (e.value * crossover).to_degrees()),
    )
    .into_iter()
    .collect()
}
