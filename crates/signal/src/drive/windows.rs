//! The steps of a command with the stretch of the response that belongs to each.

use crate::robust;
use crate::steps;

/// One step with its stretch of the response.
#[derive(Debug, Clone, PartialEq)]
pub struct Window {
    /// Instant of the step on the command's clock, s.
    pub at: f64,
    /// Command before.
    pub from: f64,
    /// Command after.
    pub to: f64,
    /// Time the new level is held, s.
    pub hold: f64,
    /// Times of the response from the step, s.
    pub time: Vec<f64>,
    /// Values of the response.
    pub value: Vec<f64>,
    /// Level before, from the samples before the step.
    pub before: f64,
    /// Level after, from the last samples of the stretch.
    pub after: f64,
}

/// How long the response is looked at before a step, as a share of the hold before it.
const BEFORE: f64 = 0.3;
/// A response that spans less than so many of its own noise is no answer to the step.
const VISIBLE: f64 = 4.0;

/// Steps of `command` that the response answers. `command_is_event`: rows are written when the command
/// changes; else at a fixed rate, and the step lies half a period before the first row of the new value.
/// Returns the windows and the period of the command's rows, s.
pub fn windows(
    command_time: &[f64],
    command: &[f64],
    command_is_event: bool,
    time: &[f64],
    value: &[f64],
    longest: f64,
) -> (Vec<Window>, f64) {
    let n = command_time.len().min(command.len());
    let (command_time, command) = (&command_time[..n], &command[..n]);
    let (Some(low), Some(high)) = (robust::quantile(command, 0.0), robust::quantile(command, 1.0)) else {
        return (Vec::new(), 0.0);
    };
    let range = high - low;
    let gaps: Vec<f64> = command_time.windows(2).map(|p| p[1] - p[0]).filter(|d| *d > 0.0).collect();
    let period = robust::median(&gaps).unwrap_or(0.0);
    if range.is_nan() || range <= 0.0 {
        return (Vec::new(), period);
    }
    let options = steps::Options {
        least_size: 0.04 * range,
        tolerance: 0.01 * range,
        hold: if command_is_event { 0.0 } else { 3.0 * period },
        longest_edge: if command_is_event { f64::INFINITY } else { 2.5 * period },
    };
    let mut found = if command_is_event {
        events(command_time, command, options.least_size, time.last().copied())
    } else {
        steps::detect(command_time, command, &options)
    };
    if !command_is_event {
        for s in &mut found {
            s.at -= 0.5 * period;
        }
    }
    let n = time.len().min(value.len());
    let (time, value) = (&time[..n], &value[..n]);
    let mut list = Vec::new();
    for s in &found {
        let held_before = s.at - s.level_from;
        let hold = s.until - s.at;
        let start = s.at - (BEFORE * held_before).min(longest);
        let end = s.at + hold.min(longest);
        let a = time.partition_point(|t| *t < start);
        let b = time.partition_point(|t| *t <= end);
        let rows: Vec<usize> = (a..b).filter(|&i| value[i].is_finite()).collect();
        let split = rows.iter().filter(|&&i| time[i] < s.at).count();
        if split < 2 || rows.len() < split + 6 {
            continue;
        }
        let values: Vec<f64> = rows.iter().map(|&i| value[i]).collect();
        let after = &values[split + (values.len() - split) * 2 / 3..];
        let (Some(before), Some(settled)) = (robust::median(&values[..split]), robust::median(after)) else {
            continue;
        };
        let noise = robust::variance(&values[..split])
            .unwrap_or(0.0)
            .min(robust::variance(after).unwrap_or(f64::INFINITY))
            .sqrt();
        if (settled - before).abs() <= VISIBLE * noise || (settled - before).abs() < 1e-9 * settled.abs() {
            continue;
        }
        list.push(Window {
            at: s.at,
            from: s.from,
            to: s.to,
            hold,
            time: rows.iter().map(|&i| time[i] - s.at).collect(),
            value: values,
            before,
            after: settled,
        });
    }
    (list, period)
}

/// Steps of a command that has a row at each change only.
fn events(time: &[f64], command: &[f64], least: f64, end: Option<f64>) -> Vec<steps::Step> {
    let mut found: Vec<steps::Step> = Vec::new();
    let mut level_from = time.first().copied().unwrap_or(0.0);
    for k in 1..time.len() {
        let (from, to) = (command[k - 1], command[k]);
        if (to - from).abs() >= least {
            if let Some(last) = found.last_mut() {
                last.until = time[k];
            }
            found.push(steps::Step { at: time[k], from, to, level_from, until: end.unwrap_or(time[k]) });
            level_from = time[k];
        }
    }
    found
}
