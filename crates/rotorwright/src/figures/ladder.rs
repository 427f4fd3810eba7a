//! The ladder: numbered rungs between two stiles, and the bracket from a premature rung to the one that holds it.

use dossier::result::{CheckResult, CriterionResult, GateResult};
use maud::{Markup, html};

use super::{mark, number, rule};

/// Criterion with the smallest margin.
pub(crate) fn worst(gate: &GateResult) -> Option<&CriterionResult> {
    gate.criteria
        .iter()
        .filter(|c| c.margin.is_some_and(f64::is_finite))
        .min_by(|a, b| a.margin.unwrap_or(0.0).total_cmp(&b.margin.unwrap_or(0.0)))
}

/// Part of a bracket in one row of one column.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Brace {
    None,
    Start,
    Through,
    Tick,
    End,
}

/// Columns of brackets, one for each rung that holds others.
fn braces(gates: &[GateResult]) -> Vec<Vec<Brace>> {
    let mut columns = Vec::new();
    for (holder, gate) in gates.iter().enumerate() {
        let held: Vec<usize> = gates
            .iter()
            .enumerate()
            .filter(|(i, g)| {
                *i > holder && g.premature.as_deref().is_some_and(|p| p == gate.name || p == gate.id)
            })
            .map(|(i, _)| i)
            .collect();
        if let Some(&last) = held.last() {
            columns.push(
                (0..gates.len())
                    .map(|i| match i {
                        i if i == holder => Brace::Start,
                        i if i == last => Brace::End,
                        i if held.contains(&i) => Brace::Tick,
                        i if i > holder && i < last => Brace::Through,
                        _ => Brace::None,
                    })
                    .collect(),
            );
        }
    }
    columns
}

/// The ladder as the main figure of the first page. `href` makes a gate's address, `age` words for
/// the date of its evidence.
pub(crate) fn large(
    check: &CheckResult,
    href: &dyn Fn(&str) -> String,
    age: &dyn Fn(&str) -> String,
) -> Markup {
    let braces = braces(&check.gates);
    html! {
        ol.ladder {
            @for (i, gate) in check.gates.iter().enumerate() {
                li {
                    span.number { (i + 1) }
                    div.rung {
                        a.gate href=(href(&gate.id)) { (gate.name) }
                        (mark::state(gate.state, gate.simulated))
                        @if let Some(holder) = &gate.premature {
                            span.flag { "premature: held by " (holder) }
                        }
                        p.question { (gate.question) }
                    }
                    div.worst {
                        @if let Some(w) = worst(gate) {
                            @let m = w.margin.unwrap_or(0.0);
                            (rule::margin(m))
                            span.margin { (number::signed_percent(m)) }
                            span.which { (w.text) }
                        } @else {
                            span.which { "no margin yet" }
                        }
                    }
                    span.age {
                        @match &gate.evidence_date {
                            Some(date) => { "evidence " (age(date)) }
                            None => { "no evidence" }
                        }
                    }
                    @for column in &braces {
                        span aria-hidden="true" class={
                            "brace "
                            (match column[i] {
                                Brace::None => "none",
                                Brace::Start => "start",
                                Brace::Through => "through",
                                Brace::Tick => "through tick",
                                Brace::End => "end",
                            })
                        } {}
                    }
                }
            }
        }
    }
}

/// The ladder as navigation beside every page.
pub(crate) fn small(check: &CheckResult, here: &str, href: &dyn Fn(&str) -> String) -> Markup {
    html! {
        ol.ladder.small {
            @for (i, gate) in check.gates.iter().enumerate() {
                li {
                    span.number { (i + 1) }
                    a.gate href=(href(&gate.id)) aria-current=[(gate.id == here).then_some("page")] { (gate.name) }
                    (mark::state(gate.state, gate.simulated))
                    @if gate.premature.is_some() { span.flag { "premature" } }
                }
            }
        }
    }
}
