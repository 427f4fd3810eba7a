//! Dead time and time constants of a drive from steps of its command.
//!
//! Each step is fitted on its own ([`super::response`] is the model); what several steps share (a
//! ringing stand, whether falls coast, a second lag) is decided over all of them by Schwarz's
//! criterion (1978) with the number of independent samples in place of the number of samples. The
//! figures of the steps are then brought together by direction ([`super::combine`]), so that the
//! interval knows how much they differ beyond their own residuals. A drift between the clock of the
//! command and that of the response shows as a dead time that grows along the record.

use super::combine::{Figure, Spread, spread};
use super::descent;
use super::response::{Answer, Bus, Drive, Quantity, respond};
use super::windows::{Window, windows};
use crate::robust;

/// A record of steps. Times in seconds.
#[derive(Debug, Clone, Copy)]
pub struct Record<'a> {
    /// Times of the command.
    pub command_time: &'a [f64],
    /// Command, a share of full.
    pub command: &'a [f64],
    /// Rows of the command stand at its changes only.
    pub command_is_event: bool,
    /// Times of the response.
    pub time: &'a [f64],
    /// Response.
    pub value: &'a [f64],
    /// What the response is.
    pub quantity: Quantity,
    /// Bus voltage, times and values, where measured.
    pub bus: Option<(&'a [f64], &'a [f64])>,
}

/// What is known beside the record.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Known {
    /// Delay of the response's own path (stand, telemetry), s, taken off the dead time, and its
    /// standard uncertainty.
    pub latency: (f64, f64),
    /// Standard deviation of the relative rate between the clocks of command and response; zero for one clock.
    pub clock: f64,
    /// Time at which both clocks agree, s.
    pub agree_at: f64,
    /// Share of the rotor's drag in 1/lag, and its standard uncertainty.
    pub drag_share: (f64, f64),
    /// Longest stretch looked at on either side of a step, s.
    pub longest: f64,
}

impl Default for Known {
    /// One clock, no latency; a drag share of 0.35 ± 0.1, which covers usual motors near hover
    /// (from the first-order model of common drives; no source).
    fn default() -> Self {
        Self { latency: (0.0, 0.0), clock: 0.0, agree_at: 0.0, drag_share: (0.35, 0.1), longest: 1.0 }
    }
}

/// How a drive answers.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Order {
    /// One lag.
    First,
    /// Two lags, one after the other.
    Second,
    /// One lag, seen through a stand that rings.
    Ringing,
}

/// One step.
#[derive(Debug, Clone, PartialEq)]
pub struct StepFit {
    /// Instant, s.
    pub at: f64,
    /// Command before.
    pub from: f64,
    /// Command after.
    pub to: f64,
    /// Response before.
    pub before: f64,
    /// Response after.
    pub after: f64,
    /// Dead time, s, latency not yet taken off.
    pub dead: f64,
    /// Its standard error from the residuals, s.
    pub dead_error: f64,
    /// Time constant, s: at the mean speed, or of the hyperbola of a coasting fall.
    pub lag: f64,
    /// Relative standard error of the time constant.
    pub lag_error: f64,
    /// Residual standard deviation, in units of the response.
    pub noise: f64,
    /// Samples used and how many of them are independent.
    pub samples: (usize, f64),
    /// The fall coasts.
    pub coasts: bool,
    /// Times of the response from the step, s, and response: for drawing.
    pub seen: (Vec<f64>, Vec<f64>),
    /// What the fit makes of the same times.
    pub fitted: Vec<f64>,
}

