//! The channel map: which column of which file is which channel, in what unit, axes and tap.

use std::collections::BTreeMap;
use std::fmt::Write as _;

use super::axes::Turn;
use super::vocabulary::{ATTITUDES, Frame, VECTORS};
use crate::record::{Stamp, Tap};

/// How fields are separated.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Delimiter {
    /// One byte between fields.
    Byte(u8),
    /// Any run of blanks and tabs.
    Blanks,
}

impl Delimiter {
    /// As written in a map.
    pub fn text(self) -> String {
        match self {
            Self::Blanks => "blanks".to_owned(),
            Self::Byte(b'\t') => "tab".to_owned(),
            Self::Byte(b) => char::from(b).to_string(),
        }
    }
}

/// Format of a source file.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Format {
    /// Text with separated fields.
    Csv,
    /// Parquet.
    Parquet,
}

/// How to read the source files; what is not stated is found from the file.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct SourceOptions {
    /// Format; else from the file's first bytes.
    pub format: Option<Format>,
    /// Delimiter.
    pub delimiter: Option<Delimiter>,
    /// Decimal mark, `.` or `,`.
    pub decimal: Option<u8>,
    /// Whether the first line names the columns.
    pub header: Option<bool>,
    /// First character of a comment line.
    pub comment: Option<u8>,
}

/// A column by name or by position.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Column {
    /// By its name in the header.
    Name(String),
    /// By its position, from 1.
    Position(usize),
}

impl std::fmt::Display for Column {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::Name(name) => write!(f, "{name}"),
            Self::Position(p) => write!(f, "column {p}"),
        }
    }
}

/// Line and column in the map's text, from 1.
pub(super) type Place = (usize, usize);

/// The time base of one file.
#[derive(Debug, Clone, PartialEq)]
pub struct TimeEntry {
    /// File, from 1.
    pub file: usize,
    /// Its time column; `None` counts rows.
    pub column: Option<Column>,
    /// Unit as written; `sample` counts samples.
    pub unit: String,
    /// Seconds per unit.
    pub scale: f64,
    /// Added after scaling, s.
    pub offset: f64,
    /// The counter starts again at zero after this value, in the column's unit.
    pub wraps_at: Option<f64>,
    /// Meaning of the stamps.
    pub stamp: Option<Stamp>,
    /// Where it stands in the map.
    pub place: Place,
}

/// A channel that no file holds: the map states it against the time of its file.
#[derive(Debug, Clone, PartialEq)]
pub struct Stated {
    /// Times, s, ascending, on the file's own clock, and values in the entry's unit.
    pub points: Vec<(f64, f64)>,
    /// Straight between the points, and nothing outside them; else each value holds until the next, the last to the
    /// end of the file, and nothing is before the first.
    pub line: bool,
}

impl Stated {
    /// Key in a map.
    pub(super) fn key(&self) -> &'static str {
        if self.line { "line" } else { "steps" }
    }
    /// Value at a time, s.
    pub fn at(&self, time: f64) -> f64 {
        let after = self.points.partition_point(|p| p.0 <= time);
        let (before, next) = (after.checked_sub(1).and_then(|i| self.points.get(i)), self.points.get(after));
        match (before, next) {
            (Some(a), Some(b)) if self.line => a.1 + (b.1 - a.1) * (time - a.0) / (b.0 - a.0),
            (Some(a), _) if !self.line || time == a.0 => a.1,
            _ => f64::NAN,
        }
    }
}

/// One channel of the map.
#[derive(Debug, Clone, PartialEq)]
pub struct ChannelEntry {
    /// Canonical name.
    pub name: String,
    /// Column; none where the channel is stated.
    pub column: Option<Column>,
    /// What it is in place of a column.
    pub stated: Option<Stated>,
    /// File, from 1.
    pub file: usize,
    /// Unit as written; `1` where the channel is a ratio.
    pub unit: String,
    /// +1 or -1, applied first.
    pub sign: f64,
    /// Applied after the sign.
    pub factor: f64,
    /// Added after the factor, in the source's unit.
    pub offset: f64,
    /// Source values that mean 0 and 1, in place of a unit.
    pub range: Option<(f64, f64)>,
    /// Tap point.
    pub tap: Option<Tap>,
    /// Meaning of the time stamp.
    pub stamp: Option<Stamp>,
    /// What is unsure, as a comment for people.
    pub comment: Option<String>,
    /// Where it stands in the map.
    pub place: Place,
}

