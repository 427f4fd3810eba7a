//! The answer of `check` as text: headline, gates, criteria, causes, ledgers.

use std::fmt::Write as _;

use dossier::estimate::Estimate;
use dossier::result::{Cause, ChangeClass, CheckResult, CriterionResult, Figure, GateResult, Ledger, State};

use super::WIDTH;
use super::table::{Table, heading, paragraph};
use crate::format::{Display, limit_for, percent};

/// The whole answer, or that of the gate `only`, then with the basis of every limit.
pub fn check(result: &CheckResult, only: Option<&str>) -> String {
    let mut out = headline(result);
    out.push('\n');
    for (i, gate) in result.gates.iter().enumerate() {
        if only.is_none_or(|id| id == gate.id) {
            out.push_str(&gate_section(i + 1, gate, only.is_some()));
            out.push('\n');
        }
    }
    if only.is_none() {
        out.push_str(&waits(result));
        out.push_str(&scores(result));
        out.push_str(&records(result));
    }
    trimmed(out)
}

/// Name, count of gates met, what limits the aircraft, and the table of gates.
pub fn headline(result: &CheckResult) -> String {
    let met = result.gates.iter().filter(|g| g.state == State::Met).count();
    let simulated = result.gates.iter().filter(|g| g.state == State::Met && g.simulated).count();
    let mut title =
        format!("{}, build {}: {met} of {} gates met", result.programme, result.build, result.gates.len());
    if simulated > 0 {
        let _ = write!(title, " ({simulated} simulated)");
    }
    let mut out = heading(&title, '=');
    for edit in &result.edits {
        out.push_str(&paragraph(
            &format!("What if {} = {}: not written to the file.", edit.key, edit.value),
            "",
            2,
            WIDTH,
        ));
    }
    out.push('\n');
    match &result.limiting {
        Some(limiting) => {
            out.push_str(&paragraph(&limiting.sentence, "What limits it  ", 16, WIDTH));
            if let Some(cause) = &limiting.cause {
                let criterion = find(result, &limiting.criterion);
                out.push_str(&paragraph(&cause.name, "Likely cause    ", 16, WIDTH));
                out.push_str(&paragraph(&cause.change, "What to change  ", 16, WIDTH));
                out.push_str(&paragraph(
                    &effect(&limiting.criterion, cause, criterion),
                    "What it buys    ",
                    16,
                    WIDTH,
                ));
            }
        }
        None => out.push_str("Nothing is short.\n"),
    }
    out.push('\n');
    out.push_str(&gate_table(result).render(WIDTH));
    for warning in &result.warnings {
        out.push('\n');
        let _ = writeln!(out, "{warning}");
    }
    out
}

fn find<'a>(result: &'a CheckResult, id: &str) -> Option<&'a CriterionResult> {
    result.gates.iter().flat_map(|g| &g.criteria).find(|c| c.id == id)
}

/// No, gate, state, worst margin, evidence.
fn gate_table(result: &CheckResult) -> Table {
    let mut table = Table::new(&["No", "Gate", "State", "Worst margin", "Evidence"]);
    for (i, gate) in result.gates.iter().enumerate() {
        let mut state = gate.state.word_marked(gate.simulated);
        if let Some(before) = &gate.premature {
            let _ = write!(state, ", premature: {before} is not met");
        }
        table.row([(i + 1).to_string(), gate.name.clone(), state, worst_margin(gate), evidence(gate)]);
    }
    table
}

/// The least margin of the gate's criteria, and whose it is.
fn worst_margin(gate: &GateResult) -> String {
    gate.criteria
        .iter()
        .filter_map(|c| c.margin.map(|m| (m, c)))
        .min_by(|a, b| a.0.total_cmp(&b.0))
        .map_or_else(
            || "none known".to_owned(),
            |(m, c)| {
                let sign = if m > 0.0 { "+" } else { "" };
                format!("{sign}{} ({})", percent(m), tail(&c.id).replace('-', " "))
            },
        )
}

fn evidence(gate: &GateResult) -> String {
    match (gate.records.len(), &gate.evidence_date) {
        (0, _) => "nothing measured".to_owned(),
        (n, date) => {
            let what = if n == 1 { "1 record".to_owned() } else { format!("{n} records") };
            date.as_ref().map_or(what.clone(), |d| format!("{what}, {d}"))
        }
    }
}