impl StepFit {
    /// Whether the command rises.
    pub fn rises(&self) -> bool {
        self.to > self.from
    }
    /// Mean speed of the step in the unit of the response (of its root for thrust).
    pub fn mean_speed(&self, quantity: Quantity) -> f64 {
        let root = |y: f64| if quantity == Quantity::Thrust { y.max(0.0).sqrt() } else { y };
        0.5 * (root(self.before) + root(self.after))
    }
    /// A lag with the same area between the response and its end as a coasting fall has; the lag itself
    /// for any other step.
    pub fn equivalent_lag(&self, quantity: Quantity) -> f64 {
        if !self.coasts {
            return self.lag;
        }
        let root = |y: f64| if quantity == Quantity::Thrust { y.max(0.0).sqrt() } else { y };
        let (w0, w1) = (root(self.before), root(self.after));
        if w1 <= 0.0 || w1 >= w0 {
            return f64::NAN;
        }
        self.lag * (w0 * (w0 / w1).ln() / (w0 - w1) - 1.0)
    }
}

/// What all steps together say.
#[derive(Debug, Clone, PartialEq)]
pub struct Steps {
    /// Steps, in time order.
    pub steps: Vec<StepFit>,
    /// Dead time of both directions, s, latency taken off.
    pub dead_time: Option<Figure>,
    /// Dead time of rises and of falls alone, s.
    pub dead_by_direction: [Option<Figure>; 2],
    /// Time constant of rises and of falls at the reference speed, s. Of coasting falls the lag of equal area.
    pub lag: [Option<Figure>; 2],
    /// How the relative lag goes with the logarithm of speed, rises and falls.
    pub lag_slope: [Option<Figure>; 2],
    /// Speed at which the lags hold, in the unit of the response (of its root for thrust).
    pub reference_speed: f64,
    /// Order, and how much worse the others are by Schwarz's criterion.
    pub order: Order,
    /// Criterion of each order tried, least is best.
    pub criterion: Vec<(Order, f64)>,
    /// Second time constant, s, when the order is second.
    pub second: Option<Figure>,
    /// Frequency, Hz, and damping ratio of the stand.
    pub mode: Option<(Figure, Figure)>,
    /// Whether falls coast, and by how much the criterion prefers that (positive) or not.
    pub coasting: Option<(bool, f64)>,
    /// Drift between the clocks, s/s.
    pub drift: Option<Figure>,
    /// Period of the command's rows and of the response's, s.
    pub periods: (f64, f64),
    /// Steps of the command that the response could not be fitted to.
    pub unfitted: usize,
}

struct Attempt {
    steps: Vec<(StepFit, Vec<f64>)>,
    measures: Vec<Measure>,
    /// Second lag or frequency and damping, by step, as logarithms.
    extra: Vec<Vec<f64>>,
    unfitted: usize,
    unfitted_falls: usize,
}

impl Attempt {
    fn empty() -> Self {
        Self { steps: Vec::new(), measures: Vec::new(), extra: Vec::new(), unfitted: 0, unfitted_falls: 0 }
    }

    /// Whether all steps were fitted and the residuals are hardly correlated.
    fn white(&self) -> bool {
        let lengths: Vec<f64> = self.measures.iter().map(|m| m.length).collect();
        self.unfitted == 0 && robust::mean(&lengths).is_some_and(|l| l < 1.25)
    }

    fn fail(&mut self, w: &Window) {
        self.unfitted += 1;
        self.unfitted_falls += usize::from(w.to < w.from);
    }

    fn take(&mut self, w: &Window, one: Option<One>) {
        match one {
            Some((step, fitted, extras, measure)) => {
                self.measures.push(measure);
                self.extra.push(extras);
                self.steps.push((step, fitted));
            }
            None => self.fail(w),
        }
    }

    /// The falls alone.
    fn falls(&self) -> Self {
        Self {
            steps: self.steps.iter().filter(|s| !s.0.rises()).cloned().collect(),
            measures: self.measures.iter().filter(|m| !m.rises).copied().collect(),
            extra: Vec::new(),
            unfitted: self.unfitted_falls,
            unfitted_falls: self.unfitted_falls,
        }
    }
}

/// What Schwarz's criterion needs of one step's fit.
#[derive(Clone, Copy)]
struct Measure {
    at: f64,
    rises: bool,
    /// Mean square of the residuals.
    square: f64,
    samples: f64,
    /// Correlation length of the residuals, samples.
    length: f64,
    parameters: f64,
}

