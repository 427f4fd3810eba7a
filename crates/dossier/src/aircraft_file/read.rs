//! Reads a TOML document by its description: every error is kept, nothing is repaired.

use std::ops::Range;

use toml_edit::{Item, Table, TableLike, Value};

use super::fields::{Field, Fields, Held, Input, assumed, out_of_range};
use super::source::Source;
use super::spec::{Key, Kind, Need, Section, Spec, nearest, quoted};
use crate::diagnostic::Diagnostic;
use crate::result::InputLine;
use crate::units::{self, Dimension, Quantity, UnitError, parse_quantity};

/// Reads one document.
pub(crate) struct Reader<'a> {
    pub(crate) source: &'a Source,
    pub(crate) spec: &'static Spec,
    pub(crate) inputs: Vec<Input>,
    pub(crate) sections: Vec<Fields>,
    pub(crate) diagnostics: Vec<Diagnostic>,
}

impl<'a> Reader<'a> {
    pub(crate) fn new(source: &'a Source, spec: &'static Spec) -> Self {
        Self { source, spec, inputs: Vec::new(), sections: Vec::new(), diagnostics: Vec::new() }
    }

    fn report(&mut self, span: Option<&Range<usize>>, key: &str, message: String, help: String) {
        self.diagnostics.push(self.source.error(span, key, message).help(help));
    }

    /// Reads the whole document.
    pub(crate) fn document(&mut self, root: &Table) {
        let mut seen: Vec<&'static str> = Vec::new();
        for (name, item) in root {
            let span = root.key(name).and_then(toml_edit::Key::span).or_else(|| item.span());
            let parent = format!("{name}.");
            if let Some(section) = self.spec.section(name).filter(|s| !s.inline) {
                seen.push(section.name);
                self.section(section, item, span.as_ref());
            } else if self.spec.sections.iter().any(|s| !s.inline && s.name.starts_with(&parent)) {
                let Some(table) = item.as_table_like() else {
                    self.report(
                        span.as_ref(),
                        name,
                        format!("`{name}` is a group of sections"),
                        self.section_help(name),
                    );
                    continue;
                };
                for (sub, item) in table.iter() {
                    let full = format!("{name}.{sub}");
                    let span = table.key(sub).and_then(toml_edit::Key::span).or_else(|| item.span());
                    match self.spec.section(&full) {
                        Some(section) => {
                            seen.push(section.name);
                            self.section(section, item, span.as_ref());
                        }
                        None => self.unknown_section(&full, item, span.as_ref()),
                    }
                }
            } else {
                self.unknown_section(name, item, span.as_ref());
            }
        }
        for section in self.spec.sections {
            if section.required && !seen.contains(&section.name) {
                let keys: Vec<&str> = self
                    .spec
                    .keys_of(section.name)
                    .filter(|k| k.need == Need::Required)
                    .map(|k| k.name)
                    .collect();
                let message = format!("the section {} is missing", section.header());
                let help = format!("add {} with {}: {}", section.header(), keys.join(", "), section.doc);
                self.report(None, section.name, message, help);
                // The place is the end of the file, where it can be added.
                let (line, column) = self.source.place(self.source.text.trim_end().len());
                if let Some(d) = self.diagnostics.pop() {
                    self.diagnostics.push(d.at(line, column));
                }
            }
        }
    }

    fn section_help(&self, name: &str) -> String {
        let headers: Vec<String> = self
            .spec
            .sections
            .iter()
            .filter(|s| !s.inline && s.name.starts_with(name))
            .map(Section::header)
            .collect();
        format!("write {}", headers.join(" or "))
    }

    fn unknown_section(&mut self, name: &str, item: &Item, span: Option<&Range<usize>>) {
        let headers = || {
            self.spec
                .sections
                .iter()
                .filter(|s| !s.inline)
                .map(Section::header)
                .collect::<Vec<_>>()
                .join(", ")
        };
        let (message, help) = if item.is_value() && !item.is_inline_table() {
            let last = name.rsplit('.').next().unwrap_or(name);
            let home =
                self.spec.keys.iter().find(|k| k.name == last).and_then(|k| self.spec.section(k.section));
            let help = match home {
                Some(s) => format!("put it under {}", s.header()),
                None => format!("sections are {}", headers()),
            };
            (format!("the key `{name}` stands outside any section it belongs to"), help)
        } else {
            let near = nearest(name, self.spec.sections.iter().filter(|s| !s.inline).map(|s| s.name))
                .and_then(|n| self.spec.section(n));
            let help = match near {
                Some(s) => format!("did you mean {}?", s.header()),
                None => format!("sections are {}", headers()),
            };
            (format!("the section `{name}` is not known"), help)
        };
        self.report(span, name, message, help);
    }

