//! From time stamps as they are logged to uniform stretches that spectra and filters can use.
//!
//! Stamps are sorted, repeated stamps dropped (the first sample stays), pauses longer than 2.5
//! periods split the series. Within a stretch values are interpolated linearly onto a grid that
//! begins at the stretch's first sample, so nothing is invented across a gap and no stretch is
//! shifted by a fraction of a period against its samples.
//!
//! Linear interpolation at a fraction `a` of a period from a sample has the gain
//! `|1 - a + a exp(-i w T)|`: with stamps jittered by a tenth of a period it loses 2 % of the
//! amplitude at a quarter of the sample rate, and nothing at low frequency.

use crate::SignalError;
use crate::robust;

/// A pause of more than this many periods is a gap.
pub const GAP_PERIODS: f64 = 2.5;

/// What was found about the time stamps.
#[derive(Debug, Clone, PartialEq)]
pub struct TimeReport {
    /// Stamps looked at.
    pub rows: usize,
    /// Stamps (or values) that are not finite, left out.
    pub non_finite: usize,
    /// Rows that stood earlier than a row before them.
    pub unsorted: usize,
    /// Rows with a stamp seen before, left out.
    pub duplicates: usize,
    /// Gaps: last stamp before, first stamp after, s.
    pub gaps: Vec<(f64, f64)>,
    /// Mean period outside gaps, s.
    pub period: f64,
    /// R.m.s. deviation of the intervals from the period, outside gaps, s.
    pub jitter_rms: f64,
    /// Largest deviation of an interval from the period, outside gaps, s.
    pub jitter_peak: f64,
}

impl TimeReport {
    /// Sample rate outside gaps, Hz.
    pub fn rate(&self) -> f64 {
        1.0 / self.period
    }
}

/// Kept rows in ascending time.
#[derive(Debug, Clone, PartialEq)]
pub struct Ordered {
    /// Index of each kept row in the input.
    pub rows: Vec<usize>,
    /// Stamp of each kept row, s, strictly ascending.
    pub time: Vec<f64>,
    /// Index ranges of `rows` without a gap inside: start, end (exclusive).
    pub stretches: Vec<(usize, usize)>,
    /// What was found.
    pub report: TimeReport,
}

/// Sorts stamps, drops repeated and non-finite ones, finds the period, the jitter and the gaps.
///
/// # Errors
/// Fewer than two different stamps.
pub fn order(time: &[f64]) -> Result<Ordered, SignalError> {
    order_where(time, |_| true)
}

fn order_where(time: &[f64], keep: impl Fn(usize) -> bool) -> Result<Ordered, SignalError> {
    let mut rows: Vec<usize> =
        (0..time.len()).filter(|&i| time.get(i).is_some_and(|t| t.is_finite()) && keep(i)).collect();
    let non_finite = time.len() - rows.len();
    let mut latest = f64::NEG_INFINITY;
    let mut unsorted = 0;
    for &i in &rows {
        if time[i] < latest {
            unsorted += 1;
        }
        latest = latest.max(time[i]);
    }
    if unsorted > 0 {
        rows.sort_by(|&a, &b| time[a].total_cmp(&time[b]));
    }
    let sorted = rows.len();
    rows.dedup_by(|b, a| time[*a] == time[*b]);
    let duplicates = sorted - rows.len();
    if rows.len() < 2 {
        return Err(if sorted < 2 {
            SignalError::TooShort { need: 2, got: sorted }
        } else {
            SignalError::NoTime
        });
    }
    let stamps: Vec<f64> = rows.iter().map(|&i| time[i]).collect();
    let intervals: Vec<f64> = stamps.windows(2).map(|w| w[1] - w[0]).collect();
    // The median finds the scale in spite of gaps; the mean of the intervals near it is the
    // period in spite of coarse stamps (2 ms and 3 ms in turn are 2.5 ms).
    let middle = robust::median(&intervals).unwrap_or(0.0);
    // Few intervals of about two periods are lost samples and say nothing about the period; many
    // are coarse stamps and belong to it.
    let double = intervals.iter().filter(|d| **d > 1.5 * middle && **d <= GAP_PERIODS * middle).count();
    let reach = if 10 * double < intervals.len() { 1.5 } else { GAP_PERIODS };
    let near: Vec<f64> = intervals.iter().copied().filter(|d| *d <= reach * middle).collect();
    let period = robust::mean(&near).unwrap_or(0.0);
    if period.is_nan() || period <= 0.0 {
        return Err(SignalError::NoTime);
    }
    let mut gaps = Vec::new();
    let mut stretches = Vec::new();
    let (mut begin, mut square, mut peak, mut near) = (0, 0.0, 0.0_f64, 0_usize);
    for (k, d) in intervals.iter().enumerate() {
        if *d > GAP_PERIODS * period {
            gaps.push((stamps[k], stamps[k + 1]));
            stretches.push((begin, k + 1));
            begin = k + 1;
        } else {
            square += (d - period).powi(2);
            peak = peak.max((d - period).abs());
            near += 1;
        }
    }
    stretches.push((begin, stamps.len()));
    let report = TimeReport {
        rows: time.len(),
        non_finite,
        unsorted,
        duplicates,
        gaps,
        period,
        jitter_rms: (square / near.max(1) as f64).sqrt(),
        jitter_peak: peak,
    };
    Ok(Ordered { rows, time: stamps, stretches, report })
}

/// A uniform stretch without a gap.
#[derive(Debug, Clone, PartialEq)]
pub struct Stretch {
    /// Time of the first sample, s.
    pub start: f64,
    /// Samples of each channel, all the same length.
    pub channels: Vec<Vec<f64>>,
}

