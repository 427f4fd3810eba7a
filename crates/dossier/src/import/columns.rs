//! The columns of files that have no map yet, and the channels that names and numbers suggest for them.

use std::collections::BTreeMap;

use super::doubt::{Amendment, Choice, Doubt};
use super::guess::{Figures, figures, norm_share, time_units};
use super::map::{ChannelEntry, ChannelMap, Column, TimeEntry};
use super::table::Table;
use super::vocabulary::{AttitudePart, canonical, quaternion_name, vector_name};
use super::words;
use crate::record::Tap;
use crate::units::{Dimension, parse_unit};

/// One column of a file.
pub(super) struct Seen {
    pub(super) file: usize,
    pub(super) position: usize,
    pub(super) name: String,
    read: words::Name,
    pub(super) figures: Figures,
    taken: bool,
}

/// Fills a map from columns.
pub(super) struct Builder<'a> {
    pub(super) tables: &'a [Table],
    pub(super) columns: Vec<Seen>,
    pub(super) map: ChannelMap,
    pub(super) doubts: Vec<Doubt>,
    /// Stems whose unit is a guess.
    pub(super) guessed: Vec<(String, Dimension)>,
}

/// Reads names and figures of all columns.
pub(super) fn see(tables: &[Table]) -> Vec<Seen> {
    let mut all = Vec::new();
    for (file, table) in tables.iter().enumerate() {
        for position in 0..table.width {
            let name = table.names.get(position).cloned().unwrap_or_default();
            all.push(Seen {
                file: file + 1,
                position,
                read: words::read(&name),
                name,
                figures: table.columns.get(&position).map(|c| figures(c)).unwrap_or_default(),
                taken: false,
            });
        }
    }
    all
}

impl Seen {
    /// By name where that is clear, else by position.
    fn column(&self, all: &[Self]) -> Column {
        let same = all.iter().filter(|c| c.file == self.file && c.name == self.name).count();
        if self.name.is_empty() || same != 1 {
            Column::Position(self.position + 1)
        } else {
            Column::Name(self.name.clone())
        }
    }
    fn label(&self) -> String {
        if self.name.is_empty() {
            format!("column {}", self.position + 1)
        } else {
            format!("`{}`", self.name)
        }
    }
}