/// Schwarz's criterion of several attempts over the steps that all of them fitted, on the same number of
/// independent samples: a model that leaves white residuals shows how many there are.
fn criteria(attempts: &[&Attempt]) -> Vec<f64> {
    let fewest = attempts.iter().map(|a| a.unfitted).min().unwrap_or(0);
    let mut sums = vec![0.0; attempts.len()];
    let Some(first) = attempts.first() else { return sums };
    for m in &first.measures {
        let found: Vec<Option<&Measure>> =
            attempts.iter().map(|a| a.measures.iter().find(|o| o.at == m.at)).collect();
        let all: Vec<&Measure> = found.into_iter().flatten().collect();
        if all.len() < attempts.len() {
            continue;
        }
        let length = all.iter().fold(f64::INFINITY, |l, m| l.min(m.length)).max(1.0);
        for (sum, m) in sums.iter_mut().zip(all) {
            let independent = m.samples / length;
            *sum += independent * m.square.max(1e-300).ln() + m.parameters * independent.max(2.0).ln();
        }
    }
    for (sum, a) in sums.iter_mut().zip(attempts) {
        if a.unfitted > fewest {
            *sum = f64::INFINITY;
        }
    }
    sums
}

#[derive(Clone, Copy)]
struct Choice {
    order: Order,
    coasts: bool,
    /// Held extras as logarithms; free where none.
    held: [Option<f64>; 2],
    drag_share: f64,
}

