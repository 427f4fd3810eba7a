//! A triage as text: alarms first, then what is proved, what is not, what to ask for.

use dossier::triage::Triage;

use super::WIDTH;
use super::findings::{Untold, items, phases, spectrum, steps, untold};
use super::table::{heading, paragraph};

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
    out.push('\n');
    out.push_str(&items(&t.findings.items));
    out.push('\n');
    out.push_str(&heading("What it cannot tell", '-'));
    let open: Vec<Untold<'_>> = t.cannot.iter().map(|o| (&*o.what, &*o.why, &*o.would_tell)).collect();
    out.push_str(&untold(&open));
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
