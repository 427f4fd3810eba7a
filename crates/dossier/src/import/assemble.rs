//! Source files and a map become a record: SI, our axes, one time base.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use super::axes::{Turn, from_angles, turn_attitude};
use super::map::{ChannelEntry, ChannelMap};
use super::table::{self, Limit, Opened, Progress, Table};
use super::timebase::{self, TimeBase};
use super::vocabulary::{ATTITUDES, Frame, VECTORS, angle_name, canonical, quaternion_name, vector_name};
use crate::diagnostic::{Diagnostic, Diagnostics};
use crate::record::{ChannelMeta, ImportReport, Kind, Record, RecordMeta, RecordOrigin};
use crate::units::{Dimension, parse_unit};

type Channels = BTreeMap<String, Vec<f64>>;

/// Reads files through a map. The record has no identity yet; nothing is written.
pub fn read_with_map(
    files: &[PathBuf],
    map_file: &Path,
    map: &ChannelMap,
    limit: Limit,
    progress: Progress<'_>,
) -> Result<Record, Diagnostics> {
    let opened = open_all(files, map_file, map)?;
    let sizes: Vec<u64> = files.iter().map(|f| std::fs::metadata(f).map_or(0, |m| m.len())).collect();
    let total: u64 = sizes.iter().sum();
    let mut before = 0;
    let mut report = ImportReport::default();
    let mut time: Vec<f64> = Vec::new();
    let mut channels = Channels::new();
    for (i, (path, opened)) in files.iter().zip(&opened).enumerate() {
        let size = sizes.get(i).copied().unwrap_or(0);
        let (base, part) = {
            let mut inner = |done: u64, of: u64| {
                let share = if of == 0 { 1.0 } else { done as f64 / of as f64 };
                progress(before + (share * size as f64) as u64, total);
            };
            one_file(path, i + 1, opened, map, limit, &mut inner, &mut report)?
        };
        before += size;
        if i == 0 {
            time = base.time;
            channels.extend(part);
        } else {
            join(path, i + 1, &time, &base.time, part, &mut channels, &mut report)?;
        }
    }
    let taken = turn(map, &mut channels);
    let start = time.first().copied().unwrap_or(0.0);
    if start != 0.0 {
        report.remarks.push(format!("time starts at {start} s of the source; the record starts at 0"));
    }
    for t in &mut time {
        *t -= start;
    }
    // Rows whose times differ in the file must differ in the record too.
    if let Some(at) = time.windows(2).position(|w| w[0] >= w[1]) {
        let (earlier, later) = (time.get(at).copied().unwrap_or(0.0), time.last().copied().unwrap_or(0.0));
        let message = format!(
            "time runs from {start} s to {} s: over so long a span rows near {} s cannot be told apart",
            start + later,
            start + earlier
        );
        let path = files.first().map_or(map_file, |f| f.as_path());
        return Err(Diagnostic::error(path, message)
            .key("time")
            .help("some stamps are broken: take their rows out, or map the column that holds the true time")
            .into());
    }
    for (name, values) in &channels {
        if values.iter().all(|v| v.is_nan()) {
            report.remarks.push(format!("{name} has no values"));
        }
    }
    let step = timebase::median_step(&time);
    report.gaps = timebase::gaps(&time);
    let meta = RecordMeta {
        id: String::new(),
        kind: Kind::Flight,
        build: String::new(),
        date: String::new(),
        origin: RecordOrigin::Measured,
        remark: String::new(),
        setting: String::new(),
        sources: Vec::new(),
        rate: if step > 0.0 { 1.0 / step } else { 0.0 },
        channels: channels.keys().map(|n| channel_meta(n, taken.get(n), map)).collect(),
        fingerprint: BTreeMap::new(),
        values: BTreeMap::new(),
        report,
    };
    Ok(Record { meta, time, channels })
}

