//! The text of a file with places: byte offset to line and column; reading with encoding checks;
//! syntax errors with hints.

use std::io::Read;
use std::ops::Range;
use std::path::{Path, PathBuf};

use toml_edit::{Document, TomlError};

use super::spec::Spec;
use crate::diagnostic::{Diagnostic, Diagnostics};
use crate::units::shortened;

/// Largest file that is read, bytes. A real one has a few thousand.
pub const LARGEST_FILE: u64 = 1 << 20;

/// One error as the errors of a call.
#[expect(clippy::boxed_local, reason = "errors on the way are boxed to keep results small")]
pub(crate) fn all(d: Box<Diagnostic>) -> Diagnostics {
    Diagnostics(vec![*d])
}

/// A file's text with its line starts.
#[derive(Debug, Clone)]
pub(crate) struct Source {
    pub(crate) file: PathBuf,
    pub(crate) text: String,
    starts: Vec<usize>,
}

impl Source {
    pub(crate) fn new(file: &Path, text: &str) -> Self {
        let starts = std::iter::once(0).chain(text.match_indices('\n').map(|(i, _)| i + 1)).collect();
        Self { file: file.to_owned(), text: text.to_owned(), starts }
    }

    /// Line and column, both from 1, of a byte offset. Columns count characters.
    pub(crate) fn place(&self, offset: usize) -> (usize, usize) {
        let offset = offset.min(self.text.len());
        let line = self.starts.partition_point(|s| *s <= offset).max(1);
        let start = self.starts.get(line - 1).copied().unwrap_or(0);
        let before = self.text.get(start..offset).map_or(offset - start, |t| t.chars().count());
        (line, before + 1)
    }

    /// Text of a line, from 1, without its end.
    pub(crate) fn line(&self, line: usize) -> &str {
        let start = self.starts.get(line.saturating_sub(1)).copied().unwrap_or(self.text.len());
        self.text.get(start..).and_then(|t| t.lines().next()).unwrap_or("")
    }

    /// Text of a span, cut to what fits a message.
    pub(crate) fn slice(&self, span: &Range<usize>) -> String {
        shortened(self.text.get(span.clone()).unwrap_or("").trim().lines().next().unwrap_or(""))
    }

    /// An error about the span, with its text.
    pub(crate) fn error(&self, span: Option<&Range<usize>>, key: &str, message: String) -> Diagnostic {
        let mut d = Diagnostic::error(&self.file, message).key(key);
        if let Some(span) = span {
            let (line, column) = self.place(span.start);
            d = d.at(line, column).found(self.slice(span));
        }
        d
    }
}

/// Reads a text file whole.
///
/// # Errors
/// Not there, a folder, too large, not UTF-8, a byte-order mark.
pub(crate) fn read_text(path: &Path, what: &str) -> Result<String, Box<Diagnostic>> {
    let unread = |e: &std::io::Error| {
        Box::new(
            Diagnostic::error(path, format!("the {what} cannot be read: {}", reason(e)))
                .help("check its name, its folder and its rights"),
        )
    };
    let meta = std::fs::metadata(path).map_err(|e| unread(&e))?;
    if !meta.is_file() {
        let found = if meta.is_dir() { "a folder" } else { "not a plain file" };
        let d = Diagnostic::error(path, format!("this is {found}; expected the {what}"));
        return Err(Box::new(d.help("name the file itself")));
    }
    let mut bytes = Vec::new();
    std::fs::File::open(path)
        .and_then(|f| f.take(LARGEST_FILE + 1).read_to_end(&mut bytes))
        .map_err(|e| unread(&e))?;
    decode(path, bytes, what)
}

/// Reason of a failure in plain words.
pub(crate) fn reason(error: &std::io::Error) -> String {
    match error.kind() {
        std::io::ErrorKind::NotFound => "there is no such file".to_owned(),
        std::io::ErrorKind::PermissionDenied => "no right to read it".to_owned(),
        _ => error.to_string(),
    }
}

