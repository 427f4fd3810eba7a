//! The aircraft in figures: masses, predictions, and the inputs that can be edited.

use dossier::result::{CheckResult, Figure, InputLine};
use maud::{Markup, html};

use crate::figures::mark;
use crate::figures::number::{self, Scale};
use crate::web::whatif::{FIELD, WhatIf, editable};

/// Everything that has mass.
pub(crate) fn masses(check: &CheckResult) -> Markup {
    let total: f64 = check.aircraft.bodies.iter().map(|b| b.mass).sum();
    let bare: f64 = check.aircraft.bodies.iter().filter(|b| !b.payload).map(|b| b.mass).sum();
    let place = |v: f64| format!("{:.0}", v * 1e3).replace('-', "−");
    html! {
        div.scroll tabindex="0" role="group" aria-label="masses" {
            table.masses {
                caption { "Masses and their places from the reference point" }
                thead { tr {
                    th scope="col" { "item" }
                    th.num scope="col" { "mass" }
                    th.num scope="col" { "forward, mm" }
                    th.num scope="col" { "right, mm" }
                    th.num scope="col" { "down, mm" }
                    th.num scope="col" { "share" }
                } }
                tbody {
                    @for b in &check.aircraft.bodies {
                        tr {
                            th scope="row" { (b.item) @if b.payload { " (payload)" } }
                            td.num { (Scale::of("kg", b.mass, "").show(b.mass)) }
                            td.num { (place(b.at.x)) }
                            td.num { (place(b.at.y)) }
                            td.num { (place(b.at.z)) }
                            td.num { @if total > 0.0 { (format!("{:.0} %", b.mass / total * 100.0)) } @else { "–" } }
                        }
                    }
                }
                tfoot {
                    tr {
                        th scope="row" { "all" }
                        td.num { (Scale::of("kg", total, "").show(total)) }
                        td.num { (place(check.centre_of_gravity[0])) }
                        td.num { (place(check.centre_of_gravity[1])) }
                        td.num { (place(check.centre_of_gravity[2])) }
                        td.num { "100 %" }
                    }
                    @if bare < total {
                        tr { th scope="row" { "without payload" } td.num { (Scale::of("kg", bare, "").show(bare)) } td colspan="4" {} }
                    }
                }
            }
        }
    }
}

/// Predicted figures, grouped; beside a what-if, what the file gives.
pub(crate) fn predictions(check: &CheckResult, base: Option<&CheckResult>) -> Markup {
    let mut groups: Vec<&str> = Vec::new();
    for f in &check.figures {
        if !groups.contains(&f.group.as_str()) {
            groups.push(&f.group);
        }
    }
    let before = |f: &Figure| {
        base.and_then(|b| b.figures.iter().find(|o| o.id == f.id))
            .filter(|o| o.estimate.value != f.estimate.value)
    };
    html! {
        @for group in groups {
            div.scroll tabindex="0" role="group" aria-label=(group) {
                table.figures {
                    caption { (group) }
                    thead { tr {
                        th scope="col" { "figure" }
                        th.num scope="col" { "predicted" }
                        @if base.is_some() { th.num scope="col" { "by the file" } }
                        th scope="col" { "uncertain mostly by" }
                    } }
                    tbody {
                        @for f in check.figures.iter().filter(|f| f.group == group) {
                            @let scale = Scale::for_estimate(&f.estimate, &f.id);
                            tr id=(format!("figure-{}", f.id)) class=[before(f).is_some().then_some("changed")] {
                                th scope="row" { (f.name) }
                                td.num { (scale.estimate(&f.estimate)) }
                                @if base.is_some() {
                                    td.num { @match before(f) { Some(o) => { (scale.estimate(&o.estimate)) } None => { "the same" } } }
                                }
                                td {
                                    @if let Some((source, share)) = f.estimate.dominant() {
                                        (source) " (" (format!("{:.0} %", share * 100.0)) ")"
                                    } @else { (f.estimate.origin.word()) }
                                }
                            }
                        }
                    }
                }
            }
        }
        @if !check.facts.is_empty() {
            h3 { "In words" }
            dl.change {
                @for f in &check.facts { div { dt { (f.name) } dd { (f.text) } } }
            }
        }
        @if !check.waits.is_empty() {
            h3 { "Not predicted yet" }
            ul { @for w in &check.waits { li { (w) } } }
        }
    }
}

