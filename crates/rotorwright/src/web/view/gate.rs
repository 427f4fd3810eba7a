//! A gate: one shape for all of them.

use std::sync::Arc;

use dossier::chart::Table;
use dossier::estimate::Estimate;
use dossier::findings::Findings;
use dossier::record::Record;
use dossier::result::{CheckResult, CriterionResult, GateResult, Sense, State};
use maud::{Markup, html};

use crate::figures::number::{self, Scale};
use crate::figures::steps::{self, Limits};
use crate::figures::{aircraft, data, figure, ledger, mark, rule, spectrum};

use super::{Links, cause};

/// Gates whose tests run motors.
const POWERED: [&str; 7] = ["sizing", "set-up", "hover", "vibration", "rate", "attitude", "velocity"];

/// The cautions of powered tests. Common practice; local rules and licensed practice decide.
pub(crate) fn cautions() -> Markup {
    html! {
        aside.cautions aria-label="cautions" {
            h2 { "Before motors turn" }
            ul {
                li { "Propellers off for every set-up and wiring check. They go on last." }
                li { "On a bench: a restrained rig, nobody in the plane of a disc, and a way to cut power that works at arm's length." }
                li { "Eye protection, and distance that grows with the rotor; bystanders further than that." }
                li { "A second person who watches, and who knows how to stop it." }
                li { "First hops tethered or low, over soft ground, with the battery no fuller than the test needs." }
                li { "Local rules and licensed practice decide whether and where this may be flown." }
            }
        }
    }
}

/// Source that matters most to a figure.
fn mostly(e: &Estimate) -> Option<String> {
    e.dominant().map(|(source, share)| format!("mostly {source} ({:.0} %)", share * 100.0))
}

fn limit(c: &CriterionResult, scale: &Scale) -> String {
    let sign = match c.limit.sense {
        Sense::AtMost => "≤",
        Sense::AtLeast => "≥",
    };
    format!("{sign} {}", scale.show(c.limit.value))
}

fn was(c: &CriterionResult, base: Option<&CheckResult>) -> Option<Estimate> {
    let before = base?.gates.iter().flat_map(|g| &g.criteria).find(|b| b.id == c.id)?.predicted.clone()?;
    let now = c.predicted.as_ref()?;
    (before.value != now.value).then_some(before)
}

/// The criteria as a table. `base` is the result without the what-if, to show what an edit changed.
fn criteria(gate: &GateResult, base: Option<&CheckResult>, links: &Links) -> Markup {
    html! {
        div.scroll tabindex="0" role="group" aria-label="criteria" {
            table.criteria.stack {
                caption { "Criteria; ± is one standard uncertainty" }
                thead { tr {
                    th scope="col" { "criterion" }
                    th.num scope="col" { "predicted" }
                    th.num scope="col" { "measured" }
                    th.num scope="col" { "limit" }
                    th scope="col" { "margin" }
                    th scope="col" { "state" }
                } }
                tbody {
                    @for c in &gate.criteria {
                        @let scale = Scale::of(&c.limit.unit, c.limit.value, &c.id);
                        tr id=(format!("criterion-{}", c.id)) {
                            th scope="row" {
                                (c.text)
                                p.small { (c.limit.origin) ": " (c.limit.basis) }
                                @if let Some(note) = &c.note { p.small { (note) } }
                            }
                            td.num data-label="predicted" {
                                @match &c.predicted {
                                    Some(e) => {
                                        (scale.estimate(e))
                                        @if let Some(before) = was(c, base) { p.small.was { "was " (scale.estimate(&before)) } }
                                        @if let Some(m) = mostly(e) { p.small { (m) } }
                                    }
                                    None => { "–" }
                                }
                            }
                            td.num data-label="measured" {
                                @match &c.measured {
                                    Some(m) => {
                                        (scale.estimate(&m.estimate))
                                        p.small {
                                            (m.estimate.origin.word())
                                            @for r in &m.records { ", " a href=(links.record(r)) { (r) } }
                                        }
                                        @if let Some(why) = &m.stale { p.small { "stale: " (why) } }
                                    }
                                    None => {
                                        @match &c.waits_for { Some(w) => { span.waits { "waits for " (w) } } None => { "–" } }
                                    }
                                }
                            }
                            td.num data-label="limit" { (limit(c, &scale)) }
                            td data-label="margin" {
                                (rule::criterion(c))
                                @if let Some(m) = c.margin.filter(|m| m.is_finite()) { span.small { (number::signed_percent(m)) } }
                            }
                            td data-label="state" { (mark::state(c.state, c.simulated)) }
                        }
                    }
                }
            }
        }
        p.key {
            "Margin: hollow ring predicted, full lozenge measured, each with its 95 % interval; the tall stroke is the limit and the hatched side is not allowed."
        }
    }
}