/// Last part of an identity.
fn tail(id: &str) -> &str {
    id.rsplit('.').next().unwrap_or(id)
}

/// One gate: question, verdict, criteria, what lies behind them, ledgers.
fn gate_section(number: usize, gate: &GateResult, detail: bool) -> String {
    let title = format!("{number} {}: {}", gate.name, gate.state.word_marked(gate.simulated));
    let mut out = heading(&title, '-');
    out.push_str(&paragraph(&gate.question, "", 0, WIDTH));
    out.push_str(&paragraph(&gate.verdict, "", 0, WIDTH));
    if let Some(before) = &gate.premature {
        out.push_str(&paragraph(
            &format!("Premature: {before} is not met, and what this gate shows rests on it."),
            "",
            0,
            WIDTH,
        ));
    }
    out.push('\n');
    let mut table = Table::new(&["No", "Predicted", "Measured", "Limit", "State"]);
    for (k, c) in gate.criteria.iter().enumerate() {
        let d = display(c);
        table.span(&format!("{number}.{}", k + 1), &c.text);
        table.row([
            String::new(),
            c.predicted.as_ref().map_or_else(|| "-".to_owned(), |e| d.figure(e)),
            c.measured.as_ref().map_or_else(|| "-".to_owned(), |m| d.figure(&m.estimate)),
            limit_for(&d, &c.limit),
            c.state.word_marked(c.simulated),
        ]);
    }
    out.push_str(&table.render(WIDTH));
    out.push_str(&waiting(number, gate));
    for (k, c) in gate.criteria.iter().enumerate() {
        let text = behind(c, detail);
        if !text.is_empty() {
            let _ = write!(out, "\n{number}.{} {}\n{text}", k + 1, tail(&c.id).replace('-', " "));
        }
    }
    for ledger in &gate.ledgers {
        out.push('\n');
        out.push_str(&ledger_table(ledger));
    }
    if detail {
        for t in &gate.shown.tables {
            out.push('\n');
            out.push_str(&super::findings::data_table(t));
        }
    }
    if detail && !gate.records.is_empty() {
        out.push('\n');
        out.push_str(&paragraph(&gate.records.join(", "), "Records: ", 9, WIDTH));
    }
    out
}

/// One display for all figures of a criterion.
pub fn display(c: &CriterionResult) -> Display {
    let mut values = vec![c.limit.value];
    values.extend(c.predicted.as_ref().map(|e| e.value));
    values.extend(c.measured.as_ref().map(|m| m.estimate.value));
    Display::choose_for(&c.limit.unit, &c.id, &values)
}

/// What the criteria of a gate wait for, those with the same need together.
fn waiting(number: usize, gate: &GateResult) -> String {
    let mut needs: Vec<(&str, Vec<String>)> = Vec::new();
    for (k, c) in gate.criteria.iter().enumerate() {
        let Some(need) = &c.waits_for else { continue };
        let no = format!("{number}.{}", k + 1);
        match needs.iter_mut().find(|(n, _)| n == need) {
            Some((_, numbers)) => numbers.push(no),
            None => needs.push((need, vec![no])),
        }
    }
    if needs.is_empty() {
        return String::new();
    }
    let lines = needs.iter().map(|(need, numbers)| {
        let verb = if numbers.len() == 1 { "waits" } else { "wait" };
        paragraph(&format!("{} {verb} for {}", numbers.join(", "), need.trim_end_matches('.')), "", 4, WIDTH)
    });
    format!("\n{}", lines.collect::<String>())
}

/// What lies behind a criterion: staleness, uncertainty, causes.
fn behind(c: &CriterionResult, detail: bool) -> String {
    let mut out = String::new();
    let mut line = |text: &str| out.push_str(&paragraph(text, "    ", 4, WIDTH));
    if let Some(why) = c.measured.as_ref().and_then(|m| m.stale.as_ref()) {
        line(&format!("Stale: {why}"));
    }
    if let Some(note) = &c.note {
        line(note);
    }
    if detail {
        line(&format!("Limit {}: {}", c.limit.origin, c.limit.basis));
    }
    if (detail || matches!(c.state, State::Short | State::Undecided))
        && let Some(text) = uncertainty_source(c)
    {
        line(&text);
    }
    for (letter, cause) in ('a'..).zip(&c.causes) {
        out.push_str(&cause_text(&format!("    {letter}) "), c, cause));
    }
    if let Some(test) = &c.separating_test {
        out.push_str(&paragraph(
            &format!("These fit about equally well. To tell them apart: {test}"),
            "    ",
            4,
            WIDTH,
        ));
    }
    out
}