impl Builder<'_> {
    pub(super) fn times(&mut self) {
        for file in 1..=self.tables.len() {
            let candidates: Vec<usize> = (0..self.columns.len())
                .filter(|i| self.columns.get(*i).is_some_and(|c| c.file == file && c.figures.count > 2))
                .collect();
            let by = |test: &dyn Fn(&Seen) -> bool| {
                candidates.iter().copied().find(|i| self.columns.get(*i).is_some_and(test))
            };
            let chosen = by(&|c| c.read.is_time() && c.figures.advances())
                .or_else(|| by(&|c| c.read.is_time()))
                .or_else(|| by(&|c| c.figures.regular()));
            let entry = match chosen {
                Some(i) => self.timed(file, i),
                None => self.counted(file),
            };
            self.map.time.push(entry);
        }
    }

    fn timed(&mut self, file: usize, index: usize) -> TimeEntry {
        let mut entry = TimeEntry {
            file,
            column: None,
            unit: "s".to_owned(),
            scale: 1.0,
            offset: 0.0,
            wraps_at: None,
            stamp: None,
            place: (1, 1),
        };
        let column = self.columns.get(index).map(|c| c.column(&self.columns));
        let Some(seen) = self.columns.get_mut(index) else { return entry };
        seen.taken = true;
        entry.column = column;
        let stated =
            seen.read.unit.as_ref().and_then(|u| parse_unit(u, Dimension::Time).ok().map(|p| (u.clone(), p)));
        let step = seen.figures.step;
        let why = format!("{} advances by {step} from row to row", seen.label());
        let units = time_units(step);
        if let Some((unit, parsed)) = stated {
            entry.unit = unit;
            entry.scale = parsed.difference_to_si(1.0);
            return entry;
        }
        if let Some((unit, scale)) = units.first() {
            (*unit).clone_into(&mut entry.unit);
            entry.scale = *scale;
        }
        // A fraction of a second cannot be anything else; whole numbers can be counts.
        let certain = units.len() == 1 && entry.unit == "s" && seen.read.is_time();
        if !certain {
            let mut options: Vec<Choice> = units
                .iter()
                .map(|(u, s)| {
                    let amend = vec![Amendment::Time((*u).to_owned(), *s)];
                    Choice::new(u, format!("{u}: {:.1} rows a second", 1.0 / (step * s)), amend)
                })
                .collect();
            if options.is_empty() {
                let all = [("s", 1.0), ("ms", 1e-3), ("us", 1e-6), ("ns", 1e-9)];
                options = all
                    .iter()
                    .map(|(u, s)| Choice::new(u, *u, vec![Amendment::Time((*u).to_owned(), *s)]))
                    .collect();
            }
            self.doubts.push(Doubt {
                id: "time".to_owned(),
                channel: "time".to_owned(),
                question: "Which unit does the time column have?".to_owned(),
                why,
                options,
            });
        }
        entry
    }

    fn counted(&mut self, file: usize) -> TimeEntry {
        let rates = [50.0, 100.0, 200.0, 250.0, 400.0, 500.0, 1000.0, 2000.0];
        let options = rates
            .into_iter()
            .map(|r: f64| {
                Choice::new(
                    &format!("{r}"),
                    format!("{r} rows a second"),
                    vec![Amendment::Time("sample".to_owned(), 1.0 / r)],
                )
            })
            .collect();
        self.doubts.push(Doubt {
            id: "time".to_owned(),
            channel: "time".to_owned(),
            question: "No column advances like time. How many rows a second are there?".to_owned(),
            why: format!(
                "file {file} has no column that rises from row to row; 100 a second is put in for now"
            ),
            options,
        });
        TimeEntry {
            file,
            column: None,
            unit: "sample".to_owned(),
            scale: 0.01,
            offset: 0.0,
            wraps_at: None,
            stamp: None,
            place: (1, 1),
        }
    }

    fn add(&mut self, index: usize, channel: &str, tap: Option<Tap>) -> bool {
        if self.map.channel(channel).is_some() || canonical(channel).is_none() {
            return false;
        }
        let column = self.columns.get(index).map(|c| c.column(&self.columns));
        let (Some(column), Some(seen)) = (column, self.columns.get_mut(index)) else { return false };
        seen.taken = true;
        self.map.channels.push(ChannelEntry {
            name: channel.to_owned(),
            column: Some(column),
            stated: None,
            file: seen.file,
            unit: "1".to_owned(),
            sign: 1.0,
            factor: 1.0,
            offset: 0.0,
            range: None,
            tap,
            stamp: None,
            comment: None,
            place: (1, 1),
        });
        true
    }

    /// Everything that names say.
    pub(super) fn names(&mut self) {
        let mut unsure: BTreeMap<String, Vec<(String, String)>> = BTreeMap::new();
        let mut second: Vec<(String, Column, String)> = Vec::new();
        for index in 0..self.columns.len() {
            let Some(seen) = self.columns.get(index).filter(|c| !c.taken && c.figures.count > 0) else {
                continue;
            };
            let Some(meaning) = words::meaning(&seen.read) else { continue };
            if meaning.channel.ends_with('?') || contradicts(seen, &meaning.channel) {
                continue;
            }
            // With both logged, the raw signal has a channel of its own.
            let raw = meaning.tap == Some(Tap::Raw);
            let channel = match meaning.channel.strip_prefix("rate.") {
                Some(axis) if raw && self.other_rate(index, &meaning.channel) => format!("rate_raw.{axis}"),
                _ => meaning.channel.clone(),
            };
            let (label, column) = (seen.label(), seen.column(&self.columns));
            if self.add(index, &channel, meaning.tap) {
                if !meaning.sure {
                    unsure.entry(stem(&channel)).or_default().push((channel, label));
                }
            } else if self.map.channel(&channel).is_some() {
                second.push((channel, column, label));
            }
        }
        for (stem, group) in unsure {
            let labels: Vec<_> = group.iter().map(|(c, l)| format!("{l} as {c}")).collect();
            let amend = group.iter().map(|(c, _)| Amendment::Drop(c.clone())).collect();
            let mut options = vec![Choice::new("yes", "as proposed", Vec::new())];
            if stem == "velocity" {
                let rename = (0..3)
                    .map(|i| Amendment::Rename(vector_name("velocity", i), vector_name("velocity_body", i)));
                options.push(Choice::new("body", "it is the velocity in body axes", rename.collect()));
            }
            options.push(Choice::new("leave-out", "it is something else: leave it out", amend));
            self.doubts.push(Doubt {
                id: format!("name-{stem}"),
                channel: stem.clone(),
                question: format!("Is {stem} in the columns that its symbols suggest?"),
                why: labels.join(", "),
                options,
            });
        }
        for (channel, column, label) in second {
            if self.doubts.iter().any(|d| d.id == format!("which-{channel}")) {
                continue;
            }
            let first = self.map.channel(&channel).map_or(String::new(), ChannelEntry::origin);
            self.doubts.push(Doubt {
                id: format!("which-{channel}"),
                channel: channel.clone(),
                question: format!("Which column is {channel}?"),
                why: format!("both `{first}` and {label} say so"),
                options: vec![
                    Choice::new("first", format!("`{first}`"), Vec::new()),
                    Choice::new("second", label, vec![Amendment::Column(channel.clone(), column)]),
                    Choice::new("leave-out", "neither", vec![Amendment::Drop(channel)]),
                ],
            });
        }
    }

    /// Whether another column also reads as this rate and is not raw.
    fn other_rate(&self, index: usize, channel: &str) -> bool {
        self.columns.iter().enumerate().any(|(i, c)| {
            i != index
                && words::meaning(&c.read).is_some_and(|m| m.channel == channel && m.tap != Some(Tap::Raw))
        })
    }

    fn free(&self, from: usize, count: usize) -> Option<Vec<&[f64]>> {
        let first = self.columns.get(from)?;
        let mut out = Vec::new();
        for i in from..from + count {
            let seen =
                self.columns.get(i).filter(|c| !c.taken && c.file == first.file && c.figures.count > 0)?;
            // A name that means something else is not overruled by numbers.
            if words::meaning(&seen.read).is_some_and(|m| !m.channel.ends_with('?')) {
                return None;
            }
            out.push(self.tables.get(seen.file - 1)?.columns.get(&seen.position)?.as_slice());
        }
        Some(out)
    }

    /// Neighbouring columns that their numbers tie together.
    pub(super) fn groups(&mut self) {
        for i in 0..self.columns.len() {
            let unit = self.free(i, 4).filter(|_| self.map.channel("attitude.w").is_none());
            if unit.is_some_and(|c| norm_share(&c, 0.99, 1.01) > 0.99) {
                let labels = self.labels(i, 4);
                for p in 0..4 {
                    self.add(i + p, &quaternion_name("attitude", p), None);
                }
                self.quaternion_order(i, &labels);
            }
            let force = self.free(i, 3).filter(|_| self.map.channel("accel.x").is_none());
            if force.is_some_and(|c| norm_share(&c, 8.0, 12.0) > 0.6) {
                let why =
                    format!("the root sum of squares of {} is mostly 8 to 12, as gravity", self.labels(i, 3));
                for a in 0..3 {
                    self.add(i + a, &vector_name("accel", a), None);
                }
                self.ask_group(
                    "accel",
                    "Are these three columns the specific force?",
                    why,
                    (0..3).map(|a| vector_name("accel", a)).collect(),
                );
            }
        }
    }

    fn labels(&self, from: usize, count: usize) -> String {
        let all: Vec<_> = self.columns.iter().skip(from).take(count).map(Seen::label).collect();
        all.join(", ")
    }

    fn ask_group(&mut self, stem: &str, question: &str, why: String, channels: Vec<String>) {
        let amend = channels.into_iter().map(Amendment::Drop).collect();
        self.doubts.push(Doubt {
            id: format!("name-{stem}"),
            channel: stem.to_owned(),
            question: question.to_owned(),
            why,
            options: vec![
                Choice::new("yes", "as proposed", Vec::new()),
                Choice::new("leave-out", "it is something else: leave it out", amend),
            ],
        });
    }

    fn quaternion_order(&mut self, from: usize, labels: &str) {
        let column = |i: usize| self.columns.get(from + i).map(|c| c.column(&self.columns));
        let last_first: Vec<Amendment> = (0..4)
            .filter_map(|p| Some(Amendment::Column(quaternion_name("attitude", p), column((p + 3) % 4)?)))
            .collect();
        let drop = (0..4).map(|p| Amendment::Drop(quaternion_name("attitude", p))).collect();
        self.doubts.push(Doubt {
            id: "name-attitude".to_owned(),
            channel: "attitude".to_owned(),
            question: "Are these four columns the attitude quaternion, and which is its scalar part?"
                .to_owned(),
            why: format!("the root sum of squares of {labels} is 1"),
            options: vec![
                Choice::new("scalar-first", "the first is the scalar part", Vec::new()),
                Choice::new("scalar-last", "the last is the scalar part", last_first),
                Choice::new("leave-out", "it is something else: leave it out", drop),
            ],
        });
    }

    /// Columns that name a rotor without saying what of it.
    pub(super) fn leftover_rotors(&mut self) {
        let mut found: Vec<(usize, usize)> = Vec::new();
        for (i, c) in self.columns.iter().enumerate().filter(|(_, c)| !c.taken && c.figures.count > 0) {
            let rotor = words::meaning(&c.read).and_then(|m| m.channel.strip_suffix(".?").map(str::to_owned));
            if let Some(n) = rotor.and_then(|r| r.strip_prefix("rotor.").and_then(|n| n.parse().ok()))
                && !found.iter().any(|(_, m)| *m == n)
            {
                found.push((i, n));
            }
        }
        if found.is_empty() {
            return;
        }
        let figures: Vec<Figures> =
            found.iter().filter_map(|(i, _)| self.columns.get(*i)).map(|c| c.figures).collect();
        let low = figures.iter().map(|f| f.min).fold(f64::INFINITY, f64::min);
        let high = figures.iter().map(|f| f.max).fold(f64::NEG_INFINITY, f64::max);
        // Pulse lengths and ratios look like commands, other large figures like speeds.
        let what =
            if low < 0.0 || high <= 105.0 || (low >= 700.0 && high <= 2200.0) { "command" } else { "speed" };
        let other = if what == "speed" { "command" } else { "speed" };
        let labels: Vec<_> =
            found.iter().filter_map(|(i, _)| self.columns.get(*i)).map(Seen::label).collect();
        let labels = labels.join(", ");
        let name = |n: usize, w: &str| format!("rotor.{n}.{w}");
        for (i, n) in &found {
            self.add(*i, &name(*n, what), None);
        }
        let unit = if other == "speed" { "rad/s" } else { "" };
        let renamed = found
            .iter()
            .flat_map(|(_, n)| {
                let unit = if unit.is_empty() { "1" } else { unit };
                [
                    Amendment::Unit(name(*n, what), unit.to_owned()),
                    Amendment::Rename(name(*n, what), name(*n, other)),
                ]
            })
            .collect();
        self.doubts.push(Doubt {
            id: format!("name-rotor-{what}"),
            channel: format!("rotor.N.{what}"),
            question: format!("Are {labels} the rotors' {what}s?"),
            why: format!("their names do not say; they run from {low:.3} to {high:.3}"),
            options: vec![
                Choice::new(what, format!("they are {what}s"), Vec::new()),
                Choice::new(other, format!("they are {other}s"), renamed),
                Choice::new(
                    "leave-out",
                    "they are something else: leave them out",
                    found.iter().map(|(_, n)| Amendment::Drop(name(*n, what))).collect(),
                ),
            ],
        });
    }

    /// Units from the header, else from the numbers, with a question where those leave a choice.
    pub(super) fn units(&mut self) {
        let mut asked: BTreeMap<String, (Dimension, Vec<String>, f64)> = BTreeMap::new();
        for i in 0..self.map.channels.len() {
            let Some(entry) = self.map.channels.get(i) else { continue };
            let Some(known) = canonical(&entry.name) else { continue };
            let seen = self
                .columns
                .iter()
                .find(|c| c.file == entry.file && Some(c.column(&self.columns)) == entry.column);
            let Some(seen) = seen else { continue };
            let stated = seen.read.unit.clone().filter(|u| parse_unit(u, known.dimension).is_ok());
            let size = seen.figures.size();
            let is_pulse = seen.read.unit.as_deref() == Some("us");
            let (name, group) = (entry.name.clone(), stem(&entry.name));
            let unit = stated
                .clone()
                .unwrap_or_else(|| usual_unit(known.dimension, &group, size, &seen.figures).to_owned());
            if let Some(e) = self.map.channels.get_mut(i) {
                e.unit = unit;
                if is_pulse && known.dimension == Dimension::Ratio {
                    "us".clone_into(&mut e.unit);
                    e.range = Some((1000.0, 2000.0));
                }
            }
            if stated.is_none() && known.dimension != Dimension::Ratio {
                let slot = asked.entry(group).or_insert((known.dimension, Vec::new(), 0.0));
                slot.1.push(name);
                slot.2 = slot.2.max(size);
            }
        }
        // A group shares one unit, chosen by its largest member.
        for (group, (dimension, names, size)) in asked {
            let figures = Figures { min: -size, max: size, count: 1, ..Figures::default() };
            let spread = names.len() > 1;
            for name in &names {
                if let Some(e) = self.map.channels.iter_mut().find(|c| c.name == *name).filter(|_| spread) {
                    usual_unit(dimension, &group, size, &figures).clone_into(&mut e.unit);
                }
            }
            let unit = self
                .map
                .channel(names.first().map_or("", String::as_str))
                .map_or(String::new(), |c| c.unit.clone());
            if group == "accel" || group.starts_with("battery.voltage") {
                continue;
            }
            self.guessed.push((group.clone(), dimension));
            let options = offered(dimension)
                .iter()
                .map(|u| {
                    let amend = names.iter().map(|n| Amendment::Unit(n.clone(), (*u).to_owned()));
                    let amend = if *u == unit { Vec::new() } else { amend.collect() };
                    Choice::new(u, format!("{u}{}", if *u == unit { ", as proposed" } else { "" }), amend)
                })
                .collect();
            self.doubts.push(Doubt {
                id: format!("unit-{group}"),
                channel: group.clone(),
                question: format!("In what unit is {group}?"),
                why: format!("the header names none; the largest value is {size:.4}"),
                options,
            });
        }
    }
}

