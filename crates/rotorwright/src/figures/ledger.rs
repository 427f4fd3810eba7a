//! A ledger: itemised lines with their shares as bars, a sum, and the allowance it must stay under.

use dossier::result::Ledger;
use maud::{Markup, html};

use super::{c, number::Scale};

/// The ledger as a table whose bars start where the line before ended, so that they add up to the sum.
pub(crate) fn table(ledger: &Ledger) -> Markup {
    let scale = Scale::of(&ledger.sum.unit, ledger.sum.value.abs().max(ledger.sum.uncertainty), &ledger.id);
    let mut low: f64 = 0.0;
    let mut high: f64 = ledger.allowance.unwrap_or(0.0);
    let mut at = 0.0;
    for line in &ledger.lines {
        at += line.value.value;
        low = low.min(at);
        high = high.max(at);
    }
    high = high.max(ledger.sum.value);
    low = low.min(ledger.sum.value);
    let span = (high - low).max(f64::MIN_POSITIVE);
    let x = move |v: f64| 2.0 + (v - low) / span * 196.0;
    let mut from = 0.0;
    html! {
        div.scroll tabindex="0" role="group" aria-label=(ledger.title) {
            table.ledger {
                caption { (ledger.title) }
                thead { tr {
                    th scope="col" { "line" }
                    th.num scope="col" { "amount" }
                    th.num scope="col" { "share" }
                    th scope="col" { span.unseen { "bar" } }
                    th scope="col" { "note" }
                } }
                tbody {
                    @for line in &ledger.lines {
                        @let start = from;
                        @let end = { from += line.value.value; from };
                        tr {
                            th scope="row" { (line.name) }
                            td.num data-label="amount" { (scale.estimate(&line.value)) }
                            td.num data-label="share" { (format!("{:.0} %", line.share * 100.0).replace('-', "−")) }
                            td.bar { (bar(x(start), x(end), ledger.allowance.map(x), false)) }
                            td.note { (line.note) }
                        }
                    }
                }
                tfoot {
                    tr {
                        th scope="row" { "sum" }
                        td.num data-label="amount" { (scale.estimate(&ledger.sum)) }
                        td.num { }
                        td.bar { (bar(x(0.0), x(ledger.sum.value), ledger.allowance.map(x), true)) }
                        td.note {
                            @if let Some(allowance) = ledger.allowance {
                                "allowance " (scale.show(allowance)) "; "
                                @let left = allowance - ledger.sum.value;
                                @if left >= 0.0 { (scale.show(left)) " left" } @else { "over by " (scale.show(-left)) }
                            }
                        }
                    }
                }
            }
        }
    }
}

fn bar(a: f64, b: f64, allowance: Option<f64>, sum: bool) -> Markup {
    let (x, width) = (a.min(b), (b - a).abs().max(0.6));
    html! {
        svg.rule viewBox="0 0 200 14" preserveAspectRatio="none" aria-hidden="true" focusable="false" {
            path.thin d="M2 13H198" {}
            rect class=(if sum { "full" } else { "wash" }) x=(c(x)) y="3" width=(c(width)) height="8" {}
            @if let Some(at) = allowance { path.limit d=(format!("M{} 0V14", c(at))) {} }
        }
    }
}