/// Opens all files and finds every column before any row is read; all errors at once.
fn open_all(files: &[PathBuf], map_file: &Path, map: &ChannelMap) -> Result<Vec<Opened>, Diagnostics> {
    let mut errors = Vec::new();
    if files.is_empty() {
        return Err(Diagnostic::error(map_file, "no file to read").help("name the log file").into());
    }
    let mut opened = Vec::new();
    for path in files {
        match table::open(path, &map.source) {
            Ok(o) => opened.push(o),
            Err(Diagnostics(d)) => errors.extend(d),
        }
    }
    if !errors.is_empty() {
        return Err(Diagnostics(errors));
    }
    let times = map.time.iter().map(|t| (t.file, t.column.as_ref(), t.place, "time"));
    let channels = map.channels.iter().map(|c| (c.file, c.column.as_ref(), c.place, c.name.as_str()));
    for (file, column, place, key) in times.chain(channels) {
        let problem = match opened.get(file.wrapping_sub(1)) {
            None => Some((
                format!("the map names file {file}, the call has {}", files.len()),
                "name as many files as the map does, in its order".to_owned(),
            )),
            Some(o) => column.and_then(|c| o.find(c).err()),
        };
        if let Some((message, help)) = problem {
            errors.push(Diagnostic::error(map_file, message).at(place.0, place.1).key(key).help(help));
        }
    }
    for file in 1..=opened.len() {
        let used = map.channels.iter().any(|c| c.file == file && c.column.is_some());
        if !used {
            let message = format!("no channel is taken from file {file}");
            errors.push(
                Diagnostic::error(map_file, message)
                    .key("channel.file")
                    .help("add `file = 2` to its channels"),
            );
        }
    }
    if errors.is_empty() { Ok(opened) } else { Err(Diagnostics(errors)) }
}

fn one_file(
    path: &Path,
    file: usize,
    opened: &Opened,
    map: &ChannelMap,
    limit: Limit,
    progress: Progress<'_>,
    report: &mut ImportReport,
) -> Result<(TimeBase, Channels), Diagnostics> {
    let missing =
        || Diagnostics::from(Diagnostic::error(path, "no time base").help("add `[time]` to the map"));
    let entry = map.time_of(file).ok_or_else(missing)?;
    let find = |c: &super::map::Column| {
        opened.find(c).map_err(|(m, h)| Diagnostics::from(Diagnostic::error(path, m).key("time").help(h)))
    };
    let time_column = entry.column.as_ref().map(find).transpose()?;
    let (mut places, mut stated) = (Vec::new(), Vec::new());
    for c in map.channels.iter().filter(|c| c.file == file) {
        match (&c.column, &c.stated) {
            (Some(column), _) => places.push((c, find(column)?)),
            (None, Some(s)) => stated.push((c, s)),
            (None, None) => {}
        }
    }
    let mut wanted: Vec<usize> = places.iter().map(|(_, p)| *p).chain(time_column).collect();
    wanted.sort_unstable();
    wanted.dedup();
    let table = opened.read(path, &wanted, time_column, limit, progress)?;
    let base = timebase::build(path, &table, time_column, entry)?;
    account(file, &table, &base, report);
    let mut channels = Channels::new();
    for (entry, place) in places {
        if let Some(column) = table.columns.get(&place) {
            channels.insert(entry.name.clone(), scaled(entry, timebase::in_order(&base, column)));
        }
    }
    for (entry, s) in stated {
        let values = base.time.iter().map(|t| s.at(*t)).collect();
        channels.insert(entry.name.clone(), scaled(entry, values));
    }
    for stem in ATTITUDES {
        continuous(stem, &mut channels);
    }
    Ok((base, channels))
}

fn account(file: usize, table: &Table, base: &TimeBase, report: &mut ImportReport) {
    report.rows += table.rows;
    report.malformed += table.malformed;
    report.duplicates += base.duplicates;
    report.unsorted += base.unsorted;
    let of = if file > 1 { format!("file {file}: ") } else { String::new() };
    report.remarks.extend(table.remarks.iter().map(|r| format!("{of}{r}")));
    for d in &table.complaints {
        let place = match (d.line, d.column) {
            (Some(l), Some(c)) => format!("line {l}, column {c}: "),
            _ => String::new(),
        };
        let key = d.key.as_ref().map_or(String::new(), |k| format!(" in `{k}`"));
        report.remarks.push(format!("{of}left out, {place}{}{key}", d.message));
    }
    if base.wraps > 0 {
        report.remarks.push(format!("{of}the time counter wrapped {} times", base.wraps));
    }
    if base.unsorted > 0 {
        report.remarks.push(format!("{of}{} rows stood out of order and were sorted", base.unsorted));
    }
    if base.duplicates > 0 {
        report.remarks.push(format!(
            "{of}{} rows repeat a time stamp; the first value of each channel is kept, empty cells are filled from the repeats",
            base.duplicates
        ));
    }
}

