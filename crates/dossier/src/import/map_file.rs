//! Reads a channel map, strictly, and says everything that is wrong with it at once.

use std::ops::Range;
use std::path::Path;

use toml_edit::Item;

use super::axes::Turn;
use super::map::{
    Axes, ChannelEntry, ChannelMap, Column, Delimiter, Format, SourceOptions, Stated, TimeEntry,
};
use super::toml_reader::{Reader, Table};
use super::vocabulary::{ATTITUDES, Frame, VECTORS, all_names, canonical, nearest};
use crate::diagnostic::{Diagnostic, Diagnostics};
use crate::record::{Stamp, Tap};
use crate::units::{Dimension, parse_quantity, parse_unit};

impl ChannelMap {
    /// Reads a map; `file` is its name, for messages.
    pub fn parse(file: &Path, text: &str) -> Result<Self, Diagnostics> {
        let mut reader = Reader { file, text, errors: Vec::new() };
        let document = match toml_edit::Document::parse(text) {
            Ok(d) => d,
            Err(e) => {
                let d = reader.new_error(e.span(), e.message().trim().replace('\n', "; "));
                return Err(d.help("a channel map is TOML: `name = \"rate.x\"` under `[[channel]]`").into());
            }
        };
        let map = reader.map(document.as_table());
        if reader.errors.is_empty() { Ok(map) } else { Err(Diagnostics(reader.errors)) }
    }
}

