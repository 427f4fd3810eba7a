//! Cards in the terminal.

use dossier::cards::{Card, LimitLine};

use super::WIDTH;
use super::table::{Table, heading, paragraph};
use crate::format::HARD_SPACE;

/// All cards with the gate each serves.
pub fn list(build: &str, cards: &[Card]) -> String {
    let mut out = heading(&format!("Cards for {build}"), '=');
    let mut table = Table::new(&["card", "gate", "record", "what it is for"]);
    for c in cards {
        table.row([c.id, c.gate, c.record, &c.purpose]);
    }
    out.push('\n');
    out.push_str(&table.render(WIDTH));
    out
}

fn items(out: &mut String, title: &str, lines: &[String], mark: &str) {
    if lines.is_empty() {
        return;
    }
    out.push('\n');
    out.push_str(&heading(title, '-'));
    for (k, line) in lines.iter().enumerate() {
        let lead = if mark == "1" { format!("{:>2}. ", k + 1) } else { format!("{mark} ") };
        let width = lead.chars().count();
        out.push_str(&paragraph(line, &lead, width, WIDTH));
    }
}

fn limits(out: &mut String, title: &str, lines: &[LimitLine]) {
    if lines.is_empty() {
        return;
    }
    out.push('\n');
    out.push_str(&heading(title, '-'));
    let mut table = Table::new(&["what", "limit", "why"]);
    for l in lines {
        table.row([hard(&l.what), hard(&l.limit), hard(&l.why)]);
    }
    out.push_str(&table.render(WIDTH));
}

fn hard(text: &str) -> String {
    text.replace('\u{a0}', &HARD_SPACE.to_string())
}

/// One card to 80 columns.
pub fn card(c: &Card) -> String {
    let mut out = heading(&format!("{}: {}", c.title, c.aircraft), '=');
    out.push_str(&paragraph(&format!("Gate {}. Makes a record of kind {}.", c.gate, c.record), "", 0, WIDTH));
    out.push_str(&paragraph(&c.purpose, "", 0, WIDTH));
    items(&mut out, "Cautions", &c.cautions, "!");
    if !c.numbers.is_empty() {
        out.push('\n');
        out.push_str(&heading("Numbers of this build", '-'));
        let mut table = Table::new(&["what", "value", "why"]);
        for n in &c.numbers {
            table.row([n.name.clone(), hard(&n.shown), hard(&n.why)]);
        }
        out.push_str(&table.render(WIDTH));
    }
    items(&mut out, "You need", &c.you_need, "-");
    items(&mut out, "Set-up", &c.set_up, "-");
    items(&mut out, "Before power", &c.check_boxes, "[ ]");
    items(&mut out, "Steps", &c.steps, "1");
    limits(&mut out, "Stop at once", &c.abort_limits);
    if !c.log.is_empty() {
        out.push('\n');
        out.push_str(&heading("Log", '-'));
        let mut table = Table::new(&["channel", "tapped", "least rate", "why"]);
        for l in &c.log {
            table.row([hard(&l.channel), l.tap.clone(), hard(&l.shown), hard(&l.why)]);
        }
        out.push_str(&table.render(WIDTH));
    }
    items(&mut out, "Computed from it", &c.computed_after, "-");
    limits(&mut out, "Limits to reach", &c.pass_limits);
    out
}