/// Fits all steps of a record. `None` where no step is seen.
pub fn fit(record: &Record<'_>, known: &Known) -> Option<Steps> {
    let (list, command_period) = windows(
        record.command_time,
        record.command,
        record.command_is_event,
        record.time,
        record.value,
        known.longest,
    );
    if list.is_empty() {
        return None;
    }
    let list: Vec<Window> = list.into_iter().map(shortened).collect();
    let gaps: Vec<f64> = record.time.windows(2).map(|p| p[1] - p[0]).filter(|d| *d > 0.0).collect();
    let period = robust::median(&gaps)?;
    let share = known.drag_share.0;
    let mut choice = Choice { order: Order::First, coasts: false, held: [None; 2], drag_share: share };
    let mut best = attempt(record, &list, period, &choice, None);
    // Falls: braked or coasting, judged on the falls alone.
    let falls: Vec<Window> = list.iter().filter(|w| w.to < w.from).cloned().collect();
    let mut coasting = None;
    if !falls.is_empty() {
        let braked = best.falls();
        let coasted = attempt(record, &falls, period, &Choice { coasts: true, ..choice }, None);
        if let [b, c] = criteria(&[&braked, &coasted])[..]
            && !(b - c).is_nan()
        {
            coasting = Some((b > c, b - c));
            if b > c {
                choice.coasts = true;
                best = attempt(record, &list, period, &choice, None);
            }
        }
    }
    let mut tried: Vec<(Order, Attempt, Vec<Figure>)> = Vec::new();
    // White residuals leave nothing for a richer model to explain.
    let mut orders = Vec::new();
    if record.quantity == Quantity::Thrust {
        orders.push(Order::Ringing);
    }
    orders.push(Order::Second);
    for order in orders {
        // The residuals of a ringing stand may look white where the noise is large: it is always tried.
        let skip = order != Order::Ringing && best.white();
        if skip || tried.iter().any(|t| t.1.white()) {
            continue;
        }
        let trial = Choice { order, ..choice };
        let mut list_of: Vec<(Attempt, Vec<Figure>)> = Vec::new();
        for s in starts(&best, period, order) {
            // Free in every step first; then what the steps share is held at their median.
            let free = attempt(record, &list, period, &trial, Some(&s));
            let Some(shared) = medians(&free, list.len()) else { continue };
            let held = hold(trial, &shared);
            list_of.push((again(record, &list, period, &held, &free, None), shared));
        }
        let scores = criteria(&list_of.iter().map(|l| &l.0).collect::<Vec<_>>());
        let least = scores.iter().enumerate().min_by(|a, b| a.1.total_cmp(b.1)).map(|(i, _)| i);
        if let Some((_, (a, shared))) = list_of.into_iter().enumerate().find(|(i, _)| Some(*i) == least) {
            tried.push((order, a, shared));
        }
    }
    let mut all = vec![&best];
    all.extend(tried.iter().map(|t| &t.1));
    // What all steps share counts once.
    let samples: f64 = best.measures.iter().map(|m| m.samples / m.length.max(1.0)).sum();
    let scores = criteria(&all);
    let criterion: Vec<(Order, f64)> = std::iter::once((Order::First, 0))
        .chain(tried.iter().map(|t| (t.0, t.2.len())))
        .zip(scores)
        .map(|((order, extra), score)| (order, score + extra as f64 * samples.max(2.0).ln()))
        .collect();
    let chosen = criterion.iter().min_by(|a, b| a.1.total_cmp(&b.1)).map_or(Order::First, |c| c.0);
    choice.order = chosen;
    let mut shared: Vec<Figure> = Vec::new();
    if chosen != Order::First {
        let (_, fitted, figures) = tried.into_iter().find(|t| t.0 == chosen)?;
        choice = hold(choice, &figures);
        shared = figures;
        best = fitted;
    }
    // A second round with every sample weighed by its own variance: jitter of the time stamps hurts
    // where the response is steep.
    let weights = weights(&best);
    best = again(record, &list, period, &choice, &best, weights.as_deref());
    if best.steps.is_empty() {
        return None;
    }
    let mut result = gather(record, known, &best, period, command_period);
    // What the shared extras and the drag share do to the figures.
    let mut vary = |change: Choice, factor: f64| {
        let other = again(record, &list, period, &change, &best, weights.as_deref());
        if other.steps.len() != best.steps.len() {
            return;
        }
        let moved = gather(record, known, &other, period, command_period);
        let add = |f: &mut Option<Figure>, m: &Option<Figure>| {
            if let (Some(f), Some(m)) = (f.as_mut(), m) {
                *f = f.with_shared((m.value - f.value) * factor);
            }
        };
        add(&mut result.dead_time, &moved.dead_time);
        for k in 0..2 {
            add(&mut result.dead_by_direction[k], &moved.dead_by_direction[k]);
            add(&mut result.lag[k], &moved.lag[k]);
        }
    };
    if known.drag_share.1 > 0.0 {
        vary(Choice { drag_share: share + known.drag_share.1, ..choice }, 1.0);
    }
    for (k, s) in shared.iter().enumerate() {
        // A change large enough to be seen, scaled to the standard error.
        let step = s.uncertainty.clamp(0.01, 0.3);
        let mut changed = choice;
        if let Some(h) = changed.held.get_mut(k) {
            *h = Some(s.value + step);
        }
        vary(changed, s.uncertainty / step);
    }
    let natural =
        |f: &Figure| Figure { value: f.value.exp(), uncertainty: f.value.exp() * f.uncertainty, ..*f };
    match chosen {
        Order::First => {}
        Order::Second => result.second = shared.first().map(natural),
        Order::Ringing => {
            result.mode = shared.first().zip(shared.get(1)).map(|(f, z)| (natural(f), natural(z)));
        }
    }
    result.order = chosen;
    result.criterion = criterion;
    result.coasting = coasting;
    Some(result)
}

/// What the steps share, from all of them: medians of the logarithms with their standard errors.
fn medians(free: &Attempt, steps: usize) -> Option<Vec<Figure>> {
    if 2 * free.extra.len() < steps {
        return None;
    }
    (0..free.extra.first()?.len())
        .map(|k| {
            let values: Vec<f64> = free.extra.iter().filter_map(|e| e.get(k).copied()).collect();
            let n = values.len() as f64;
            Some(Figure {
                value: robust::median(&values)?,
                // The median of normal values has pi/2 times the variance of their mean.
                uncertainty: 1.2533 * robust::deviation(&values)? / n.sqrt(),
                degrees: n - 1.0,
            })
        })
        .collect()
}

