//! Inputs that were measured in more than one way, beside each other.

use crate::chart::Table;
use crate::gates::context::Context;

/// One row for each way; none where nothing was measured twice.
pub(super) fn table(ctx: &Context<'_>) -> Option<Table> {
    let mut rows = Vec::new();
    let mut apart = Vec::new();
    for line in ctx.subject.inputs() {
        let Some(replaced) = line.replaced.filter(|r| r.ways.len() > 1) else { continue };
        let mut worst = 0.0_f64;
        for (k, way) in replaced.ways.iter().enumerate() {
            for other in &replaced.ways[..k] {
                worst = worst.max((way.value - other.value).abs() / way.uncertainty.hypot(other.uncertainty));
            }
            rows.push(vec![
                line.label.clone(),
                way.record.clone(),
                shown(way.value, way.uncertainty, &line.unit),
            ]);
        }
        rows.push(vec![
            line.label.clone(),
            format!("together; {worst:.1} standard uncertainties apart"),
            shown(line.value, line.uncertainty, &line.unit),
        ]);
        if worst > 1.96 {
            apart.push(line.label.clone());
        }
    }
    let note = if apart.is_empty() {
        "They agree within their 95 % intervals, and count by the inverse of their variance.".to_owned()
    } else {
        format!(
            "{} differs by more than the intervals allow: one of the records has an error that it does not state. The \
             mean's interval is widened by as much.",
            apart.join(", ")
        )
    };
    (!rows.is_empty()).then(|| Table {
        id: "measured-twice".to_owned(),
        title: "Measured in more than one way".to_owned(),
        head: ["what", "by", "value ± 95 %"].map(str::to_owned).to_vec(),
        rows,
        note,
    })
}

/// Two digits of the interval.
fn shown(value: f64, uncertainty: f64, unit: &str) -> String {
    let half = 1.96 * uncertainty;
    let digits = if half > 0.0 { (1.0 - half.log10().floor()).clamp(0.0, 9.0) as usize } else { 6 };
    format!("{value:.digits$} ± {half:.digits$} {unit}")
}
