//! Limits as data: built in, overridable by `gates.toml` in the dossier.

use std::collections::BTreeMap;
use std::path::Path;

use physics::aircraft::Aircraft;
use toml_edit::Document;

use crate::diagnostic::{Diagnostic, Diagnostics};
use crate::predict::{delay_budget, required_crossover};
use crate::result::{Limit, Sense};

const BUILT_IN: &str = include_str!("limits.toml");

/// A limit before it knows the aircraft.
#[derive(Debug, Clone, PartialEq)]
struct Rule {
    value: Value,
    unit: String,
    sense: Sense,
    origin: String,
    basis: String,
}

#[derive(Debug, Clone, Copy, PartialEq)]
enum Value {
    Plain(f64),
    TimesCrossover(f64),
    TimesBudget(f64),
}

/// All limits of a dossier.
#[derive(Debug, Clone, PartialEq)]
pub struct Limits(BTreeMap<String, Rule>);

/// What people may write for the origin of a limit.
const ORIGINS: [&str; 3] = ["published", "derived", "common practice, no source"];

impl Limits {
    /// Built-in limits with the dossier's own `gates.toml` over them, where there is one.
    ///
    /// # Errors
    /// All that is wrong with the dossier's file.
    pub fn load(dir: &Path) -> Result<Self, Diagnostics> {
        let mut limits = Self::built_in()?;
        let own = dir.join("gates.toml");
        match std::fs::read_to_string(&own) {
            Ok(text) => {
                let rules = Self::read_over(&own, &text, Some(&limits))?;
                limits.0.extend(rules.0);
                Ok(limits)
            }
            Err(e) if e.kind() == std::io::ErrorKind::NotFound => Ok(limits),
            Err(e) => Err(Diagnostic::error(&own, format!("cannot be read: {e}")).into()),
        }
    }

    /// The built-in limits alone.
    ///
    /// # Errors
    /// None, as long as the built-in file is sound.
    pub fn built_in() -> Result<Self, Diagnostics> {
        Self::read_over(Path::new("limits.toml"), BUILT_IN, None)
    }

    /// Reads limits; with `over`, only those that override one of these in the same unit and sense.
    fn read_over(file: &Path, text: &str, over: Option<&Self>) -> Result<Self, Diagnostics> {
        let doc =
            Document::parse(text).map_err(|e| {
                let (line, column) = place(text, e.span().map_or(0, |s| s.start));
                Diagnostics::from(Diagnostic::error(file, e.message().to_owned()).at(line, column).help(
                    "a limit reads: [hover.saturation] value = 0.001, unit = \"1\", sense = \"at-most\"",
                ))
            })?;
        let mut rules = BTreeMap::new();
        let mut errors = Vec::new();
        for (gate, table) in doc.iter() {
            let Some(table) = table.as_table_like() else {
                errors.push(Diagnostic::error(file, "expected a table of limits").key(gate));
                continue;
            };
            for (name, rule) in table.iter() {
                let id = format!("{gate}.{name}");
                let at = place(text, rule.span().map_or(0, |s| s.start));
                match read_rule(rule).and_then(|r| fits(&id, r, over)) {
                    Ok(rule) => {
                        rules.insert(id, rule);
                    }
                    Err((message, help)) => {
                        errors.push(Diagnostic::error(file, message).key(id).at(at.0, at.1).help(help));
                    }
                }
            }
        }
        if errors.is_empty() { Ok(Self(rules)) } else { Err(Diagnostics(errors)) }
    }

    /// The limit of a criterion for one aircraft; none where it scales with the distance between hubs and there is
    /// one hub only.
    pub fn limit(&self, id: &str, aircraft: &Aircraft) -> Option<Limit> {
        let rule = self.0.get(id)?;
        if !matches!(rule.value, Value::Plain(_)) && aircraft.hub_to_hub() <= 0.0 {
            return None;
        }
        let (value, basis) = match rule.value {
            Value::Plain(v) => (v, rule.basis.clone()),
            Value::TimesCrossover(f) => {
                let wc = required_crossover(aircraft);
                (f * wc, format!("{}: {f} x {wc:.1} rad/s at d = {:.2} m", rule.basis, aircraft.hub_to_hub()))
            }
            Value::TimesBudget(f) => {
                let tb = delay_budget(aircraft);
                (
                    f * tb,
                    format!("{}: {f} x {:.1} ms at d = {:.2} m", rule.basis, tb * 1e3, aircraft.hub_to_hub()),
                )
            }
        };
        Some(Limit { value, unit: rule.unit.clone(), sense: rule.sense, origin: rule.origin.clone(), basis })
    }

