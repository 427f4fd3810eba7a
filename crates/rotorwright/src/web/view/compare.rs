//! Builds and records beside each other.

use dossier::compare::builds::{BuildComparison, CriterionPair, Pair};
use dossier::compare::drives::DriveRanking;
use dossier::compare::records::RecordComparison;
use dossier::estimate::Estimate;
use dossier::record::RecordMeta;
use dossier::result::CheckResult;
use maud::{Markup, html};

use crate::figures::data;
use crate::format::{Display, digits};
use crate::text::compare::{ahead, difference, ms, parts_line, place};
use crate::web::whatif::WhatIf;

/// What can be chosen: two builds, or records.
pub(crate) fn form(
    check: &CheckResult,
    what: &WhatIf,
    records: &[RecordMeta],
    builds: &[String],
    chosen: &[String],
) -> Markup {
    let side = |n: usize, label: &str| {
        let now = builds.get(n).or_else(|| check.builds.get(n));
        html! {
            label {
                (label) " "
                select name="side" {
                    @for b in &check.builds { option value=(b) selected[now == Some(b)] { (b) } }
                }
            }
        }
    };
    html! {
        @if check.builds.len() > 1 {
            form.span method="get" action="/compare" {
                (side(0, "build")) " " (side(1, "beside build")) " "
                button type="submit" { "Compare the builds" }
            }
        } @else {
            p.small { "The dossier has one build; a what-if that is kept becomes a second." }
        }
        @if records.len() > 1 {
            form method="get" action="/compare" {
                @for (name, value) in what.base().pairs() { input type="hidden" name=(name) value=(value); }
                details open[chosen.is_empty()] {
                    summary { "Records: steps and sound of drives, or flights" }
                    @for r in records {
                        p.small {
                            label {
                                input type="checkbox" name="record" value=(r.id) checked[chosen.contains(&r.id)];
                                " " (r.id) ", " (r.kind.word())
                                @if !r.setting.is_empty() { ", " em { (r.setting) } }
                            }
                        }
                    }
                }
                button type="submit" { "Compare the records" }
            }
        }
    }
}

fn pair_rows(what: &str, id: &str, p: &Pair) -> Markup {
    let both: Vec<&Estimate> = p.before.iter().chain(&p.after).collect();
    let Some(first) = both.first() else { return html! {} };
    let values: Vec<f64> = both.iter().map(|e| e.value).collect();
    let d = Display::choose_for(&first.unit, id, &values);
    let shown = |e: Option<&Estimate>| e.map_or_else(|| "–".to_owned(), |e| d.figure(e));
    html! {
        tr {
            th scope="row" { (what) }
            td.num { (shown(p.before.as_ref())) }
            td.num { (shown(p.after.as_ref())) }
            td.num { @match &p.difference { Some(e) => (difference(&d, e)), None => "–" } }
        }
        @if !p.parts.is_empty() && p.difference.as_ref().is_some_and(|e| e.value != 0.0) {
            tr { td colspan="4" { span.small { "from " (parts_line(&d, &p.parts)) } } }
        }
    }
}

fn head(c: &BuildComparison) -> Markup {
    html! { thead { tr {
        th scope="col" { "figure" } th.num scope="col" { (c.before) } th.num scope="col" { (c.after) }
        th.num scope="col" { "difference" }
    } } }
}

fn state(c: &CriterionPair, k: usize) -> String {
    c.states[k].map_or_else(|| "–".to_owned(), |s| s.word_marked(c.simulated[k]))
}

/// Two builds.
pub(crate) fn builds(c: &BuildComparison) -> Markup {
    html! {
        h2 { "What differs" }
        @if c.changes.is_empty() { p { "The aircraft files say the same." } } @else {
            div.scroll tabindex="0" role="group" aria-label="changed keys" {
                table {
                    caption { "Keys of the aircraft file" }
                    thead { tr { th scope="col" { "key" } th scope="col" { (c.before) } th scope="col" { (c.after) } } }
                    tbody { @for f in &c.changes { tr {
                        th scope="row" { code { (f.key) } }
                        td { (f.before.as_deref().unwrap_or("–")) }
                        td { (f.after.as_deref().unwrap_or("–")) }
                    } } }
                }
            }
        }
        @for text in &c.borrowed { p.small { (text) } }
        h2 { "Predicted" }
        div.scroll tabindex="0" role="group" aria-label="predicted figures" {
            table {
                caption { "± beside a figure is one standard uncertainty; a difference has its 95 % interval, without the errors that both builds share" }
                (head(c))
                tbody { @for f in &c.figures { (pair_rows(&f.name, &f.id, &f.pair)) } }
            }
        }
        @for g in &c.gates {
            h2 { (g.name) ": " (c.before) " " (g.states[0].word_marked(g.simulated[0])) ", " (c.after) " " (g.states[1].word_marked(g.simulated[1])) }
            div.scroll tabindex="0" role="group" aria-label=(g.name) {
                table {
                    caption { "Criteria of gate " (g.name.to_lowercase()) }
                    (head(c))
                    @for k in &g.criteria {
                        tbody {
                            tr { th.group scope="rowgroup" colspan="4" { (k.text) } }
                            (pair_rows("predicted", &k.id, &k.predicted))
                            (pair_rows("measured", &k.id, &k.measured))
                            tr { th scope="row" { "state" } td.num { (state(k, 0)) } td.num { (state(k, 1)) } td {} }
                        }
                    }
                }
            }
        }
    }
}

/// Several records.
pub(crate) fn records(c: &RecordComparison) -> Markup {
    match c {
        RecordComparison::Drives(r) => drives(r),
        RecordComparison::Vibration { pairs } => html! {
            @for (k, p) in pairs.iter().enumerate() {
                h2 { (p.before) " beside " (p.after) }
                @if p.shown.tables.is_empty() { p { "They share no channel of vibration." } }
                (data::shown(&format!("pair-{k}"), &p.shown.charts, &p.shown.tables))
            }
        },
    }
}

fn drives(r: &DriveRanking) -> Markup {
    html! {
        h2 { "Drives in the rate loop of " (r.build) }
        p.verdict { (r.verdict) }
        div.scroll tabindex="0" role="group" aria-label="drives" {
            table {
                caption { "Ranked by reachable crossover: roll's, at 45 deg of phase margin with this build's sensor, filters, loop and i/p; ± is the 95 % interval" }
                thead { tr {
                    th scope="col" { "place" } th scope="col" { "drive" } th.num scope="col" { "crossover, rad/s" }
                    th.num scope="col" { "ahead of the next, rad/s" } th.num scope="col" { "dead time, ms" }
                    th.num scope="col" { "lag up, ms" } th.num scope="col" { "lag down, ms" }
                } }
                tbody { @for (k, d) in r.drives.iter().enumerate() { tr {
                    td { (place(k, d)) }
                    th scope="row" { (d.name()) p.small { a href={ "/record/" (d.record) } { (d.record) } ", " (d.origin.word()) } }
                    td.num { @match &d.crossover { Some(c) => (digits(c.value, 2.0 * c.uncertainty)), None => "–" } }
                    td.num { (ahead(d)) }
                    td.num { (ms(d.dead_time.as_ref())) }
                    td.num { (ms(d.lag_up.as_ref())) }
                    td.num { (ms(d.lag_down.as_ref())) }
                }
                @if let Some(why) = &d.cannot { tr { td {} td colspan="6" { span.small { "cannot be ranked: " (why) } } } }
                } }
            }
        }
        p.small { "Crossover counts, not milliseconds alone: a lag takes gain away as well as phase. Records of other stands or supplies differ by those too." }
    }
}