/// Bytes to text: size, encoding, byte-order marks.
pub(crate) fn decode(path: &Path, bytes: Vec<u8>, what: &str) -> Result<String, Box<Diagnostic>> {
    if bytes.len() as u64 > LARGEST_FILE {
        return Err(Box::new(
            Diagnostic::error(path, format!("the {what} is larger than {} kB", LARGEST_FILE / 1024))
                .help("such a file has a few kB; put measured data into records"),
        ));
    }
    if bytes.starts_with(&[0xff, 0xfe]) || bytes.starts_with(&[0xfe, 0xff]) {
        return Err(Box::new(
            Diagnostic::error(path, "the text is UTF-16")
                .at(1, 1)
                .help("save it as UTF-8 without a byte-order mark"),
        ));
    }
    String::from_utf8(bytes).map_err(|e| {
        let good = e.utf8_error().valid_up_to();
        let head = String::from_utf8_lossy(e.as_bytes().get(..good).unwrap_or_default()).into_owned();
        let byte = e.as_bytes().get(good).copied().unwrap_or(0);
        let (line, column) = Source::new(path, &head).place(head.len());
        Box::new(
            Diagnostic::error(path, "the text is not UTF-8")
                .at(line, column)
                .found(format!("byte 0x{byte:02X}"))
                .help("save it as UTF-8; for degrees write `deg` or `degC`, for micro write `u`"),
        )
    })
}

/// Parses TOML.
///
/// # Errors
/// A byte-order mark, an empty file, or the first syntax error with a hint.
pub(crate) fn parse_toml(source: &Source, spec: &Spec) -> Result<Document<String>, Box<Diagnostic>> {
    if source.text.len() as u64 > LARGEST_FILE {
        return Err(Box::new(
            Diagnostic::error(
                &source.file,
                format!("the {} is larger than {} kB", spec.what, LARGEST_FILE / 1024),
            )
            .help("such a file has a few kB; put measured data into records"),
        ));
    }
    if source.text.starts_with('\u{feff}') {
        return Err(Box::new(
            Diagnostic::error(&source.file, "the file begins with a byte-order mark")
                .at(1, 1)
                .help("save it as UTF-8 without a byte-order mark"),
        ));
    }
    let written = source.text.lines().any(|l| !l.trim().is_empty() && !l.trim_start().starts_with('#'));
    if !written {
        return Err(Box::new(
            Diagnostic::error(&source.file, format!("the {} is empty", spec.what)).at(1, 1).help(spec.least),
        ));
    }
    Document::parse(source.text.clone()).map_err(|e| Box::new(syntax_error(source, &e)))
}

fn syntax_error(source: &Source, error: &TomlError) -> Diagnostic {
    let span = error.span().unwrap_or(source.text.len()..source.text.len());
    let (mut line, mut column) = source.place(span.start);
    // An error at the very end of a line's text belongs to that line.
    if source.line(line).trim().is_empty() && span.start >= source.text.trim_end().len() {
        (line, column) = source.place(source.text.trim_end().len());
    }
    // A list that is not closed is noticed on a later line; the place to mend is where it opens.
    if error.message().contains("array")
        && !open_list(source.line(line))
        && let Some(opened) = (1..line).rev().take(20).find(|l| open_list(source.line(*l)))
    {
        line = opened;
        let text = source.line(line);
        column = text.find('[').map_or(1, |i| text.get(..i).map_or(0, |t| t.chars().count()) + 1);
    }
    let text = source.line(line).trim();
    let (message, help) = explain(text, error.message());
    let key = text
        .split_once('=')
        .map(|(k, _)| k.trim())
        .filter(|k| !k.is_empty() && k.chars().all(|c| c.is_alphanumeric() || matches!(c, '_' | '-' | '.')));
    let mut d = Diagnostic::error(&source.file, message).at(line, column).found(shortened(text)).help(help);
    if let Some(key) = key {
        d = d.key(key);
    }
    d
}

