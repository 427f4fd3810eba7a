//! Typed access to a TOML table that collects every error with its place.

use std::ops::Range;
use std::path::Path;

use toml_edit::{Item, TableLike};

use super::map::Place;
use super::vocabulary::nearest;
use crate::diagnostic::Diagnostic;
use crate::units::{Dimension, parse_quantity};

/// Reads keys of a document; what is wrong is kept in `errors`.
pub(super) struct Reader<'a> {
    pub(super) file: &'a Path,
    pub(super) text: &'a str,
    pub(super) errors: Vec<Diagnostic>,
}

/// Line and column, from 1, of a byte.
pub(super) fn place(text: &str, at: usize) -> Place {
    let before = text.get(..at).unwrap_or(text);
    let line = before.matches('\n').count() + 1;
    let start = before.rfind('\n').map_or(0, |i| i + 1);
    (line, before.get(start..).unwrap_or("").chars().count() + 1)
}

/// A table of either form.
pub(super) type Table<'t> = &'t dyn TableLike;

impl Reader<'_> {
    pub(super) fn new_error(&self, span: Option<Range<usize>>, message: impl Into<String>) -> Diagnostic {
        let mut d = Diagnostic::error(self.file, message);
        if let Some(span) = span {
            let (line, column) = place(self.text, span.start);
            d = d.at(line, column);
            if let Some(found) = self.text.get(span).map(str::trim).filter(|t| !t.is_empty()) {
                d = d.found(found.lines().next().unwrap_or("").to_owned());
            }
        }
        d
    }
    pub(super) fn fail(
        &mut self,
        span: Option<Range<usize>>,
        key: &str,
        message: impl Into<String>,
        help: &str,
    ) {
        let d = self.new_error(span, message).key(key).help(help);
        self.errors.push(d);
    }

    pub(super) fn place_of(&self, span: Option<Range<usize>>) -> Place {
        span.map_or((1, 1), |s| place(self.text, s.start))
    }

    pub(super) fn unknown(&mut self, table: Table, path: &str, allowed: &[&str]) {
        let unknown: Vec<_> = table
            .iter()
            .filter(|(k, _)| !allowed.contains(k))
            .map(|(k, i)| (k.to_owned(), table.key(k).and_then(toml_edit::Key::span).or(i.span())))
            .collect();
        for (key, span) in unknown {
            let near = nearest(&key, allowed.iter().copied())
                .map_or(String::new(), |n| format!("did you mean `{n}`? "));
            let full = if path.is_empty() { key.clone() } else { format!("{path}.{key}") };
            let help = format!("{near}allowed here: {}", allowed.join(", "));
            self.fail(span, &full, format!("`{key}` is not a key that a channel map has here"), &help);
        }
    }

    pub(super) fn string<'t>(
        &mut self,
        t: Table<'t>,
        path: &str,
        key: &str,
        example: &str,
    ) -> Option<(&'t str, Option<Range<usize>>)> {
        let item = t.get(key)?;
        if let Some(s) = item.as_str() {
            return Some((s, item.span()));
        }
        let full = format!("{path}.{key}");
        self.fail(item.span(), &full, format!("`{key}` takes text in quotes"), &format!("{key} = {example}"));
        None
    }

    pub(super) fn real(&mut self, t: Table, path: &str, key: &str) -> Option<f64> {
        let item = t.get(key)?;
        let value = item.as_float().or_else(|| item.as_integer().map(|i| i as f64));
        if let Some(v) = value.filter(|v| v.is_finite()) {
            return Some(v);
        }
        let help = format!("{key} = 1.0");
        self.fail(
            item.span(),
            &format!("{path}.{key}"),
            format!("`{key}` takes a plain finite number"),
            &help,
        );
        None
    }

    pub(super) fn count(&mut self, t: Table, path: &str, key: &str, from: i64, to: i64) -> Option<usize> {
        let item = t.get(key)?;
        if let Some(v) = item.as_integer().filter(|v| (from..=to).contains(v)) {
            return usize::try_from(v).ok();
        }
        let message = format!("`{key}` takes a whole number from {from} to {to}");
        self.fail(item.span(), &format!("{path}.{key}"), message, &format!("{key} = {from} is the first"));
        None
    }

    pub(super) fn choice<T: Copy>(&mut self, t: Table, path: &str, key: &str, of: &[(&str, T)]) -> Option<T> {
        let first = of.first().map_or("", |(w, _)| *w);
        let (text, span) = self.string(t, path, key, &format!("\"{first}\""))?;
        if let Some((_, value)) = of.iter().find(|(w, _)| *w == text) {
            return Some(*value);
        }
        let words: Vec<_> = of.iter().map(|(w, _)| *w).collect();
        let help = format!("one of: {}", words.join(", "));
        self.fail(span, &format!("{path}.{key}"), format!("`{text}` is no {key}"), &help);
        None
    }

    pub(super) fn table<'t>(&mut self, root: Table<'t>, key: &str) -> Option<Table<'t>> {
        let item = root.get(key)?;
        let table = item.as_table_like();
        if table.is_none() {
            let help = format!("write `[{key}]` on a line of its own");
            self.fail(item.span(), key, format!("`{key}` is a section, once"), &help);
        }
        table
    }

    pub(super) fn tables<'t>(
        &mut self,
        root: Table<'t>,
        key: &str,
    ) -> Vec<(Table<'t>, Option<Range<usize>>)> {
        match root.get(key) {
            None => Vec::new(),
            Some(Item::ArrayOfTables(a)) => a.iter().map(|t| (t as &dyn TableLike, t.span())).collect(),
            Some(item) => {
                if let Some(t) = item.as_table_like() {
                    return vec![(t, item.span())];
                }
                let inline = item.as_array().map(|a| a.iter().map(|v| (v.as_inline_table(), v.span())));
                if let Some(list) = inline {
                    let list: Vec<_> = list.collect();
                    if list.iter().all(|(t, _)| t.is_some()) {
                        return list
                            .into_iter()
                            .filter_map(|(t, s)| t.map(|t| (t as &dyn TableLike, s)))
                            .collect();
                    }
                }
                let help = format!("write `[[{key}]]` on a line of its own, then its keys");
                self.fail(item.span(), key, format!("`{key}` is a list of sections"), &help);
                Vec::new()
            }
        }
    }

    pub(super) fn quantity(
        &mut self,
        t: Table,
        path: &str,
        key: &str,
        of: Dimension,
        example: &str,
    ) -> Option<f64> {
        let (text, span) = self.string(t, path, key, example)?;
        match parse_quantity(text, of) {
            Ok(q) => Some(q.value),
            Err(e) => {
                let help = format!("{key} = {example}; {}", e.help());
                self.fail(span, &format!("{path}.{key}"), e.to_string(), &help);
                None
            }
        }
    }
}
