//! What differs between two aircraft files, key by key, and files that lie between the two.
//!
//! A change is a key with another value, or a section or item of a list that only one file has. Items of a list
//! are matched by their name (`item`), else by their place. The text of a value counts, without comments and
//! spaces around it: `"12 ms"` and `"0.012 s"` differ, and the recomputation shows that nothing follows from it.

use toml_edit::{ArrayOfTables, Document, DocumentMut, Item, Table, TableLike};

use super::AircraftFile;
use crate::diagnostic::Diagnostics;

/// One step on the way to a key.
#[derive(Debug, Clone, PartialEq, Eq)]
enum Step {
    /// A key of a table.
    Key(String),
    /// An item of a list of tables, by its name and which of that name it is.
    Item(String, usize),
}

/// One difference between two files.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Change {
    path: Vec<Step>,
    /// Text in the first file; none where it has no such key.
    pub before: Option<String>,
    /// Text in the second file.
    pub after: Option<String>,
}

impl Change {
    /// Key for people: `rotor.diameter`, `mass "battery": mass`.
    pub fn key(&self) -> String {
        let mut out = String::new();
        for step in &self.path {
            match step {
                Step::Key(k) if out.is_empty() => out.push_str(k),
                Step::Key(k) if out.ends_with('"') || out.ends_with(|c: char| c.is_ascii_digit()) => {
                    out.push_str(&format!(": {k}"));
                }
                Step::Key(k) => out.push_str(&format!(".{k}")),
                Step::Item(name, n) => out.push_str(&match (name.as_str(), n) {
                    ("", n) => format!(" {}", n + 1),
                    (name, 0) => format!(" \"{name}\""),
                    (name, n) => format!(" \"{name}\" {}", n + 1),
                }),
            }
        }
        out
    }

    /// Top of the path: `rotor`, `mass`, `loop`.
    pub fn section(&self) -> &str {
        match self.path.first() {
            Some(Step::Key(k)) => k,
            _ => "",
        }
    }

    /// A file beside the aircraft file that changed although its name did not.
    fn is_content(&self) -> bool {
        self.before.as_deref().is_some_and(|t| t.starts_with(CONTENT))
    }
}

/// Text of a change of a file's content.
const CONTENT: &str = "contents of ";
/// Keys of the rotor that name a file beside the aircraft file.
const FILES: [&str; 2] = ["table", "geometry"];

/// All that differs from `a` to `b`, in the order of `a`, then what only `b` has. The aircraft's name does not count.
pub fn changes(a: &AircraftFile, b: &AircraftFile) -> Vec<Change> {
    let mut out = Vec::new();
    tables(a.document().as_table(), b.document().as_table(), &mut Vec::new(), &mut out);
    out.retain(|c| c.key() != "aircraft.name");
    let rotor = |f: &AircraftFile| f.fingerprint().get("rotor").cloned();
    if rotor(a) != rotor(b) && !out.iter().any(|c| c.section() == "rotor") {
        for key in FILES {
            if let Some(name) = a.document().get("rotor").and_then(|r| r.get(key)).and_then(Item::as_str) {
                let text = format!("{CONTENT}{name}");
                out.push(Change {
                    path: vec![Step::Key("rotor".to_owned()), Step::Key(key.to_owned())],
                    before: Some(text.clone()),
                    after: Some(text),
                });
            }
        }
    }
    out
}

fn text(item: &Item) -> String {
    match item {
        Item::Value(v) => {
            let mut v = v.clone();
            v.decor_mut().clear();
            v.to_string()
        }
        Item::Table(t) => format!("[{}]", t.iter().map(|(k, _)| k).collect::<Vec<_>>().join(", ")),
        Item::ArrayOfTables(l) => format!("{} items", l.len()),
        Item::None => String::new(),
    }
}

fn tables(a: &Table, b: &Table, path: &mut Vec<Step>, out: &mut Vec<Change>) {
    let only_b = b.iter().map(|(k, _)| k).filter(|k| a.get(k).is_none());
    for key in a.iter().map(|(k, _)| k).chain(only_b) {
        path.push(Step::Key(key.to_owned()));
        match (a.get(key), b.get(key)) {
            (Some(Item::Table(x)), Some(Item::Table(y))) => tables(x, y, path, out),
            (Some(Item::ArrayOfTables(x)), Some(Item::ArrayOfTables(y))) => lists(x, y, path, out),
            (x, y) => {
                let (before, after) = (x.map(text), y.map(text));
                if before != after {
                    out.push(Change { path: path.clone(), before, after });
                }
            }
        }
        path.pop();
    }
}

