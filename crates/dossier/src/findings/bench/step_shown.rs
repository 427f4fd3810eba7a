//! Charts and the table of a step record.

use signal::drive::response::Quantity;
use signal::drive::step::{StepFit, Steps};

use crate::chart::{Axis, Chart, Mark, Series, Style, Table};

/// At most so many steps are drawn one by one.
const DRAWN: usize = 12;

fn speed_unit(quantity: Quantity) -> (f64, &'static str) {
    match quantity {
        Quantity::Speed => (60.0 / std::f64::consts::TAU, "rpm"),
        Quantity::Thrust => (1.0, "N"),
    }
}

/// Steps laid over each other, and lags over speed.
pub(super) fn charts(steps: &Steps, quantity: Quantity) -> Vec<Chart> {
    let mut out = Vec::new();
    for (rises, id, word) in [(true, "step-up", "rising"), (false, "step-down", "falling")] {
        let list: Vec<&StepFit> = steps.steps.iter().filter(|s| s.rises() == rises).take(DRAWN).collect();
        if list.is_empty() {
            continue;
        }
        let longest = list.iter().map(|s| s.dead + 6.0 * s.lag).fold(0.0, f64::max);
        let mut series = Vec::new();
        for (k, s) in list.iter().enumerate() {
            let span = s.after - s.before;
            let rows: Vec<usize> =
                (0..s.seen.0.len()).filter(|&i| (-0.3 * longest..=longest).contains(&s.seen.0[i])).collect();
            let x: Vec<f64> = rows.iter().map(|&i| s.seen.0[i] * 1e3).collect();
            let part = |v: &[f64]| rows.iter().map(|&i| (v[i] - s.before) / span).collect::<Vec<f64>>();
            let name = if k == 0 { "measured" } else { "" };
            series.push(Series::new(name, Style::Rings, x.clone(), part(&s.seen.1)));
            if s.fitted.len() == s.seen.0.len() {
                let name = if k == 0 { "fitted" } else { "" };
                series.push(Series::new(name, Style::Thin, x, part(&s.fitted)));
            }
        }
        let mut marks = vec![Mark::At { x: 0.0, name: "command".to_owned() }];
        if let Some(d) = &steps.dead_time {
            marks.push(Mark::At { x: d.value * 1e3, name: "dead time".to_owned() });
        }
        out.push(Chart {
            id: id.to_owned(),
            title: format!("Steps of a {word} command"),
            caption: "Every step as a share of its own size: strands that lie on each other mean an even drive, a late \
                      start is dead time, a slow climb is lag."
                .to_owned(),
            x: Axis::linear("time from the command", "ms"),
            y: Axis::linear("share of the step", "1"),
            series,
            marks,
        });
    }
    let (factor, unit) = speed_unit(quantity);
    let shown = |s: &StepFit| match quantity {
        Quantity::Speed => s.mean_speed(quantity) * factor,
        Quantity::Thrust => s.mean_speed(quantity).powi(2),
    };
    let series: Vec<Series> = [(true, "rising", Style::Dots), (false, "falling", Style::Rings)]
        .iter()
        .map(|(rises, name, style)| {
            let list: Vec<&StepFit> = steps.steps.iter().filter(|s| s.rises() == *rises).collect();
            Series::new(
                name,
                *style,
                list.iter().map(|s| shown(s)).collect(),
                list.iter().map(|s| s.equivalent_lag(quantity) * 1e3).collect(),
            )
        })
        .filter(|s| !s.x.is_empty())
        .collect();
    if !series.is_empty() {
        let label = if quantity == Quantity::Speed { "mean rotor speed" } else { "thrust at the mean speed" };
        out.push(Chart {
            id: "step-lags".to_owned(),
            title: "Time constant over speed".to_owned(),
            caption: "Falling with speed is the rotor's own drag helping; a gap between rising and falling is the ESC."
                .to_owned(),
            x: Axis::linear(label, unit),
            y: Axis::linear("time constant", "ms"),
            series,
            marks: Vec::new(),
        });
    }
    out
}

/// One row for each step.
pub(super) fn table(steps: &Steps, quantity: Quantity) -> Table {
    let (factor, unit) = speed_unit(quantity);
    let rows = steps
        .steps
        .iter()
        .map(|s| {
            vec![
                format!("{:.2}", s.at),
                format!("{:.1} → {:.1}", s.from * 100.0, s.to * 100.0),
                format!("{:.0} → {:.0}", s.before * factor, s.after * factor),
                format!("{:.2} ± {:.2}", s.dead * 1e3, 1.96 * s.dead_error * 1e3),
                format!(
                    "{:.1} ± {:.1}",
                    s.equivalent_lag(quantity) * 1e3,
                    1.96 * s.lag_error * s.equivalent_lag(quantity) * 1e3
                ),
                if s.coasts { "coasts".to_owned() } else { "driven".to_owned() },
            ]
        })
        .collect();
    Table {
        id: "steps".to_owned(),
        title: "Every step".to_owned(),
        head: vec![
            "at, s".to_owned(),
            "command, %".to_owned(),
            if quantity == Quantity::Speed { format!("speed, {unit}") } else { format!("thrust, {unit}") },
            "dead time, ms".to_owned(),
            "lag, ms".to_owned(),
            "way".to_owned(),
        ],
        rows,
        note: "± is the 95 % interval of the step alone, from its residuals; the response's own latency is still in \
               the dead times here."
            .to_owned(),
    }
}
