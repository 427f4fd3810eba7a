//! What limits this aircraft, what to change, and what that buys: the first thing a page says.

use dossier::result::{CheckResult, State};
use maud::{Markup, html};

use crate::figures::mark;

use super::{Links, cause};

/// The headline.
pub(crate) fn headline(check: &CheckResult, links: &Links) -> Markup {
    html! {
        section.headline aria-labelledby="limits" {
            @match &check.limiting {
                Some(l) => {
                    @let criterion = check
                        .gates
                        .iter()
                        .flat_map(|g| &g.criteria)
                        .find(|c| c.id == l.criterion);
                    h2 id="limits" { "What limits this aircraft" }
                    p.lead { (mark::state(criterion.map_or(State::Short, |c| c.state), criterion.is_some_and(|c| c.simulated))) " " (l.sentence) }
                    @if let Some(first) = &l.cause {
                        dl.change {
                            div { dt { "because" } dd { strong { (first.name) } ". " (first.why) } }
                            div { dt { "change" } dd { (first.change) } }
                            div { dt { "buys" } dd { (cause::effect(first, criterion)) } }
                        }
                        (cause::try_it(first, links, &format!("/gate/{}", l.gate)))
                    }
                    p.more { a href=(links.gate(&l.gate)) { "The gate that says so" } }
                }
                None => {
                    @let met = check.gates.iter().filter(|g| g.state == State::Met).count();
                    @let short: Vec<_> = check.gates.iter().filter(|g| g.state == State::Short).collect();
                    h2 id="limits" { @if short.is_empty() { "Nothing is short" } @else { "Still short" } }
                    p.lead {
                        @for g in short { a href=(links.gate(&g.id)) { (g.name) } ": " (g.verdict) " " }
                        (met) " of " (check.gates.len()) " gates are met. "
                        @if let Some(next) = check.gates.iter().find(|g| g.state != State::Met) {
                            "Next: " a href=(links.gate(&next.id)) { (next.name) } ", which is " (next.state.word()) " and closes on " (next.closes_on) "."
                        }
                    }
                }
            }
        }
    }
}