impl ChannelEntry {
    /// Where its values come from, for people.
    pub fn origin(&self) -> String {
        self.column.as_ref().map_or_else(|| "stated in the channel map".to_owned(), Column::to_string)
    }
}

/// Axis turns.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Axes {
    /// For all body vectors that have no own entry.
    pub from: Option<Turn>,
    /// For all earth vectors and attitudes that have no own entry.
    pub earth: Option<Turn>,
    /// Own turns by stem; for attitudes, the turn of the body side.
    pub own: BTreeMap<String, Turn>,
    /// The quaternion takes earth vectors to the body, the inverse of ours.
    pub inverse: bool,
}

impl Axes {
    /// Body-side turn of a vector or attitude.
    pub fn body(&self, stem: &str) -> Turn {
        self.own.get(stem).or(self.from.as_ref()).copied().unwrap_or(Turn::NONE)
    }
    /// Turn of an earth vector or of the earth side of an attitude.
    pub fn earth(&self, stem: &str) -> Turn {
        let own = if ATTITUDES.contains(&stem) { None } else { self.own.get(stem) };
        own.or(self.earth.as_ref()).copied().unwrap_or(Turn::NONE)
    }
    /// Whether anything is turned.
    pub fn is_plain(&self) -> bool {
        *self == Self::default()
    }
}

/// A channel map.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct ChannelMap {
    /// How to read the files.
    pub source: SourceOptions,
    /// Time base of each file.
    pub time: Vec<TimeEntry>,
    /// Channels.
    pub channels: Vec<ChannelEntry>,
    /// Axis turns.
    pub axes: Axes,
}

/// Text of a tap point.
pub(super) fn tap_text(tap: Tap) -> &'static str {
    match tap {
        Tap::Raw => "raw",
        Tap::Filtered => "filtered",
        Tap::BeforeMixing => "before-mixing",
        Tap::AfterMixing => "after-mixing",
        Tap::Estimated => "estimated",
        Tap::External => "external",
    }
}

/// Text of a time-stamp meaning.
pub(super) fn stamp_text(stamp: Stamp) -> &'static str {
    match stamp {
        Stamp::Sampled => "sampled",
        Stamp::Received => "received",
        Stamp::Logged => "logged",
        Stamp::Stated => "stated",
    }
}

fn quoted(text: &str) -> String {
    toml_edit::Value::from(text).to_string().trim().to_owned()
}

fn number(value: f64) -> String {
    toml_edit::Value::from(value).to_string().trim().to_owned()
}

impl ChannelMap {
    /// The time base of a file: its own entry, else the first.
    pub fn time_of(&self, file: usize) -> Option<&TimeEntry> {
        self.time.iter().find(|t| t.file == file).or(self.time.first())
    }

    /// Number of the last file that the map names.
    pub fn files(&self) -> usize {
        self.channels.iter().map(|c| c.file).chain(self.time.iter().map(|t| t.file)).max().unwrap_or(1)
    }

    /// The channel of a name.
    pub fn channel(&self, name: &str) -> Option<&ChannelEntry> {
        self.channels.iter().find(|c| c.name == name)
    }

    /// As TOML text that reads back to the same map.
    pub fn to_toml(&self) -> String {
        let mut out = String::new();
        self.write_source(&mut out);
        let many = self.time.len() > 1;
        for t in &self.time {
            out.push_str(if many { "\n[[time]]\n" } else { "\n[time]\n" });
            if many || t.file != 1 {
                let _ = writeln!(out, "file = {}", t.file);
            }
            write_column(&mut out, t.column.as_ref());
            if t.unit == "sample" {
                let rate = number(1.0 / t.scale);
                let _ = writeln!(out, "unit = \"sample\"\nrate = \"{rate} Hz\"");
            } else {
                let _ = writeln!(out, "unit = {}", quoted(&t.unit));
            }
            if t.offset != 0.0 {
                let _ = writeln!(out, "offset = \"{} s\"", number(t.offset));
            }
            if let Some(w) = t.wraps_at {
                let _ = writeln!(out, "wraps_at = {}", number(w));
            }
            if let Some(s) = t.stamp {
                let _ = writeln!(out, "stamp = \"{}\"", stamp_text(s));
            }
        }
        self.write_axes(&mut out);
        for c in &self.channels {
            write_channel(&mut out, c);
        }
        out.trim_start().to_owned()
    }

