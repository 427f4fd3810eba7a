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

/// What was frozen, beside what is predicted now.
pub(crate) fn frozen(check: &CheckResult) -> Markup {
    let Some(f) = &check.frozen else {
        return html! { p { "Nothing is frozen for this build. " code { "rotorwright freeze" } " writes its predictions down before it flies." } };
    };
    let now = |id: &str| check.figures.iter().find(|g| g.id == id).map(|g| &g.estimate);
    html! {
        p {
            "Frozen on " (f.date) " by version " (f.version) ". "
            @if f.changed.is_empty() { "The aircraft file is the same today." }
            @else { "Changed in the aircraft file since: " (f.changed.join(", ")) "." }
        }
        div.scroll tabindex="0" role="group" aria-label="frozen predictions" {
            table {
                caption { "As frozen, and as predicted from today's file; ± is one standard uncertainty" }
                thead { tr { th scope="col" { "figure" } th.num scope="col" { "frozen" } th.num scope="col" { "now" } } }
                tbody {
                    @for (i, g) in f.figures.iter().enumerate() {
                        @if i == 0 || f.figures.get(i - 1).is_some_and(|b| b.group != g.group) {
                            tr { th.group scope="rowgroup" colspan="3" { (g.group) } }
                        }
                        @let scale = Scale::of(&g.estimate.unit, g.estimate.value, &g.id);
                        tr {
                            th scope="row" { (g.name) }
                            td.num { (scale.estimate(&g.estimate)) }
                            td.num { @match now(&g.id) {
                                Some(e) if (e.value - g.estimate.value).abs() <= 1e-9 * e.value.abs() => { "same" }
                                Some(e) => { (scale.estimate(e)) }
                                None => { "–" }
                            } }
                        }
                    }
                }
            }
        }
    }
}