fn uncertainty_source(c: &CriterionResult) -> Option<String> {
    let (what, e) = match &c.measured {
        Some(m) => ("measured", &m.estimate),
        None => ("predicted", c.predicted.as_ref()?),
    };
    let (source, share) = e.dominant()?;
    Some(format!("Uncertainty of the {what} figure: {} from {source}.", percent(share)))
}

/// A cause with its change, effect, and what the change touches.
fn cause_text(lead: &str, c: &CriterionResult, cause: &Cause) -> String {
    let mut out = paragraph(&format!("{}: {}", cause.name, cause.why), lead, 7, WIDTH);
    let mut line = |word: &str, text: &str| {
        out.push_str(&paragraph(text, &format!("       {word:<8}"), 15, WIDTH));
    };
    line("change", &format!("{} ({})", cause.change, class(cause.class)));
    for edit in cause.edits.iter().filter(|e| !cause.change.contains(&e.key)) {
        line("", &format!("{}\u{a0}= {}", edit.key, edit.value));
    }
    line("effect", &effect(&c.id, cause, Some(c)));
    if !cause.makes_stale.is_empty() {
        line("then", &format!("to be measured again: {}", cause.makes_stale.join(", ")));
    }
    if !cause.breaks.is_empty() {
        line("breaks", &format!("pushes over its limit: {}", cause.breaks.join(", ")));
    }
    out
}

fn class(class: ChangeClass) -> &'static str {
    match class {
        ChangeClass::Configuration => "configuration",
        ChangeClass::Hardware => "hardware",
        ChangeClass::Filter => "filter",
        ChangeClass::Gain => "gain",
    }
}

/// Before, after, difference, and whether that meets the limit.
fn effect(id: &str, cause: &Cause, criterion: Option<&CriterionResult>) -> String {
    let e = &cause.effect;
    let d = criterion
        .map_or_else(|| Display::choose_for(&e.before.unit, id, &[e.before.value, e.after.value]), display);
    let verdict = if e.meets { "inside the limit" } else { "still outside the limit" };
    format!("{} becomes {} ({}): {verdict}", d.figure(&e.before), d.figure(&e.after), d.change(&e.difference))
}

/// A ledger as a table with its sum and allowance.
fn ledger_table(ledger: &Ledger) -> String {
    let values: Vec<f64> = ledger.lines.iter().map(|l| l.value.value).chain([ledger.sum.value]).collect();
    let d = Display::choose_for(&ledger.sum.unit, &ledger.id, &values);
    let mut table = Table::new(&[&ledger.title, "Value", "Share", "Note"]);
    for l in &ledger.lines {
        table.row([l.name.clone(), d.figure(&l.value), percent(l.share), l.note.clone()]);
    }
    let allowance = ledger.allowance.map_or_else(String::new, |a| format!("allowance {}", d.number(a)));
    table.row(["Sum".to_owned(), d.figure(&ledger.sum), String::new(), allowance]);
    table.render(WIDTH)
}

fn waits(result: &CheckResult) -> String {
    let mut out = String::new();
    if !result.waits.is_empty() {
        out.push_str(&heading("Not computed yet", '-'));
        for w in &result.waits {
            out.push_str(&paragraph(w, "- ", 2, WIDTH));
        }
        out.push('\n');
    }
    out
}

/// Frozen predictions beside what was measured after.
fn scores(result: &CheckResult) -> String {
    if result.scores.is_empty() {
        return String::new();
    }
    let mut out = heading("Frozen predictions, scored", '-');
    let mut table = Table::new(&["Model", "Figure", "Predicted", "Measured", "Score"]);
    for s in &result.scores {
        let d = Display::choose_for(&s.predicted.unit, &s.name, &[s.predicted.value, s.measured.value]);
        table.row([
            s.model.clone(),
            s.name.clone(),
            d.figure(&s.predicted),
            marked(&d, &s.measured),
            format!("{:+.1}", s.score),
        ]);
    }
    out.push_str(&table.render(WIDTH));
    out.push_str("Score: difference over its standard uncertainty.\n\n");
    out
}

