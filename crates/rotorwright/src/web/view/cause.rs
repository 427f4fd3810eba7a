//! A physical cause with its change, the effect of that change, and the button that tries it.

use dossier::result::{Cause, ChangeClass, CheckResult, CriterionResult};
use maud::{Markup, html};

use crate::figures::number::Scale;

use super::Links;

fn class(c: ChangeClass) -> &'static str {
    match c {
        ChangeClass::Configuration => "wiring or order",
        ChangeClass::Hardware => "hardware",
        ChangeClass::Filter => "filter",
        ChangeClass::Gain => "gain",
    }
}

/// Names of gates given by identity.
fn names(check: &CheckResult, ids: &[String]) -> String {
    ids.iter()
        .map(|id| check.gates.iter().find(|g| g.id == *id).map_or(id.as_str(), |g| g.name.as_str()))
        .collect::<Vec<_>>()
        .join(", ")
}

/// The effect in one sentence.
pub(crate) fn effect(cause: &Cause, criterion: Option<&CriterionResult>) -> Markup {
    let e = &cause.effect;
    let id = criterion.map_or("", |c| c.id.as_str());
    let scale = Scale::of(&e.before.unit, e.before.value.abs().max(e.after.value.abs()), id);
    html! {
        span.effect {
            (scale.estimate(&e.before)) " \u{2192} " strong { (scale.estimate(&e.after)) }
            " (difference " (scale.difference(&e.difference)) "): "
            @if e.meets { "inside the limit" } @else { "still short of the limit" }
            @if let Some(c) = criterion { " of " (scale.show(c.limit.value)) }
        }
    }
}

/// The form that opens the what-if of a change.
pub(crate) fn try_it(cause: &Cause, links: &Links, path: &str) -> Markup {
    html! {
        @if let (Some(what), false) = (links.what(), cause.edits.is_empty()) {
            form.try method="get" action=(path) {
                @for (name, value) in what.with(&cause.edits).pairs() { input type="hidden" name=(name) value=(value); }
                button type="submit" { "Try this change" }
            }
        } @else if !cause.edits.is_empty() {
            p.edits { @for e in &cause.edits { code { (e.key) " = " (e.value) } " " } }
        }
    }
}

/// Causes of one criterion.
pub(crate) fn list(check: &CheckResult, criterion: &CriterionResult, links: &Links, path: &str) -> Markup {
    html! {
        section.causes {
            h3 { (criterion.text) }
            ol {
                @for cause in &criterion.causes {
                    li {
                        p { strong { (cause.name) } ". " (cause.why) }
                        dl.change {
                            div { dt { "change" } dd { (cause.change) " " span.class { "(" (class(cause.class)) ")" } } }
                            div { dt { "buys" } dd { (effect(cause, Some(criterion))) } }
                            @if !cause.makes_stale.is_empty() {
                                div { dt { "makes stale" } dd { (names(check, &cause.makes_stale)) } }
                            }
                            @if !cause.breaks.is_empty() {
                                div { dt { "breaks" } dd { (cause.breaks.join("; ")) } }
                            }
                        }
                        (try_it(cause, links, path))
                    }
                }
            }
            @if let Some(test) = &criterion.separating_test {
                p.separate { "Two causes fit equally. To tell them apart: " (test) }
            }
        }
    }
}
