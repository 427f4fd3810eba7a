//! Frozen predictions beside what was measured later.

use dossier::result::CheckResult;
use maud::{Markup, html};

use crate::figures::number::Scale;

/// The scores: difference over the combined standard uncertainty.
pub(crate) fn scores(check: &CheckResult) -> Markup {
    html! {
        @if check.scores.is_empty() {
            p { "No prediction of this build has been scored yet. Freeze the predictions before the build flies; once a record measures one of them, the two stand here side by side." }
        } @else {
            div.scroll tabindex="0" role="group" aria-label="scores" {
                table.scores {
                    caption { "Frozen before, measured after. A score within ±2 is agreement; a model whose scores lie outside is wrong or too sure of itself." }
                    thead { tr {
                        th scope="col" { "model" } th scope="col" { "figure" } th.num scope="col" { "predicted" }
                        th.num scope="col" { "measured" } th.num scope="col" { "score" }
                    } }
                    tbody {
                        @for s in &check.scores {
                            @let scale = Scale::of(&s.predicted.unit, s.predicted.value, &s.name.replace(',', ""));
                            tr {
                                td { (s.model) }
                                th scope="row" { (s.name) }
                                td.num { (scale.estimate(&s.predicted)) }
                                td.num { (scale.estimate(&s.measured)) p.small { (s.measured.origin.word()) } }
                                td.num {
                                    (format!("{:+.1}", s.score).replace('-', "−"))
                                    p.small { (if s.score.abs() <= 2.0 { "agrees" } else { "disagrees" }) }
                                }
                            }
                        }
                    }
                }
            }
        }
    }
}