fn hold(mut choice: Choice, shared: &[Figure]) -> Choice {
    for (held, s) in choice.held.iter_mut().zip(shared) {
        *held = Some(s.value);
    }
    choice
}

/// Cuts a window to a few time constants: what creeps later is not the drive's answer.
fn shortened(mut w: Window) -> Window {
    let span = w.after - w.before;
    let part = |v: f64| (v - w.before) / span;
    let first = |level: f64| {
        (0..w.time.len()).find(|&k| w.time[k] > 0.0 && part(w.value[k]) >= level).map(|k| w.time[k])
    };
    if let (Some(a), Some(b)) = (first(0.3), first(0.8)) {
        let settle = b + 8.0 * (b - a).max(0.004);
        let keep = w.time.partition_point(|t| *t <= settle).max(8).min(w.time.len());
        w.time.truncate(keep);
        w.value.truncate(keep);
        let tail = &w.value[keep - (keep / 5).max(3).min(keep)..];
        if let Some(after) = robust::median(tail) {
            w.after = after;
        }
    }
    w
}

fn starts(first: &Attempt, period: f64, order: Order) -> Vec<Vec<f64>> {
    match order {
        Order::First => vec![Vec::new()],
        Order::Second => {
            let lags: Vec<f64> = first.steps.iter().map(|s| s.0.lag).collect();
            let lag = robust::median(&lags).unwrap_or(0.03);
            vec![vec![(0.3 * lag).ln()]]
        }
        Order::Ringing => {
            let mut list: Vec<Vec<f64>> =
                ringing(first, period).into_iter().map(|f| vec![f.ln(), 0.05_f64.ln()]).collect();
            if list.is_empty() {
                list.push(vec![(0.1 / period).ln(), 0.05_f64.ln()]);
            }
            list
        }
    }
}

/// Frequencies at which the residuals of the first-order fit ring, strongest first: from their
/// periodograms, summed over the steps.
fn ringing(first: &Attempt, period: f64) -> Vec<f64> {
    let highest = 0.45 / period;
    let lowest = 4.0_f64.max(highest / 200.0);
    let count = 160;
    let ratio = (highest / lowest).powf(1.0 / f64::from(count));
    let mut power = Vec::new();
    let mut f = lowest;
    for _ in 0..=count {
        let mut sum = 0.0;
        for (s, fitted) in &first.steps {
            let scale = (s.after - s.before).powi(2);
            let (mut re, mut im) = (0.0, 0.0);
            for ((t, y), m) in s.seen.0.iter().zip(&s.seen.1).zip(fitted) {
                if *t > 0.0 {
                    let (sin, cos) = (std::f64::consts::TAU * f * t).sin_cos();
                    re += (y - m) * cos;
                    im += (y - m) * sin;
                }
            }
            sum += (re * re + im * im) / scale / s.seen.0.len().max(1) as f64;
        }
        power.push((f, sum));
        f *= ratio;
    }
    let mut peaks: Vec<(f64, f64)> =
        power.windows(3).filter(|w| w[1].1 > w[0].1 && w[1].1 >= w[2].1).map(|w| w[1]).collect();
    peaks.sort_by(|a, b| b.1.total_cmp(&a.1));
    peaks.into_iter().take(2).map(|p| p.0).collect()
}

fn attempt(
    record: &Record<'_>,
    list: &[Window],
    period: f64,
    choice: &Choice,
    extra: Option<&Vec<f64>>,
) -> Attempt {
    let mut out = Attempt::empty();
    for w in list {
        out.take(w, one(record, w, period, choice, extra.map(Vec::as_slice), None, None));
    }
    out
}

/// Weight of every sample of a step.
type Weigh = dyn Fn(&StepFit, &[f64]) -> Vec<f64>;