impl Reader<'_> {
    fn tap(&mut self, t: Table, path: &str) -> Option<Tap> {
        let all = [
            ("raw", Tap::Raw),
            ("filtered", Tap::Filtered),
            ("before-mixing", Tap::BeforeMixing),
            ("after-mixing", Tap::AfterMixing),
            ("estimated", Tap::Estimated),
            ("external", Tap::External),
        ];
        self.choice(t, path, "tap", &all)
    }

    fn stamp(&mut self, t: Table, path: &str) -> Option<Stamp> {
        let all = [("sampled", Stamp::Sampled), ("received", Stamp::Received), ("logged", Stamp::Logged)];
        self.choice(t, path, "stamp", &all)
    }

    fn map(&mut self, root: Table) -> ChannelMap {
        self.unknown(root, "", &["source", "time", "channel", "axes", "command"]);
        let mut map = ChannelMap::default();
        if let Some(t) = self.table(root, "source") {
            map.source = self.source(t);
        }
        let times = self.tables(root, "time");
        let many = times.len() > 1;
        for (t, span) in times {
            if let Some(entry) = self.time(t, span, many) {
                if let Some(first) = map.time.iter().find(|e| e.file == entry.file) {
                    let message =
                        format!("file {} has a time base already, on line {}", entry.file, first.place.0);
                    let d = Diagnostic::error(self.file, message).at(entry.place.0, entry.place.1);
                    self.errors.push(d.key("time").help("give each `[[time]]` its own `file = 2`"));
                }
                map.time.push(entry);
            }
        }
        if root.get("time").is_none() {
            let help = "add `[time]` with `column = \"t\"` and `unit = \"ms\"`, or `unit = \"sample\"` and `rate = \"200 Hz\"`";
            self.errors.push(Diagnostic::error(self.file, "the map has no `[time]`").key("time").help(help));
        }
        let command = self.table(root, "command").and_then(|t| self.command(t));
        let channels = self.tables(root, "channel");
        if channels.is_empty() && root.get("channel").is_none() {
            let help = "add at least one `[[channel]]` with `name`, `column` and `unit`";
            self.errors
                .push(Diagnostic::error(self.file, "the map has no channel").key("channel").help(help));
        }
        for (t, span) in channels {
            if let Some(entry) = self.channel(t, span, command.as_ref()) {
                if let Some(first) = map.channels.iter().find(|e| e.name == entry.name) {
                    let message =
                        format!("channel `{}` stands twice, first on line {}", entry.name, first.place.0);
                    let d = Diagnostic::error(self.file, message).at(entry.place.0, entry.place.1);
                    self.errors.push(d.key("channel.name").help("remove one of the two, or rename it"));
                }
                map.channels.push(entry);
            }
        }
        if let Some(t) = self.table(root, "axes") {
            map.axes = self.axes(t);
            self.check_axes(t, &map);
        }
        self.check_attitudes(&map);
        map
    }

    fn source(&mut self, t: Table) -> SourceOptions {
        self.unknown(t, "source", &["format", "delimiter", "decimal", "header", "comment"]);
        let one = |text: &str| -> Option<u8> {
            match text.as_bytes() {
                [b] if b.is_ascii_graphic() => Some(*b),
                _ => None,
            }
        };
        let mut options = SourceOptions {
            format: self.choice(t, "source", "format", &[("csv", Format::Csv), ("parquet", Format::Parquet)]),
            decimal: self.choice(t, "source", "decimal", &[(".", b'.'), (",", b',')]),
            ..SourceOptions::default()
        };
        if let Some((text, span)) = self.string(t, "source", "delimiter", "\";\"") {
            options.delimiter = match text {
                "blanks" | "space" | " " => Some(Delimiter::Blanks),
                "tab" | "\t" => Some(Delimiter::Byte(b'\t')),
                _ => one(text).filter(|b| !b.is_ascii_alphanumeric() && *b != b'"').map(Delimiter::Byte),
            };
            if options.delimiter.is_none() {
                let help = "one character such as `;`, or `tab`, or `blanks` for any run of blanks";
                self.fail(span, "source.delimiter", format!("`{text}` is no delimiter"), help);
            }
        }
        if options.decimal.is_some() && options.decimal.map(Delimiter::Byte) == options.delimiter {
            let span = t.get("decimal").and_then(Item::span);
            self.fail(span, "source.decimal", "decimal mark and delimiter are the same", "delimiter = \";\"");
        }
        if let Some(item) = t.get("header") {
            options.header = item.as_bool();
            if options.header.is_none() {
                self.fail(item.span(), "source.header", "`header` takes true or false", "header = true");
            }
        }
        if let Some((text, span)) = self.string(t, "source", "comment", "\"#\"") {
            options.comment = one(text);
            if options.comment.is_none() {
                self.fail(
                    span,
                    "source.comment",
                    format!("`{text}` is not one character"),
                    "comment = \"#\"",
                );
            }
        }
        options
    }

    fn column(&mut self, t: Table, path: &str, needed: bool, span: Option<Range<usize>>) -> Option<Column> {
        let name = self.string(t, path, "column", "\"gyro x\"").map(|(s, _)| s.to_owned());
        let position = self.count(t, path, "position", 1, 100_000);
        let example = "column = \"gyro x\", or position = 4 (from 1)";
        match (name, position) {
            (Some(_), Some(_)) => {
                let at = t.get("position").and_then(Item::span);
                self.fail(at, &format!("{path}.position"), "both `column` and `position` are given", example);
                None
            }
            (Some(n), None) => Some(Column::Name(n)),
            (None, Some(p)) => Some(Column::Position(p)),
            (None, None) => {
                if needed && t.get("column").is_none() && t.get("position").is_none() {
                    self.fail(span, path, "no column is given", example);
                }
                None
            }
        }
    }

    fn time(&mut self, t: Table, span: Option<Range<usize>>, many: bool) -> Option<TimeEntry> {
        let keys = ["column", "position", "file", "unit", "rate", "wraps_at", "offset", "stamp"];
        self.unknown(t, "time", &keys);
        let before = self.errors.len();
        let file = self.count(t, "time", "file", 1, 16).unwrap_or(1);
        let unit = self.string(t, "time", "unit", "\"ms\"");
        let rate = self.quantity(t, "time", "rate", Dimension::Frequency, "\"200 Hz\"");
        let column = self.column(t, "time", rate.is_none() && t.get("rate").is_none(), span.clone());
        let counted =
            unit.as_ref().is_some_and(|(u, _)| *u == "sample") || (unit.is_none() && column.is_none());
        let mut scale = 1.0;
        let mut text = "sample".to_owned();
        if counted {
            match rate {
                Some(r) if r > 0.0 => scale = 1.0 / r,
                Some(_) => {
                    let at = t.get("rate").and_then(Item::span);
                    self.fail(at, "time.rate", "the sample rate must be above zero", "rate = \"200 Hz\"");
                }
                None if t.get("rate").is_none() && self.errors.len() == before => {
                    let at = unit.as_ref().and_then(|(_, s)| s.clone()).or(span.clone());
                    let message = "time counted in samples needs the sample rate";
                    self.fail(at, "time.rate", message, "rate = \"200 Hz\"");
                }
                None => {}
            }
        } else if let Some((u, at)) = unit {
            match parse_unit(u, Dimension::Time) {
                Ok(unit) => scale = unit.difference_to_si(1.0),
                Err(_) => {
                    let help = "unit = \"s\", \"ms\", \"us\", \"ns\", or \"sample\" with `rate`";
                    self.fail(at, "time.unit", format!("`{u}` is no unit of time"), help);
                }
            }
            text = u.to_owned();
            if let Some(item) = t.get("rate") {
                let help = "remove `rate`, or write `unit = \"sample\"`";
                self.fail(item.span(), "time.rate", "`rate` belongs to time counted in samples", help);
            }
        } else if t.get("unit").is_none() && self.errors.len() == before {
            let message = "the time column needs its unit";
            self.fail(span.clone(), "time.unit", message, "unit = \"s\", \"ms\" or \"us\"");
        }
        let wraps_at = self.real(t, "time", "wraps_at");
        if let Some(w) = wraps_at.filter(|w| *w <= 0.0) {
            let at = t.get("wraps_at").and_then(Item::span);
            self.fail(at, "time.wraps_at", format!("a counter cannot wrap at {w}"), "wraps_at = 65536");
        }
        let offset = self.quantity(t, "time", "offset", Dimension::Time, "\"12 ms\"").unwrap_or(0.0);
        let stamp = self.stamp(t, "time");
        if many && t.get("file").is_none() && self.errors.len() == before && t.get("column").is_none() {
            self.fail(span.clone(), "time.file", "which file is this time base of?", "file = 2");
        }
        let place = self.place_of(span);
        (self.errors.len() == before).then_some(TimeEntry {
            file,
            column,
            unit: text,
            scale,
            offset,
            wraps_at,
            stamp,
            place,
        })
    }

    /// `"1000 us"` or `"0"`: number and unit (`1` for none).
    fn bound(&mut self, item: &Item, path: &str) -> Option<(f64, String)> {
        self.bound_text(item.as_str(), item.span(), path)
    }
    fn bound_text(
        &mut self,
        text: Option<&str>,
        span: Option<Range<usize>>,
        path: &str,
    ) -> Option<(f64, String)> {
        let parsed = text.and_then(|s| {
            let s = s.trim();
            let (n, unit) = s.split_once(' ').unwrap_or((s, "1"));
            let value = n.parse::<f64>().ok().filter(|v| v.is_finite())?;
            Some((value, unit.trim().to_owned()))
        });
        if parsed.is_none() {
            let help = "text with a number and, where the source has one, its unit: \"1000 us\", \"0\"";
            self.fail(span, path, "not a bound of a command range", help);
        }
        parsed
    }

    fn command(&mut self, t: Table) -> Option<((f64, f64), String)> {
        self.unknown(t, "command", &["from", "to"]);
        let mut ends = Vec::new();
        for key in ["from", "to"] {
            if let Some(item) = t.get(key) {
                ends.push((self.bound(item, &format!("command.{key}"))?, item.span()));
            } else {
                let message = format!("`[command]` has no `{key}`");
                let d = Diagnostic::error(self.file, message).key(format!("command.{key}"));
                self.errors.push(d.help("from = \"1000 us\" means 0, to = \"2000 us\" means 1"));
            }
        }
        let [((a, ua), _), ((b, ub), span)] = ends.as_slice() else { return None };
        self.range(*a, *b, ua, ub, span.clone(), "command.to")
    }

    fn range(
        &mut self,
        a: f64,
        b: f64,
        ua: &str,
        ub: &str,
        span: Option<Range<usize>>,
        key: &str,
    ) -> Option<((f64, f64), String)> {
        if ua != ub {
            let message = format!("the two ends have different units, `{ua}` and `{ub}`");
            self.fail(span, key, message, "\"1000 us\" and \"2000 us\"");
            return None;
        }
        if a == b {
            self.fail(span, key, format!("both ends are {a}"), "\"1000 us\" means 0, \"2000 us\" means 1");
            return None;
        }
        Some(((a, b), ua.to_owned()))
    }

    fn channel(
        &mut self,
        t: Table,
        span: Option<Range<usize>>,
        command: Option<&((f64, f64), String)>,
    ) -> Option<ChannelEntry> {
        let keys = [
            "name", "column", "position", "steps", "line", "file", "unit", "sign", "factor", "offset",
            "range", "tap", "stamp",
        ];
        self.unknown(t, "channel", &keys);
        let before = self.errors.len();
        let name = self.string(t, "channel", "name", "\"rate.x\"");
        if t.get("name").is_none() {
            self.fail(span.clone(), "channel.name", "the channel has no name", "name = \"rate.x\"");
        }
        let known = name.as_ref().and_then(|(n, _)| canonical(n));
        if let (Some((n, at)), None) = (&name, &known) {
            let all: Vec<String> = known_names();
            let near = nearest(n, all.iter().map(String::as_str))
                .map_or(String::new(), |w| format!("did you mean `{w}`? "));
            let help = format!("{near}names are: {}", all_names());
            self.fail(at.clone(), "channel.name", format!("`{n}` is no channel name"), &help);
        }
        let stated = self.stated(t);
        let column =
            self.column(t, "channel", t.get("steps").is_none() && t.get("line").is_none(), span.clone());
        if let (Some(_), Some(s)) = (&column, &stated) {
            let message = format!("the channel has a column and is stated as `{}`", s.key());
            self.fail(span.clone(), "channel", message, "keep one of the two");
        }
        let file = self.count(t, "channel", "file", 1, 16).unwrap_or(1);
        let sign = self.real(t, "channel", "sign").unwrap_or(1.0);
        if sign.abs() != 1.0 {
            let at = t.get("sign").and_then(Item::span);
            self.fail(at, "channel.sign", "a sign is 1 or -1", "sign = -1; for a scale use factor = 2.0");
        }
        let factor = self.real(t, "channel", "factor").unwrap_or(1.0);
        if factor == 0.0 {
            let at = t.get("factor").and_then(Item::span);
            self.fail(at, "channel.factor", "a factor of zero leaves nothing", "factor = 0.1");
        }
        let offset = self.real(t, "channel", "offset").unwrap_or(0.0);
        let mut unit = "1".to_owned();
        let mut range = None;
        if let Some(known) = &known {
            (unit, range) =
                self.scale(t, &span, known.dimension, known.rotor.is_some_and(|r| r.1 == "command"), command);
        }
        let tap = self.tap(t, "channel");
        let mut stamp = self.stamp(t, "channel");
        if stated.is_some() {
            if let Some(item) = t.get("stamp") {
                let message = "a stated channel has no time stamps";
                self.fail(item.span(), "channel.stamp", message, "remove `stamp`");
            }
            stamp = Some(Stamp::Stated);
        }
        let name = name?.0.to_owned();
        let place = self.place_of(span);
        (self.errors.len() == before).then_some(ChannelEntry {
            name,
            column,
            stated,
            file,
            unit,
            sign,
            factor,
            offset,
            range,
            tap,
            stamp,
            comment: None,
            place,
        })
    }

    /// A channel stated in the map: `steps` or `line`, a list of times and values.
    fn stated(&mut self, t: Table) -> Option<Stated> {
        let help = "steps = [[\"0 s\", 0.2], [\"1.5 s\", 0.4]]: from 1.5 s on it is 0.4; with `line` it goes straight from one to the next";
        let (key, line) = match (t.get("steps"), t.get("line")) {
            (None, None) => return None,
            (Some(_), None) => ("steps", false),
            (None, Some(_)) => ("line", true),
            (Some(_), Some(item)) => {
                self.fail(item.span(), "channel.line", "both `steps` and `line` are given", help);
                return None;
            }
        };
        let item = t.get(key)?;
        let path = format!("channel.{key}");
        let Some(list) = item.as_array().filter(|a| !a.is_empty()) else {
            self.fail(item.span(), &path, format!("`{key}` takes a list of times and values"), help);
            return None;
        };
        let mut points: Vec<(f64, f64)> = Vec::new();
        for entry in list {
            let pair = entry.as_array().filter(|p| p.len() == 2).and_then(|p| Some((p.get(0)?, p.get(1)?)));
            let Some((time, value)) = pair else {
                self.fail(entry.span(), &path, "not a time and a value", help);
                return None;
            };
            let at = match parse_quantity(time.as_str().unwrap_or_default(), Dimension::Time) {
                Ok(q) => q.value,
                Err(e) => {
                    let more = format!("{help}; {}", e.help());
                    self.fail(time.span(), &path, format!("not a time: {e}"), &more);
                    return None;
                }
            };
            let number = value.as_float().or_else(|| value.as_integer().map(|i| i as f64));
            let Some(number) = number.filter(|v| v.is_finite()) else {
                let message = "the value is a plain finite number in the channel's unit";
                self.fail(value.span(), &path, message, help);
                return None;
            };
            if points.last().is_some_and(|p| p.0 >= at) {
                let message = format!("the times do not ascend at {at} s");
                self.fail(time.span(), &path, message, help);
                return None;
            }
            points.push((at, number));
        }
        Some(Stated { points, line })
    }

    /// Unit and range of a channel whose SI unit is `si`.
    fn scale(
        &mut self,
        t: Table,
        span: &Option<Range<usize>>,
        dimension: Dimension,
        is_command: bool,
        command: Option<&((f64, f64), String)>,
    ) -> (String, Option<(f64, f64)>) {
        let example = example_unit(dimension);
        if let Some(item) = t.get("range") {
            let at = item.span();
            if dimension != Dimension::Ratio {
                let help = format!("unit = \"{example}\"");
                self.fail(at, "channel.range", "`range` is for ratios such as commands", &help);
                return ("1".to_owned(), None);
            }
            let ends: Vec<_> = item.as_array().map(|a| a.iter().collect()).unwrap_or_default();
            let [a, b] = ends.as_slice() else {
                let help = "range = [\"1000 us\", \"2000 us\"]: the source values that mean 0 and 1";
                self.fail(at, "channel.range", "`range` takes two bounds", help);
                return ("1".to_owned(), None);
            };
            let a = self.bound_text(a.as_str(), a.span(), "channel.range");
            let b = self.bound_text(b.as_str(), b.span(), "channel.range");
            let (Some((a, ua)), Some((b, ub))) = (a, b) else { return ("1".to_owned(), None) };
            return match self.range(a, b, &ua, &ub, at, "channel.range") {
                Some((range, unit)) => (unit, Some(range)),
                None => ("1".to_owned(), None),
            };
        }
        if let Some((text, at)) = self.string(t, "channel", "unit", &format!("\"{example}\"")) {
            if text != "1"
                && let Err(e) = parse_unit(text, dimension)
            {
                self.fail(at, "channel.unit", e.to_string(), &format!("unit = \"{example}\"; {}", e.help()));
            }
            return (text.to_owned(), None);
        }
        if is_command && let Some((range, unit)) = command {
            return (unit.clone(), Some(*range));
        }
        if dimension != Dimension::Ratio && t.get("unit").is_none() {
            let help = format!("unit = \"{example}\"");
            self.fail(
                span.clone(),
                "channel.unit",
                format!("the channel needs the unit of its column, {}", dimension.name()),
                &help,
            );
        }
        ("1".to_owned(), None)
    }

    fn turn(&mut self, t: Table, key: &str, earth: bool) -> Option<Turn> {
        let example = if earth { "\"north-west-up\"" } else { "\"front-left-up\"" };
        let (text, span) = self.string(t, "axes", key, example)?;
        match if earth { Turn::earth(text) } else { Turn::body(text) } {
            Ok(turn) => Some(turn),
            Err(e) => {
                let help = format!("where the source's x, y and z point: {key} = {example}");
                self.fail(span, &format!("axes.{key}"), e.to_string(), &help);
                None
            }
        }
    }

    fn axes(&mut self, t: Table) -> Axes {
        let mut allowed = vec!["from", "earth", "attitude_is"];
        allowed.extend(VECTORS.iter().map(|(n, _, _)| *n));
        allowed.extend(ATTITUDES);
        self.unknown(t, "axes", &allowed);
        let mut axes =
            Axes { from: self.turn(t, "from", false), earth: self.turn(t, "earth", true), ..Axes::default() };
        for (stem, _, frame) in VECTORS {
            if let Some(turn) = self.turn(t, stem, *frame == Frame::Earth) {
                axes.own.insert((*stem).to_owned(), turn);
            }
        }
        for stem in ATTITUDES {
            if let Some(turn) = self.turn(t, stem, false) {
                axes.own.insert((*stem).to_owned(), turn);
            }
        }
        let ways = [("earth-from-body", false), ("body-from-earth", true)];
        axes.inverse = self.choice(t, "axes", "attitude_is", &ways).unwrap_or(false);
        axes
    }

    /// A turned body leaves open how the earth frame was turned: it has to be said.
    fn check_axes(&mut self, t: Table, map: &ChannelMap) {
        let earthly = map.channels.iter().find(|c| {
            canonical(&c.name).is_some_and(|k| {
                k.attitude.is_some()
                    || k.vector.is_some_and(|(s, _, f)| f == Frame::Earth && !map.axes.own.contains_key(s))
            })
        });
        let turned = map.axes.from.is_some_and(|f| f != Turn::NONE);
        if let (true, None, Some(c)) = (turned, t.get("earth"), earthly) {
            let message = format!(
                "the body axes are turned and `{}` is mapped, but the earth axes are not stated",
                c.name
            );
            let help =
                "earth = \"north-west-up\", \"east-north-up\", or \"north-east-down\" where they are ours";
            let span = t.get("from").and_then(Item::span);
            self.fail(span, "axes.earth", message, help);
        }
    }

    fn check_attitudes(&mut self, map: &ChannelMap) {
        use super::vocabulary::AttitudePart::{Angle, Quaternion};
        for stem in ATTITUDES {
            let mut parts = Vec::new();
            for c in &map.channels {
                if let Some((s, part)) = canonical(&c.name).and_then(|k| k.attitude)
                    && s == *stem
                {
                    parts.push((part, c.place));
                }
            }
            let quaternion = parts.iter().filter(|(p, _)| matches!(p, Quaternion(_))).count();
            let angles = parts.iter().filter(|(p, _)| matches!(p, Angle(_))).count();
            let Some((_, (line, column))) = parts.first() else { continue };
            let message = match (quaternion, angles) {
                (4, 0) | (0, 3) => continue,
                (0, n) => format!("`{stem}` has {n} of its three angles"),
                (n, 0) => format!("`{stem}` has {n} of the four parts of its quaternion"),
                _ => format!("`{stem}` is given both as a quaternion and as angles"),
            };
            let help = "map all of .w .i .j .k, or all of .roll .pitch .yaw";
            let d = Diagnostic::error(self.file, message).at(*line, *column).key("channel.name").help(help);
            self.errors.push(d);
        }
    }
}

fn known_names() -> Vec<String> {
    let mut all: Vec<String> = Vec::new();
    for (stem, _, _) in VECTORS {
        all.extend(["x", "y", "z"].map(|a| format!("{stem}.{a}")));
    }
    for stem in ATTITUDES {
        all.extend(["w", "i", "j", "k", "roll", "pitch", "yaw"].map(|a| format!("{stem}.{a}")));
    }
    for n in 1..=8 {
        all.extend(super::vocabulary::ROTOR.iter().map(|(what, _)| format!("rotor.{n}.{what}")));
    }
    all.extend(super::vocabulary::SCALARS.iter().map(|(n, _)| (*n).to_owned()));
    all
}

fn example_unit(dimension: Dimension) -> &'static str {
    match dimension {
        Dimension::AngularSpeed => "deg/s",
        Dimension::Angle => "deg",
        Dimension::Ratio => "%",
        Dimension::MagneticFluxDensity => "uT",
        Dimension::Temperature => "degC",
        Dimension::Pressure => "hPa",
        other => other.si(),
    }
}
