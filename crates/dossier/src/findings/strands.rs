//! Steps laid over one another: each as a thin strand, in percent of its own size.

use signal::steps::Step;

use crate::chart::{Axis, Chart, Mark, Series, Style};

/// Most points of a strand.
const POINTS: usize = 240;

/// Longest strand that is drawn whole, over the median one.
const LONGEST: f64 = 1.5;

/// One step's response from a little before it, until it ends.
pub(super) fn strand(name: &str, time: &[f64], values: &[f64], step: &Step) -> Series {
    let a = time.partition_point(|t| *t < step.at - 0.1);
    let b = time.partition_point(|t| *t <= step.until);
    let every = (b.saturating_sub(a)).div_ceil(POINTS).max(1);
    let (x, y) = (a..b)
        .step_by(every)
        .map(|k| (time[k] - step.at, 100.0 * (values[k] - step.from) / step.size()))
        .unzip();
    Series::new(name, Style::Thin, x, y)
}

/// The chart of all strands, with the limit of the overshoot left to the gate.
pub(super) fn chart(id: &str, title: &str, caption: &str, mut series: Vec<Series>) -> Chart {
    // A step that was held on after the test would squeeze all others.
    let ends: Vec<f64> = series.iter().filter_map(|s| s.x.last().copied()).collect();
    let longest = LONGEST * signal::robust::median(&ends).unwrap_or(f64::INFINITY);
    for s in &mut series {
        let kept = s.x.partition_point(|x| *x <= longest);
        s.x.truncate(kept);
        s.y.truncate(kept);
    }
    // A name stands at the first strand of its kind alone.
    let mut seen: Vec<String> = Vec::new();
    for s in &mut series {
        if seen.contains(&s.name) {
            s.name.clear();
        } else {
            seen.push(s.name.clone());
        }
    }
    Chart {
        id: id.to_owned(),
        title: title.to_owned(),
        caption: caption.to_owned(),
        x: Axis::linear("time from the step", "s"),
        y: Axis::linear("share of the step", "%"),
        series,
        marks: vec![Mark::Limit { y: 100.0, name: "demand".to_owned() }],
    }
}
