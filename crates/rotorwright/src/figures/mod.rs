//! Figures shared by the workbench and the report: our own SVG drawings, and charts that are drawn
//! once as SVG (for paper and for pages without scripts) and once as a specification for the chart
//! script.

pub(crate) mod aircraft;
pub(crate) mod chart;
pub(crate) mod data;
pub(crate) mod ladder;
pub(crate) mod ledger;
pub(crate) mod mark;
pub(crate) mod number;
pub(crate) mod reach;
pub(crate) mod rule;
pub(crate) mod siting;
pub(crate) mod spec;
pub(crate) mod spectrum;
pub(crate) mod steps;
pub(crate) mod still;
pub(crate) mod traces;

use maud::{Markup, html};

/// A figure with its caption: the one sentence that says what to see.
pub(crate) fn figure(class: &str, body: &Markup, caption: &str) -> Markup {
    html! {
        figure class=(class) {
            div.scroll tabindex="0" role="group" aria-label="figure" { (body) }
            figcaption { (caption) }
        }
    }
}

/// A coordinate for SVG: two decimals, no NaN.
pub(crate) fn c(value: f64) -> String {
    if value.is_finite() {
        let text = format!("{value:.2}");
        let text = text.trim_end_matches('0').trim_end_matches('.');
        if text == "-0" || text.is_empty() { "0".to_owned() } else { text.to_owned() }
    } else {
        "0".to_owned()
    }
}
