//! What a record shows, as text.

use dossier::findings::{Finding, Findings, Outcome, Phase, Spectrum, StepTrace};
use dossier::record::RecordMeta;

use super::WIDTH;
use super::table::{Table, heading, paragraph};
use crate::format::{HARD_SPACE, figure_for, percent, short};

/// Description of a record: where it comes from, what import said, values entered by hand.
pub fn record(meta: &RecordMeta) -> String {
    let origin = dossier::estimate::Origin::from(meta.origin).word();
    let kind = meta.kind.word();
    let mut out = heading(&format!("{}: {kind} of build {}, {}", meta.id, meta.build, meta.date), '=');
    out.push_str(&paragraph(&format!("Origin: {origin}. {}", meta.remark), "", 0, WIDTH));
    for s in &meta.sources {
        out.push_str(&paragraph(
            &format!("Source {}, {} bytes, SHA-256 {}", s.file, s.bytes, s.sha256),
            "",
            2,
            WIDTH,
        ));
    }
    let r = &meta.report;
    if r.rows > 0 {
        out.push_str(&paragraph(
            &format!(
                "{} rows at {:.0} Hz; left out: {} malformed, {} with a repeated time; {} sorted; {} gaps",
                r.rows, meta.rate, r.malformed, r.duplicates, r.unsorted, r.gaps
            ),
            "",
            2,
            WIDTH,
        ));
    }
    for remark in &r.remarks {
        out.push_str(&paragraph(remark, "- ", 2, WIDTH));
    }
    if !meta.values.is_empty() {
        out.push('\n');
        let mut table = Table::new(&["Entered by hand", "Value"]);
        for (key, v) in &meta.values {
            let e = dossier::estimate::Estimate::single(
                v.value,
                v.uncertainty,
                &v.unit,
                dossier::estimate::Origin::Measured,
                key,
            );
            table.row([key.clone(), figure_for(key, &e)]);
        }
        out.push_str(&table.render(WIDTH));
    }
    out
}

/// The channels of a record: where each comes from, where it was tapped.
pub fn channels(meta: &RecordMeta) -> String {
    let mut out = String::new();
    if !meta.channels.is_empty() {
        let mut table = Table::new(&["Channel", "Unit", "From", "Tapped", "Stamp"]);
        for c in &meta.channels {
            let tap = c.tap.map_or_else(|| "not stated".to_owned(), |t| kebab(&format!("{t:?}")));
            let stamp = c.stamp.map_or_else(|| "not stated".to_owned(), |s| kebab(&format!("{s:?}")));
            table.row([c.name.clone(), c.unit.clone(), c.column.clone(), tap, stamp]);
        }
        out.push_str(&table.render(WIDTH));
    }
    out
}

/// `AfterMixing` as `after mixing`.
fn kebab(name: &str) -> String {
    let mut out = String::new();
    for c in name.chars() {
        if c.is_uppercase() && !out.is_empty() {
            out.push(' ');
        }
        out.extend(c.to_lowercase());
    }
    out
}

/// Findings first, then what could not be told, phases, steps and spectra.
pub fn findings(f: &Findings) -> String {
    let mut out = heading("Findings", '-');
    let told = items(&f.items);
    out.push_str(if told.is_empty() { "None.\n" } else { &told });
    let open: Vec<Untold<'_>> = f
        .items
        .iter()
        .filter_map(|item| match &item.outcome {
            Outcome::CannotTell { missing, would_tell } => Some((&*item.label, &**missing, &**would_tell)),
            _ => None,
        })
        .collect();
    if !open.is_empty() {
        out.push('\n');
        out.push_str(&heading("What it cannot tell", '-'));
        out.push_str(&untold(&open));
    }
    if !f.cannot_answer.is_empty() {
        out.push('\n');
        out.push_str(&heading("What this record cannot answer", '-'));
        for text in &f.cannot_answer {
            out.push_str(&paragraph(text, "- ", 2, WIDTH));
        }
    }
    if !f.phases.is_empty() {
        out.push('\n');
        out.push_str(&phases(&f.phases));
    }
    if !f.steps.is_empty() {
        out.push('\n');
        out.push_str(&steps(&f.steps));
    }
    for s in &f.spectra {
        out.push('\n');
        out.push_str(&spectrum(s));
    }
    for t in &f.tables {
        out.push('\n');
        out.push_str(&data_table(t));
    }
    out
}

/// A table that a finding or a gate gives as data.
pub fn data_table(t: &dossier::chart::Table) -> String {
    let head: Vec<&str> = t.head.iter().map(String::as_str).collect();
    let mut table = Table::new(&head);
    for row in &t.rows {
        table.row(row.iter().cloned());
    }
    let mut out = paragraph(&t.title, "", 0, WIDTH);
    out.push_str(&table.render(WIDTH));
    if !t.note.is_empty() {
        out.push_str(&paragraph(&t.note, "", 0, WIDTH));
    }
    out
}

