//! Steady states of a sweep: from rows against time, or from a table of steady rows.

use crate::robust;

/// Columns of a sweep; each that is there is as long as `time`. SI units; the command is a share of full.
#[derive(Debug, Clone, Copy, Default)]
pub struct Columns<'a> {
    /// Times, s.
    pub time: &'a [f64],
    /// Command.
    pub command: Option<&'a [f64]>,
    /// Bus voltage, V.
    pub voltage: Option<&'a [f64]>,
    /// Supply current, A.
    pub current: Option<&'a [f64]>,
    /// Rotor speed, rad/s.
    pub speed: Option<&'a [f64]>,
    /// Thrust, N.
    pub thrust: Option<&'a [f64]>,
    /// Torque, N m.
    pub torque: Option<&'a [f64]>,
}

/// A mean with its standard error; the error is zero where a single row gives none.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Mean {
    /// Mean.
    pub value: f64,
    /// Standard error.
    pub error: f64,
    /// Standard deviation of the rows.
    pub scatter: f64,
    /// Rows that have a value.
    pub rows: usize,
    /// Whether its halves agree: a load cell that still follows is no steady state.
    pub steady: bool,
}

/// One steady state.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Point {
    /// Middle of it, s.
    pub time: f64,
    /// Rows in it.
    pub rows: usize,
    /// Command.
    pub command: Option<f64>,
    /// Bus voltage, V.
    pub voltage: Option<Mean>,
    /// Supply current, A.
    pub current: Option<Mean>,
    /// Rotor speed, rad/s.
    pub speed: Option<Mean>,
    /// Thrust, N.
    pub thrust: Option<Mean>,
    /// Torque, N m.
    pub torque: Option<Mean>,
    /// Whether the speed stands still within it: a rotor that still coasts down is no steady state.
    pub steady: bool,
    /// Whether the command rose to this state; none for the first and after an equal one.
    pub rising: Option<bool>,
}

/// A level with so many rows is averaged and its beginning left out.
const ROWS: usize = 6;
/// Share of a level that is left out for settling.
const SETTLING: f64 = 0.4;
/// Share of a level that is left out at its end, at least one row: a command's log on its own clock runs late, and
/// what is then taken for the old level is already the way to the next.
const LATE: f64 = 0.05;
/// At most so many states are made of a command that never stands still.
const BINS: usize = 60;

/// The steady states of a sweep. Levels of the command where it stands still, else the rows themselves
/// (a table of steady rows), or means over short stretches (a slow ramp with many rows).
pub fn points(columns: &Columns<'_>) -> Vec<Point> {
    let n = columns.time.len();
    let guide = columns.command.or(columns.speed).filter(|g| g.len() >= n);
    let Some(guide) = guide else { return rows(columns, n) };
    let range = match (robust::quantile(&guide[..n], 0.0), robust::quantile(&guide[..n], 1.0)) {
        (Some(a), Some(b)) if b > a => b - a,
        _ => return rows(columns, n),
    };
    // Without a command the speed must tell: it wanders more.
    let tolerance = if columns.command.is_some() { 0.004 * range } else { 0.02 * range };
    let mut runs: Vec<(usize, usize)> = Vec::new();
    let mut start = 0;
    for i in 1..=n {
        if i == n || !((guide[i] - guide[start]).abs() <= tolerance) {
            runs.push((start, i));
            start = i;
        }
    }
    runs.retain(|r| r.1 - r.0 >= ROWS);
    let in_levels: usize = runs.iter().map(|r| r.1 - r.0).sum();
    let list: Vec<Point> = if 2 * in_levels >= n {
        joined(&guide[..n], &runs, tolerance)
            .iter()
            .map(|level| {
                let rows = level.len() as f64;
                let late = (rows * LATE).ceil() as usize;
                mean_of(columns, &level[(rows * SETTLING) as usize..level.len() - late])
            })
            .collect()
    } else if n > 3 * BINS {
        let all: Vec<usize> = (0..n).collect();
        all.chunks(n.div_ceil(BINS)).map(|rows| mean_of(columns, rows)).collect()
    } else {
        rows(columns, n)
    };
    directed(list)
}