    fn section(&mut self, section: &'static Section, item: &Item, span: Option<&Range<usize>>) {
        let wrong = |this: &mut Self, message: String| {
            let help = format!("write {} and its keys below: {}", section.header(), section.doc);
            this.report(item.span().as_ref().or(span), section.name, message, help);
        };
        if !section.list {
            if let Some(table) = item.as_table_like() {
                let span = header(item, table, span);
                let fields = self.fields(section.name, section.name.to_owned(), table, span);
                self.sections.push(fields);
            } else if item.is_array_of_tables() {
                wrong(self, format!("`{}` stands once, in single brackets", section.name));
            } else {
                wrong(self, format!("`{}` is a section, not a value", section.name));
            }
            return;
        }
        let mut index = 0;
        let mut one = |this: &mut Self, table: &dyn TableLike, span: Option<Range<usize>>| {
            index += 1;
            let fields = this.fields(section.name, format!("{}.{index}", section.name), table, span);
            this.sections.push(fields);
        };
        if let Some(list) = item.as_array_of_tables() {
            for table in list {
                one(self, table, table.span());
            }
        } else if let Some(array) = item.as_array() {
            for value in array {
                match value.as_inline_table() {
                    Some(table) => one(self, table, value.span()),
                    None => wrong(self, format!("`{}` is a list of tables", section.name)),
                }
            }
        } else if item.is_table_like() {
            wrong(self, format!("`{}` may be repeated and stands in double brackets", section.name));
        } else {
            wrong(self, format!("`{}` is a section, not a value", section.name));
        }
    }

    /// Reads the keys of one table.
    fn fields(
        &mut self,
        section: &'static str,
        path: String,
        table: &dyn TableLike,
        span: Option<Range<usize>>,
    ) -> Fields {
        let prefix = prefix(section, &path, table);
        let mut fields = Fields { path, section, span, list: Vec::new() };
        let mut meant: Vec<&'static str> = Vec::new();
        for (name, item) in table.iter() {
            let key_span = table.key(name).and_then(toml_edit::Key::span);
            let full = format!("{}.{name}", fields.path);
            let Some(spec) = self.spec.key(section, name) else {
                meant.extend(self.unknown_key(section, name, &full, key_span.as_ref()));
                continue;
            };
            let held = self.held(spec, &full, &prefix, item, key_span.as_ref());
            fields.list.push(Field { spec, held, span: item.span().or(key_span).or(Some(0..0)) });
        }
        self.complete(&mut fields, &prefix, &meant);
        fields
    }