/// Whether a line gives a key a list that it does not close.
fn open_list(line: &str) -> bool {
    let line = line.split('#').next().unwrap_or(line);
    line.split_once('=').is_some_and(|(_, v)| v.matches('[').count() > v.matches(']').count())
}

/// A message and a hint from the offending line and the parser's words.
fn explain(line: &str, words: &str) -> (String, String) {
    let value = line.split_once('=').map(|(_, v)| v.trim());
    let bare = value.map(|v| v.split('#').next().unwrap_or(v).trim());
    let quotes = line.chars().filter(|c| *c == '"').count();
    let pair = |m: &str, h: String| (m.to_owned(), h);
    if words.contains("duplicate key") {
        let key = line.split_once('=').map_or(line, |(k, _)| k).trim();
        return pair(
            "this stands twice",
            format!(
                "keep one `{key}`; a section or a key may stand once, and repeated items have double brackets: [[mass]]"
            ),
        );
    }
    if line.contains(['\u{201c}', '\u{201d}', '\u{201e}', '\u{2018}', '\u{2019}']) {
        return pair("typographic quotes", "write straight quotes: \"15 in\"".to_owned());
    }
    if line.starts_with('[') && value.is_none() && line.matches('[').count() != line.matches(']').count() {
        return pair("the brackets of the section are not closed", "write [rotor] or [[mass]]".to_owned());
    }
    if let Some(v) = bare {
        if v.is_empty() {
            return pair(
                "no value after the equals sign",
                "write key = value, as in diameter = \"15 in\"".to_owned(),
            );
        }
        if quotes % 2 == 1 {
            return pair(
                "a text in quotes is not closed",
                "put a quote on both sides: diameter = \"15 in\"".to_owned(),
            );
        }
        if v.contains('\\') && v.starts_with('"') {
            return pair(
                "a backslash in a text",
                "write file names with forward slashes: \"tables/rotor.csv\"".to_owned(),
            );
        }
        if v.matches(['[', '{']).count() != v.matches([']', '}']).count() {
            return pair(
                "a list or table is not closed",
                "write at = [\"0 mm\", \"0 mm\", \"35 mm\"]".to_owned(),
            );
        }
        if v.starts_with('[') && quotes == 0 && v.chars().any(char::is_alphabetic) {
            return pair(
                "quantities with units stand in quotes",
                "write at = [\"0 mm\", \"0 mm\", \"35 mm\"]".to_owned(),
            );
        }
        if v.eq_ignore_ascii_case("true") || v.eq_ignore_ascii_case("false") {
            return pair("true and false are written small", format!("write {}", v.to_lowercase()));
        }
        let numeric = v.starts_with(|c: char| c.is_ascii_digit() || matches!(c, '-' | '+' | '.'));
        if numeric && v.contains(',') {
            return pair(
                "a comma inside a number",
                "the decimal mark is a point and thousands have none: write 0.105 or 1320".to_owned(),
            );
        }
        if numeric && v.chars().any(|c| c.is_alphabetic() || c == '%') {
            return pair("a quantity with a unit stands in quotes", format!("write \"{v}\""));
        }
        if numeric {
            return pair(
                "not a number as TOML writes it",
                "a number has digits on both sides of its point and no zeros in front: 0.105, 20.0"
                    .to_owned(),
            );
        }
        if quotes == 0 {
            return pair("a text stands in quotes", format!("write \"{}\"", shortened(v)));
        }
    } else if line.contains(':') {
        return pair(
            "a key and its value are joined by an equals sign",
            "write diameter = \"15 in\"".to_owned(),
        );
    } else if !line.starts_with('[') {
        return pair(
            "this is neither a section nor a key with a value",
            "write [rotor], or diameter = \"15 in\"; comments begin with #".to_owned(),
        );
    }
    (
        format!("not TOML: {words}"),
        "write sections as [rotor] or [[mass]], and values as diameter = \"15 in\"".to_owned(),
    )
}