/// Figures that belong to a gate.
fn figures(
    check: &CheckResult,
    gate: &GateResult,
    seen: &[Arc<(Record, Findings)>],
    links: &Links,
) -> Markup {
    let overshoot = gate
        .criteria
        .iter()
        .find(|c| c.id.contains("overshoot") && c.limit.sense == Sense::AtMost)
        .map(|c| if c.limit.unit == "%" { c.limit.value / 100.0 } else { c.limit.value });
    let mine = || seen.iter().filter(|s| gate.records.contains(&s.0.meta.id));
    html! {
        @match gate.id.as_str() {
            "sizing" if links.what().is_some() => {
                (figure("", &aircraft::drawing(check, "sizing"), "The centre of gravity should lie where the rotors' lines of thrust balance: the quartered circle against the crossing of the centre lines."))
            }
            "rate" => {
                @for s in mine() {
                    @for axis in ['x', 'y', 'z'] {
                        @if let Some(svg) = steps::drawing(axis, &s.1.steps, Limits { overshoot }, &format!("gate-{}", s.0.meta.id)) {
                            (figure("", &svg, "Every step is one strand: strands that leave the bundle, or a left side that is not the mirror of the right, point at the aircraft rather than at the gains."))
                        }
                    }
                }
            }
            "vibration" => {
                @for s in mine() {
                    (spectrum::figures(&format!("gate-{}", s.0.meta.id), &s.1, &check.aircraft.filters))
                }
            }
            _ => {}
        }
        // A noise ledger stands with its spectrum where that is drawn.
        @let beside = |t: &Table| gate.id == "vibration" && mine().any(|s| spectrum::shows(&s.1, t));
        @let tables: Vec<Table> = gate.shown.tables.iter().filter(|t| !beside(t)).cloned().collect();
        (data::shown(&format!("gate-{}", gate.id), &gate.shown.charts, &tables))
    }
}

/// The gate, from its question to its cautions.
pub(crate) fn body(
    check: &CheckResult,
    base: Option<&CheckResult>,
    gate: &GateResult,
    seen: &[Arc<(Record, Findings)>],
    links: &Links,
) -> Markup {
    let with_causes: Vec<&CriterionResult> = gate.criteria.iter().filter(|c| !c.causes.is_empty()).collect();
    html! {
        p.question { (gate.question) }
        p.verdict { (mark::state(gate.state, gate.simulated)) " " (gate.verdict) }
        @if let Some(holder) = &gate.premature {
            p.held { span.flag { "premature" } " The gate " em { (holder) } " before it is not met, so what was measured here may not last." }
        }
        (criteria(gate, base, links))
        @if !with_causes.is_empty() {
            h2 { "Causes and changes" }
            @for c in with_causes { (cause::list(check, c, links, &format!("/gate/{}", gate.id))) }
        } @else if gate.criteria.iter().any(|c| matches!(c.state, State::Short | State::Undecided)) {
            h2 { "Causes and changes" }
            p { "No cause in the aircraft file explains this by itself." }
        }
        @if !gate.ledgers.is_empty() {
            h2 { "Ledgers" }
            @for l in &gate.ledgers { (ledger::table(l)) }
        }
        @let drawn = figures(check, gate, seen, links);
        @if !drawn.0.is_empty() {
            h2 { "Figures" }
            (drawn)
        }
        h2 { "Records behind it" }
        @if gate.records.is_empty() {
            p { "None yet. This gate closes on: " (gate.closes_on) "." }
        } @else {
            ul.records {
                @for id in &gate.records {
                    li {
                        a href=(links.record(id)) { (id) }
                        @if let Some(r) = check.records.iter().find(|r| r.id == *id) { " " (r.date) @if !r.remark.is_empty() { ", " (r.remark) } }
                    }
                }
            }
        }
        (super::card::links_of(&gate.id, links))
        @if POWERED.contains(&gate.id.as_str()) { (cautions()) }
    }
}
