//! A record: what it shows, what it cannot show, and its figures.

use dossier::findings::{Findings, Outcome, PhaseKind};
use dossier::record::{Record, RecordMeta, RecordOrigin, Stamp, Tap};
use maud::{Markup, html};
use physics::aircraft::Filter;

use crate::figures::number::{self, Scale};
use crate::figures::steps::{self, Limits};
use crate::figures::{data, figure, spectrum};

fn tap(t: Option<Tap>) -> &'static str {
    match t {
        Some(Tap::Raw) => "raw",
        Some(Tap::Filtered) => "filtered",
        Some(Tap::BeforeMixing) => "before mixing",
        Some(Tap::AfterMixing) => "after mixing",
        Some(Tap::Estimated) => "estimated",
        Some(Tap::External) => "from outside",
        None => "not stated",
    }
}

fn stamp(s: Option<Stamp>) -> &'static str {
    match s {
        Some(Stamp::Sampled) => "sampled",
        Some(Stamp::Received) => "received",
        Some(Stamp::Logged) => "logged",
        Some(Stamp::Stated) => "stated",
        None => "not stated",
    }
}

/// Origin in words.
pub(crate) fn origin(o: RecordOrigin) -> &'static str {
    match o {
        RecordOrigin::Measured => "measured",
        RecordOrigin::Simulated => "simulated",
    }
}

/// One line about a record.
pub(crate) fn facts(meta: &RecordMeta) -> Markup {
    html! {
        dl.facts {
            div { dt { "kind" } dd { (meta.kind.word()) } }
            div { dt { "build" } dd { (meta.build) } }
            div { dt { "date" } dd { (meta.date) } }
            div { dt { "origin" } dd { (origin(meta.origin)) } }
            @if meta.rate > 0.0 { div { dt { "rate" } dd { (number::plain((meta.rate * 10.0).round() / 10.0)) " Hz" } } }
            @for s in &meta.sources {
                div { dt { "source" } dd { (s.file) ", " (number::plain((s.bytes as f64 / 1e4).round() / 100.0)) " MB, SHA-256 " code { (s.sha256.get(..12).unwrap_or(&s.sha256)) "…" } } }
            }
        }
        @if !meta.remark.is_empty() { p { (meta.remark) } }
    }
}

/// What the record shows.
pub(crate) fn findings(f: &Findings) -> Markup {
    html! {
        div.scroll tabindex="0" role="group" aria-label="findings" {
            table.findings.stack {
                caption { "Findings; ± is one standard uncertainty" }
                thead { tr { th scope="col" { "finding" } th.num scope="col" { "value" } th scope="col" { "what it says" } } }
                tbody {
                    @for item in &f.items {
                        tr {
                            th scope="row" { (item.label) }
                            @match &item.outcome {
                                Outcome::Value { estimate } => {
                                    td.num data-label="value" {
                                        (number::estimate(estimate, &item.key))
                                        p.small { (estimate.origin.word()) }
                                    }
                                    td { (item.text) }
                                }
                                Outcome::Words { answer } => {
                                    td data-label="value" { (answer) }
                                    td { (item.text) }
                                }
                                Outcome::CannotTell { missing, would_tell } => {
                                    td data-label="value" { span.cannot { "cannot tell" } }
                                    td { "Missing: " (missing) ". " (item.text) " To tell: " (would_tell) }
                                }
                            }
                        }
                    }
                }
            }
        }
        @if !f.cannot_answer.is_empty() {
            h2 { "What this record cannot answer" }
            ul.cannot-answer { @for s in &f.cannot_answer { li { (s) } } }
        }
    }
}

fn phase_word(k: PhaseKind) -> &'static str {
    match k {
        PhaseKind::Ground => "ground",
        PhaseKind::Hover => "hover",
        PhaseKind::Step => "step",
        PhaseKind::Release => "release",
        PhaseKind::Pull => "pull",
        PhaseKind::Manoeuvre => "manoeuvre",
    }
}

/// The phases by number, each a link that looks closer when a server stands behind the page.
pub(crate) fn phases(f: &Findings, look: Option<&dyn Fn(f64, f64) -> String>) -> Markup {
    html! {
        @if !f.phases.is_empty() {
            details.phases open[f.phases.len() <= 12] {
                summary { (f.phases.len()) " phases under the time axis" }
                ol {
                    @for p in &f.phases {
                        @let text = format!("{:.2} to {:.2} s", p.start, p.end);
                        li {
                            @if let Some(look) = look { a href=(look(p.start, p.end)) { (p.label) } } @else { (p.label) }
                            " " span.small { (phase_word(p.kind)) ", " (text) }
                        }
                    }
                }
            }
        }
    }
}

/// Steps and spectra; `filters` are those of the aircraft's gyro path.
pub(crate) fn figures(id: &str, f: &Findings, filters: &[Filter]) -> Markup {
    // The noise ledgers stand with their spectra.
    let tables: Vec<_> = f.tables.iter().filter(|t| !spectrum::shows(f, t)).cloned().collect();
    html! {
        @if !f.steps.is_empty() {
            h2 { "Rate steps" }
            @for axis in ['x', 'y', 'z'] {
                @if let Some(svg) = steps::drawing(axis, &f.steps, Limits::default(), &format!("record-{id}")) {
                    (figure("", &svg, "Every step is one strand, dashed what was asked: the bundle should reach the dashed plateau once and stay, and its left side should mirror its right."))
                }
            }
        }
        @if !f.spectra.is_empty() {
            h2 { "Spectra" }
            (spectrum::figures(id, f, filters))
        }
        @if !f.charts.is_empty() || !tables.is_empty() {
            h2 { "Figures" }
            (data::shown(&format!("record-{id}"), &f.charts, &tables))
        }
    }
}

/// Hand-entered values.
pub(crate) fn values(meta: &RecordMeta) -> Markup {
    html! {
        @if !meta.values.is_empty() {
            table {
                caption { "Values entered by hand" }
                thead { tr { th scope="col" { "value" } th.num scope="col" { "reading" } } }
                tbody {
                    @for (name, v) in &meta.values {
                        tr { th scope="row" { (name) } td.num { (Scale::of(&v.unit, v.value, name).show_with(v.value, v.uncertainty)) } }
                    }
                }
            }
        }
    }
}

/// Channels and what import said.
pub(crate) fn provenance(record: &Record) -> Markup {
    let meta = &record.meta;
    let r = &meta.report;
    html! {
        @if !meta.channels.is_empty() {
            details {
                summary { "Channels and import" }
                div.scroll tabindex="0" role="group" aria-label="channels" {
                    table {
                        caption { "Channels" }
                        thead { tr {
                            th scope="col" { "channel" } th scope="col" { "unit" } th scope="col" { "column" }
                            th scope="col" { "tapped" } th scope="col" { "time stamp" }
                        } }
                        tbody {
                            @for c in &meta.channels {
                                tr {
                                    th scope="row" { code { (c.name) } }
                                    td { (if c.unit == "1" { "1".to_owned() } else { number::tidy_unit(&c.unit) }) }
                                    td { (c.column) }
                                    td { (tap(c.tap)) }
                                    td { (stamp(c.stamp)) }
                                }
                            }
                        }
                    }
                }
                p {
                    (r.rows) " rows read; " (r.malformed) " malformed, " (r.duplicates) " repeated and " (r.unsorted)
                    " out of order; " (r.gaps) " gaps."
                }
                @if !r.remarks.is_empty() { ul { @for s in &r.remarks { li { (s) } } } }
            }
        }
    }
}
