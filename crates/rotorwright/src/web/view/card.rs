//! A card: one shape for the page and for paper.

use dossier::cards::{Card, LimitLine};
use maud::{Markup, html};

use super::Links;

fn limits(title: &str, lines: &[LimitLine]) -> Markup {
    html! {
        @if !lines.is_empty() {
            h2 { (title) }
            div.scroll tabindex="0" role="group" aria-label=(title) {
                table {
                    thead { tr { th scope="col" { "what" } th.num scope="col" { "limit" } th scope="col" { "why" } } }
                    tbody { @for l in lines { tr { th scope="row" { (l.what) } td.num { (l.limit) } td.note { (l.why) } } } }
                }
            }
        }
    }
}

fn items(title: &str, lines: &[String]) -> Markup {
    html! { @if !lines.is_empty() { h2 { (title) } ul { @for l in lines { li { (l) } } } } }
}

/// The card from its purpose to the limits to reach.
pub(crate) fn body(c: &Card) -> Markup {
    html! {
        div.testcard {
            p.question { (c.purpose) " Serves the gate " (c.gate) "; makes a record of kind " (c.record) "." }
            aside.cautions aria-label="cautions" { h2 { "Cautions" } ul { @for l in &c.cautions { li { (l) } } } }
            @if !c.numbers.is_empty() {
                h2 { "Numbers of this build" }
                div.scroll tabindex="0" role="group" aria-label="numbers of this build" {
                    table {
                        thead { tr { th scope="col" { "what" } th.num scope="col" { "value" } th scope="col" { "why" } } }
                        tbody { @for n in &c.numbers { tr { th scope="row" { (n.name) } td.num { (n.shown) } td.note { (n.why) } } } }
                    }
                }
            }
            div.two { section { (items("You need", &c.you_need)) } section { (items("Set-up", &c.set_up)) } }
            h2 { "Before power" }
            ul.boxes { @for l in &c.check_boxes { li { span.box aria-hidden="true" {} " " (l) } } }
            h2 { "Steps" }
            ol { @for l in &c.steps { li { (l) } } }
            (limits("Stop at once", &c.abort_limits))
            @if !c.log.is_empty() {
                h2 { "Log" }
                div.scroll tabindex="0" role="group" aria-label="log" {
                    table {
                        thead { tr { th scope="col" { "channel" } th scope="col" { "tapped" } th.num scope="col" { "least rate" } th scope="col" { "why" } } }
                        tbody { @for l in &c.log { tr { th scope="row" { (l.channel) } td { (l.tap) } td.num { (l.shown) } td.note { (l.why) } } } }
                    }
                }
            }
            (items("Computed from it", &c.computed_after))
            (limits("Limits to reach", &c.pass_limits))
        }
    }
}

/// Links to the cards of a gate, for a page with a server behind it.
pub(crate) fn links_of(gate: &str, links: &Links) -> Markup {
    let mine: Vec<_> = dossier::cards::list().filter(|(_, g)| *g == gate).map(|(id, _)| id).collect();
    html! {
        @if !mine.is_empty() && links.what().is_some() {
            h2 { "Cards" }
            p { (named(&mine, links)) }
        }
    }
}

/// The cards of several gates in one line.
pub(crate) fn line_of(gates: &[&str], links: &Links) -> Markup {
    let mine: Vec<_> = dossier::cards::list().filter(|(_, g)| gates.contains(g)).map(|(id, _)| id).collect();
    named(&mine, links)
}

fn named(ids: &[&str], links: &Links) -> Markup {
    html! {
        @for (k, id) in ids.iter().enumerate() { @if k > 0 { ", " } a href=(links.card(id)) { (id.replace('-', " ")) } }
    }
}