    /// Tells an unknown key; returns the key that was probably meant.
    fn unknown_key(
        &mut self,
        section: &'static str,
        name: &str,
        full: &str,
        span: Option<&Range<usize>>,
    ) -> Option<&'static str> {
        let header = self.spec.section(section).map_or_else(|| section.to_owned(), Section::header);
        let near =
            nearest(name, self.spec.keys_of(section).map(|k| k.name)).and_then(|n| self.spec.key(section, n));
        let elsewhere =
            self.spec.keys.iter().find(|k| k.name == name).and_then(|k| self.spec.section(k.section));
        let help = match (near, elsewhere) {
            (Some(k), None) => format!("did you mean `{}`? {}", k.name, k.remedy()),
            (_, Some(s)) => format!("`{name}` belongs under {}", s.header()),
            (None, None) => {
                let all: Vec<&str> = self.spec.keys_of(section).map(|k| k.name).collect();
                format!("keys of {header} are {}", all.join(", "))
            }
        };
        self.report(span, full, format!("the key `{name}` is not known in {header}"), help);
        near.filter(|_| elsewhere.is_none()).map(|k| k.name)
    }

    /// Missing keys, defaults, and keys that do not belong to this kind of item. A key that was
    /// probably `meant` by an unknown one is not told again as missing.
    fn complete(&mut self, fields: &mut Fields, prefix: &str, meant: &[&'static str]) {
        let header =
            self.spec.section(fields.section).map_or_else(|| fields.section.to_owned(), Section::header);
        let spec = self.spec;
        for key in spec.keys_of(fields.section) {
            let present = fields.get(key.name).is_some();
            if let Some((on, wanted)) = key.when {
                match fields.word(on) {
                    Some(word) if word != wanted => {
                        if present {
                            let path = format!("{}.{}", fields.path, key.name);
                            let place = fields.place(key.name).cloned();
                            self.report(
                                place.as_ref(),
                                &path,
                                format!("`{}` belongs to {on} = \"{wanted}\"; this is \"{word}\"", key.name),
                                format!("take `{}` out, or change {on}", key.name),
                            );
                        }
                        continue;
                    }
                    Some(_) => {}
                    None => continue,
                }
            }
            if present {
                continue;
            }
            match key.need {
                Need::Optional => {}
                Need::Required if meant.contains(&key.name) => {}
                Need::Required => {
                    let path = format!("{}.{}", fields.path, key.name);
                    let span = fields.span.clone();
                    self.report(
                        span.as_ref(),
                        &path,
                        format!("`{}` is missing in {header}: {}", key.name, key.label),
                        key.remedy(),
                    );
                }
                Need::Default(text) => self.default(fields, key, text, prefix),
            }
        }
    }

    /// Adds a key that is not stated, at its default.
    pub(crate) fn default(&mut self, fields: &mut Fields, key: &'static Key, text: &str, prefix: &str) {
        let Ok(value) = text.parse::<Value>() else { return };
        let first = self.inputs.len();
        let path = format!("{}.{}", fields.path, key.name);
        let held = self.held(key, &path, prefix, &Item::Value(value), None);
        for input in self.inputs.iter_mut().skip(first) {
            input.line.text = format!("not stated; taken as {}", input.line.text);
            input.line.assumed = true;
            input.span = None;
        }
        fields.list.push(Field { spec: key, held, span: None });
    }

    /// Reads the value of a key.
    pub(crate) fn held(
        &mut self,
        key: &'static Key,
        path: &str,
        prefix: &str,
        item: &Item,
        key_span: Option<&Range<usize>>,
    ) -> Held {
        if let Kind::Nested(section) = key.kind {
            return match item.as_table_like() {
                Some(table) => {
                    let span = header(item, table, key_span);
                    let mut inner = self.fields(section, path.to_owned(), table, span);
                    inner.path = path.to_owned();
                    Held::Nested(Box::new(inner))
                }
                None => self.wrong_type(key, path, item, key_span),
            };
        }
        let Some(value) = item.as_value() else { return self.wrong_type(key, path, item, key_span) };
        let label = |component: &str| {
            let mut label = format!("{prefix}{}", key.label);
            if !component.is_empty() {
                label.push_str(", ");
                label.push_str(component);
            }
            label
        };
        match key.kind {
            Kind::Text | Kind::File => match value.as_str() {
                Some(t) if t.trim().is_empty() => {
                    self.report(value.span().as_ref(), path, "the text is empty".to_owned(), key.remedy());
                    Held::Broken
                }
                Some(t) => Held::Text(t.to_owned()),
                None => self.wrong_type(key, path, item, key_span),
            },
            Kind::Flag => match value.as_bool() {
                Some(b) => Held::Flag(b),
                None => self.wrong_type(key, path, item, key_span),
            },
            Kind::Choice(words) => self.choice(key, path, value, words).map_or(Held::Broken, Held::Word),
            Kind::Words(words) => match value.as_array() {
                Some(array) => {
                    let found: Vec<_> = array.iter().map(|v| self.choice(key, path, v, words)).collect();
                    found.into_iter().collect::<Option<Vec<_>>>().map_or(Held::Broken, Held::Words)
                }
                None => self.wrong_type(key, path, item, key_span),
            },
            Kind::Count => match value.as_integer() {
                // Counts are small; `as f64` is exact far beyond their range.
                Some(n) => {
                    let q = Quantity { value: n as f64, uncertainty: None };
                    self.input(
                        key,
                        path.to_owned(),
                        label(""),
                        n.to_string(),
                        q,
                        Dimension::Ratio,
                        value.span(),
                    )
                    .map_or(Held::Broken, Held::Number)
                }
                None => self.wrong_type(key, path, item, key_span),
            },
            Kind::Quantity(d) => {
                self.number(key, path.to_owned(), label(""), value, d).map_or(Held::Broken, Held::Number)
            }
            Kind::Vector(d) => match value.as_array() {
                Some(array) => self.triple(key, path, &label, array, d, &["forward", "right", "down"], value),
                None => self.wrong_type(key, path, item, key_span),
            },
            Kind::Direction => match value.as_array() {
                Some(array) => self.triple(
                    key,
                    path,
                    &label,
                    array,
                    Dimension::Ratio,
                    &["forward", "right", "down"],
                    value,
                ),
                None => self.wrong_type(key, path, item, key_span),
            },
            Kind::Axes(d) => match value.as_array() {
                Some(array) => self.triple(key, path, &label, array, d, &["roll", "pitch", "yaw"], value),
                None => {
                    let mut all = [0; 3];
                    for ((slot, axis), name) in
                        all.iter_mut().zip(["x", "y", "z"]).zip(["roll", "pitch", "yaw"])
                    {
                        match self.number(key, format!("{path}.{axis}"), label(name), value, d) {
                            Some(i) => *slot = i,
                            // The one text is wrong once.
                            None => return Held::Broken,
                        }
                    }
                    Held::Triple(all)
                }
            },
            Kind::Nested(_) => Held::Broken,
        }
    }

    #[expect(clippy::too_many_arguments, reason = "one call site per kind of triple")]
    fn triple(
        &mut self,
        key: &'static Key,
        path: &str,
        label: &dyn Fn(&str) -> String,
        array: &toml_edit::Array,
        d: Dimension,
        names: &[&str; 3],
        value: &Value,
    ) -> Held {
        if array.len() != 3 {
            let message = format!("expected three values, found {}", array.len());
            self.report(value.span().as_ref(), path, message, key.remedy());
            return Held::Broken;
        }
        let mut all = [0; 3];
        let mut good = true;
        let mut bare_told = false;
        for (((v, slot), axis), name) in array.iter().zip(&mut all).zip(["x", "y", "z"]).zip(names) {
            let bare = v.is_integer() || v.is_float();
            let before = self.diagnostics.len();
            match self.number(key, format!("{path}.{axis}"), label(name), v, d) {
                Some(i) => *slot = i,
                None => {
                    good = false;
                    // Three bare numbers are one mistake.
                    if bare && d != Dimension::Ratio {
                        if bare_told {
                            self.diagnostics.truncate(before);
                        }
                        bare_told = true;
                    }
                }
            }
        }
        if good { Held::Triple(all) } else { Held::Broken }
    }

    fn choice(
        &mut self,
        key: &'static Key,
        path: &str,
        value: &Value,
        words: &'static [&'static str],
    ) -> Option<&'static str> {
        let span = value.span();
        let Some(text) = value.as_str() else {
            self.report(span.as_ref(), path, format!("{} is a text in quotes", key.name), key.remedy());
            return None;
        };
        if let Some(word) = words.iter().find(|w| **w == text) {
            return Some(word);
        }
        let help = match nearest(text, words.iter().copied()) {
            Some(near) => format!("did you mean \"{near}\"? allowed: {}", quoted(words)),
            None => format!("allowed: {}", quoted(words)),
        };
        let message = format!("`{}` is not a {} that is known", units::shortened(text), key.label);
        self.report(span.as_ref(), path, message, help);
        None
    }

    fn wrong_type(
        &mut self,
        key: &'static Key,
        path: &str,
        item: &Item,
        key_span: Option<&Range<usize>>,
    ) -> Held {
        let found = match item {
            Item::Value(Value::String(_)) => "a text in quotes",
            Item::Value(Value::Integer(_)) => "a whole number",
            Item::Value(Value::Float(_)) => "a number",
            Item::Value(Value::Boolean(_)) => "true or false",
            Item::Value(Value::Datetime(_)) => "a date or time",
            Item::Value(Value::Array(_)) => "a list",
            Item::Value(Value::InlineTable(_)) | Item::Table(_) => "a table",
            Item::ArrayOfTables(_) => "a repeated section",
            Item::None => "nothing",
        };
        let message = format!("`{}` is {}; found {found}", key.name, key.form());
        let span = item.span().or_else(|| key_span.cloned());
        self.report(span.as_ref(), path, message, key.remedy());
        Held::Broken
    }

    /// One number of a quantity key.
    fn number(
        &mut self,
        key: &'static Key,
        path: String,
        label: String,
        value: &Value,
        d: Dimension,
    ) -> Option<usize> {
        let span = value.span();
        let (text, quantity) = match value {
            Value::String(s) => (s.value().clone(), parse_quantity(s.value(), d)),
            Value::Integer(_) | Value::Float(_) => {
                let x = value.as_float().or_else(|| value.as_integer().map(|n| n as f64)).unwrap_or(f64::NAN);
                let text = span.as_ref().map_or_else(|| x.to_string(), |s| self.source.slice(s));
                let q = if !x.is_finite() {
                    Err(UnitError::NotFinite { found: text.clone(), expected: d })
                } else if d == Dimension::Ratio {
                    Ok(Quantity { value: x, uncertainty: None })
                } else {
                    Err(UnitError::MissingUnit { found: text.clone(), expected: d })
                };
                (text, q)
            }
            _ => {
                let message = format!("`{}` is {}", key.name, key.form());
                self.report(span.as_ref(), &path, message, key.remedy());
                return None;
            }
        };
        match quantity {
            Ok(q) => self.input(key, path, label, text, q, d, span),
            Err(e) => {
                let help = match &e {
                    UnitError::Separator { .. }
                    | UnitError::Tolerance { .. }
                    | UnitError::AmbiguousUnit { .. } => e.help(),
                    UnitError::UnknownUnit { near: Some(near), .. } => {
                        format!("did you mean `{near}`? {}", key.remedy())
                    }
                    _ => key.remedy(),
                };
                self.report(span.as_ref(), &path, e.to_string(), help);
                None
            }
        }
    }

    /// Keeps a number after its range check.
    #[expect(clippy::too_many_arguments, reason = "the parts of one input line")]
    pub(crate) fn input(
        &mut self,
        key: &'static Key,
        path: String,
        label: String,
        text: String,
        quantity: Quantity,
        d: Dimension,
        span: Option<Range<usize>>,
    ) -> Option<usize> {
        if let Some(message) = out_of_range(key, quantity.value, &text, d, 0.0) {
            self.report(span.as_ref(), &path, message, key.remedy());
            return None;
        }
        let (uncertainty, assumed) = match quantity.uncertainty {
            Some(u) => (u, false),
            None => assumed(key, quantity.value, d),
        };
        let line = InputLine {
            key: path,
            label,
            text,
            value: quantity.value,
            uncertainty,
            unit: d.si().to_owned(),
            assumed,
            origin: crate::estimate::Origin::Stated,
            replaced: None,
        };
        self.inputs.push(Input { line, spec: key, span });
        Some(self.inputs.len() - 1)
    }
}

/// Span of a section's header, or of the first key where it has none.
fn header(item: &Item, table: &dyn TableLike, key: Option<&Range<usize>>) -> Option<Range<usize>> {
    item.span()
        .filter(|s| s.end > s.start)
        .or_else(|| key.cloned())
        .or_else(|| table.iter().next().and_then(|(name, _)| table.key(name)?.span()))
}

/// What stands before the labels of a repeated section's inputs: "battery: ", "station 2: ".
fn prefix(section: &str, path: &str, table: &dyn TableLike) -> String {
    let text = |k: &str| table.get(k).and_then(Item::as_str).map(str::to_owned);
    match text("item").or_else(|| text("place")) {
        Some(name) => format!("{}: ", units::shortened(&name)),
        None => match path.strip_prefix(section).and_then(|p| p.strip_prefix('.')) {
            Some(index) if !index.is_empty() => format!("{section} {index}: "),
            _ => String::new(),
        },
    }
}