fn marked(d: &Display, e: &Estimate) -> String {
    format!("{} ({})", d.figure(e), e.origin.word())
}

fn records(result: &CheckResult) -> String {
    if result.records.is_empty() {
        return String::new();
    }
    let mut out = heading("Records", '-');
    let mut table = Table::new(&["Record", "Kind", "Date", "Origin", "Rate", "Channels"]);
    for r in &result.records {
        let kind = format!("{:?}", r.kind).to_lowercase();
        let origin = dossier::estimate::Origin::from(r.origin).word().to_owned();
        let rate = if r.rate > 0.0 { format!("{:.0}\u{a0}Hz", r.rate) } else { "-".to_owned() };
        table.row([r.id.clone(), kind, r.date.clone(), origin, rate, r.channels.len().to_string()]);
    }
    out.push_str(&table.render(WIDTH));
    out.push('\n');
    out
}

/// Every predicted figure by group, with the input that its uncertainty mostly comes from.
pub fn predictions(result: &CheckResult) -> String {
    let mut out = heading("Predictions", '-');
    let mut groups: Vec<&str> = Vec::new();
    for f in &result.figures {
        if !groups.contains(&f.group.as_str()) {
            groups.push(&f.group);
        }
    }
    for group in groups {
        let mut table = Table::new(&[group, "Value", "Mostly uncertain through"]);
        for f in result.figures.iter().filter(|f| f.group == group) {
            table.row([f.name.clone(), figure_text(f), dominant(&f.estimate)]);
        }
        out.push_str(&table.render(WIDTH));
        out.push('\n');
    }
    if !result.facts.is_empty() {
        let mut table = Table::new(&["Fact", ""]);
        for f in &result.facts {
            table.row([f.name.clone(), f.text.clone()]);
        }
        out.push_str(&table.render(WIDTH));
        out.push('\n');
    }
    out.push_str(&inputs(result));
    trimmed(out)
}

fn figure_text(f: &Figure) -> String {
    crate::format::figure_for(&f.id, &f.estimate)
}

fn dominant(e: &Estimate) -> String {
    e.dominant().map_or_else(|| "-".to_owned(), |(s, share)| format!("{s} ({})", percent(share)))
}

fn inputs(result: &CheckResult) -> String {
    if result.inputs.is_empty() {
        return String::new();
    }
    let mut table = Table::new(&["Input", "In the file", "Standard uncertainty"]);
    for i in &result.inputs {
        let d = Display::choose(&i.unit, &i.key, i.value);
        let number = format!(
            "{}{}{}",
            crate::format::short(i.uncertainty * d.factor),
            if d.unit.is_empty() { "" } else { "\u{a0}" },
            d.unit
        );
        let assumed = if i.assumed { " assumed" } else { "" };
        table.row([i.key.clone(), i.text.clone(), format!("{number}{assumed}")]);
    }
    table.render(WIDTH)
}

/// Criteria whose figure or state a what-if changes, beside the file as it stands.
pub fn what_if(filed: &CheckResult, edited: &CheckResult) -> String {
    let mut table = Table::new(&["Criterion", "As filed", "With the change", "State"]);
    for (a, b) in filed.gates.iter().zip(&edited.gates).flat_map(|(a, b)| a.criteria.iter().zip(&b.criteria))
    {
        let (before, after) = (a.predicted.as_ref(), b.predicted.as_ref());
        let moved = match (before, after) {
            (Some(x), Some(y)) => (x.value - y.value).abs() > 1e-9 * x.value.abs().max(1e-12),
            (x, y) => x.is_some() != y.is_some(),
        };
        if !moved && a.state == b.state {
            continue;
        }
        let d = display(b);
        let show = |e: Option<&Estimate>| e.map_or_else(|| "-".to_owned(), |e| d.figure(e));
        let state = if a.state == b.state {
            b.state.word().to_owned()
        } else {
            format!("{}, was {}", b.state.word(), a.state.word())
        };
        table.row([b.id.clone(), show(before), show(after), state]);
    }
    if table.is_empty() {
        return "The change moves no predicted figure of any criterion.\n".to_owned();
    }
    format!("{}{}", heading("What the change does (predicted)", '-'), table.render(WIDTH))
}

fn trimmed(mut text: String) -> String {
    while text.ends_with("\n\n") {
        text.pop();
    }
    text
}

#[cfg(test)]
#[path = "check_tests.rs"]
mod tests;
