//! The survey of sites for the terminal.

use dossier::result::CheckResult;
use dossier::siting::Siting;

use super::WIDTH;
use super::table::{Table, heading, paragraph};

/// What the survey says, or what it waits for.
pub fn siting(check: &CheckResult, siting: Option<&Siting>, waits_for: Option<&str>) -> String {
    let mut out =
        heading(&format!("{}, build {}: sites for the magnetometer", check.programme, check.build), '=');
    let Some(s) = siting else {
        let why = waits_for.unwrap_or("cannot be made");
        out.push_str(&paragraph(&format!("The survey {why}."), "", 0, WIDTH));
        return out;
    };
    out.push('\n');
    out.push_str(&paragraph(&s.reason, "", 0, WIDTH));
    if let Some(today) = s.today().filter(|t| !t.misses.is_empty()) {
        out.push_str(&paragraph(&format!("Today it misses: {}.", today.misses.join("; ")), "", 0, WIDTH));
    }
    out.push('\n');
    let given = s.table();
    let heads: Vec<&str> = given.head.iter().map(String::as_str).collect();
    let mut table = Table::new(&heads);
    for row in &given.rows {
        table.row(row.iter().map(String::as_str));
    }
    out.push_str(&table.render(WIDTH));
    out.push('\n');
    let text = format!(
        "Largest error over all headings, level, at {:.0} A (hover with payload) and {:.0} A (full thrust), against {:.1} µT horizontal (World Magnetic Model); {} candidates. A mast counts from {:.0} Hz. A restrained run-up proves a site.",
        s.hover_current,
        s.full_current,
        s.horizontal_field * 1e6,
        s.survey.candidates.len(),
        s.least_frequency
    );
    out.push_str(&paragraph(&text, "", 0, WIDTH));
    out
}
