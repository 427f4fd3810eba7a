//! `cargo xtask validate`: every check against an outside source, as a table.
//!
//! The tests named `val_*` print one line per check,
//! `VALIDATION|topic|what|source|expected|computed|tolerance`. This task collects them, compares
//! once more, and writes `docs/validation.md`. Lines `VALIDATION-TABLE|title|cell|cell...` are rows of a table that is
//! published as it stands, its first row the head.

use std::collections::{BTreeMap, BTreeSet};
use std::fmt::Write as _;

use crate::run::{Outcome, cargo, listened, root};
use crate::tolerance::{Tolerance, number};

const MARK: &str = "VALIDATION|";
const TABLE_MARK: &str = "VALIDATION-TABLE|";

/// One check.
#[derive(Debug, Clone, PartialEq)]
struct Check {
    topic: String,
    what: String,
    source: String,
    expected: String,
    computed: String,
    tolerance: String,
    holds: bool,
}

impl Check {
    /// From a line of the tests' output; the mark may stand after the runner's own words.
    fn parse(line: &str) -> Option<Result<Self, String>> {
        let (_, text) = line.split_once(MARK)?;
        let fields: Vec<&str> = text.split('|').map(str::trim).collect();
        let [topic, what, source, expected, computed, tolerance] = fields[..] else {
            return Some(Err(format!("not six fields: {line}")));
        };
        if fields.iter().any(|f| f.is_empty()) {
            return Some(Err(format!("an empty field: {line}")));
        }
        let Some(limit) = Tolerance::parse(tolerance) else {
            return Some(Err(format!("the tolerance cannot be read: {line}")));
        };
        // A difference that is relative already is compared as it stands.
        let limit = match limit {
            Tolerance::Relative(r) if what.contains("relative difference") => Tolerance::Absolute(r),
            other => other,
        };
        Some(Ok(Self {
            topic: topic.to_owned(),
            what: what.to_owned(),
            source: source.to_owned(),
            expected: expected.to_owned(),
            computed: computed.to_owned(),
            tolerance: tolerance.to_owned(),
            holds: limit.holds(expected, computed),
        }))
    }

    fn difference(&self) -> String {
        match (number(&self.expected), number(&self.computed)) {
            (Some(e), Some(c)) if e == c => "0".to_owned(),
            (Some(e), Some(c)) if e != 0.0 && e.is_finite() && !self.tolerance_is_absolute() => {
                format!("{:+.1e} relative", (c - e) / e.abs())
            }
            (Some(e), Some(c)) => format!("{:+.1e}", c - e),
            _ if self.expected == self.computed => "same".to_owned(),
            _ => "differs".to_owned(),
        }
    }

    fn tolerance_is_absolute(&self) -> bool {
        matches!(Tolerance::parse(&self.tolerance), Some(Tolerance::Absolute(_)))
    }
}

pub(crate) fn run() -> Outcome {
    let mut checks = Vec::new();
    let mut malformed = Vec::new();
    let mut closing = Vec::new();
    // The tests of this task print lines of their own; only the product's crates are asked.
    let mut command = cargo(&[
        "test",
        "--workspace",
        "--exclude",
        "xtask",
        "--locked",
        "--",
        "val_",
        "--nocapture",
        "--test-threads",
        "1",
    ]);
    let mut tables: BTreeMap<String, Vec<Vec<String>>> = BTreeMap::new();
    // Recovery runs take a thousand planted truths here, fewer in every day's tests.
    command.env("ROTORWRIGHT_TRUTHS", "1000");
    let outcome = listened(command, "checks against outside sources", |line| {
        match Check::parse(line) {
            Some(Ok(c)) => checks.push(c),
            Some(Err(why)) => malformed.push(why),
            None => {}
        }
        if let Some((title, row)) = table_row(line) {
            tables.entry(title).or_default().push(row);
        }
        if line.starts_with("test result:") {
            closing.push(line.to_owned());
        }
    });
    println!("\n==> closing lines of the tests");
    for line in &closing {
        println!("{line}");
    }
    outcome?;
    if !malformed.is_empty() {
        return Err(format!("malformed lines:\n{}", malformed.join("\n")));
    }
    if checks.is_empty() {
        return Err("no test printed a check".to_owned());
    }
    let docs = root().join("docs");
    let notes_path = docs.join("validation-notes.md");
    let notes = std::fs::read_to_string(&notes_path).map_err(|e| format!("{}: {e}", notes_path.display()))?;
    let path = docs.join("validation.md");
    std::fs::write(&path, page(&checks, &tables, &notes)).map_err(|e| format!("{}: {e}", path.display()))?;
    println!("{} checks written to docs/validation.md", checks.len());
    let broken: Vec<String> = checks
        .iter()
        .filter(|c| !c.holds)
        .map(|c| {
            format!(
                "{}: {}: expected {}, computed {}, tolerance {}",
                c.topic, c.what, c.expected, c.computed, c.tolerance
            )
        })
        .collect();
    if broken.is_empty() {
        Ok(())
    } else {
        Err(format!("{} checks are outside their tolerance:\n{}", broken.len(), broken.join("\n")))
    }
}

