//! Gate set-up: is every axis, sign, order and direction as the file says?

use crate::gates::GateSpec;
use crate::gates::candidate::Candidate;
use crate::gates::context::Context;
use crate::gates::criterion::{Compare, Draft};
use crate::result::Ledger;

/// The gate.
pub(super) const GATE: GateSpec = GateSpec {
    id: "set-up",
    name: "Set-up",
    question: "Do order, spins and signs agree with the aircraft file?",
    closes_on: "a tethered first hop or a flight, rotor commands or speeds and rates logged",
    drafts,
    ledgers,
    shown: super::nothing_shown,
};

fn drafts(ctx: &Context<'_>) -> Vec<Draft> {
    let note = ctx
        .evidence
        .flights
        .iter()
        .rev()
        .find_map(|f| f.findings.get("order.posterior"))
        .map(|f| f.text.clone());
    vec![Draft {
        id: "set-up.order",
        text: "rotor order and spins as in the file: posterior probability",
        metric: None,
        predicted: None,
        measured: ctx.flight("order.posterior"),
        compare: Compare::Central,
        needs: "a tethered first hop or a flight with rotor commands or speeds, and rates",
        note,
        candidates: Vec::<Candidate>::new(),
    }]
}

fn ledgers(_: &Context<'_>) -> Vec<Ledger> {
    Vec::new()
}