/// Rows of each level. Single rows that jump away and come back, as lost telemetry does, do not end one: what comes
/// after them is settled already, and alone it would be too short to be left to settle.
fn joined(guide: &[f64], runs: &[(usize, usize)], tolerance: f64) -> Vec<Vec<usize>> {
    let mut out: Vec<(f64, Vec<usize>)> = Vec::new();
    for &(from, until) in runs {
        let here = robust::median(&guide[from..until]).unwrap_or(guide[from]);
        if let Some((there, level)) = out.last_mut()
            && (here - *there).abs() <= tolerance
        {
            let gap = level.last().map_or(from, |l| l + 1)..from;
            let off = gap.clone().filter(|i| !((guide[*i] - *there).abs() <= tolerance)).count();
            if off < ROWS {
                level.extend(gap.filter(|i| (guide[*i] - *there).abs() <= tolerance));
                level.extend(from..until);
                continue;
            }
        }
        out.push((here, (from..until).collect()));
    }
    out.into_iter().map(|l| l.1).collect()
}

fn rows(columns: &Columns<'_>, n: usize) -> Vec<Point> {
    directed((0..n).map(|i| mean_of(columns, &[i])).collect())
}

fn directed(mut list: Vec<Point>) -> Vec<Point> {
    let guide = |p: &Point| p.command.or(p.speed.map(|s| s.value));
    let mut last: Option<f64> = None;
    for p in &mut list {
        let now = guide(p);
        p.rising = match (last, now) {
            (Some(a), Some(b)) if b > a => Some(true),
            (Some(a), Some(b)) if b < a => Some(false),
            _ => None,
        };
        last = now.or(last);
    }
    list
}

fn mean_of(columns: &Columns<'_>, rows: &[usize]) -> Point {
    let values = |c: Option<&[f64]>| -> Option<Vec<f64>> {
        let c = c?;
        Some(rows.iter().filter_map(|i| c.get(*i)).copied().filter(|v| v.is_finite()).collect())
    };
    let pick = |c: Option<&[f64]>| -> Option<Mean> {
        let v = values(c)?;
        let (rows, steady) = (v.len(), steady(&v));
        match robust::mean_error(&v) {
            Some(m) => Some(Mean { value: m.mean, error: error(&v, &m), scatter: m.deviation, rows, steady }),
            None => v.first().map(|v| Mean { value: *v, error: 0.0, scatter: 0.0, rows, steady }),
        }
    };
    let speed = pick(columns.speed);
    Point {
        time: values(Some(columns.time)).and_then(|t| robust::mean(&t)).unwrap_or(0.0),
        rows: rows.len(),
        command: pick(columns.command).map(|m| m.value),
        voltage: pick(columns.voltage),
        current: pick(columns.current),
        speed,
        thrust: pick(columns.thrust),
        torque: pick(columns.torque),
        steady: speed.is_none_or(|s| s.steady),
        rising: None,
    }
}

/// Standard error of a mean. A correlation between rows counts where it stands out from chance (lag one beyond two
/// standard deviations, 1/sqrt(n)); the length found in white rows is otherwise half as long again as one row.
fn error(level: &[f64], m: &robust::MeanError) -> f64 {
    let n = level.len() as f64;
    let pairs: f64 = level.windows(2).map(|p| (p[0] - m.mean) * (p[1] - m.mean)).sum();
    let lag = pairs / (n * m.deviation * m.deviation);
    if lag > 2.0 / n.sqrt() { m.error } else { m.deviation / n.sqrt() }
}

/// Whether the halves of a level agree, within their own scatter or half a per cent.
fn steady(level: &[f64]) -> bool {
    let (a, b) = level.split_at(level.len() / 2);
    // The scatter of single rows, not of correlated ones: a trend must not hide in its own correlation.
    let half = |v: &[f64]| Some((robust::mean(v)?, robust::variance(v)? / v.len() as f64));
    let (Some(a), Some(b)) = (half(a), half(b)) else { return true };
    (a.0 - b.0).abs() <= (5.0 * (a.1 + b.1).sqrt()).max(0.005 * b.0.abs())
}
