//! Edits of the TOML text in place: comments, order and formatting of the rest stay.

use toml_edit::{Array, DocumentMut, Item, TableLike, Value};

use super::fields::Held;
use super::read::Reader;
use super::source::Source;
use super::spec::{Key, Kind, Need, Section, Spec, nearest};
use crate::diagnostic::Diagnostic;
use crate::result::KeyChange;

/// A key taken apart: section, item from 0, key, inner key, component.
struct Target {
    section: &'static Section,
    item: Option<usize>,
    key: &'static Key,
    inner: Option<&'static Key>,
    component: Option<usize>,
}

fn target(spec: &'static Spec, source: &Source, key: &str) -> Result<Target, Box<Diagnostic>> {
    let wrong = |message: String, help: String| {
        Box::new(Diagnostic::error(&source.file, message).key(key).help(help))
    };
    let mut parts: Vec<&str> = key.split('.').map(str::trim).collect();
    let two = parts.iter().take(2).copied().collect::<Vec<_>>().join(".");
    let (section, used) = match spec.section(&two).filter(|s| !s.inline) {
        Some(s) => (s, 2),
        None => match parts.first().and_then(|p| spec.section(p)) {
            Some(s) => (s, 1),
            None => {
                let first = parts.first().copied().unwrap_or("");
                let near = nearest(first, spec.sections.iter().map(|s| s.name)).map_or_else(
                    || "a key is like esc.dead_time or mass.2.at.x".to_owned(),
                    |n| format!("did you mean `{n}`?"),
                );
                return Err(wrong(format!("`{first}` is not a section"), near));
            }
        },
    };
    parts.drain(..used);
    let mut rest = parts.into_iter();
    let item = if section.list {
        match rest.next().and_then(|n| n.parse::<usize>().ok()).and_then(|n| n.checked_sub(1)) {
            Some(n) => Some(n),
            None => {
                return Err(wrong(
                    format!("`{}` is repeated: its items are numbered from 1", section.name),
                    format!(
                        "a key is like {}.1.{}",
                        section.name,
                        spec.keys_of(section.name).next().map_or("", |k| k.name)
                    ),
                ));
            }
        }
    } else {
        None
    };
    let find = |section: &str, name: Option<&str>| -> Result<&'static Key, Box<Diagnostic>> {
        let name = name.unwrap_or("");
        spec.key(section, name).ok_or_else(|| {
            let near = nearest(name, spec.keys_of(section).map(|k| k.name));
            let help = match near {
                Some(n) => format!("did you mean `{n}`?"),
                None => format!(
                    "keys are {}",
                    spec.keys_of(section).map(|k| k.name).collect::<Vec<_>>().join(", ")
                ),
            };
            wrong(format!("the key `{name}` is not known in {section}"), help)
        })
    };
    let key_spec = find(section.name, rest.next())?;
    let mut last = rest.next();
    let inner = match key_spec.kind {
        Kind::Nested(inner) if last.is_some() => Some(find(inner, last)?),
        _ => None,
    };
    if inner.is_some() {
        last = rest.next();
    }
    let kind = inner.map_or(key_spec.kind, |k| k.kind);
    let component = match last {
        None => None,
        Some(c) => {
            let index = ["x", "y", "z"].iter().position(|n| *n == c);
            match (kind, index) {
                (Kind::Vector(_) | Kind::Axes(_) | Kind::Direction, Some(i)) => Some(i),
                _ => {
                    return Err(wrong(
                        format!("`{c}` is not a component of {}", key_spec.name),
                        "components of three values are x, y and z".to_owned(),
                    ));
                }
            }
        }
    };
    if rest.next().is_some() {
        return Err(wrong("the key goes on too long".to_owned(), "a key is like mass.2.at.x".to_owned()));
    }
    Ok(Target { section, item, key: key_spec, inner, component })
}