/// Numbers that cannot be what the name suggests.
fn contradicts(seen: &Seen, channel: &str) -> bool {
    let Some(known) = canonical(channel) else { return true };
    let stated = seen.read.unit.as_ref();
    let wrong_unit = stated.is_some_and(|u| u != "us" && parse_unit(u, known.dimension).is_err());
    let quaternion = matches!(known.attitude, Some((_, AttitudePart::Quaternion(_))));
    wrong_unit || (quaternion && seen.figures.size() > 1.01)
}

/// `rate.x` to `rate`, `rotor.2.speed` to `rotor.N.speed`.
fn stem(channel: &str) -> String {
    match canonical(channel) {
        Some(c) if c.rotor.is_some() => format!("rotor.N.{}", c.rotor.map_or("", |r| r.1)),
        Some(c) if c.vector.is_some() => c.vector.map_or("", |v| v.0).to_owned(),
        Some(c) if c.attitude.is_some() => c.attitude.map_or("", |a| a.0).to_owned(),
        _ => channel.to_owned(),
    }
}

fn usual_unit(dimension: Dimension, group: &str, size: f64, figures: &Figures) -> &'static str {
    match dimension {
        Dimension::AngularSpeed if group.starts_with("rotor") => {
            if size > 3000.0 {
                "rpm"
            } else {
                "rad/s"
            }
        }
        Dimension::AngularSpeed => {
            if size > 20.0 {
                "deg/s"
            } else {
                "rad/s"
            }
        }
        Dimension::Angle => {
            if size > 6.5 {
                "deg"
            } else {
                "rad"
            }
        }
        Dimension::Acceleration => {
            if size < 6.0 {
                "g"
            } else {
                "m/s^2"
            }
        }
        Dimension::Pressure => {
            if figures.size() > 20_000.0 {
                "Pa"
            } else {
                "hPa"
            }
        }
        Dimension::Temperature => {
            if figures.min > 200.0 {
                "K"
            } else {
                "degC"
            }
        }
        Dimension::MagneticFluxDensity => {
            if size > 1e-3 {
                "uT"
            } else {
                "T"
            }
        }
        Dimension::Ratio => "1",
        other => other.si(),
    }
}

fn offered(dimension: Dimension) -> &'static [&'static str] {
    match dimension {
        Dimension::AngularSpeed => &["rad/s", "deg/s", "rpm", "rev/s"],
        Dimension::Angle => &["rad", "deg"],
        Dimension::Acceleration => &["m/s^2", "g"],
        Dimension::Speed => &["m/s", "km/h"],
        Dimension::Length => &["m", "mm", "cm"],
        Dimension::Current => &["A", "mA"],
        Dimension::Voltage => &["V", "mV"],
        Dimension::Pressure => &["Pa", "hPa"],
        Dimension::Temperature => &["degC", "K"],
        Dimension::MagneticFluxDensity => &["uT", "T", "nT"],
        Dimension::Force => &["N", "gf"],
        _ => &[],
    }
}