/// The steps of an attempt fitted again from where they were, with every sample weighed.
fn again(
    record: &Record<'_>,
    list: &[Window],
    period: f64,
    choice: &Choice,
    before: &Attempt,
    weigh: Option<&Weigh>,
) -> Attempt {
    let mut out = Attempt::empty();
    for w in list {
        let Some((step, fitted)) = before.steps.iter().find(|s| s.0.at == w.at) else {
            out.fail(w);
            continue;
        };
        let weight = weigh.map(|f| f(step, fitted));
        out.take(w, one(record, w, period, choice, None, weight.as_deref(), Some(step)));
    }
    out
}

type One = (StepFit, Vec<f64>, Vec<f64>, Measure);

/// Fits one step.
fn one(
    record: &Record<'_>,
    w: &Window,
    period: f64,
    choice: &Choice,
    extra: Option<&[f64]>,
    weight: Option<&[f64]>,
    hint: Option<&StepFit>,
) -> Option<One> {
    let coasts = choice.coasts && w.to < w.from;
    let bus = record.bus.and_then(|(t, v)| bus_of(w, t, v));
    let relative = bus.as_ref().map(|b| b.0.clone());
    let bus = bus.as_ref().zip(relative.as_ref()).map(|(b, t)| Bus { time: t, value: &b.1, levels: b.2 });
    let drive = Drive { quantity: record.quantity, command: (w.from, w.to), bus };
    let span = w.after - w.before;
    let part = |k: usize| (w.value[k] - w.before) / span;
    let cross = |level: f64| -> Option<f64> {
        let k = (1..w.time.len()).find(|&k| w.time[k] > 0.0 && part(k) >= level)?;
        let (a, b) = (part(k - 1), part(k));
        let f = if b > a { ((level - a) / (b - a)).clamp(0.0, 1.0) } else { 1.0 };
        Some(w.time[k - 1] + f * (w.time[k] - w.time[k - 1]))
    };
    let (t3, t6) = (cross(0.3)?, cross(0.632)?);
    let lag0 = ((t6 - t3) / 0.643).max(0.3 * period).max(1e-4);
    let dead0 = (t6 - lag0).max(0.0);
    let lag0 = if coasts {
        let root = |y: f64| if record.quantity == Quantity::Thrust { y.max(0.0).sqrt() } else { y };
        let (w0, w1) = (root(w.before), root(w.after));
        if w1 <= 0.0 {
            return None;
        }
        // The slope at the beginning of the fall.
        2.0 * lag0 * w0 / (w0 - w1).max(1e-6 * w0)
    } else {
        lag0
    };
    let free: Vec<f64> = extra.map(<[f64]>::to_vec).unwrap_or_default();
    let mut start = match hint {
        Some(h) => vec![h.dead, h.lag.ln(), h.before, h.after],
        None => vec![dead0, lag0.ln(), w.before, w.after],
    };
    let mut step = vec![0.02 * lag0.clamp(1e-4, 0.1), 0.01, 1e-3 * span.abs(), 1e-3 * span.abs()];
    for e in &free {
        start.push(*e);
        step.push(0.02);
    }
    let answer = |p: &[f64]| {
        let extra = |k: usize| choice.held[k].or_else(|| p.get(4 + k).copied()).map(f64::exp);
        Answer {
            lag: p[1].exp().clamp(1e-5, 100.0),
            second: (choice.order == Order::Second).then(|| extra(0)).flatten(),
            mode: (choice.order == Order::Ringing)
                .then(|| extra(0).map(|f| f.min(0.5 / period)).zip(extra(1).map(|z| z.clamp(1e-3, 2.0))))
                .flatten(),
            drag_share: choice.drag_share,
            coasts,
        }
    };
    let mut model = Vec::with_capacity(w.time.len());
    let mut residuals = |p: &[f64], r: &mut Vec<f64>| {
        r.clear();
        if p[1].abs() > 12.0 || p[0].abs() > 10.0 {
            r.push(f64::INFINITY);
            return;
        }
        respond(&drive, &answer(p), p[0], p[2], p[3], &w.time, &mut model);
        match weight {
            Some(q) => r.extend(model.iter().zip(&w.value).zip(q).map(|((m, y), q)| (m - y) * q)),
            None => r.extend(model.iter().zip(&w.value).map(|(m, y)| m - y)),
        }
    };
    let s = descent::solve(&start, &step, &mut residuals)?;
    let p = &s.parameters;
    let n = w.time.len();
    let mut fitted = Vec::new();
    respond(&drive, &answer(p), p[0], p[2], p[3], &w.time, &mut fitted);
    let length = robust::correlation_length(&s.residuals);
    let independent = (n as f64 / length).max(p.len() as f64 + 1.0);
    let variance = s.square / (n - p.len()) as f64;
    let errors = |j: usize| (s.bread[(j, j)] * variance * length.min(n as f64 / 4.0)).sqrt();
    let noise = {
        let q: f64 = fitted.iter().zip(&w.value).map(|(m, y)| (m - y).powi(2)).sum();
        (q / (n - p.len()) as f64).sqrt()
    };
    let measure = Measure {
        at: w.at,
        rises: w.to > w.from,
        square: s.square / n as f64,
        samples: n as f64,
        length,
        parameters: p.len() as f64,
    };
    let at_edge = !(p[0] > -5.0 * period - 0.05 && p[1].exp() < 20.0 * (w.time[n - 1]).max(period));
    if at_edge || !errors(0).is_finite() || !errors(1).is_finite() {
        return None;
    }
    let fit = StepFit {
        at: w.at,
        from: w.from,
        to: w.to,
        before: p[2],
        after: p[3],
        dead: p[0],
        dead_error: errors(0).max(1e-7),
        lag: p[1].exp(),
        lag_error: errors(1).max(1e-5),
        noise,
        samples: (n, independent),
        coasts,
        seen: (w.time.clone(), w.value.clone()),
        fitted: fitted.clone(),
    };
    Some((fit, fitted, p[4..].to_vec(), measure))
}