/// Title and cells of a row of a published table.
fn table_row(line: &str) -> Option<(String, Vec<String>)> {
    let (_, text) = line.split_once(TABLE_MARK)?;
    let (title, cells) = text.split_once('|')?;
    Some((title.trim().to_owned(), cells.split('|').map(|c| c.trim().to_owned()).collect()))
}

/// The page: counts, hand-written notes, one table per topic.
fn page(checks: &[Check], tables: &BTreeMap<String, Vec<Vec<String>>>, notes: &str) -> String {
    let mut topics: BTreeMap<&str, Vec<&Check>> = BTreeMap::new();
    for c in checks {
        topics.entry(&c.topic).or_default().push(c);
    }
    let sources: BTreeSet<&str> = checks.iter().map(|c| c.source.as_str()).collect();
    let inside = checks.iter().filter(|c| c.holds).count();
    let mut out = String::from("# Validation\n\n");
    out.push_str(
        "Made by `cargo xtask validate`; the notes come from `validation-notes.md`. Do not edit.\n\n",
    );
    let _ = writeln!(
        out,
        "**{} checks against {} outside sources, {inside} inside their tolerance, {} outside.**\n",
        checks.len(),
        sources.len(),
        checks.len() - inside
    );
    out.push_str("| topic | checks | inside |\n| --- | ---: | ---: |\n");
    for (topic, list) in &topics {
        let _ = writeln!(out, "| {topic} | {} | {} |", list.len(), list.iter().filter(|c| c.holds).count());
    }
    let _ = writeln!(out, "\n{}", notes.trim_end());
    for (title, rows) in tables {
        let _ = writeln!(out, "\n## {title}\n");
        for (k, row) in rows.iter().enumerate() {
            let _ = writeln!(out, "| {} |", row.join(" | "));
            if k == 0 {
                let _ = writeln!(out, "| --- |{}", " ---: |".repeat(row.len().saturating_sub(1)));
            }
        }
    }
    for (topic, list) in &topics {
        let _ = writeln!(out, "\n## {topic}\n");
        out.push_str("| what | source | expected | computed | difference | tolerance |\n");
        out.push_str("| --- | --- | ---: | ---: | ---: | --- |\n");
        for c in list {
            let mark = if c.holds { "" } else { " **outside**" };
            let _ = writeln!(
                out,
                "| {} | {} | {} | {} | {}{mark} | {} |",
                c.what,
                c.source,
                c.expected,
                c.computed,
                c.difference(),
                c.tolerance
            );
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_line_after_the_runners_words() {
        let line = "test air::val_iso ... VALIDATION|air|T at 5 km, K|ISO 2533|255.676|255.6755|0.001";
        let c = Check::parse(line).unwrap().unwrap();
        assert_eq!((c.topic.as_str(), c.holds), ("air", true));
        assert_eq!(c.difference(), "-5.0e-4");
        assert!(Check::parse("test result: ok").is_none());
        assert!(Check::parse("VALIDATION|air|T|ISO|1|1").unwrap().is_err());
        assert!(Check::parse("VALIDATION|air|T|ISO|1|1|near").unwrap().is_err());
        assert!(!Check::parse("VALIDATION|air|T|ISO|1|1.1|1 %").unwrap().unwrap().holds);
        assert!(Check::parse("VALIDATION-TABLE|t|a|b").is_none());
        let (title, row) = table_row("test x ... VALIDATION-TABLE|confusion|planted|named").unwrap();
        let tables = BTreeMap::from([(title, vec![row, vec!["Clean".to_owned(), "3".to_owned()]])]);
        let page = page(&[], &tables, "");
        assert!(
            page.contains("## confusion\n\n| planted | named |\n| --- | ---: |\n| Clean | 3 |"),
            "{page}"
        );
        let worst = "VALIDATION|signal|largest relative difference|scipy|0|2e-10|1e-9 relative";
        assert!(Check::parse(worst).unwrap().unwrap().holds);
    }
}