    fn write_source(&self, out: &mut String) {
        let s = &self.source;
        if *s == SourceOptions::default() {
            return;
        }
        out.push_str("[source]\n");
        if let Some(f) = s.format {
            let _ = writeln!(out, "format = \"{}\"", if f == Format::Csv { "csv" } else { "parquet" });
        }
        if let Some(d) = s.delimiter {
            let _ = writeln!(out, "delimiter = {}", quoted(&d.text()));
        }
        if let Some(d) = s.decimal {
            let _ = writeln!(out, "decimal = {}", quoted(&char::from(d).to_string()));
        }
        if let Some(h) = s.header {
            let _ = writeln!(out, "header = {h}");
        }
        if let Some(c) = s.comment {
            let _ = writeln!(out, "comment = {}", quoted(&char::from(c).to_string()));
        }
    }

    fn write_axes(&self, out: &mut String) {
        if self.axes.is_plain() {
            return;
        }
        out.push_str("\n[axes]\n");
        if let Some(t) = self.axes.from {
            let _ = writeln!(out, "from = \"{}\"", t.body_words());
        }
        if let Some(t) = self.axes.earth {
            let _ = writeln!(out, "earth = \"{}\"", t.earth_words());
        }
        if self.axes.inverse {
            out.push_str("attitude_is = \"body-from-earth\"\n");
        }
        for (stem, turn) in &self.axes.own {
            let earth = VECTORS.iter().any(|(n, _, f)| n == stem && *f == Frame::Earth);
            let words = if earth { turn.earth_words() } else { turn.body_words() };
            let _ = writeln!(out, "{stem} = \"{words}\"");
        }
    }
}

fn write_column(out: &mut String, column: Option<&Column>) {
    match column {
        Some(Column::Name(n)) => {
            let _ = writeln!(out, "column = {}", quoted(n));
        }
        Some(Column::Position(p)) => {
            let _ = writeln!(out, "position = {p}");
        }
        None => {}
    }
}

fn write_channel(out: &mut String, c: &ChannelEntry) {
    out.push_str("\n[[channel]]");
    if let Some(comment) = &c.comment {
        let _ = write!(out, " # unsure: {}", comment.replace(['\n', '\r'], " "));
    }
    let _ = writeln!(out, "\nname = {}", quoted(&c.name));
    write_column(out, c.column.as_ref());
    if let Some(s) = &c.stated {
        let points: Vec<String> =
            s.points.iter().map(|(t, v)| format!("[\"{} s\", {}]", number(*t), number(*v))).collect();
        let _ = writeln!(out, "{} = [{}]", s.key(), points.join(", "));
    }
    if c.file != 1 {
        let _ = writeln!(out, "file = {}", c.file);
    }
    if let Some((a, b)) = c.range {
        let unit = if c.unit == "1" { String::new() } else { format!(" {}", c.unit) };
        let _ = writeln!(
            out,
            "range = [{}, {}]",
            quoted(&format!("{}{unit}", number(a))),
            quoted(&format!("{}{unit}", number(b)))
        );
    } else if c.unit != "1" {
        let _ = writeln!(out, "unit = {}", quoted(&c.unit));
    }
    if c.sign != 1.0 {
        out.push_str("sign = -1\n");
    }
    if c.factor != 1.0 {
        let _ = writeln!(out, "factor = {}", number(c.factor));
    }
    if c.offset != 0.0 {
        let _ = writeln!(out, "offset = {}", number(c.offset));
    }
    if let Some(t) = c.tap {
        let _ = writeln!(out, "tap = \"{}\"", tap_text(t));
    }
    if let Some(s) = c.stamp.filter(|s| *s != Stamp::Stated) {
        let _ = writeln!(out, "stamp = \"{}\"", stamp_text(s));
    }
}
