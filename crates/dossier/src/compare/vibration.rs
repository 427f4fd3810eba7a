//! Two flights' vibration, band by band, and which source changed.
//!
//! The bands are those that the rotors make: below 1/rev, around 1/rev, up to blade passage, around it, above. A change
//! counts when it is more than twice what the two estimates scatter: the mean square over a band of m independent bins
//! of n averages each scatters by 1/sqrt(m n) (Bendat and Piersol).

use crate::chart::{Axis, Chart, Series, Shown, Style, Table};
use crate::findings::{Findings, Source, SourceKind, Spectrum};

/// Averages behind a spectrum bin are not kept in the findings; a hover of ten seconds has about this many.
const AVERAGES: f64 = 10.0;

/// Mean square between two frequencies, ends by the part inside.
fn power(s: &Spectrum, low: f64, high: f64) -> f64 {
    let width = s.frequency.get(1).copied().unwrap_or(0.0);
    s.frequency
        .iter()
        .zip(&s.density)
        .map(|(f, d)| d * (high.min(f + 0.5 * width) - low.max(f - 0.5 * width)).clamp(0.0, width))
        .sum()
}

/// Bands with names, from the orders that either record shows; octaves where none does.
fn bands(before: &Findings, after: &Findings, nyquist: f64) -> Vec<(String, f64, f64)> {
    let range = |wanted: &dyn Fn(&Source) -> bool| {
        before
            .sources
            .iter()
            .chain(&after.sources)
            .filter(|s| wanted(s) && !s.folded)
            .map(|s| s.seen)
            .reduce(|a, b| (a.0.min(b.0), a.1.max(b.1)))
    };
    let once = range(&|s: &Source| s.order == Some(1));
    let passage = range(&|s: &Source| s.kind == SourceKind::BladePassage && s.order.is_some_and(|o| o > 1));
    let mut edges: Vec<(String, f64, f64)> = Vec::new();
    let mut from = 5.0;
    for (name, below, r) in
        [("1/rev", "below 1/rev", once), ("blade passage", "from there to blade passage", passage)]
    {
        let Some((low, high)) = r else { continue };
        let (low, high) = (0.97 * low - 2.0, 1.03 * high + 2.0);
        if low > from {
            edges.push((below.to_owned(), from, low));
        }
        if high > from {
            edges.push((name.to_owned(), low.max(from), high));
            from = high;
        }
    }
    if edges.is_empty() {
        while from < nyquist {
            edges.push((
                format!("{from:.0} to {:.0} Hz", (2.0 * from).min(nyquist)),
                from,
                (2.0 * from).min(nyquist),
            ));
            from *= 2.0;
        }
    } else if from < nyquist {
        edges.push(("above".to_owned(), from, nyquist));
    }
    edges
}

