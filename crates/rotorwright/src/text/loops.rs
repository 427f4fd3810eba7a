//! The sheet of the loops for the terminal, beneath gate rate.

use dossier::chart::Table as Shown;
use dossier::result::GateResult;
use dossier::tuning::LoopSheet;

use super::WIDTH;
use super::findings::data_table;
use super::table::{heading, paragraph};

/// What the gate has not said already: outer loops, what delay costs, margins over battery and payload, yaw.
pub fn loops(sheet: &LoopSheet, gate: &GateResult) -> String {
    let mut out = String::new();
    if let Some(why) = &sheet.gains_wait_for {
        out.push_str(&paragraph(&format!("Gains cannot be chosen: {why}."), "", 0, WIDTH));
    }
    let said = |t: &Shown| gate.shown.tables.iter().any(|g| g.id == t.id);
    let gains = sheet.gains.iter().flat_map(|g| &g.shown.tables).filter(|t| !said(t));
    for t in gains.chain(&sheet.tables) {
        out.push('\n');
        out.push_str(&data_table(t));
    }
    if !sheet.oscillations.is_empty() {
        out.push('\n');
        out.push_str(&heading("Oscillations", '-'));
        for o in &sheet.oscillations {
            let text = format!("{}: {}, {}. {}", o.record, o.name, o.made_by, o.text);
            out.push_str(&paragraph(&text, "", 0, WIDTH));
        }
    }
    out.push('\n');
    out.push_str(&heading("Yaw and cant", '-'));
    match (&sheet.yaw, &sheet.yaw_waits_for) {
        (Some(yaw), _) => {
            out.push_str(&paragraph(&yaw.reason, "", 0, WIDTH));
            for t in &yaw.shown.tables {
                out.push('\n');
                out.push_str(&data_table(t));
            }
        }
        (None, why) => {
            let why = why.as_deref().unwrap_or("nothing to study");
            out.push_str(&paragraph(&format!("Cannot be studied: {why}."), "", 0, WIDTH));
        }
    }
    out
}
