//! Gate payload: does all that hold at the limits?

use crate::estimate::{Estimate, Origin};
use crate::gates::candidate;
use crate::gates::context::Context;
use crate::gates::criterion::{Carry, Compare, Draft, Metric};
use crate::gates::evidence::{Answer, Found};
use crate::gates::rate::one_of;
use crate::gates::{GateSpec, at_hover_voltage, nothing_shown};
use crate::predict::Group;
use crate::result::Ledger;

/// The gate.
pub(super) const GATE: GateSpec = GateSpec {
    id: "payload",
    name: "Payload",
    question: "Does all that hold at the limits?",
    closes_on: "a flight with the payload on: hover, rate steps, a pull, low on charge",
    drafts,
    ledgers: |_: &Context<'_>| -> Vec<Ledger> { Vec::new() },
    shown: nothing_shown,
};

const NEEDS: &str = "a flight with the payload on (payload_fitted = 1): hover, rate steps and a pull of full thrust, rotor commands and speeds logged";

fn drafts(ctx: &Context<'_>) -> Vec<Draft> {
    let a = &ctx.subject.resolved().aircraft;
    let draft = |id, text, output, measured, candidates| Draft {
        id,
        text,
        metric: Some(Metric { output, group: Group::Payload, carry: Carry::Scale }),
        predicted: ctx.predicted(output),
        measured,
        compare: Compare::Interval,
        needs: NEEDS,
        note: None,
        candidates,
    };
    let mut thrust = candidate::thrust(a);
    thrust.extend(candidate::lighter(ctx));
    vec![
        draft(
            "payload.hover-share",
            "hover over full thrust at reserve charge, with payload, highest and hottest",
            "payload.hover_share",
            hover_share(ctx),
            thrust,
        ),
        draft(
            "payload.rotor-share",
            "worst rotor's thrust off the mean, with payload",
            "payload.rotor_share",
            ctx.flight_loaded("hover.worst_share"),
            candidate::moves(ctx, true),
        ),
        Draft {
            note: Some(
                "measured: crossover with payload over that without, which is the gain where the loop falls as 1/frequency, at the charges flown"
                    .to_owned(),
            ),
            ..draft(
                "payload.gain-change",
                "largest change of the loop's gain without retuning",
                "payload.gain",
                gain_change(ctx),
                candidate::payload_nearer(ctx).into_iter().chain(candidate::thrust(a)).collect(),
            )
        },
        margin(ctx, "payload.phase-margin", "phase margin with payload, the worse of roll and pitch", "phase_margin"),
        margin(ctx, "payload.gain-margin", "gain margin up with payload, the worse of roll and pitch", "gain_margin_up"),
        looped(
            ctx,
            "payload.overshoot",
            "overshoot of ±100 deg/s steps with payload, the worse of roll and pitch",
            ("loop.worst.overshoot", Group::Step),
            pick(ctx, "step", "overshoot", false),
        ),
    ]
}

fn margin(ctx: &Context<'_>, id: &'static str, text: &'static str, what: &str) -> Draft {
    let output = if what == "phase_margin" { "loop.worst.phase_margin" } else { "loop.worst.gain_margin_up" };
    looped(ctx, id, text, (output, Group::Loop), pick(ctx, "loop", what, true))
}

/// A figure of the rate loop with payload: measured, not predicted; what a change does to it is taken from
/// the loop without payload.
fn looped(
    ctx: &Context<'_>,
    id: &'static str,
    text: &'static str,
    (output, group): (&'static str, Group),
    measured: Answer,
) -> Draft {
    let a = &ctx.subject.resolved().aircraft;
    let mut candidates = candidate::delays(a);
    candidates.extend(candidate::rotor_inertia(a));
    candidates.extend(candidate::filters(a));
    candidates.extend(candidate::gains(a));
    Draft {
        id,
        text,
        metric: Some(Metric { output, group, carry: Carry::Add }),
        predicted: None,
        measured,
        compare: Compare::Interval,
        needs: NEEDS,
        note: Some("what a change buys is computed on the loop without payload".to_owned()),
        candidates,
    }
}

/// The worse of roll and pitch of a figure of flights with the payload on; partial where one is missing.
fn pick(ctx: &Context<'_>, stem: &str, what: &str, least: bool) -> Answer {
    let both = ["x", "y"].map(|axis| ctx.flight_loaded(&format!("{stem}.{axis}.{what}")));
    one_of(both, |x, y| {
        let (x, y) = (x.estimate.value, y.estimate.value);
        if least { x <= y } else { x >= y }
    })
}

/// From the rotor speeds of a pull with payload, carried to reserve charge and to the worst air by computed ratios.
fn hover_share(ctx: &Context<'_>) -> Answer {
    let ratio = match ctx.flight_loaded("full.thrust_ratio") {
        Answer::Found(f) => *f,
        other => return other,
    };
    let air = ctx.subject.air();
    let carry = at_hover_voltage(ctx, &ratio.record, "1", &|a, density, charge| {
        let flown = physics::powertrain::full_thrust(a, charge, density).ok()?.total;
        let reserve = a.battery.as_ref()?.reserve;
        let worst = a.in_air(air.worst.temperature);
        let low = physics::powertrain::full_thrust(&worst, reserve, air.worst.density).ok()?.total;
        Some(flown / low)
    });
    let Some(carry) = carry else { return Answer::Nothing };
    let one = Estimate::exact(1.0, "1", Origin::Measured);
    Context::derived(&ratio, one.over(&ratio.estimate, "1").times(&carry, "1"))
}

/// Crossover with payload over that without, as decibels of gain, either way; the larger of roll and pitch.
fn gain_change(ctx: &Context<'_>) -> Answer {
    let mut worst: Option<Found> = None;
    let mut other = Answer::Nothing;
    for axis in ["x", "y"] {
        let key = format!("loop.{axis}.crossover");
        let loaded = match ctx.flight_loaded(&key) {
            Answer::Found(f) => *f,
            answer => {
                other = answer;
                continue;
            }
        };
        let Some(bare) = ctx.flight(&key).found().filter(|f| f.record != loaded.record) else {
            other = Answer::CannotTell(format!(
                "{} alone; to tell the change, fly the same steps without payload",
                loaded.record
            ));
            continue;
        };
        let ratio = loaded.estimate.over(&bare.estimate, "1");
        let slope = 20.0 / (std::f64::consts::LN_10 * ratio.value);
        let change = 20.0 * ratio.value.log10();
        let sign = change.signum();
        let e = Estimate::combine(change.abs(), "dB", &[(sign * slope, &ratio)]);
        let found = Found { estimate: e, stale: loaded.stale.clone().or(bare.stale), ..loaded };
        // A figure that still holds goes before a stale one.
        let goes_before = |w: &Found| match (found.stale.is_some(), w.stale.is_some()) {
            (true, false) => false,
            (false, true) => true,
            _ => found.estimate.value > w.estimate.value,
        };
        if worst.as_ref().is_none_or(goes_before) {
            worst = Some(found);
        }
    }
    worst.map_or(other, |w| Answer::Found(Box::new(w)))
}