/// Source values to SI.
fn scaled(entry: &ChannelEntry, mut values: Vec<f64>) -> Vec<f64> {
    let dimension = canonical(&entry.name).map_or(Dimension::Ratio, |c| c.dimension);
    let unit = parse_unit(if entry.unit == "1" { "" } else { &entry.unit }, dimension).ok();
    for v in &mut values {
        let source = *v * entry.sign * entry.factor + entry.offset;
        *v = match (entry.range, unit) {
            (Some((from, to)), _) => (source - from) / (to - from),
            (None, Some(unit)) => unit.to_si(source),
            (None, None) => source,
        };
    }
    values
}

/// Removes jumps of a whole turn in angles and sign changes in quaternions, so that they may be interpolated.
fn continuous(stem: &str, channels: &mut Channels) {
    use std::f64::consts::PI;
    for axis in 0..3 {
        let Some(values) = channels.get_mut(&angle_name(stem, axis)) else { continue };
        let (mut turns, mut last) = (0.0, f64::NAN);
        for v in values.iter_mut().filter(|v| !v.is_nan()) {
            if *v - last > PI {
                turns -= 2.0 * PI * ((*v - last) / (2.0 * PI)).round();
            } else if *v - last < -PI {
                turns += 2.0 * PI * ((last - *v) / (2.0 * PI)).round();
            }
            last = *v;
            *v += turns;
        }
    }
    let names: Vec<String> = (0..4).map(|p| quaternion_name(stem, p)).collect();
    let Some(length) = names.first().and_then(|n| channels.get(n)).map(Vec::len) else { return };
    let mut last = [0.0; 4];
    for row in 0..length {
        let mut q = [f64::NAN; 4];
        for (part, name) in q.iter_mut().zip(&names) {
            *part = channels.get(name).and_then(|c| c.get(row)).copied().unwrap_or(f64::NAN);
        }
        if q.iter().any(|v| v.is_nan()) {
            continue;
        }
        let dot: f64 = q.iter().zip(&last).map(|(a, b)| a * b).sum();
        if dot < 0.0 {
            q = q.map(|v| -v);
            for (part, name) in q.iter().zip(&names) {
                if let Some(cell) = channels.get_mut(name).and_then(|c| c.get_mut(row)) {
                    *cell = *part;
                }
            }
        }
        last = q;
    }
}

fn join(
    path: &Path,
    file: usize,
    time: &[f64],
    own: &[f64],
    part: Channels,
    channels: &mut Channels,
    report: &mut ImportReport,
) -> Result<(), Diagnostics> {
    let ends = |t: &[f64]| (t.first().copied().unwrap_or(0.0), t.last().copied().unwrap_or(0.0));
    let ((a0, a1), (b0, b1)) = (ends(time), ends(own));
    let overlap = a1.min(b1) - a0.max(b0);
    if overlap <= 0.0 {
        let message =
            format!("file {file} runs from {b0} to {b1} s, file 1 from {a0} to {a1} s: they share no time");
        let help =
            "check the time units of both, or shift one: `[[time]]` with `file = 2` and `offset = \"12 s\"`";
        return Err(Diagnostic::error(path, message).key("time").help(help).into());
    }
    let mut empty = 0usize;
    let mut cells = 0usize;
    for (name, values) in part {
        let values = timebase::resample(own, &values, time);
        empty += values.iter().filter(|v| v.is_nan()).count();
        cells += values.len();
        channels.insert(name, values);
    }
    report.remarks.push(format!(
        "file {file} is interpolated linearly onto the times of file 1, not across gaps; they share {overlap:.3} s, and {:.1} % of its cells stay empty",
        100.0 * empty as f64 / cells.max(1) as f64
    ));
    Ok(())
}

