//! Gate rate: are rate steps crisp, without overshoot or drift?

use physics::loops::chain::RateChain;
use physics::loops::ledger;
use physics::loops::response::step_seen;

use crate::chart::Shown;
use crate::check::as_flown;
use crate::estimate::{Estimate, Origin};
use crate::gates::GateSpec;
use crate::gates::candidate::{self, Candidate};
use crate::gates::context::Context;
use crate::gates::criterion::{Carry, Compare, Draft, Metric};
use crate::gates::evidence::{Answer, Found};
use crate::predict::{Group, delay_budget, required_crossover};
use crate::result::{Ledger, LedgerLine};
use crate::tuning::{self, chain_of};

/// The gate.
pub(super) const GATE: GateSpec = GateSpec {
    id: "rate",
    name: "Rate",
    question: "Are rate steps crisp, without overshoot or drift?",
    closes_on: "a flight with rate steps of ±100 deg/s and releases",
    drafts,
    ledgers,
    shown,
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
    let margin = |id, text, output, what, least| Draft {
        id,
        text,
        metric: Some(Metric { output, group: Group::Loop, carry: Carry::Add }),
        predicted: ctx.predicted(output),
        measured: worst(ctx, what, least),
        compare: Compare::Interval,
        needs: "a flight in rate command with steps or a stick sweep, rotor commands, rate demand and gyro logged",
        note: None,
        candidates: latency(),
    };
    let steps = "a flight with rate steps of ±100 deg/s in rate command";
    vec![
        margin(
            "rate.phase-margin",
            "phase margin, the worse of roll and pitch",
            "loop.worst.phase_margin",
            "phase_margin",
            true,
        )
        .noted(flown_at(ctx)),
        margin(
            "rate.gain-margin-up",
            "gain margin up, the worse of roll and pitch",
            "loop.worst.gain_margin_up",
            "gain_margin_up",
            true,
        ),
        margin(
            "rate.gain-margin-down",
            "gain margin down, the worse of roll and pitch",
            "loop.worst.gain_margin_down",
            "gain_margin_down",
            true,
        )
        .predicted_or(unlimited_below(ctx)),
        margin(
            "rate.peak-sensitivity",
            "peak sensitivity, the worse of roll and pitch",
            "loop.worst.peak_sensitivity",
            "peak_sensitivity",
            false,
        ),
        Draft {
            id: "rate.overshoot",
            text: "overshoot of ±100 deg/s steps, the worse of roll and pitch",
            metric: Some(Metric { output: "loop.worst.overshoot", group: Group::Step, carry: Carry::Add }),
            predicted: ctx.predicted("loop.worst.overshoot"),
            measured: ctx.flight_worst(&["step.x.overshoot", "step.y.overshoot"]),
            compare: Compare::Interval,
            needs: steps,
            note: overshoot_flown_at(ctx),
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

/// The margin downwards of loops that are stable and have no lower limit of gain.
fn unlimited_below(ctx: &Context<'_>) -> Option<Estimate> {
    let stable =
        ["x", "y"].iter().all(|a| ctx.prediction.get(&format!("loop.{a}.peak_sensitivity")).is_some());
    stable.then(|| Estimate::unlimited("dB", Origin::Computed))
}

/// At what loop gain the flight was, against the one that the prediction is for.
fn flown_at(ctx: &Context<'_>) -> Option<String> {
    let factor = tuning::voltage_factor(ctx, 0)?;
    Some(format!(
        "predicted on a full battery; at the bus voltage flown the loop's gain is {factor:.3} of that"
    ))
}

/// The same for the overshoot, with what the voltage changes of it.
fn overshoot_flown_at(ctx: &Context<'_>) -> Option<String> {
    let factor = tuning::voltage_factor(ctx, 0)?;
    let aircraft = ctx.subject.resolved().aircraft.without_payload();
    let chain = chain_of(&aircraft, 0, ctx.subject.air().usual.density)?;
    let span = 12.0 / required_crossover(&aircraft);
    let overshoot = |chain: &RateChain| {
        let step = step_seen(&|s| chain.closed_at(s), span, span / 300.0).ok()?;
        Some(step.figures().overshoot)
    };
    let more = overshoot(&chain)? - overshoot(&chain.clone().with_gain_factor(factor))?;
    Some(format!(
        "predicted on a full battery; at the bus voltage flown the loop's gain is {factor:.3} of that and the same step overshoots {:.1} % of its size {}, so that a prediction after a change and the measured figure carried to it differ by as much",
        100.0 * more.abs(),
        if more >= 0.0 { "less" } else { "more" }
    ))
}

/// The worse of roll and pitch of a figure of the identified loop: the least or the largest.
fn worst(ctx: &Context<'_>, what: &str, least: bool) -> Answer {
    let keys = [format!("loop.x.{what}"), format!("loop.y.{what}")];
    if !least {
        let keys: Vec<&str> = keys.iter().map(String::as_str).collect();
        return ctx.flight_worst(&keys);
    }
    least_of(ctx, [&keys[0], &keys[1]])
}

/// The lesser of a figure of roll and one of pitch.
pub(super) fn least_of(ctx: &Context<'_>, keys: [&str; 2]) -> Answer {
    one_of(keys.map(|k| ctx.flight(k)), |a, b| a.estimate.value <= b.estimate.value)
}

/// The figure of roll or that of pitch, `first` saying whether roll's is asked for; partial where one is missing. A figure
/// that still holds goes before a stale one.
pub(super) fn one_of(both: [Answer; 2], first: impl FnOnce(&Found, &Found) -> bool) -> Answer {
    let [a, b] = both;
    match (a, b) {
        (Answer::Found(a), Answer::Found(b)) => {
            let roll = match (a.stale.is_some(), b.stale.is_some()) {
                (true, false) => false,
                (false, true) => true,
                _ => first(&a, &b),
            };
            Answer::Found(if roll { a } else { b })
        }
        (Answer::Found(mut f), other) | (other, Answer::Found(mut f)) => {
            f.partial = Some(match other {
                Answer::CannotTell(why) => format!("the other of roll and pitch cannot be told from {why}"),
                _ => "the other of roll and pitch was not measured".to_owned(),
            });
            Answer::Found(f)
        }
        (Answer::CannotTell(why), _) | (_, Answer::CannotTell(why)) => Answer::CannotTell(why),
        _ => Answer::Nothing,
    }
}

/// Largest share of the measured total that may stay unexplained before the stages cannot be judged one by one.
const UNEXPLAINED: f64 = 0.15;

/// The latency as flown, at the crossover as flown: every stage as predicted there, and what is left.
fn flown(ctx: &Context<'_>) -> Option<Ledger> {
    let get = |key: &str| ctx.flight(key).found().filter(|f| f.stale.is_none());
    let (total, crossover) = (get("loop.x.delay")?, get("loop.x.crossover")?);
    let wc = crossover.estimate.value;
    let meta = &ctx.evidence.flights.iter().find(|f| f.meta.id == total.record)?.meta;
    let aircraft = as_flown(&ctx.subject.resolved().aircraft, meta);
    let chain = chain_of(&aircraft, 0, ctx.subject.air().usual.density)?;
    let (p, i, _) = chain.gains();
    let mut explained = Estimate::exact(0.0, "s", Origin::Computed);
    let mut lines = Vec::new();
    for line in ledger::ledger(&chain.with_gains(p, i, 0.0), wc) {
        // Its uncertainty is that of the prediction at its own crossover, which hardly depends on where that is.
        let value = match ctx.prediction.get(&format!("latency.{}", line.id)) {
            Some(e) if e.value.abs() > 1e-9 => e.scaled(line.delay / e.value, "s"),
            _ => Estimate::exact(line.delay, "s", Origin::Computed),
        };
        explained = explained.plus(&value);
        lines.push(LedgerLine {
            name: line.name,
            share: line.delay / total.estimate.value,
            note: format!("{:.1} deg, predicted", line.phase.to_degrees()),
            value,
        });
    }
    let rest = total.estimate.minus(&explained).with_origin(total.estimate.origin);
    let share = rest.value / total.estimate.value;
    let (low, high) = rest.interval();
    let note = if share.abs() > UNEXPLAINED {
        "more than 15 % of the total: the stages cannot be judged one by one before a bench has split them"
    } else if low > 0.0 || high < 0.0 {
        "more than chance: one of the stages above is not as stated"
    } else {
        "within its interval of nothing"
    };
    lines.push(LedgerLine {
        name: "Unexplained remainder".to_owned(),
        value: rest,
        share,
        note: note.to_owned(),
    });
    Some(Ledger {
        id: "latency-flown".to_owned(),
        title: format!("Latency of the roll rate loop as flown, at its crossover of {wc:.1} rad/s"),
        lines,
        sum: total.estimate,
        allowance: Some(delay_budget(&aircraft)),
    })
}

/// Plane of gains and the choice; what keeps it from being made is said where predictions wait.
fn shown(ctx: &Context<'_>) -> Shown {
    tuning::tune_rate(ctx).map(|t| t.shown).unwrap_or_default()
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
    .chain(flown(ctx))
    .collect()
}
