//! Fixed peaks of the record against the modes that are computed or were tapped.

use crate::chart::{Chart, Series, Shown, Table};
use crate::findings::{Findings, Source, SourceKind};
use crate::gates::context::Context;
use crate::gates::structure::{Mode, modes_shown};

/// Beyond so many combined standard uncertainties a peak is not the mode.
const MOST: f64 = 2.0;
/// A mode in flight against the same mode on the bench: support, heat, play (our choice), as a share.
const FLIGHT: f64 = 0.02;

/// A hump wider than this share of its frequency is no mode.
const NARROW: f64 = 0.3;

/// A fixed peak with the modes that fit it, the nearest first.
pub(super) struct Matched<'a> {
    pub source: &'a Source,
    /// Hz.
    pub frequency: f64,
    /// Names with identity and frequency, Hz, by distance.
    pub fits: Vec<(String, f64)>,
    row: Vec<String>,
}

/// Fixed peaks: resonances, and peaks that are no order and may be one.
fn fixed(findings: &Findings) -> impl Iterator<Item = &Source> {
    findings.sources.iter().filter(|s| {
        s.order.is_none()
            && s.rms > 0.0
            && s.seen.0 > 0.0
            && s.seen.1 - s.seen.0 < NARROW * s.seen.1
            && matches!(s.kind, SourceKind::Structure | SourceKind::Mount | SourceKind::CannotTell)
    })
}

fn matched<'a>(source: &'a Source, modes: &[Mode]) -> Matched<'a> {
    let f = 0.5 * (source.seen.0 + source.seen.1);
    // The middle of a peak is known to a quarter of its width.
    let own = 0.25 * (source.seen.1 - source.seen.0);
    let mut all: Vec<(f64, &Mode)> = modes
        .iter()
        .map(|m| {
            let u = own.hypot(m.frequency.uncertainty).hypot(FLIGHT * m.frequency.value);
            ((f - m.frequency.value) / u.max(1e-9), m)
        })
        .collect();
    all.sort_by(|a, b| a.0.abs().total_cmp(&b.0.abs()));
    let fits: Vec<(String, f64)> = all
        .iter()
        .filter(|(z, _)| z.abs() <= MOST)
        .map(|(_, m)| (m.name.clone(), m.frequency.value))
        .collect();
    let shown = all.first().map_or_else(
        || ("-".to_owned(), "-".to_owned(), "-".to_owned()),
        |(z, m)| {
            let how = if m.tapped { "tapped" } else { "computed" };
            (
                m.name.clone(),
                format!("{:.1} ± {:.1}, {how}", m.frequency.value, m.frequency.uncertainty),
                format!("{z:+.1}"),
            )
        },
    );
    let verdict = match fits.as_slice() {
        [] if modes.is_empty() => "no mode is computed or tapped: describe [structure], or tap".to_owned(),
        [] => "none of them: a part that the file does not describe (battery, leads, legs, payload); tap it"
            .to_owned(),
        [one] => one.0.clone(),
        several => format!(
            "cannot tell {}: tap each; the one whose tap lies at {f:.1} Hz is it",
            several.iter().map(|s| s.0.as_str()).collect::<Vec<_>>().join(" from ")
        ),
    };
    let row = vec![source.name.clone(), format!("{f:.1} ± {own:.1}"), shown.0, shown.1, shown.2, verdict];
    Matched { source, frequency: f, fits, row }
}

/// All fixed peaks matched.
pub(super) fn all<'a>(ctx: &Context<'_>, findings: &'a Findings) -> Vec<Matched<'a>> {
    let modes = modes_shown(ctx);
    fixed(findings).map(|s| matched(s, &modes)).collect()
}

/// The table of them, and the modes as bands on the rotor-speed maps.
pub(super) fn shown(ctx: &Context<'_>, peaks: &[Matched<'_>], out: &mut Shown) {
    let modes = modes_shown(ctx);
    for c in out.charts.iter_mut().filter(|c| c.id.starts_with("speed-map")) {
        bands(c, &modes);
    }
    if peaks.is_empty() {
        return;
    }
    out.tables.push(Table {
        id: "vibration-modes".to_owned(),
        title: "Fixed peaks against computed and tapped modes".to_owned(),
        head: ["peak", "Hz", "nearest mode", "its Hz", "off by, standard uncertainties", "it is"]
            .map(str::to_owned)
            .to_vec(),
        rows: peaks.iter().map(|p| p.row.clone()).collect(),
        note: format!(
            "A peak is a mode where they differ by at most {MOST:.0} combined standard uncertainties, {:.0} % of the frequency for flight against bench among them.",
            100.0 * FLIGHT
        ),
    });
}

/// Each mode within the map as a band: its 95 % interval, at least as wide as a line can be seen.
fn bands(chart: &mut Chart, modes: &[Mode]) {
    let xs = || chart.series.iter().flat_map(|s| s.x.iter().copied());
    let across = vec![xs().fold(f64::INFINITY, f64::min), xs().fold(f64::NEG_INFINITY, f64::max)];
    let top = chart.series.iter().flat_map(|s| s.y.iter().copied()).fold(0.0, f64::max);
    let mut found: Vec<Series> = modes
        .iter()
        .filter(|m| m.frequency.value < top && across[0] < across[1])
        .map(|m| {
            let half = (2.0 * m.frequency.uncertainty).max(0.004 * top);
            let (low, high) = (m.frequency.value - half, m.frequency.value + half);
            Series::band(
                &format!("{} {:.0} Hz", m.name.split(':').next().unwrap_or_default(), m.frequency.value),
                across.clone(),
                vec![low; 2],
                vec![high; 2],
            )
        })
        .collect();
    found.append(&mut chart.series);
    chart.series = found;
}