/// States of all gates, beside a what-if with those of the file.
pub(crate) fn gates(check: &CheckResult, base: &CheckResult) -> Markup {
    html! {
        div.scroll tabindex="0" role="group" aria-label="gates" { table.gates {
            caption { "What the edits do to the gates" }
            thead { tr { th scope="col" { "gate" } th scope="col" { "by the file" } th scope="col" { "what-if" } th.num scope="col" { "worst margin" } } }
            tbody {
                @for g in &check.gates {
                    @let old = base.gates.iter().find(|o| o.id == g.id);
                    @let m = |g: &dossier::result::GateResult| crate::figures::ladder::worst(g).and_then(|c| c.margin).map(number::signed_percent);
                    tr {
                        th scope="row" { (g.name) }
                        td { @if let Some(o) = old { (mark::state(o.state, o.simulated)) } }
                        td { (mark::state(g.state, g.simulated)) }
                        td.num {
                            @let (a, b) = (old.and_then(m), m(g));
                            @if a != b { (a.as_deref().unwrap_or("–")) " \u{2192} " }
                            (b.as_deref().unwrap_or("–"))
                        }
                    }
                }
            }
        } }
    }
}

/// First part of a key, as a heading.
fn section(key: &str) -> &str {
    match key.split('.').next().unwrap_or(key) {
        "mass" => "Masses",
        "rotor" => "Rotor",
        "motor" => "Motor",
        "esc" => "ESC",
        "battery" => "Battery",
        "imu" => "IMU",
        "filter" => "Filters",
        "loop" => "Loops",
        "station" => "Stations",
        "aircraft" => "Airframe",
        "structure" => "Structure",
        _ => "Other",
    }
}

/// The inputs as a form; each is text with its unit, as in the file.
pub(crate) fn form(base: &CheckResult, check: &CheckResult, what: &WhatIf, refused: bool) -> Markup {
    let mut sections: Vec<&str> = Vec::new();
    for i in &base.inputs {
        let s = section(&i.key);
        if !sections.contains(&s) {
            sections.push(s);
        }
    }
    let text = |line: &InputLine| {
        what.edits
            .iter()
            .find(|e| e.key == line.key)
            .map_or_else(|| editable(&line.text).to_owned(), |e| editable(&e.value).to_owned())
    };
    html! {
        form.inputs id="inputs" method="get" action="/aircraft" {
            p.small { "Each value as in the file, with its unit: 12 ms, 1.2 kg +- 2 %. A change is computed at once and stays a what-if until it is kept." }
            @for (name, value) in what.pairs() {
                input type="hidden" name=(name) value=(value);
            }
            @for s in sections {
                @let lines = base.inputs.iter().filter(|i| section(&i.key) == s).count();
                @let touched = what.edits.iter().any(|e| section(&e.key) == s);
                details.group open[lines <= 12 || touched] {
                    summary { (s) span.small { " " (lines) @if lines == 1 { " value" } @else { " values" } } }
                    @for line in base.inputs.iter().filter(|i| section(&i.key) == s) {
                        @let now = check.inputs.iter().find(|i| i.key == line.key).unwrap_or(line);
                        @let edited = what.edits.iter().any(|e| e.key == line.key);
                        div.field.edited[edited] {
                            label for=(format!("in-{}", line.key)) { (line.label) " " code { (line.key) } }
                            input type="text" id=(format!("in-{}", line.key)) name=(format!("{FIELD}{}", line.key))
                                value=(text(line)) data-base=(editable(&line.text)) autocomplete="off" spellcheck="false"
                                aria-invalid=[(edited && refused).then_some("true")];
                            span.small {
                                @if edited { "file: " (editable(&line.text)) "; " }
                                (Scale::of(&now.unit, now.value, &now.key).show_with(now.value, now.uncertainty))
                                @if now.assumed { " (uncertainty assumed)" }
                            }
                        }
                    }
                }
            }
            p { button type="submit" { "Recompute" } }
        }
    }
}