/// The table that holds the key.
fn table<'a>(
    doc: &'a mut DocumentMut,
    spec: &Spec,
    t: &Target,
    source: &Source,
    change: &KeyChange,
) -> Result<&'a mut dyn TableLike, Box<Diagnostic>> {
    let absent = |help: String| {
        Box::new(
            Diagnostic::error(&source.file, format!("the file has no {}", t.section.header()))
                .key(&change.key)
                .help(help),
        )
    };
    // A section that may stand with any one of its keys is begun.
    let needs = spec.keys_of(t.section.name).any(|k| k.need == Need::Required);
    if !t.section.list && !t.section.required && !needs {
        let mut at: &mut dyn TableLike = doc.as_table_mut();
        let parts: Vec<&str> = t.section.name.split('.').collect();
        for (depth, part) in parts.iter().enumerate() {
            if at.get(part).is_none() {
                let mut new = toml_edit::Table::new();
                // A group of sections has no header of its own.
                new.set_implicit(depth + 1 < parts.len());
                at.insert(part, Item::Table(new));
            }
            match at.get_mut(part).and_then(Item::as_table_like_mut) {
                Some(inner) => at = inner,
                None => break,
            }
        }
    }
    let mut item: Option<&mut Item> = Some(doc.as_item_mut());
    for part in t.section.name.split('.') {
        item = item.and_then(|i| i.as_table_like_mut()).and_then(|t| t.get_mut(part));
    }
    let help = if t.section.name == "station" {
        "the rotors come from the layout: edit aircraft.layout, aircraft.arm or aircraft.spins".to_owned()
    } else {
        format!("add {} with its keys first", t.section.header())
    };
    let Some(item) = item else { return Err(absent(help)) };
    let found = match t.item {
        None => item.as_table_like_mut(),
        Some(n) => {
            let count = item
                .as_array_of_tables()
                .map(toml_edit::ArrayOfTables::len)
                .or_else(|| item.as_array().map(Array::len))
                .unwrap_or(0);
            if n >= count {
                return Err(Box::new(
                    Diagnostic::error(
                        &source.file,
                        format!("there are {count} of {}, numbered from 1", t.section.header()),
                    )
                    .key(&change.key)
                    .help("name one that is there"),
                ));
            }
            match item {
                Item::ArrayOfTables(list) => list.get_mut(n).map(|t| t as &mut dyn TableLike),
                Item::Value(Value::Array(list)) => {
                    list.get_mut(n).and_then(Value::as_inline_table_mut).map(|t| t as &mut dyn TableLike)
                }
                _ => None,
            }
        }
    };
    let found = found.ok_or_else(|| absent(format!("write {} and its keys below", t.section.header())))?;
    match t.inner {
        None => Ok(found),
        Some(_) => found.get_mut(t.key.name).and_then(Item::as_table_like_mut).ok_or_else(|| {
            Box::new(
                Diagnostic::error(&source.file, format!("the item has no {}", t.key.name))
                    .key(&change.key)
                    .help(format!("set it whole first: {} = {}", t.key.name, t.key.example)),
            )
        }),
    }
}

/// Puts a value in place of an old one, with the old one's comment and spacing.
fn put(old: &mut Value, mut new: Value) {
    *new.decor_mut() = old.decor().clone();
    *old = new;
}

/// Applies one change.
pub(crate) fn apply(
    doc: &mut DocumentMut,
    spec: &'static Spec,
    source: &Source,
    change: &KeyChange,
) -> Result<(), Box<Diagnostic>> {
    let t = target(spec, source, &change.key)?;
    let key = t.inner.unwrap_or(t.key);
    let value: Value = change.value.trim().parse().map_err(|_| {
        Box::new(
            Diagnostic::error(&source.file, "the new value is not TOML")
                .key(&change.key)
                .found(crate::units::shortened(&change.value))
                .help(key.remedy()),
        )
    })?;
    // The value itself is checked against the key, so that the error names the edit.
    check_value(spec, source, key, change, &value, t.component)?;
    let table = table(doc, spec, &t, source, change)?;
    let Some(index) = t.component else {
        match table.get_mut(key.name) {
            Some(Item::Value(old)) => put(old, value),
            _ => {
                table.insert(key.name, Item::Value(value));
            }
        }
        return Ok(());
    };
    let existing = table.get_mut(key.name).and_then(Item::as_value_mut);
    match existing {
        Some(Value::Array(array)) => match array.get_mut(index) {
            Some(old) => put(old, value),
            None => {
                return Err(Box::new(
                    Diagnostic::error(&source.file, "the list has no such component")
                        .key(&change.key)
                        .help(key.remedy()),
                ));
            }
        },
        Some(one) => {
            // One value for all axes becomes three, with the one replaced.
            let mut array = Array::new();
            let mut plain = one.clone();
            plain.decor_mut().clear();
            for i in 0..3 {
                array.push(if i == index { value.clone() } else { plain.clone() });
            }
            put(one, Value::Array(array));
        }
        None => {
            let zero = key.dimension().map_or("0".to_owned(), |d| match d {
                crate::units::Dimension::Ratio => "0.0".to_owned(),
                d => format!("\"0 {}\"", if d == crate::units::Dimension::Length { "mm" } else { d.si() }),
            });
            let mut array = Array::new();
            for i in 0..3 {
                match zero.parse::<Value>() {
                    Ok(z) if i != index => array.push(z),
                    _ => array.push(value.clone()),
                }
            }
            table.insert(key.name, Item::Value(Value::Array(array)));
        }
    }
    Ok(())
}

/// Reads the new value alone; an error is about the edit and has no line.
fn check_value(
    spec: &'static Spec,
    source: &Source,
    key: &'static Key,
    change: &KeyChange,
    value: &Value,
    component: Option<usize>,
) -> Result<(), Box<Diagnostic>> {
    let alone = Source::new(&source.file, &change.value);
    let mut reader = Reader::new(&alone, spec);
    let value = if component.is_some() && !matches!(key.kind, Kind::Axes(_)) {
        let mut array = Array::new();
        for _ in 0..3 {
            array.push(value.clone());
        }
        Value::Array(array)
    } else {
        value.clone()
    };
    if component.is_some() && matches!(key.kind, Kind::Axes(_)) && value.is_array() {
        return Err(Box::new(
            Diagnostic::error(&source.file, "one axis takes one value")
                .key(&change.key)
                .help("write one value, such as \"22 1/s\""),
        ));
    }
    let held = reader.held(key, &change.key, "", &Item::Value(value), None);
    match (held, reader.diagnostics.into_iter().next()) {
        (Held::Broken, Some(mut d)) => {
            d.line = None;
            d.column = None;
            d.key = Some(change.key.clone());
            d.found = Some(crate::units::shortened(change.value.trim()));
            Err(Box::new(d))
        }
        _ => Ok(()),
    }
}
