//! Time: counters that wrap, unsorted and repeated stamps, gaps, and joining files on time.

use std::path::Path;

use super::map::TimeEntry;
use super::table::Table;
use crate::diagnostic::{Diagnostic, Diagnostics};

/// A pause longer than this many median steps is a gap.
pub(super) const GAP: f64 = 2.5;
/// Ascending stretches at least this long count as recordings of their own.
const STRETCH: usize = 10;

/// Rows in the order of time.
#[derive(Debug, Clone, Default)]
pub(super) struct TimeBase {
    /// Ascending, s.
    pub time: Vec<f64>,
    /// For each time, the rows that carry it; several where a stamp is repeated.
    pub rows: Vec<Vec<usize>>,
    /// Rows that stood out of order.
    pub unsorted: u64,
    /// Rows with a repeated stamp.
    pub duplicates: u64,
    /// Times the counter wrapped.
    pub wraps: u64,
}

/// Median of the steps, s; zero with fewer than two times.
pub(super) fn median_step(time: &[f64]) -> f64 {
    let mut steps: Vec<f64> = time.windows(2).map(|w| w[1] - w[0]).collect();
    if steps.is_empty() {
        return 0.0;
    }
    let middle = steps.len() / 2;
    *steps.select_nth_unstable_by(middle, f64::total_cmp).1
}

/// Number of pauses longer than [`GAP`] median steps.
pub(super) fn gaps(time: &[f64]) -> u64 {
    let longest = GAP * median_step(time);
    time.windows(2).filter(|w| w[1] - w[0] > longest).count() as u64
}

/// Builds the time base of a file.
pub(super) fn build(
    path: &Path,
    table: &Table,
    column: Option<usize>,
    entry: &TimeEntry,
) -> Result<TimeBase, Diagnostics> {
    let mut base = TimeBase::default();
    let mut seconds: Vec<f64> = match column.and_then(|c| table.columns.get(&c)) {
        Some(values) => values.clone(),
        None if table.ordinals.is_empty() => (0..table.len()).map(|i| i as f64).collect(),
        None => table.ordinals.iter().map(|i| *i as f64).collect(),
    };
    if let Some(wrap) = entry.wraps_at {
        let (mut turns, mut last) = (0.0, f64::NEG_INFINITY);
        for v in &mut seconds {
            let raw = *v;
            if raw < last - wrap / 2.0 {
                turns += 1.0;
                base.wraps += 1;
            }
            last = raw;
            *v = turns * wrap + raw;
        }
    }
    for v in &mut seconds {
        *v = *v * entry.scale + entry.offset;
    }
    let line = |row: usize| table.lines.get(row).and_then(|l| usize::try_from(*l).ok());
    check_restart(path, &seconds, line)?;
    let mut highest = f64::NEG_INFINITY;
    for v in &seconds {
        if *v < highest {
            base.unsorted += 1;
        }
        highest = highest.max(*v);
    }
    let mut order: Vec<usize> = (0..seconds.len()).collect();
    if base.unsorted > 0 {
        order.sort_by(|a, b| {
            let (a, b) = (seconds.get(*a).copied(), seconds.get(*b).copied());
            a.unwrap_or(0.0).total_cmp(&b.unwrap_or(0.0))
        });
    }
    for row in order {
        let Some(t) = seconds.get(row).copied() else { continue };
        if base.time.last().is_some_and(|l| *l >= t) {
            base.duplicates += 1;
            if let Some(rows) = base.rows.last_mut() {
                rows.push(row);
            }
        } else {
            base.time.push(t);
            base.rows.push(vec![row]);
        }
    }
    if base.time.len() < 2 {
        let first = line(0).unwrap_or(1);
        let mut d = Diagnostic::error(
            path,
            format!("the file holds {} different times, at least 2 are needed", base.time.len()),
        );
        if !table.lines.is_empty() {
            d = d.at(first, 1);
        }
        let name = entry.column.as_ref().map_or("time".to_owned(), ToString::to_string);
        return Err(d.key(name).help("map the column that advances from row to row").into());
    }
    Ok(base)
}

/// Two long ascending stretches over the same times are two recordings, which sorting would shuffle.
fn check_restart(
    path: &Path,
    seconds: &[f64],
    line: impl Fn(usize) -> Option<usize>,
) -> Result<(), Diagnostics> {
    let mut stretches: Vec<(usize, f64, f64)> = Vec::new();
    let mut start = 0;
    for i in 1..=seconds.len() {
        let ends = i == seconds.len() || seconds[i] < seconds[i - 1];
        if ends {
            if i - start >= STRETCH {
                stretches.push((start, seconds[start], seconds[i - 1]));
            }
            start = i;
        }
    }
    for (i, (row, from, to)) in stretches.iter().enumerate().skip(1) {
        for (_, a, b) in stretches.iter().take(i).rev().take(50) {
            let overlap = to.min(*b) - from.max(*a);
            if overlap > 0.5 * (to - from).min(b - a) {
                let message = format!(
                    "time falls back to {from} s after {b} s and runs over the same times again: two recordings in one file"
                );
                let mut d = Diagnostic::error(path, message).key("time");
                if let Some(l) = line(*row) {
                    d = d.at(l, 1);
                }
                let help =
                    "split the file there; or, where the counter wraps, give `wraps_at` under `[time]`";
                return Err(d.help(help).into());
            }
        }
    }
    Ok(())
}

/// Values of a column in the order of a time base; a repeated stamp keeps its first value that is there.
pub(super) fn in_order(base: &TimeBase, column: &[f64]) -> Vec<f64> {
    base.rows
        .iter()
        .map(|rows| {
            let values = rows.iter().filter_map(|r| column.get(*r).copied());
            values.clone().find(|v| !v.is_nan()).unwrap_or(f64::NAN)
        })
        .collect()
}

/// Linear interpolation onto `onto`, never across a gap or beyond the ends.
pub(super) fn resample(time: &[f64], values: &[f64], onto: &[f64]) -> Vec<f64> {
    let (t, v): (Vec<f64>, Vec<f64>) =
        time.iter().zip(values).filter(|(_, v)| v.is_finite()).map(|(t, v)| (*t, *v)).unzip();
    let longest = GAP * median_step(&t);
    let mut at = 0;
    onto.iter()
        .map(|x| {
            while at + 1 < t.len() && t[at + 1] <= *x {
                at += 1;
            }
            let (Some(t0), Some(v0)) = (t.get(at), v.get(at)) else { return f64::NAN };
            if t0 == x {
                return *v0;
            }
            let (Some(t1), Some(v1)) = (t.get(at + 1), v.get(at + 1)) else { return f64::NAN };
            if x < t0 || t1 - t0 > longest {
                return f64::NAN;
            }
            v0 + (v1 - v0) * (x - t0) / (t1 - t0)
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn interpolation_stops_at_gaps_and_ends() {
        let t = [0.0, 1.0, 2.0, 6.0, 7.0];
        let v = [0.0, 10.0, 20.0, 60.0, 70.0];
        let got = resample(&t, &v, &[-0.5, 0.0, 0.5, 2.0, 3.0, 6.5, 7.0, 7.5]);
        assert!(got[0].is_nan() && got[4].is_nan() && got[7].is_nan());
        assert_eq!([got[1], got[2], got[3], got[5], got[6]], [0.0, 5.0, 20.0, 65.0, 70.0]);
    }
}
