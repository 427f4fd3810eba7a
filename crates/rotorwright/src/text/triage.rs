//! A triage as text: alarms first, then what is proved, what is not, what to ask for.

use dossier::findings::{Finding, Outcome};
use dossier::triage::Triage;

use super::WIDTH;
use super::findings::{phases, spectrum, steps};
use super::table::{Table, heading, paragraph};
use crate::format::figure_for;

/// The whole triage.
pub fn triage(t: &Triage, source: &str) -> String {
    let mut out = heading(&format!("Triage of {source}"), '=');
    if t.alarms.is_empty() {
        out.push_str("No alarm: no saturation, clipping or oscillation was found.\n");
    }
    for a in &t.alarms {
        out.push_str(&paragraph(&format!("{}: {}", a.kind, a.text), "! ", 2, WIDTH));
    }
    out.push('\n');
    out.push_str(&heading("What this log proves", '-'));
    out.push_str(&phases(&t.findings.phases));
    let mut table = Table::new(&["Finding", "Value", "What it says"]);
    for f in t.findings.items.iter().filter(|f| !matches!(f.outcome, Outcome::CannotTell { .. })) {
        table.row([f.label.clone(), answer(f), f.text.clone()]);
    }
    if !table.is_empty() {
        out.push_str(&table.render(WIDTH));
    }
    out.push('\n');
    out.push_str(&heading("What it cannot tell", '-'));
    let mut table = Table::new(&["Question", "Missing", "What would tell"]);
    for o in &t.cannot {
        table.row([o.what.clone(), o.why.clone(), o.would_tell.clone()]);
    }
    if !table.is_empty() {
        out.push_str(&table.render(WIDTH));
    }
    for text in &t.limits {
        out.push_str(&paragraph(text, "- ", 2, WIDTH));
    }
    out.push('\n');
    out.push_str(&heading("Three things to ask for", '-'));
    for (n, ask) in (1..).zip(&t.ask_for) {
        out.push_str(&paragraph(&ask.what, &format!("{n}. "), 3, WIDTH));
        out.push_str(&paragraph(&format!("tells: {}", ask.unlocks.join("; ")), "   ", 3, WIDTH));
    }
    if !t.findings.steps.is_empty() {
        out.push('\n');
        out.push_str(&steps(&t.findings.steps));
    }
    for s in &t.findings.spectra {
        out.push('\n');
        out.push_str(&spectrum(s));
    }
    out
}

fn answer(f: &Finding) -> String {
    match &f.outcome {
        Outcome::Value { estimate } => figure_for(&f.key, estimate),
        Outcome::Words { answer } => answer.clone(),
        Outcome::CannotTell { .. } => "cannot tell".to_owned(),
    }
}
