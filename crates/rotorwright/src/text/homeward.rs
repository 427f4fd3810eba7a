//! The way home for the terminal.

use dossier::homeward::{Homeward, RULES};
use dossier::result::CheckResult;

use super::WIDTH;
use super::table::{Table, heading, paragraph};

/// The way home, or what it waits for.
pub fn homeward(check: &CheckResult, homeward: Option<&Homeward>, waits_for: Option<&str>) -> String {
    let mut out = heading(&format!("{}, build {}: the way home", check.programme, check.build), '=');
    let Some(h) = homeward else {
        let why = waits_for.unwrap_or("cannot be computed");
        out.push_str(&paragraph(&format!("The way home: {why}."), "", 0, WIDTH));
        out.push_str(&paragraph(RULES, "", 0, WIDTH));
        return out;
    };
    out.push('\n');
    out.push_str(&paragraph(&h.verdict, "", 0, WIDTH));
    for given in h.tables() {
        out.push('\n');
        out.push_str(&heading(&given.title, '-'));
        let heads: Vec<&str> = given.head.iter().map(String::as_str).collect();
        let mut table = Table::new(&heads);
        for row in &given.rows {
            table.row(row.iter().map(String::as_str));
        }
        out.push_str(&table.render(WIDTH));
        if !given.note.is_empty() {
            out.push_str(&paragraph(&given.note, "", 0, WIDTH));
        }
    }
    out.push('\n');
    out.push_str(&paragraph(RULES, "", 0, WIDTH));
    out
}
