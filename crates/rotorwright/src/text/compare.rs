//! Builds and records beside each other, for the terminal.

use dossier::compare::builds::{BuildComparison, CriterionPair, Pair};
use dossier::compare::drives::{DriveRanking, RankedDrive};
use dossier::compare::parts::Part;
use dossier::compare::records::RecordComparison;
use dossier::estimate::Estimate;

use super::WIDTH;
use super::findings::data_table;
use super::table::{Table, heading, paragraph};
use crate::format::{Display, HARD_SPACE, digits, short};

/// Parts of a difference that are told one by one.
const PARTS_TOLD: usize = 4;
/// Smaller than this share of the largest, a part is not told.
const PART_TOLD: f64 = 0.02;
/// Characters of a value of the aircraft file.
const VALUE: usize = 28;

/// Display for a figure that both builds have.
fn display(id: &str, pair: &Pair) -> Option<Display> {
    let both: Vec<&Estimate> = pair.before.iter().chain(&pair.after).collect();
    let values: Vec<f64> = both.iter().map(|e| e.value).collect();
    Some(Display::choose_for(&both.first()?.unit, id, &values))
}

fn shown(d: &Display, e: Option<&Estimate>) -> String {
    e.map_or_else(|| "-".to_owned(), |e| d.figure(e))
}

/// A difference with its 95 % interval, and a word where it is within it.
pub fn difference(d: &Display, e: &Estimate) -> String {
    let wide = Estimate { uncertainty: 2.0 * e.uncertainty, ..e.clone() };
    let clear = e.value.abs() > 2.0 * e.uncertainty;
    if e.value == 0.0 && e.uncertainty == 0.0 {
        return "none".to_owned();
    }
    if clear { d.change(&wide) } else { format!("{} (not clear)", d.change(&wide)) }
}

/// Where a difference comes from, in one line: the largest parts, then what is left of them.
pub fn parts_line(d: &Display, parts: &[Part]) -> String {
    let told = |from: &str, value: f64| {
        let v = value * d.factor;
        let sign = if v > 0.0 { "+" } else { "" };
        format!("{from}{HARD_SPACE}{sign}{}", short(v))
    };
    let most = parts.iter().map(|p| p.value.abs()).fold(0.0, f64::max);
    let (large, small): (Vec<&Part>, Vec<&Part>) =
        parts.iter().partition(|p| p.value.abs() >= PART_TOLD * most);
    let mut list: Vec<String> = large.iter().take(PARTS_TOLD).map(|p| told(&p.from, p.value)).collect();
    let rest: f64 = large.iter().skip(PARTS_TOLD).chain(&small).map(|p| p.value).sum();
    if rest.abs() >= PART_TOLD * most {
        list.push(told("the rest", rest));
    }
    list.join("; ")
}

fn row(table: &mut Table, name: &str, what: &str, id: &str, pair: &Pair) {
    let Some(d) = display(id, pair) else { return };
    if !name.is_empty() {
        table.span("", name);
    }
    let change = pair.difference.as_ref().map_or_else(|| "-".to_owned(), |e| difference(&d, e));
    table.row([what.to_owned(), shown(&d, pair.before.as_ref()), shown(&d, pair.after.as_ref()), change]);
    if !pair.parts.is_empty() && pair.difference.as_ref().is_some_and(|e| e.value != 0.0) {
        table.span("  from", &parts_line(&d, &pair.parts));
    }
}

fn cut(text: Option<&String>) -> String {
    let Some(text) = text else { return "-".to_owned() };
    let plain = text.trim_matches('"');
    if plain.chars().count() <= VALUE {
        return plain.to_owned();
    }
    plain.chars().take(VALUE - 1).chain(['…']).collect()
}

fn state(c: &CriterionPair, k: usize) -> String {
    c.states[k].map_or_else(|| "-".to_owned(), |s| s.word_marked(c.simulated[k]))
}