/// Turns vectors and attitudes to our axes; returns which source channel each came from.
fn turn(map: &ChannelMap, channels: &mut Channels) -> BTreeMap<String, (String, i8)> {
    let mut taken = BTreeMap::new();
    for (stem, _, frame) in VECTORS {
        let turn = if *frame == Frame::Earth { map.axes.earth(stem) } else { map.axes.body(stem) };
        let mut source: Vec<Option<Vec<f64>>> =
            (0..3).map(|i| channels.remove(&vector_name(stem, i))).collect();
        for ours in 0..3 {
            let from = turn.from[ours];
            let Some(mut values) = source.get_mut(from).and_then(Option::take) else { continue };
            if turn.sign[ours] < 0 {
                values.iter_mut().for_each(|v| *v = -*v);
            }
            taken.insert(vector_name(stem, ours), (vector_name(stem, from), turn.sign[ours]));
            channels.insert(vector_name(stem, ours), values);
        }
    }
    for stem in ATTITUDES {
        let by_angle: Vec<Vec<f64>> = (0..3).filter_map(|a| channels.remove(&angle_name(stem, a))).collect();
        let quaternions: Vec<[f64; 4]> = if let [roll, pitch, yaw] = by_angle.as_slice() {
            roll.iter().zip(pitch).zip(yaw).map(|((r, p), y)| from_angles(*r, *p, *y)).collect()
        } else {
            let parts: Vec<Vec<f64>> =
                (0..4).filter_map(|p| channels.remove(&quaternion_name(stem, p))).collect();
            let [w, i, j, k] = parts.as_slice() else { continue };
            w.iter().zip(i).zip(j).zip(k).map(|(((w, i), j), k)| [*w, *i, *j, *k]).collect()
        };
        let (earth, body) = (map.axes.earth(stem), map.axes.body(stem));
        let mut columns: [Vec<f64>; 4] = std::array::from_fn(|_| Vec::with_capacity(quaternions.len()));
        let mut last = [0.0; 4];
        for q in quaternions {
            let q = if map.axes.inverse { [q[0], -q[1], -q[2], -q[3]] } else { q };
            let mut q = turn_attitude(q, &earth, &body);
            let dot: f64 = q.iter().zip(&last).map(|(a, b)| a * b).sum();
            if dot < 0.0 {
                q = q.map(|v| -v);
            }
            if !q[0].is_nan() {
                last = q;
            }
            for (column, v) in columns.iter_mut().zip(q) {
                column.push(v);
            }
        }
        for (p, column) in columns.into_iter().enumerate() {
            let angle = by_angle.first().map(|_| angle_name(stem, p.saturating_sub(1)));
            let name = quaternion_name(stem, p);
            taken.insert(name.clone(), (angle.unwrap_or_else(|| name.clone()), 1));
            channels.insert(name, column);
        }
    }
    taken
}

fn channel_meta(name: &str, taken: Option<&(String, i8)>, map: &ChannelMap) -> ChannelMeta {
    let known = canonical(name);
    let source = taken.map_or(name, |(s, _)| s.as_str());
    let entry = map.channel(source);
    let mut column = entry.map_or(String::new(), ChannelEntry::origin);
    if let Some(e) = entry {
        if e.file > 1 {
            column.push_str(&format!(", file {}", e.file));
        }
        let sign = e.sign * f64::from(taken.map_or(1, |(_, s)| *s));
        if sign < 0.0 {
            column.push_str(", sign turned");
        }
    }
    if let Some((stem, _)) = known.as_ref().and_then(|k| k.attitude) {
        let (earth, body) = (map.axes.earth(stem), map.axes.body(stem));
        if source.ends_with("roll") || source.ends_with("pitch") || source.ends_with("yaw") {
            column.push_str(" and the other two angles, as a quaternion");
        }
        if (earth, body) != (Turn::NONE, Turn::NONE) {
            column.push_str(&format!(", turned from {} and {}", body.body_words(), earth.earth_words()));
        }
    }
    ChannelMeta {
        name: name.to_owned(),
        unit: known.map_or("1", |k| k.dimension.si()).to_owned(),
        column,
        tap: entry.and_then(|e| e.tap),
        stamp: entry.and_then(|e| e.stamp.or_else(|| map.time_of(e.file).and_then(|t| t.stamp))),
    }
}