/// Names of a list's items, and which of that name each is.
fn names(list: &ArrayOfTables) -> Vec<(String, usize)> {
    let mut out: Vec<(String, usize)> = Vec::new();
    for t in list {
        let name = t.get("item").and_then(Item::as_str).unwrap_or_default().to_owned();
        let n = out.iter().filter(|o| o.0 == name).count();
        out.push((name, n));
    }
    out
}

fn lists(a: &ArrayOfTables, b: &ArrayOfTables, path: &mut Vec<Step>, out: &mut Vec<Change>) {
    let (in_a, in_b) = (names(a), names(b));
    let whole = |t: Option<&Table>| {
        t.map(|t| {
            let keys = t.iter().filter(|(k, _)| *k != "item");
            keys.map(|(k, v)| format!("{k} = {}", text(v))).collect::<Vec<_>>().join(", ")
        })
    };
    for id in in_a.iter().chain(in_b.iter().filter(|id| !in_a.contains(id))) {
        let at = |names: &[(String, usize)]| names.iter().position(|n| n == id);
        let (x, y) = (at(&in_a).and_then(|i| a.get(i)), at(&in_b).and_then(|i| b.get(i)));
        path.push(Step::Item(id.0.clone(), id.1));
        match (x, y) {
            (Some(x), Some(y)) => tables(x, y, path, out),
            (x, y) => out.push(Change { path: path.clone(), before: whole(x), after: whole(y) }),
        }
        path.pop();
    }
}

/// The file `a` with some of the changes towards `b`.
///
/// # Errors
/// The changes do not make a file on their own: a coefficient without the table that replaces it, say.
pub fn between(a: &AircraftFile, b: &AircraftFile, some: &[&Change]) -> Result<AircraftFile, Diagnostics> {
    let mut doc: DocumentMut = a.document().clone().into_mut();
    for change in some.iter().filter(|c| !c.is_content()) {
        let source = find(b.document(), &change.path);
        set(doc.as_table_mut(), &change.path, source);
    }
    // A file that the rotor names is looked for beside the file it comes from.
    let from_b = some.iter().any(|c| {
        c.section() == "rotor" && matches!(c.path.get(1), Some(Step::Key(k)) if FILES.contains(&k.as_str()))
    });
    AircraftFile::parse(if from_b { b.path() } else { a.path() }, &doc.to_string())
}

/// A found thing: a value or section, or an item of a list.
enum Found {
    Item(Item),
    Entry(Table),
}

fn find(doc: &Document<String>, path: &[Step]) -> Option<Found> {
    let mut table: &Table = doc.as_table();
    let mut steps = path.iter().peekable();
    while let Some(step) = steps.next() {
        let Step::Key(key) = step else { return None };
        match (table.get(key)?, steps.peek()) {
            (item, None) => return Some(Found::Item(item.clone())),
            (Item::Table(t), Some(_)) => table = t,
            (Item::ArrayOfTables(l), Some(Step::Item(name, n))) => {
                let at = names(l).iter().position(|x| x.0 == *name && x.1 == *n)?;
                table = l.get(at)?;
                steps.next();
                if steps.peek().is_none() {
                    return Some(Found::Entry(table.clone()));
                }
            }
            _ => return None,
        }
    }
    None
}

/// Puts `new` at `path`, or takes away what is there.
fn set(table: &mut Table, path: &[Step], new: Option<Found>) {
    match path {
        [Step::Key(key)] => match new {
            Some(Found::Item(mut item)) => {
                if let Item::Table(t) = &mut item {
                    t.set_position(None);
                }
                TableLike::insert(table, key, item);
            }
            _ => {
                table.remove(key);
            }
        },
        [Step::Key(key), Step::Item(name, n), rest @ ..] => {
            let Some(Item::ArrayOfTables(list)) = table.get_mut(key) else { return };
            let at = names(list).iter().position(|x| x.0 == *name && x.1 == *n);
            match (at, rest, new) {
                (Some(i), [], None) => {
                    list.remove(i);
                }
                (None, [], Some(Found::Entry(mut t))) => {
                    t.set_position(None);
                    list.push(t);
                }
                (Some(i), rest, new) if !rest.is_empty() => {
                    if let Some(t) = list.get_mut(i) {
                        set(t, rest, new);
                    }
                }
                _ => {}
            }
        }
        [Step::Key(key), rest @ ..] => {
            if let Some(Item::Table(t)) = table.get_mut(key) {
                set(t, rest, new);
            }
        }
        _ => {}
    }
}
