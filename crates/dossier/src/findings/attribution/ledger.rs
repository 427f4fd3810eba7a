//! The noise ledger of one sensor: mean squares by source that add up to what was measured.

use super::data::Group;
use super::{Source, SourceKind, short};
use crate::chart::Table;
use crate::findings::context::Out;

/// Adds the ledger of the axis with most vibration.
pub(super) fn run(group: &Group, sources: &[Source], out: &mut Out) {
    let Some((axis, total)) =
        group.total.iter().copied().enumerate().max_by(|a, b| a.1.total_cmp(&b.1)).filter(|t| t.1 > 0.0)
    else {
        return;
    };
    let channel = group.channel(axis);
    let mut lines: Vec<(String, f64)> = Vec::new();
    for (order, taken) in &group.taken {
        let name = sources.iter().find(|s| s.order == Some(*order)).map_or_else(
            || format!("{order}/rev"),
            |s| s.name.trim_start_matches("cannot tell: ").to_owned(),
        );
        lines.push((name, taken.get(axis).copied().unwrap_or(0.0)));
    }
    let ordered: f64 = lines.iter().map(|l| l.1).sum();
    let mut left = (total - ordered).max(0.0);
    for s in sources.iter().filter(|s| s.order.is_none() && s.channel == channel) {
        if matches!(s.kind, SourceKind::Looseness | SourceKind::Clipping) {
            continue;
        }
        let power = s.rms.powi(2).min(left);
        left -= power;
        lines.push((s.name.clone(), power));
    }
    lines.sort_by(|a, b| b.1.total_cmp(&a.1));
    let broad = if sources.iter().any(|s| s.kind == SourceKind::Looseness) {
        "the rest: knocks and noise over all frequencies"
    } else {
        "the rest: noise, gusts and sensor over all frequencies"
    };
    lines.push((broad.to_owned(), left));
    // Numbered, so that a spectrum can tie its peaks to them.
    let mut rows: Vec<Vec<String>> = lines
        .iter()
        .enumerate()
        .map(|(k, (name, power))| {
            vec![format!("{}. {name}", k + 1), short(power.sqrt()), format!("{:.1} %", 100.0 * power / total)]
        })
        .collect();
    rows.push(vec!["sum".to_owned(), short(total.sqrt()), "100.0 %".to_owned()]);
    out.tables.push(Table {
        id: format!("noise-{}", group.base),
        title: format!("Noise by source, {channel}"),
        head: vec![
            "source".to_owned(),
            format!("r.m.s., {}", group.unit()),
            "share of the mean square".to_owned(),
        ],
        rows,
        note: format!(
            "In the air, {:.0} Hz and up, {:.0} s. Mean squares add up; r.m.s. do not.",
            super::data::FLYING,
            group.seconds()
        ),
    });
}