/// Findings that have an answer, one after another.
pub fn items(list: &[Finding]) -> String {
    let mut out = String::new();
    for item in list {
        let answer = match &item.outcome {
            Outcome::Value { estimate } => {
                format!("{} ({})", figure_for(&item.key, estimate), estimate.origin.word())
            }
            Outcome::Words { answer } => answer.clone(),
            Outcome::CannotTell { .. } => continue,
        };
        out.push_str(&paragraph(&format!("{}: {answer}", item.label), "", 2, WIDTH));
        if !item.text.is_empty() {
            out.push_str(&paragraph(&item.text, "    ", 4, WIDTH));
        }
    }
    out
}

/// Question, what is missing, what would tell.
pub type Untold<'a> = (&'a str, &'a str, &'a str);

/// Open questions, those with the same answer together.
pub fn untold(list: &[Untold<'_>]) -> String {
    let mut groups: Vec<(Vec<&str>, &str, &str)> = Vec::new();
    for &(what, missing, would_tell) in list {
        match groups.iter_mut().find(|g| g.1 == missing && g.2 == would_tell) {
            Some(group) => group.0.push(what),
            None => groups.push((vec![what], missing, would_tell)),
        }
    }
    let mut out = String::new();
    for (what, missing, would_tell) in groups {
        out.push_str(&paragraph(&what.join("; "), "- ", 2, WIDTH));
        out.push_str(&paragraph(missing, "    missing     ", 16, WIDTH));
        out.push_str(&paragraph(would_tell, "    would tell  ", 16, WIDTH));
    }
    out
}

/// Phases by label, with how many there are and how long they last; one by one when they are few.
pub fn phases(list: &[Phase]) -> String {
    if list.is_empty() {
        return String::new();
    }
    let mut out = String::new();
    if list.len() <= FEW_PHASES {
        let mut table = Table::new(&["Phase", "From", "To"]);
        for p in list {
            table.row([p.label.clone(), seconds(p.start), seconds(p.end)]);
        }
        out.push_str(&table.render(WIDTH));
        return out;
    }
    let mut labels: Vec<&str> = Vec::new();
    for p in list {
        if !labels.contains(&p.label.as_str()) {
            labels.push(&p.label);
        }
    }
    let mut table = Table::new(&["Phase", "Times", "In all"]);
    for label in labels {
        let same = list.iter().filter(|p| p.label == label);
        let (n, total) = same.fold((0, 0.0), |(n, t), p| (n + 1, t + p.end - p.start));
        table.row([label.to_owned(), n.to_string(), seconds(total)]);
    }
    out.push_str(&table.render(WIDTH));
    out
}

/// So many phases are listed one by one.
const FEW_PHASES: usize = 40;

fn seconds(t: f64) -> String {
    format!("{t:.2}{HARD_SPACE}s")
}

/// Steps with their metrics.
pub fn steps(list: &[StepTrace]) -> String {
    let mut table = Table::new(&[
        "Step deg/s",
        "Delay ms",
        "Rise ms",
        "Overshoot",
        "Settling ms",
        "Drift deg",
        "Half-cycles",
        "Damping",
    ]);
    let ms = |v: Option<f64>| v.map_or_else(|| "-".to_owned(), |t| format!("{:.0}", t * 1e3));
    for s in list {
        let axis = match s.axis {
            'x' => "roll",
            'y' => "pitch",
            'z' => "yaw",
            _ => "?",
        };
        table.row([
            format!("{axis}{HARD_SPACE}{:+.0}", s.size.to_degrees()),
            ms(s.delay),
            ms(s.rise),
            s.overshoot.map_or_else(|| "-".to_owned(), percent),
            ms(s.settling),
            s.drift.map_or_else(|| "-".to_owned(), |d| format!("{:.1}", d.to_degrees())),
            s.half_cycles.map_or_else(|| "-".to_owned(), |n| n.to_string()),
            s.damping.map_or_else(|| "-".to_owned(), |z| format!("{z:.2}")),
        ]);
    }
    table.render(WIDTH)
}

/// A spectrum by its total and its peaks.
pub fn spectrum(s: &Spectrum) -> String {
    let total = s.cumulative.last().copied().unwrap_or(0.0);
    let top = s.frequency.last().copied().unwrap_or(0.0);
    let (factor, unit) = channel_unit(&s.channel);
    let mut out = paragraph(
        &format!(
            "Spectrum of {}: {} {unit} r.m.s. up to {} Hz",
            s.channel,
            short(total * factor),
            short(top)
        ),
        "",
        2,
        WIDTH,
    );
    if s.peaks.is_empty() {
        out.push_str("  no peak stands out\n");
        return out;
    }
    let r_m_s = format!("R.m.s. {unit}");
    let mut table = Table::new(&["Peak Hz", &r_m_s, "What it is"]).indented(2);
    for p in &s.peaks {
        table.row([format!("{:.1}", p.frequency), short(p.rms * factor), p.attribution.clone()]);
    }
    out.push_str(&table.render(WIDTH));
    out
}

/// Shown unit of a channel and its factor from SI.
fn channel_unit(channel: &str) -> (f64, &'static str) {
    if channel.starts_with("rate") {
        (180.0 / std::f64::consts::PI, "deg/s")
    } else if channel.starts_with("accel") {
        (1.0, "m/s²")
    } else {
        (1.0, "")
    }
}
