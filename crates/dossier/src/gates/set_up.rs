//! Gate set-up: may the propellers go on?

use crate::gates::GateSpec;
use crate::gates::context::Context;
use crate::gates::criterion::{Compare, Draft};
use crate::gates::evidence::Answer;
use crate::result::Ledger;

/// The gate.
pub(super) const GATE: GateSpec = GateSpec {
    id: "set-up",
    name: "Set-up",
    question: "May the propellers go on?",
    closes_on: "hand rotation, spin check, a checklist of end points, presets and first-flight limits; a tethered first hop or a flight confirms order and spins",
    drafts,
    ledgers,
    shown: super::nothing_shown,
};

/// What was seen on the bench where it still holds and decides, else what flights show.
fn seen_or_flown(ctx: &Context<'_>, bench: &str, flight: &str) -> Answer {
    let seen = ctx.bench(bench);
    let flown = ctx.flight(flight);
    let holds = |a: &Answer| matches!(a, Answer::Found(f) if f.stale.is_none());
    let found = |a: &Answer| matches!(a, Answer::Found(_));
    if holds(&seen) || (!holds(&flown) && (found(&seen) || (!found(&flown) && flown == Answer::Nothing))) {
        seen
    } else {
        flown
    }
}

fn drafts(ctx: &Context<'_>) -> Vec<Draft> {
    let flown = ctx
        .evidence
        .flights
        .iter()
        .rev()
        .find_map(|f| f.findings.get("order.posterior"))
        .map(|f| f.text.clone());
    let hop = ctx
        .evidence
        .flights
        .iter()
        .rev()
        .find_map(|f| f.findings.get("hop.sense"))
        .map(|f| format!("First hop: {}", f.text));
    vec![
        Draft::measured_only(
            "set-up.axes",
            "sensor axes and signs as mapped: posterior probability",
            ctx.bench("axes.posterior"),
            Compare::Central,
            "a hand rotation, unpowered, with gyro and accelerometer",
            hop,
        ),
        Draft::measured_only(
            "set-up.order",
            "rotor order as in the file: seen, or posterior probability",
            seen_or_flown(ctx, "order.confirmed", "order.posterior"),
            Compare::Central,
            "a spin check with propellers off; a tethered first hop or a flight with rotor commands or speeds, and rates",
            flown,
        ),
        Draft::measured_only(
            "set-up.direction",
            "spins as in the file: seen, or posterior probability",
            seen_or_flown(ctx, "direction.confirmed", "order.posterior"),
            Compare::Central,
            "a spin check with propellers off; a tethered first hop or a flight with rotor commands or speeds, and rates",
            None,
        ),
        Draft::measured_only(
            "set-up.end-points",
            "start commands of all motors, largest difference",
            ctx.bench("start.spread"),
            Compare::Central,
            "the start command of every motor, propellers off",
            None,
        ),
        Draft::measured_only(
            "set-up.presets",
            "fail-safe presets tried, as a share of the list",
            ctx.bench("presets.done"),
            Compare::Central,
            "a checklist: low_stops, lost_link, low_battery, cut_power",
            None,
        ),
        Draft::measured_only(
            "set-up.first-flight",
            "first-flight limits over those computed for this build, the widest",
            ctx.bench("first.ratio"),
            Compare::Central,
            "a checklist: first.tilt, first.rate, first.thrust, first.height",
            None,
        ),
    ]
}

fn ledgers(_: &Context<'_>) -> Vec<Ledger> {
    Vec::new()
}