    /// Ids of all criteria.
    pub fn ids(&self) -> impl Iterator<Item = &str> {
        self.0.keys().map(String::as_str)
    }
}

/// Whether a rule may take the place of the built-in one of the same name.
fn fits(id: &str, rule: Rule, over: Option<&Limits>) -> Result<Rule, (String, String)> {
    let Some(over) = over else { return Ok(rule) };
    let Some(old) = over.0.get(id) else {
        let ids: Vec<_> = over.ids().collect();
        return Err(("no criterion has this name".to_owned(), format!("criteria are: {}", ids.join(", "))));
    };
    if rule.unit != old.unit {
        let message = format!("the unit is \"{}\"; this criterion is in \"{}\"", rule.unit, old.unit);
        return Err((message, format!("convert the value and write unit = \"{}\"", old.unit)));
    }
    if rule.sense != old.sense {
        let sense = match old.sense {
            Sense::AtMost => "at-most",
            Sense::AtLeast => "at-least",
        };
        return Err((
            "the sense is turned round: a figure that was right would be wrong".to_owned(),
            format!("write sense = \"{sense}\""),
        ));
    }
    Ok(rule)
}

/// Line and column, from 1, of a byte offset.
pub(crate) fn place(text: &str, offset: usize) -> (usize, usize) {
    let before = text.get(..offset).unwrap_or(text);
    let line = before.matches('\n').count() + 1;
    let column = before.rsplit('\n').next().map_or(0, |l| l.chars().count()) + 1;
    (line, column)
}

fn read_rule(item: &toml_edit::Item) -> Result<Rule, (String, String)> {
    let example = "value = 0.05, unit = \"1\", sense = \"at-most\", origin = \"derived\", basis = \"why\"";
    let wrong = |what: &str| (what.to_owned(), example.to_owned());
    let table = item.as_table_like().ok_or_else(|| wrong("expected a table"))?;
    for (key, _) in table.iter() {
        if !["value", "factor", "of", "unit", "sense", "origin", "basis"].contains(&key) {
            return Err(wrong(&format!("no such key: {key}")));
        }
    }
    let number = |key: &str| -> Result<Option<f64>, (String, String)> {
        match table.get(key) {
            None => Ok(None),
            Some(v) => v
                .as_float()
                .or_else(|| v.as_integer().map(|i| i as f64))
                .filter(|v| v.is_finite())
                .map(Some)
                .ok_or_else(|| wrong(&format!("{key} must be a finite number"))),
        }
    };
    let text = |key: &str| -> Result<String, (String, String)> {
        table
            .get(key)
            .and_then(|v| v.as_str())
            .map(str::to_owned)
            .ok_or_else(|| wrong(&format!("{key} is missing")))
    };
    let value = match (number("value")?, number("factor")?) {
        (Some(v), None) if table.get("of").is_none() => Value::Plain(v),
        (None, Some(f)) => match text("of")?.as_str() {
            "wc" => Value::TimesCrossover(f),
            "T_b" => Value::TimesBudget(f),
            _ => return Err(wrong("of must be \"wc\" or \"T_b\"")),
        },
        _ => return Err(wrong("give either value, or factor and of")),
    };
    let sense = match text("sense")?.as_str() {
        "at-most" => Sense::AtMost,
        "at-least" => Sense::AtLeast,
        _ => return Err(wrong("sense must be \"at-most\" or \"at-least\"")),
    };
    let origin = text("origin")?;
    if !ORIGINS.contains(&origin.as_str()) {
        return Err(wrong(&format!("origin must be one of: {}", ORIGINS.join("; "))));
    }
    Ok(Rule { value, unit: text("unit")?, sense, origin, basis: text("basis")? })
}
