//! The sheet of the loops.

use dossier::chart::{Chart, Table};
use dossier::result::{CheckResult, GateResult};
use dossier::tuning::LoopSheet;
use maud::{Markup, html};

use crate::figures::{data, ledger};

use super::{Links, gate};

/// Gates whose ledgers and steps belong here.
const GATES: [&str; 3] = ["rate", "attitude", "velocity"];

/// The sheet, from its question to its cautions.
pub(crate) fn body(check: &CheckResult, sheet: &LoopSheet, links: &Links) -> Markup {
    let gates: Vec<&GateResult> =
        GATES.iter().filter_map(|id| check.gates.iter().find(|g| g.id == *id)).collect();
    let steps: Vec<Chart> = sheet
        .steps
        .iter()
        .chain(gates.iter().filter(|g| g.id != "rate").flat_map(|g| &g.shown.charts))
        .filter(|c| c.id.contains("steps"))
        .cloned()
        .collect();
    let table = |id: &str| -> Vec<Table> { sheet.tables.iter().filter(|t| t.id == id).cloned().collect() };
    html! {
        p.question { "How fast and how safely do the loops close, and which gains come next?" }
        @match (&sheet.gains, &sheet.gains_wait_for) {
            (Some(g), _) => {
                p.verdict { (g.verdict) }
                h2 { "Gains" }
                (data::shown("gains", &g.shown.charts, &g.shown.tables))
            }
            (None, why) => { p.lead { "Gains cannot be chosen: " (why.as_deref().unwrap_or("no rate loop")) "." } }
        }
        h2 { "Where the time goes" }
        @for l in gates.iter().flat_map(|g| &g.ledgers) { (ledger::table(l)) }
        (data::shown("delay", &[], &table("bought")))
        h2 { "Margins over battery, command and payload" }
        (data::shown("margins", &[], &table("corners")))
        @if !sheet.responses.is_empty() {
            h2 { "Responses" }
            (data::shown("responses", &sheet.responses, &[]))
        }
        @if sheet.tables.iter().any(|t| t.id == "slow") {
            h2 { "Velocity, heave and climb" }
            (data::shown("slow", &[], &table("slow")))
        }
        @if !steps.is_empty() {
            h2 { "Steps, predicted and as flown" }
            (data::shown("steps", &steps, &[]))
        }
        h2 { "Oscillations" }
        @if sheet.oscillations.is_empty() {
            p { "None stands out in the flights so far." }
        } @else {
            ul.records {
                @for o in &sheet.oscillations {
                    li { a href=(links.record(&o.record)) { (o.record) } ": " (o.name) ", " strong { (o.made_by) } ". " (o.text) }
                }
            }
        }
        h2 { "Yaw and cant" }
        @match (&sheet.yaw, &sheet.yaw_waits_for) {
            (Some(y), _) => {
                p { (y.reason) }
                (data::shown("yaw", &y.shown.charts, &y.shown.tables))
            }
            (None, why) => { p { "Cannot be studied: " (why.as_deref().unwrap_or("nothing to study")) "." } }
        }
        h2 { "Gates and cards" }
        ul.records {
            @for g in &gates { li { a href=(links.gate(&g.id)) { (g.name) } ": " (g.verdict) } }
        }
        p { "Cards: " (super::card::line_of(&GATES, links)) }
        (gate::cautions())
    }
}
