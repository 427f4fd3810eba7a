//! Frozen predictions beside what was measured later.

use dossier::reconcile::Account;
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

/// Prediction from the file alone against measurement, and the smallest change of inputs that explains it.
pub(crate) fn account(a: &Account) -> Markup {
    html! {
        @if a.found.pairs.is_empty() {
            p { "Nothing to reconcile yet: no record measures anything that the file predicts." }
        } @else {
            @if a.found.changes.is_empty() {
                p { "The file explains what was measured: no input is asked to change." }
            } @else {
                div.scroll tabindex="0" role="group" aria-label="changes of stated inputs" {
                    table {
                        caption { "The smallest change of stated inputs that explains all measurements together" }
                        thead { tr {
                            th scope="col" { "input" } th.num scope="col" { "stated" } th.num scope="col" { "would be" }
                            th.num scope="col" { "moves by, of its uncertainty" }
                        } }
                        tbody {
                            @for (c, i) in a.changes() {
                                @let scale = Scale::of(&i.unit, i.value, &i.key);
                                tr {
                                    th scope="row" { (i.name) " " code { (i.key) } }
                                    td.num { (scale.show(i.value)) }
                                    td.num { (scale.show(i.value + c.by)) }
                                    td.num { (format!("{:+.1} ± {:.1}", c.sigmas, c.uncertainty).replace('-', "−")) }
                                }
                            }
                        }
                    }
                }
                p.small { (a.misfit_words()) }
            }
            @for set in a.alike() { p { (set) } }
            details {
                summary { "Every figure, as predicted from the file alone and as measured" }
                div.scroll tabindex="0" role="group" aria-label="figures reconciled" {
                    table {
                        caption { "Score: difference over its standard uncertainty. Left: what the changes leave of it, over the measurement's own." }
                        thead { tr {
                            th scope="col" { "figure" } th.num scope="col" { "predicted" } th.num scope="col" { "measured" }
                            th.num scope="col" { "score" } th.num scope="col" { "left" }
                        } }
                        tbody {
                            @for p in &a.found.pairs {
                                @let scale = Scale::of(&p.predicted.unit, p.predicted.value, &p.name.replace(',', ""));
                                tr {
                                    th scope="row" { (p.name) }
                                    td.num { (scale.estimate(&p.predicted)) }
                                    td.num { (scale.estimate(&p.measured)) p.small { (p.measured.origin.word()) } }
                                    td.num { (format!("{:+.1}", p.score).replace('-', "−")) }
                                    td.num { (format!("{:+.1}", p.left).replace('-', "−")) }
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
