//! A what-if in an address: `?build=b2&edits=esc.dead_time="3 ms"&edits=...`.

use dossier::result::{InputLine, KeyChange};

/// Build and edits that a page shows.
#[derive(Debug, Clone, PartialEq, Default)]
pub(crate) struct WhatIf {
    /// Build; the last one for `None`.
    pub(crate) build: Option<String>,
    /// Edits on top of the build's file, each key once.
    pub(crate) edits: Vec<KeyChange>,
}

/// Pairs of a query or a form.
pub(crate) type Pairs = Vec<(String, String)>;

/// Name of the form field that carries the text of an input.
pub(crate) const FIELD: &str = "field.";

impl WhatIf {
    /// From the pairs of a query; what is not ours is passed over.
    pub(crate) fn from_pairs(pairs: &Pairs) -> Self {
        let mut out = Self::default();
        for (name, value) in pairs {
            match name.as_str() {
                "build" if !value.is_empty() => out.build = Some(value.clone()),
                "edits" => {
                    if let Some((key, text)) = value.split_once('=') {
                        out.set(key.trim(), text.trim());
                    }
                }
                _ => {}
            }
        }
        out
    }

    /// Sets a key, replacing an earlier edit of it.
    pub(crate) fn set(&mut self, key: &str, value: &str) {
        if key.is_empty() {
            return;
        }
        match self.edits.iter_mut().find(|e| e.key == key) {
            Some(e) => value.clone_into(&mut e.value),
            None => self.edits.push(KeyChange { key: key.to_owned(), value: value.to_owned() }),
        }
    }

    /// With more edits.
    pub(crate) fn with(&self, edits: &[KeyChange]) -> Self {
        let mut out = self.clone();
        for e in edits {
            out.set(&e.key, &e.value);
        }
        out
    }

    /// Without one of the edits.
    pub(crate) fn without(&self, key: &str) -> Self {
        Self {
            build: self.build.clone(),
            edits: self.edits.iter().filter(|e| e.key != key).cloned().collect(),
        }
    }

    /// The build as its file stands.
    pub(crate) fn base(&self) -> Self {
        Self { build: self.build.clone(), edits: Vec::new() }
    }

    /// The same as pairs, for hidden fields.
    pub(crate) fn pairs(&self) -> Pairs {
        let mut out = Vec::new();
        if let Some(build) = &self.build {
            out.push(("build".to_owned(), build.clone()));
        }
        for e in &self.edits {
            out.push(("edits".to_owned(), format!("{}={}", e.key, e.value)));
        }
        out
    }

    /// A path with this what-if as its query.
    pub(crate) fn href(&self, path: &str) -> String {
        let query: Vec<String> =
            self.pairs().iter().map(|(n, v)| format!("{}={}", encode(n), encode(v))).collect();
        if query.is_empty() { path.to_owned() } else { format!("{path}?{}", query.join("&")) }
    }
}

/// Percent-encoding of everything but the unreserved characters (RFC 3986, 2.3).
pub(crate) fn encode(text: &str) -> String {
    let mut out = String::new();
    for b in text.bytes() {
        if b.is_ascii_alphanumeric() || b"-._~".contains(&b) {
            out.push(char::from(b));
        } else {
            out.push_str(&format!("%{b:02X}"));
        }
    }
    out
}

/// Text of an input as a person edits it: without the quotes of the file.
pub(crate) fn editable(text: &str) -> &str {
    text.trim().strip_prefix('"').and_then(|t| t.strip_suffix('"')).unwrap_or(text.trim())
}

/// Text that a person typed, as TOML: numbers, lists, tables and truth values as they are,
/// everything else as a string.
pub(crate) fn as_toml(typed: &str) -> String {
    let typed = typed.trim();
    let bare = typed.parse::<f64>().is_ok()
        || matches!(typed, "true" | "false")
        || typed.starts_with(['[', '{', '"', '\'']);
    if bare { typed.to_owned() } else { format!("\"{}\"", typed.replace('\\', "\\\\").replace('"', "\\\"")) }
}

/// Edits that the fields of the form make against the inputs as the file has them. Fields that
/// stand as in the file take an edit of that key back.
pub(crate) fn from_fields(what: &WhatIf, pairs: &Pairs, base: &[InputLine]) -> WhatIf {
    let mut out = what.clone();
    for (name, typed) in pairs {
        let Some(key) = name.strip_prefix(FIELD) else { continue };
        let Some(line) = base.iter().find(|l| l.key == key) else { continue };
        if typed.trim() == editable(&line.text) {
            out = out.without(key);
        } else {
            out.set(key, &as_toml(typed));
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_address_holds_a_what_if() {
        let mut what = WhatIf { build: Some("b1".to_owned()), edits: Vec::new() };
        what.set("esc.dead_time", "\"3 ms\"");
        what.set("esc.dead_time", "\"4 ms\"");
        assert_eq!(what.href("/aircraft"), "/aircraft?build=b1&edits=esc.dead_time%3D%224%20ms%22");
        assert_eq!(WhatIf::from_pairs(&what.pairs()), what);
    }

    #[test]
    fn typed_text_becomes_toml() {
        assert_eq!(as_toml("12 ms"), "\"12 ms\"");
        assert_eq!(as_toml("0.105"), "0.105");
        assert_eq!(as_toml("0.105 +- 3 %"), "\"0.105 +- 3 %\"");
        assert_eq!(as_toml("a\"b"), "\"a\\\"b\"");
    }
}
