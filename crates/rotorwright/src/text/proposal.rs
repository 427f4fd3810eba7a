//! What a proposed channel map is unsure of, as text.

use dossier::import::{Doubt, Proposal};

use super::WIDTH;
use super::table::paragraph;

/// The remarks, the columns left out, and the questions with their answers.
pub fn questions(p: &Proposal) -> String {
    let mut out = String::new();
    for remark in &p.remarks {
        out.push_str(&paragraph(remark, "- ", 2, WIDTH));
    }
    if !p.unmapped.is_empty() {
        out.push_str("\nColumns left out:\n");
        for u in &p.unmapped {
            let name = if u.name.is_empty() { String::new() } else { format!(" `{}`", u.name) };
            let file = if p.map.files() > 1 { format!("file {}, ", u.file) } else { String::new() };
            out.push_str(&paragraph(
                &format!("{file}column {}{name}: {}", u.position, u.holds),
                "- ",
                2,
                WIDTH,
            ));
        }
    }
    out.push('\n');
    out.push_str(&doubts(&p.doubts));
    out.push_str(&paragraph(
        "Nothing was written. Keep the map in a file, check every line of it, and import again with --channels.",
        "",
        0,
        WIDTH,
    ));
    out.trim_start_matches('\n').trim_end().to_owned()
}

/// The questions, with what to type for each answer.
pub fn doubts(list: &[Doubt]) -> String {
    let mut out = String::new();
    for (n, d) in (1..).zip(list) {
        out.push_str(&paragraph(&format!("{}: {}", d.channel, d.question), &format!("{n}. "), 3, WIDTH));
        out.push_str(&paragraph(&d.why, "   ", 3, WIDTH));
        for choice in &d.options {
            let lead = format!("   --accept {}={}", d.id, choice.answer);
            out.push_str(&paragraph(&choice.text, &format!("{lead}  "), 7, WIDTH.max(lead.len() + 40)));
        }
        out.push('\n');
    }
    out
}