/// The bus voltage about a step, times counted from the step.
fn bus_of(w: &Window, time: &[f64], value: &[f64]) -> Option<(Vec<f64>, Vec<f64>, (f64, f64))> {
    let n = time.len().min(value.len());
    let (first, last) = (w.at + w.time.first()?, w.at + w.time.last()?);
    let a = time[..n].partition_point(|t| *t < first).saturating_sub(1);
    let b = (time[..n].partition_point(|t| *t <= last) + 1).min(n);
    let rows: Vec<usize> = (a..b).filter(|&i| value[i].is_finite() && value[i] > 0.0).collect();
    let t: Vec<f64> = rows.iter().map(|&i| time[i] - w.at).collect();
    let v: Vec<f64> = rows.iter().map(|&i| value[i]).collect();
    let split = t.partition_point(|t| *t < 0.0);
    if split < 1 || t.len() < split + 3 {
        return None;
    }
    let before = robust::mean(&v[..split])?;
    let after = robust::mean(&v[v.len() - ((v.len() - split) / 4).max(1)..])?;
    Some((t, v, (before, after)))
}

/// Weight of every sample from the noise on the flat parts and from what jitter adds on the steep ones.
fn weights(a: &Attempt) -> Option<Box<Weigh>> {
    let slope = |s: &StepFit, fitted: &[f64]| -> Vec<f64> {
        let t = &s.seen.0;
        let n = t.len().min(fitted.len());
        (0..n)
            .map(|k| {
                let (i, j) = (k.saturating_sub(1), (k + 1).min(n - 1));
                if t[j] > t[i] { (fitted[j] - fitted[i]) / (t[j] - t[i]) } else { 0.0 }
            })
            .collect()
    };
    // Residual variance on slope squared over all samples: r^2 = flat + jitter^2 slope^2.
    let (mut flat, mut steep) = (Vec::new(), Vec::new());
    for (s, fitted) in &a.steps {
        let g = slope(s, fitted);
        let top = g.iter().fold(0.0_f64, |m, v| m.max(v.abs()));
        for ((y, m), g) in s.seen.1.iter().zip(fitted).zip(&g) {
            let r = y - m;
            if g.abs() < 0.03 * top {
                flat.push(r * r);
            } else if g.abs() > 0.15 * top {
                steep.push((r * r, g * g));
            }
        }
    }
    let base = robust::mean(&flat)?;
    if flat.len() < 20 || steep.len() < 10 || base.is_nan() || base <= 0.0 {
        return None;
    }
    let jitter = (steep.iter().map(|(r, _)| r - base).sum::<f64>()
        / steep.iter().map(|(_, g)| g).sum::<f64>())
    .max(0.0);
    Some(Box::new(move |s: &StepFit, fitted: &[f64]| {
        slope(s, fitted).iter().map(|g| (base / (base + jitter * g * g)).sqrt()).collect()
    }))
}

