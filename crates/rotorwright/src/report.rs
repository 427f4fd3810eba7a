//! The report: everything that the workbench shows about one build in a single HTML file that
//! opens from disk, asks no host for anything, and prints.

use std::sync::Arc;

use dossier::findings::Findings;
use dossier::record::Record;
use dossier::result::CheckResult;
use maud::{DOCTYPE, Markup, PreEscaped, html};
use physics::aircraft::Filter;

use crate::figures::{aircraft as drawing, figure, ladder, traces};
use crate::web::view::{Links, aircraft, diagnostics, gate, headline, predictions, record};

/// Points of a line in the report: it cannot fetch more, and must not grow without bound.
const POINTS: usize = 1600;

/// The report of one build, as one HTML document.
pub fn report(check: &CheckResult, findings: &[(Record, Findings)]) -> String {
    let seen: Vec<_> = findings.iter().map(|(r, f)| Arc::new((r.clone(), f.clone()))).collect();
    of(check, &seen)
}

/// As [`report`], over records that are shared already.
pub(crate) fn of(check: &CheckResult, seen: &[Arc<(Record, Findings)>]) -> String {
    let links = Links::report();
    let title = format!("{} {}: report", check.programme, check.build);
    let has_charts = seen.iter().any(|s| !s.0.channels.is_empty());
    let markup = html! {
        (DOCTYPE)
        html lang="en-GB" {
            head {
                meta charset="utf-8";
                meta name="viewport" content="width=device-width, initial-scale=1";
                meta name="color-scheme" content="light dark";
                title { (title) }
                style { (PreEscaped(crate::web::SHEET)) }
            }
            body.report {
                a.skip href="#main" { "Skip to the sheet" }
                div.frame {
                    (block(check))
                    main id="main" tabindex="-1" {
                        h1 { "What limits " (check.aircraft.name) ", and what to change" }
                        (headline::headline(check, &links))
                        h2 { "The ladder" }
                        (ladder::large(check, &|id| links.gate(id), &|date| date.to_owned()))
                        section.leaf id="aircraft" {
                            h1 { "Aircraft" }
                            (figure("", &drawing::drawing(check, "report"), "The centre of gravity should lie where the rotors' lines of thrust balance: the quartered circle against the crossing of the centre lines."))
                            (aircraft::masses(check))
                            h2 { "Predicted" }
                            (aircraft::predictions(check, None))
                        }
                        @for g in &check.gates {
                            section.leaf id=(format!("gate-{}", g.id)) {
                                h1 { (g.name) }
                                (gate::body(check, None, g, seen, &links))
                            }
                        }
                        @for s in seen { (record_leaf(&s.0, &s.1, &check.aircraft.filters)) }
                        section.leaf id="predictions" {
                            h1 { "Predictions and scores" }
                            (predictions::scores(check))
                        }
                        @if !check.warnings.is_empty() {
                            section.leaf { h1 { "Warnings about the files" } (diagnostics::list(&check.warnings)) }
                        }
                        (inputs(check))
                        p.small { "Made by rotorwright " (env!("CARGO_PKG_VERSION")) ". Where motors turn or the aircraft flies, local rules and licensed practice decide." }
                    }
                    aside.rail aria-label="gates" {
                        p.small { "Gates, in the order of the job" }
                        (ladder::small(check, "", &|id| links.gate(id)))
                    }
                }
                @if has_charts { script { (PreEscaped(crate::web::chart_script())) } }
                script { (PreEscaped(crate::web::BENCH)) }
            }
        }
    };
    markup.into_string()
}

fn block(check: &CheckResult) -> Markup {
    html! {
        header.block {
            span.word { "Rotorwright" }
            dl {
                div { dt { "programme" } dd { (check.programme) } }
                div { dt { "build" } dd { strong { (check.build) } } }
                div { dt { "sheet" } dd { "Report" } }
            }
            nav aria-label="parts" {
                a href="#main" { "Ladder" }
                a href="#aircraft" { "Aircraft" }
                a href="#predictions" { "Predictions" }
                a href="#inputs" { "Inputs" }
            }
        }
    }
}

fn record_leaf(data: &Record, found: &Findings, filters: &[Filter]) -> Markup {
    html! {
        section.leaf id=(format!("record-{}", data.meta.id)) {
            h1 { "Record " (data.meta.id) }
            (record::facts(&data.meta))
            (record::values(&data.meta))
            (record::findings(found))
            @if let Some(chart) = traces::chart(data, found, None, POINTS, None) {
                h2 { "Traces" }
                (chart.figure())
                (record::phases(found, None))
            }
            (record::figures(&data.meta.id, found, filters))
            (record::provenance(data))
        }
    }
}

fn inputs(check: &CheckResult) -> Markup {
    html! {
        section.leaf id="inputs" {
            h1 { "Inputs" }
            div.scroll tabindex="0" role="group" aria-label="inputs" {
                table {
                    caption { "Inputs of the aircraft file" }
                    thead { tr { th scope="col" { "key" } th scope="col" { "what it is" } th.num scope="col" { "value" } th scope="col" { "uncertainty" } } }
                    tbody {
                        @for i in &check.inputs {
                            tr {
                                th scope="row" { code { (i.key) } }
                                td { (i.label) }
                                td.num { (crate::figures::number::Scale::of(&i.unit, i.value, &i.key).show_with(i.value, i.uncertainty)) }
                                td {
                                    @match &i.replaced {
                                        Some(r) => {
                                            (i.origin.word()) ", " (r.records.join(", "))
                                            @if let Some(v) = r.stated { "; stated " (crate::figures::number::Scale::of(&i.unit, v, &i.key).show_with(v, r.stated_uncertainty)) }
                                            @if let Some(s) = r.score { " (" (format!("{s:+.1}")) " standard uncertainties)" }
                                        }
                                        None => { (if i.assumed { "assumed" } else { "stated" }) }
                                    }
                                }
                            }
                        }
                    }
                }
            }
        }
    }
}