impl Stretch {
    /// Samples per channel.
    pub fn len(&self) -> usize {
        self.channels.first().map_or(0, Vec::len)
    }
    /// Whether there is no sample.
    pub fn is_empty(&self) -> bool {
        self.len() == 0
    }
}

/// Channels on uniform stretches with one period.
#[derive(Debug, Clone, PartialEq)]
pub struct Uniform {
    /// Period, s.
    pub period: f64,
    /// Stretches between gaps, in time order, at least two samples each.
    pub stretches: Vec<Stretch>,
    /// What was found about the time stamps.
    pub report: TimeReport,
}

impl Uniform {
    /// Sample rate, Hz.
    pub fn rate(&self) -> f64 {
        1.0 / self.period
    }
    /// Samples over all stretches.
    pub fn len(&self) -> usize {
        self.stretches.iter().map(Stretch::len).sum()
    }
    /// Whether there is no sample.
    pub fn is_empty(&self) -> bool {
        self.len() == 0
    }
    /// The stretches of one channel.
    pub fn channel(&self, index: usize) -> Vec<&[f64]> {
        self.stretches.iter().filter_map(|s| s.channels.get(index).map(Vec::as_slice)).collect()
    }
    /// The stretches of two channels side by side.
    pub fn pair(&self, x: usize, y: usize) -> Vec<(&[f64], &[f64])> {
        self.stretches
            .iter()
            .filter_map(|s| Some((s.channels.get(x)?.as_slice(), s.channels.get(y)?.as_slice())))
            .collect()
    }
    /// Length of the longest stretch.
    pub fn longest(&self) -> usize {
        self.stretches.iter().map(Stretch::len).max().unwrap_or(0)
    }
}

/// Puts channels that share time stamps onto uniform stretches. Rows where any channel is not
/// finite are left out first, so a slow channel in a fast table gets its own period.
///
/// # Errors
/// Channels of another length than `time`; fewer than two usable rows.
pub fn regularise(time: &[f64], channels: &[&[f64]]) -> Result<Uniform, SignalError> {
    regularise_at(time, channels, None)
}

/// As [`regularise`], with a stated period instead of the mean one.
///
/// A period longer than the data's own folds what lies above the new half rate: low-pass first.
///
/// # Errors
/// As [`regularise`]; a period that is not positive.
pub fn regularise_at(time: &[f64], channels: &[&[f64]], period: Option<f64>) -> Result<Uniform, SignalError> {
    for c in channels {
        if c.len() != time.len() {
            return Err(SignalError::Length { left: time.len(), right: c.len() });
        }
    }
    let ordered = order_where(time, |i| channels.iter().all(|c| c[i].is_finite()))?;
    let period = period.unwrap_or(ordered.report.period);
    if !(period > 0.0 && period.is_finite()) {
        return Err(SignalError::Range { what: "period", value: period, low: 0.0, high: f64::INFINITY });
    }
    let mut stretches = Vec::new();
    for &(from, to) in &ordered.stretches {
        if to - from < 2 {
            continue;
        }
        let stamps = &ordered.time[from..to];
        let rows = &ordered.rows[from..to];
        let start = stamps[0];
        let span = stamps[stamps.len() - 1] - start;
        // The last grid point may lie a rounding error behind the last sample.
        let count = (span / period + 1e-6).floor() as usize + 1;
        if count < 2 {
            continue;
        }
        let mut at = 0;
        let mut places = Vec::with_capacity(count);
        for k in 0..count {
            let t = start + k as f64 * period;
            while at + 2 < stamps.len() && stamps[at + 1] <= t {
                at += 1;
            }
            let fraction = ((t - stamps[at]) / (stamps[at + 1] - stamps[at])).clamp(0.0, 1.0);
            places.push((rows[at], rows[at + 1], fraction));
        }
        let channels = channels
            .iter()
            .map(|c| places.iter().map(|&(a, b, f)| c[a] + (c[b] - c[a]) * f).collect())
            .collect();
        stretches.push(Stretch { start, channels });
    }
    Ok(Uniform { period, stretches, report: ordered.report })
}

/// Values on one grid over the whole record, with a mask that is false wherever a value would
/// have to be invented: before the first sample, behind the last one, inside a gap.
///
/// # Errors
/// As [`regularise`].
pub fn on_grid(
    time: &[f64],
    values: &[f64],
    start: f64,
    period: f64,
    count: usize,
) -> Result<(Vec<f64>, Vec<bool>), SignalError> {
    if time.len() != values.len() {
        return Err(SignalError::Length { left: time.len(), right: values.len() });
    }
    let ordered = order_where(time, |i| values[i].is_finite())?;
    let slack = 1e-6 * period.abs();
    let limit = GAP_PERIODS * ordered.report.period;
    let stamps = &ordered.time;
    let mut out = vec![f64::NAN; count];
    let mut mask = vec![false; count];
    let mut at = 0;
    for k in 0..count {
        let t = start + k as f64 * period;
        if t < stamps[0] - slack || t > stamps[stamps.len() - 1] + slack {
            continue;
        }
        while at + 2 < stamps.len() && stamps[at + 1] <= t {
            at += 1;
        }
        let (a, b) = (stamps[at], stamps[at + 1]);
        let on_sample = (t - a).abs() <= slack || (t - b).abs() <= slack;
        if b - a <= limit || on_sample {
            let f = ((t - a) / (b - a)).clamp(0.0, 1.0);
            let (va, vb) = (values[ordered.rows[at]], values[ordered.rows[at + 1]]);
            out[k] = va + (vb - va) * f;
            mask[k] = true;
        }
    }
    Ok((out, mask))
}