/// Two builds.
pub fn builds(c: &BuildComparison) -> String {
    let mut out = heading(&format!("{}: build {} beside build {}", c.programme, c.before, c.after), '=');
    out.push('\n');
    if c.changes.is_empty() {
        out.push_str("The aircraft files say the same.\n");
    } else {
        let mut table = Table::new(&["What differs", &c.before, &c.after]);
        for f in &c.changes {
            table.row([f.key.clone(), cut(f.before.as_ref()), cut(f.after.as_ref())]);
        }
        out.push_str(&table.render(WIDTH));
    }
    for text in &c.borrowed {
        out.push_str(&paragraph(text, "", 0, WIDTH));
    }
    let heads = ["", c.before.as_str(), c.after.as_str(), "Difference"];
    out.push('\n');
    out.push_str(&heading("Predicted", '-'));
    out.push_str(&paragraph(
        "± beside a figure is one standard uncertainty; a difference has its 95 % interval, without the errors that both builds share.",
        "",
        0,
        WIDTH,
    ));
    let mut table = Table::new(&heads);
    for f in &c.figures {
        row(&mut table, &f.name, "", &f.id, &f.pair);
    }
    out.push_str(&table.render(WIDTH));
    for g in &c.gates {
        out.push('\n');
        let states: Vec<String> = (0..2).map(|k| g.states[k].word_marked(g.simulated[k])).collect();
        out.push_str(&heading(
            &format!("{}: {} {}, {} {}", g.name, c.before, states[0], c.after, states[1]),
            '-',
        ));
        let mut table = Table::new(&heads);
        for k in &g.criteria {
            table.span("", &k.text);
            row(&mut table, "", "predicted", &k.id, &k.predicted);
            row(&mut table, "", "measured", &k.id, &k.measured);
            table.row(["state".to_owned(), state(k, 0), state(k, 1), String::new()]);
        }
        out.push_str(&table.render(WIDTH));
    }
    out
}

/// Several records.
pub fn records(c: &RecordComparison) -> String {
    match c {
        RecordComparison::Drives(r) => drives(r),
        RecordComparison::Vibration { pairs } => {
            let mut out = String::new();
            for p in pairs {
                out.push_str(&heading(&format!("Vibration: {} beside {}", p.before, p.after), '='));
                if p.shown.tables.is_empty() {
                    out.push_str("They share no channel of vibration.\n");
                }
                for t in &p.shown.tables {
                    out.push('\n');
                    out.push_str(&data_table(t));
                }
            }
            out
        }
    }
}

/// `1.62 ± 0.10`, in ms with the 95 % interval.
pub fn ms(e: Option<&Estimate>) -> String {
    e.map_or_else(|| "-".to_owned(), |e| digits(1e3 * e.value, 2e3 * e.uncertainty))
}

/// The place of a drive: `1`, or `-` where it has none.
pub fn place(k: usize, d: &RankedDrive) -> String {
    if d.crossover.is_some() { (k + 1).to_string() } else { "-".to_owned() }
}

/// How far a drive is ahead of the next.
pub fn ahead(d: &RankedDrive) -> String {
    d.ahead.as_ref().map_or_else(String::new, |a| {
        let word = if d.clear { "clear" } else { "not clear" };
        format!("{}, {word}", digits(a.value, 2.0 * a.uncertainty))
    })
}

fn drives(r: &DriveRanking) -> String {
    let mut out = heading(&format!("Drives in the rate loop of build {}", r.build), '=');
    out.push('\n');
    out.push_str(&paragraph(&r.verdict, "", 0, WIDTH));
    out.push('\n');
    let mut table = Table::new(&[
        "",
        "Reachable crossover rad/s",
        "Ahead of the next rad/s",
        "Dead time ms",
        "Lag up ms",
        "Lag down ms",
    ]);
    for (k, d) in r.drives.iter().enumerate() {
        let about = format!("{} ({}, {})", d.name(), d.record, d.origin.word());
        table.span(&place(k, d), &about);
        let value =
            d.crossover.as_ref().map_or_else(|| "-".to_owned(), |c| digits(c.value, 2.0 * c.uncertainty));
        table.row([
            String::new(),
            value,
            ahead(d),
            ms(d.dead_time.as_ref()),
            ms(d.lag_up.as_ref()),
            ms(d.lag_down.as_ref()),
        ]);
    }
    out.push_str(&table.render(WIDTH));
    for d in &r.drives {
        if let Some(why) = &d.cannot {
            out.push_str(&paragraph(&format!("{} cannot be ranked: {why}.", d.record), "- ", 2, WIDTH));
        }
    }
    out.push('\n');
    out.push_str(&paragraph(
        "± is the 95 % interval. Reachable crossover: roll's, at 45 deg of phase margin with this build's sensor, filters, loop and i/p. It counts, not milliseconds alone: a lag takes gain away as well as phase. Records of other stands or supplies differ by those too.",
        "",
        0,
        WIDTH,
    ));
    out
}