/// Charts and tables of the change from one record to another. Empty where they share no channel.
pub fn vibration(before: &Findings, after: &Findings) -> Shown {
    let mut out = Shown::default();
    for s in &before.spectra {
        let Some(t) = after.spectra.iter().find(|t| t.channel == s.channel) else { continue };
        let top = s.frequency.last().copied().unwrap_or(0.0).min(t.frequency.last().copied().unwrap_or(0.0));
        let width =
            s.frequency.get(1).copied().unwrap_or(1.0).max(t.frequency.get(1).copied().unwrap_or(1.0));
        let unit = s.unit.trim_start_matches('(').split(')').next().unwrap_or("").to_owned();
        let mut rows = Vec::new();
        for (name, low, high) in bands(before, after, top).iter().filter(|b| b.1 < top) {
            let (a, b) = (power(s, *low, high.min(top)), power(t, *low, high.min(top)));
            let bins = ((high.min(top) - low) / (1.5 * width)).max(1.0);
            let scatter = (2.0 / (bins * AVERAGES)).sqrt();
            let verdict = match (a > 0.0).then(|| (b / a).ln()) {
                Some(change) if change.abs() > 2.0 * scatter => {
                    format!("{:.1} dB", 10.0 * std::f64::consts::LOG10_E * change)
                }
                Some(_) => "no change beyond the scatter".to_owned(),
                None => "nothing before".to_owned(),
            };
            rows.push(vec![
                name.clone(),
                format!("{low:.0} to {:.0}", high.min(top)),
                format!("{:.3e}", a.sqrt()),
                format!("{:.3e}", b.sqrt()),
                verdict,
            ]);
        }
        out.tables.push(Table {
            id: format!("compare-{}", s.channel),
            title: format!("Vibration by band, {}", s.channel),
            head: vec![
                "band".to_owned(),
                "Hz".to_owned(),
                format!("{}, r.m.s. {unit}", before.record),
                format!("{}, r.m.s. {unit}", after.record),
                "change".to_owned(),
            ],
            rows,
            note: String::new(),
        });
        let line = |name: &str, style: Style, s: &Spectrum| {
            let keep = |v: &[f64]| v.iter().skip(1).copied().collect::<Vec<_>>();
            Series::new(name, style, keep(&s.frequency), keep(&s.density))
        };
        out.charts.push(Chart {
            id: format!("compare-{}", s.channel),
            title: format!("Spectra before and after, {}", s.channel),
            caption: "Where the dashed line lies below the full one the change took vibration away."
                .to_owned(),
            x: Axis::log("frequency", "Hz"),
            y: Axis::log("density", &s.unit),
            series: vec![line(&before.record, Style::Line, s), line(&after.record, Style::Dashed, t)],
            marks: Vec::new(),
        });
    }
    if !out.tables.is_empty() {
        out.tables.insert(0, sources(before, after));
    }
    out
}

/// What is said of a source that a record does not show: nothing can be gone from a channel that was not logged.
fn missing(record: &Findings, source: &Source, seen: &str) -> String {
    if record.spectra.iter().any(|s| s.channel == source.channel) {
        seen.to_owned()
    } else {
        format!("cannot tell: {} is not logged", source.channel)
    }
}

/// Sources before and after.
fn sources(before: &Findings, after: &Findings) -> Table {
    let same = |a: &Source, b: &Source| {
        let near = |x: (f64, f64), y: (f64, f64)| {
            let (p, q) = (0.5 * (x.0 + x.1), 0.5 * (y.0 + y.1));
            (p - q).abs() < 0.05 * p.max(q) + 1.0
        };
        a.kind == b.kind
            && a.order == b.order
            && match a.kind {
                SourceKind::Unbalance => a.rotors == b.rotors,
                SourceKind::Structure | SourceKind::Mount | SourceKind::Control => near(a.seen, b.seen),
                _ => true,
            }
    };
    let mut rows = Vec::new();
    for s in before.sources.iter().filter(|s| s.kind != SourceKind::CannotTell) {
        let now = after.sources.iter().find(|t| same(s, t));
        rows.push(vec![
            s.name.clone(),
            format!("{:.3e}", s.rms),
            now.map_or_else(|| missing(after, s, "gone"), |t| format!("{:.3e}", t.rms)),
            match now {
                Some(t) if t.channel == s.channel && s.rms > 0.0 => format!("{:.0} %", 100.0 * t.rms / s.rms),
                Some(t) => format!("now strongest in {}", t.channel),
                None => "-".to_owned(),
            },
        ]);
    }
    for t in after.sources.iter().filter(|t| t.kind != SourceKind::CannotTell) {
        if !before.sources.iter().any(|s| same(s, t)) {
            rows.push(vec![
                t.name.clone(),
                missing(before, t, "not there"),
                format!("{:.3e}", t.rms),
                "new".to_owned(),
            ]);
        }
    }
    Table {
        id: "compare-sources".to_owned(),
        title: "Sources before and after".to_owned(),
        head: vec![
            "source".to_owned(),
            format!("{}, r.m.s.", before.record),
            format!("{}, r.m.s.", after.record),
            "after over before".to_owned(),
        ],
        rows,
        note: "Rotor speeds, air and payload should be alike: 1/rev grows with the square of speed."
            .to_owned(),
    }
}