/// Brings the steps together.
fn gather(record: &Record<'_>, known: &Known, a: &Attempt, period: f64, command_period: f64) -> Steps {
    let steps: Vec<StepFit> = a.steps.iter().map(|s| s.0.clone()).collect();
    let speeds: Vec<f64> = steps.iter().map(|s| s.mean_speed(record.quantity)).collect();
    let reference = robust::median(&speeds).unwrap_or(f64::NAN);
    let (shift, shift_error) = known.latency;
    let dead = |pick: &dyn Fn(&StepFit) -> bool| -> Option<Spread> {
        let chosen: Vec<&StepFit> = steps.iter().filter(|s| pick(s)).collect();
        let values: Vec<f64> = chosen.iter().map(|s| s.dead - shift).collect();
        let errors: Vec<f64> = chosen.iter().map(|s| s.dead_error).collect();
        let time: Vec<f64> = chosen.iter().map(|s| s.at - known.agree_at).collect();
        if known.clock > 0.0 {
            spread(&values, &errors, &[time], &[Some(known.clock)])
        } else {
            spread(&values, &errors, &[], &[])
        }
    };
    let lag = |rises: bool| -> Option<Spread> {
        let chosen: Vec<usize> = (0..steps.len()).filter(|&i| steps[i].rises() == rises).collect();
        let values: Vec<f64> =
            chosen.iter().map(|&i| steps[i].equivalent_lag(record.quantity).ln()).collect();
        let errors: Vec<f64> = chosen.iter().map(|&i| steps[i].lag_error).collect();
        let along: Vec<f64> = chosen.iter().map(|&i| (speeds[i] / reference).ln()).collect();
        spread(&values, &errors, &[along], &[None])
    };
    let both = dead(&|_| true);
    let finite = |f: Figure| f.uncertainty.is_finite().then_some(f);
    let of = |s: Option<Spread>| s.and_then(|s| s.constant()).map(|f| f.with_shared(shift_error));
    let lags = [lag(true), lag(false)];
    let natural = |s: &Option<Spread>| {
        s.as_ref().and_then(Spread::constant).map(|f| Figure {
            value: f.value.exp(),
            uncertainty: f.value.exp() * f.uncertainty,
            degrees: f.degrees,
        })
    };
    let slope = |s: &Option<Spread>| s.as_ref().and_then(|s| s.coefficients.get(1).copied()).and_then(finite);
    Steps {
        dead_time: of(both.clone()),
        dead_by_direction: [of(dead(&|s| s.rises())), of(dead(&|s| !s.rises()))],
        lag: [natural(&lags[0]), natural(&lags[1])],
        lag_slope: [slope(&lags[0]), slope(&lags[1])],
        reference_speed: reference,
        order: Order::First,
        criterion: Vec::new(),
        second: None,
        mode: None,
        coasting: None,
        drift: (known.clock > 0.0)
            .then(|| both.as_ref().and_then(|s| s.coefficients.get(1).copied()).and_then(finite))
            .flatten(),
        periods: (command_period, period),
        unfitted: a.unfitted,
        steps,
    }
}
