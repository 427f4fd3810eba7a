//! Static sweeps: rotor coefficients, the command's curve, its ends, hysteresis.
//!
//! Thrust and torque go as k w^2 with k drifting slowly over speed (Reynolds number): k = k0 + k1 x + k2 x^2 with
//! x = ln(w/wr). A load cell has a zero that is not zero and wanders with time; both are fitted with it, the
//! zero held by rows at rest where there are any. The command's curve is taken over x = command x
//! voltage/nominal voltage: a rotor's steady speed depends on the voltage applied alone, so that a sweep
//! on a sagging battery gives the curve at nominal voltage.

use super::combine::{Figure, spread, spread_at_least};
use super::levels::{Mean, Point};
use crate::lsq;
use crate::robust;

/// A coefficient k of k w^2.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Coefficient {
    /// Value at the reference speed: N/(rad/s)^2 or N m/(rad/s)^2.
    pub value: Figure,
    /// Reference speed, rad/s.
    pub reference: f64,
    /// d ln k / d ln w at the reference speed.
    pub slope: Option<Figure>,
    /// Zero of the load cell that was taken off, N or N m.
    pub zero: Option<Figure>,
}

/// Which column a coefficient is of.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Load {
    /// Thrust.
    Thrust,
    /// Torque.
    Torque,
}

/// States slower than this share of the fastest are left out of coefficients.
const SLOW: f64 = 0.2;

/// From so many steady states on, the others are left out of coefficients.
const STEADY: usize = 8;
/// Standard deviation of d ln k / d ln w between propellers (open sweeps of small ones: -0.1 to 0.4).
const ALONG: f64 = 0.3;
/// The same of k2/k0, the curve of k over ln w: 0.10 for both coefficients over 179 static series, each of a range of
/// three to one in speed (UIUC Propeller Database, volumes 1 and 3).
const CURVE: f64 = 0.1;
/// The same of the next coefficient, of the cube of ln w: 0.15 in the same series. It is not fitted: a state far from
/// the reference speed is trusted the less for it.
const CUBE: f64 = 0.15;
/// The cube is one for all states, and the lower terms take up most of it, so that they scatter by less than their errors
/// say: their variances are scaled down to this at most (planted drives with such cubes).
const LEAST: f64 = 0.65;
/// Standard deviation of a load cell's zero where no row is at rest, as a share of the largest load (common practice,
/// no source), and of its wandering over a sweep (three open seven-inch sweeps: by one per cent between the rests before
/// and after).
const ZERO: f64 = 0.02;
const WANDER: f64 = 0.01;

/// Coefficient of thrust or torque at a reference speed, rad/s (without one: the middle of the faster half).
pub fn coefficient(points: &[Point], load: Load, reference: Option<f64>) -> Option<Coefficient> {
    let column = |p: &Point| if load == Load::Thrust { p.thrust } else { p.torque };
    let all: Vec<(f64, Mean, Mean, bool)> =
        points.iter().filter_map(|p| Some((p.time, p.speed?, column(p)?, p.steady))).collect();
    // While the speed changes a load cell lags behind, and for a while after; a slow ramp has nothing else.
    let steady: Vec<_> = all.iter().filter(|b| b.3 && b.2.steady).copied().collect();
    let both = if steady.len() >= STEADY { steady } else { all };
    let top = both.iter().map(|b| b.1.value).fold(0.0, f64::max);
    if top <= 0.0 {
        return None;
    }
    let rest: Vec<&(f64, Mean, Mean, bool)> = both.iter().filter(|b| b.1.value.abs() < 0.01 * top).collect();
    let used: Vec<&(f64, Mean, Mean, bool)> = both.iter().filter(|b| b.1.value > SLOW * top).collect();
    if used.len() < 3 {
        return None;
    }
    let reference = reference.unwrap_or_else(|| {
        let fast: Vec<f64> = used.iter().map(|b| b.1.value).filter(|w| *w > 0.5 * top).collect();
        robust::median(&fast).unwrap_or(top)
    });
    // Load cells turn either way; the sign is taken off. Few rows hardly know their own scatter: that of the other
    // states is theirs. Where all are single rows the fit finds it, whatever its size beforehand.
    let sign = if used.iter().map(|b| b.2.value).sum::<f64>() < 0.0 { -1.0 } else { 1.0 };
    let full = used.iter().map(|b| b.2.value.abs()).fold(0.0, f64::max);
    let scatters: Vec<f64> = both.iter().map(|b| b.2).filter(|m| m.rows >= 4).map(|m| m.scatter).collect();
    let usual = robust::median(&scatters).unwrap_or(0.0);
    let error = |m: &Mean| {
        let own = if m.rows < 4 { m.error.max(usual / (m.rows.max(1) as f64).sqrt()) } else { m.error };
        own.max(1e-4 * full)
    };
    let zero = if rest.is_empty() {
        None
    } else {
        let values: Vec<f64> = rest.iter().map(|b| sign * b.2.value).collect();
        let own: Vec<f64> = rest.iter().map(|b| error(&b.2)).collect();
        spread(&values, &own, &[], &[]).and_then(|s| s.constant())
    };
    let z0 = zero.map_or(0.0, |z| z.value);
    // The zero at rest holds for the time of the rest; from there it may wander. Without rest the middle serves.
    let start = used.first().map_or(0.0, |b| b.0);
    let length = used.last().map_or(0.0, |b| b.0 - start).max(1e-9);
    let middle = start + 0.5 * length;
    let times: Vec<f64> = rest.iter().map(|b| b.0).collect();
    let origin = robust::mean(&times).unwrap_or(middle);
    let mut values = Vec::new();
    let mut errors = Vec::new();
    let (mut along, mut curve, mut offset, mut drift) = (Vec::new(), Vec::new(), Vec::new(), Vec::new());
    for (t, w, y) in used.iter().map(|b| (b.0, b.1, b.2)) {
        let w2 = w.value * w.value;
        values.push((sign * y.value - z0) / w2);
        let k = y.value.abs() / w2;
        let x = (w.value / reference).ln();
        let own = (error(&y) / w2).hypot(2.0 * k * w.error / w.value);
        errors.push(own.hypot(CUBE * k * x.abs().powi(3)));
        along.push(x);
        curve.push(x * x);
        offset.push(1.0 / w2);
        drift.push((t - origin) / length / w2);
    }
    // Rows from slow to fast and from early to late look alike: what a load cell and a propeller can do holds the
    // three apart.
    let prior = zero.map_or(ZERO * full, |z| z.uncertainty.max(1e-5 * full));
    let usual = robust::median(&values).unwrap_or(0.0).abs();
    let priors = [Some(ALONG * usual), Some(CURVE * usual), Some(prior), Some(WANDER * full)];
    let s = spread_at_least(&values, &errors, &[along, curve, offset, drift], &priors, LEAST)?;
    let value = s.constant()?;
    let slope =
        s.coefficients.get(1).filter(|c| c.uncertainty.is_finite()).map(|c| c.scaled(1.0 / value.value));
    let found = s.coefficients.get(3).filter(|c| c.uncertainty.is_finite());
    let wander = s.coefficients.get(4).filter(|c| c.uncertainty.is_finite());
    let zero = match (zero, found) {
        (Some(z), Some(f)) => Some(Figure { value: z.value + f.value, ..*f }),
        (None, Some(f)) => Some(*f),
        (z, None) => z,
    };
    // As it was in the middle of the sweep.
    let zero = match (zero, wander) {
        (Some(z), Some(d)) => {
            let along = (middle - origin) / length;
            Some(Figure {
                value: z.value + along * d.value,
                uncertainty: z.uncertainty.hypot(along * d.uncertainty),
                ..z
            })
        }
        (z, _) => z,
    };
    (value.value > 0.0).then_some(Coefficient { value, reference, slope, zero })
}

/// The command's curve at nominal voltage: T = b0 + b1 x + b2 x^2.
#[derive(Debug, Clone, PartialEq)]
pub struct Curve {
    /// Nominal voltage, V; NaN where no voltage was measured and none is corrected.
    pub nominal: f64,
    /// Coefficients, N.
    pub coefficients: [f64; 3],
    covariance: [[f64; 3]; 3],
    /// Commands (times voltage over nominal) the curve is fitted on.
    pub range: (f64, f64),
    /// Scatter of the states about the curve, N.
    pub scatter: f64,
    /// Thrust at full command and nominal voltage, N.
    pub full: Figure,
    /// Falling less rising branch at half the range, N.
    pub hysteresis: Option<Figure>,
    /// States: x, thrust in N with the zero taken off, rising.
    pub states: Vec<(f64, f64, Option<bool>)>,
}

impl Curve {
    /// Thrust at x, N.
    pub fn thrust(&self, x: f64) -> Figure {
        let [a, b, c] = self.coefficients;
        self.figure(a + x * (b + x * c), [1.0, x, x * x])
    }
    /// Slope dT/dx at x, N.
    pub fn slope(&self, x: f64) -> Figure {
        let [_, b, c] = self.coefficients;
        self.figure(b + 2.0 * c * x, [0.0, 1.0, 2.0 * x])
    }
    /// x that gives a thrust, N.
    pub fn command_for(&self, thrust: f64) -> Option<f64> {
        let (mut low, mut high) = self.range;
        if !(self.thrust(low).value <= thrust && thrust <= self.thrust(high).value) {
            return None;
        }
        for _ in 0..60 {
            let middle = 0.5 * (low + high);
            if self.thrust(middle).value < thrust { low = middle } else { high = middle }
        }
        Some(0.5 * (low + high))
    }
    fn figure(&self, value: f64, g: [f64; 3]) -> Figure {
        let mut v = 0.0;
        for i in 0..3 {
            for j in 0..3 {
                v += g[i] * self.covariance[i][j] * g[j];
            }
        }
        Figure { value, uncertainty: v.max(0.0).sqrt(), degrees: f64::INFINITY }
    }
}

/// Ends of the command.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Ends {
    /// Below it the rotor does not turn.
    pub dead_band: Option<Figure>,
    /// From it the rotor turns steadily.
    pub usable_minimum: Option<Figure>,
    /// Thrust at the usable minimum over full thrust.
    pub idle_share: Option<Figure>,
    /// From it more command gives no more thrust; 1 where thrust grows to the end.
    pub saturation: Option<Figure>,
}

/// Fits the curve over states below the saturation. `zero` is the load cell's.
pub fn curve(points: &[Point], nominal: Option<f64>, zero: f64, saturation: f64) -> Option<Curve> {
    let top = points.iter().filter_map(|p| p.thrust).map(|t| t.value.abs()).fold(0.0, f64::max);
    let sign =
        if points.iter().filter_map(|p| p.thrust).map(|t| t.value).sum::<f64>() < 0.0 { -1.0 } else { 1.0 };
    let mut states = Vec::new();
    for p in points {
        let (Some(c), Some(t), true) = (p.command, p.thrust, p.steady) else { continue };
        let factor = match (nominal, p.voltage) {
            (Some(n), Some(v)) if n > 0.0 => v.value / n,
            (Some(_), None) => continue,
            _ => 1.0,
        };
        let thrust = sign * t.value - zero;
        if thrust > 0.005 * top && c <= saturation + 1e-9 {
            states.push((c * factor, thrust, p.rising));
        }
    }
    if states.len() < 5 {
        return None;
    }
    let x: Vec<f64> = states.iter().map(|s| s.0).collect();
    let square: Vec<f64> = x.iter().map(|x| x * x).collect();
    let y: Vec<f64> = states.iter().map(|s| s.1).collect();
    let (fit, matrix) = lsq::fit_columns(&[&x, &square], &y, true).ok()?;
    let fit = fit.correlated(&matrix, None);
    let order = [2, 0, 1];
    let factor = super::combine::expansion(fit.degrees as f64);
    let mut covariance = [[0.0; 3]; 3];
    for i in 0..3 {
        for j in 0..3 {
            covariance[i][j] = fit.covariance[(order[i], order[j])] * factor * factor;
        }
    }
    let range = (
        x.iter().copied().fold(f64::INFINITY, f64::min),
        x.iter().copied().fold(f64::NEG_INFINITY, f64::max),
    );
    let mut out = Curve {
        nominal: nominal.unwrap_or(f64::NAN),
        coefficients: order.map(|k| fit.value(k)),
        covariance,
        range,
        scatter: fit.variance.sqrt(),
        full: Figure { value: 0.0, uncertainty: 0.0, degrees: 0.0 },
        hysteresis: None,
        states,
    };
    out.full = out.thrust(saturation.min(1.0));
    // Falling less rising, growing with the command.
    let known: Vec<usize> = (0..out.states.len()).filter(|&i| out.states[i].2.is_some()).collect();
    let falling = known.iter().filter(|&&i| out.states[i].2 == Some(false)).count();
    if falling >= 3 && known.len() - falling >= 3 && known.len() >= 8 {
        let pick = |f: &dyn Fn(usize) -> f64| -> Vec<f64> { known.iter().map(|&i| f(i)).collect() };
        let a = pick(&|i| x[i]);
        let b = pick(&|i| square[i]);
        let c = pick(&|i| if out.states[i].2 == Some(false) { x[i] } else { 0.0 });
        let y = pick(&|i| y[i]);
        if let Ok((f, m)) = lsq::fit_columns(&[&a, &b, &c], &y, true) {
            let f = f.correlated(&m, None);
            let half = 0.5 * (range.0 + range.1);
            let k = super::combine::expansion(f.degrees as f64);
            out.hysteresis = Some(Figure {
                value: f.value(2) * half,
                uncertainty: f.error(2) * half * k,
                degrees: f.degrees as f64,
            });
        }
    }
    Some(out)
}

/// Ends of the command: from where the rotor turns, and to where thrust grows.
pub fn ends(points: &[Point], zero: f64) -> Ends {
    let mut out = Ends::default();
    let mut list: Vec<(&Point, f64)> = points.iter().filter_map(|p| Some((p, p.command?))).collect();
    list.sort_by(|a, b| a.1.total_cmp(&b.1));
    let top_speed = list.iter().filter_map(|p| p.0.speed).map(|s| s.value).fold(0.0, f64::max);
    let sign =
        if list.iter().filter_map(|p| p.0.thrust).map(|t| t.value).sum::<f64>() < 0.0 { -1.0 } else { 1.0 };
    let thrust = |p: &Point| p.thrust.map(|t| sign * t.value - zero);
    let top_thrust = list.iter().filter_map(|p| thrust(p.0)).fold(0.0, f64::max);
    let turns = |p: &Point| match (p.speed, thrust(p)) {
        (Some(s), _) if top_speed > 0.0 => Some(s.value > 0.02 * top_speed),
        (_, Some(t)) if top_thrust > 0.0 => Some(t > 0.01 * top_thrust),
        _ => None,
    };
    let steady = |p: &Point| p.rows < 3 || p.speed.is_none_or(|s| s.scatter < 0.08 * s.value.abs());
    let between = |low: f64, high: f64| Figure {
        // Anywhere between two neighbouring levels: a uniform distribution.
        value: 0.5 * (low + high),
        uncertainty: 0.5 * (high - low) / 3f64.sqrt(),
        degrees: f64::INFINITY,
    };
    let still = list.iter().filter(|p| turns(p.0) == Some(false)).map(|p| p.1).fold(f64::NAN, f64::max);
    let turning: Vec<&(&Point, f64)> =
        list.iter().filter(|p| turns(p.0) == Some(true) && !(p.1 <= still)).collect();
    if let Some(first) = turning.first() {
        if still.is_finite() {
            out.dead_band = Some(between(still, first.1));
        }
        // The lowest level from which on every state is steady.
        let place = turning.iter().rposition(|p| !steady(p.0)).map_or(0, |k| k + 1);
        if let Some(lowest) = turning.get(place) {
            let below = if place > 0 {
                turning.get(place - 1).map(|p| p.1)
            } else {
                still.is_finite().then_some(still)
            };
            out.usable_minimum = Some(match below {
                Some(b) => {
                    let f = between(b, lowest.1);
                    Figure { value: lowest.1, uncertainty: f.uncertainty, ..f }
                }
                // Nothing was tried below: it may be lower.
                None => Figure {
                    value: lowest.1,
                    uncertainty: 0.5 * lowest.1 / 3f64.sqrt(),
                    degrees: f64::INFINITY,
                },
            });
            if let (Some(t), true) = (thrust(lowest.0), top_thrust > 0.0) {
                let error = lowest.0.thrust.map_or(0.0, |t| t.error).max(1e-3 * top_thrust);
                out.idle_share = Some(Figure {
                    value: t / top_thrust,
                    uncertainty: error / top_thrust,
                    degrees: f64::INFINITY,
                });
            }
        }
    }
    out.saturation = saturation(&list.iter().map(|p| p.0).collect::<Vec<_>>(), sign, zero);
    out
}

/// Where thrust stops growing: a parabola up to a break, then level, on thrust over voltage squared. The
/// interval is where the sum of squares stays within Fisher's bound (Seber and Wild 1989, ch. 9).
fn saturation(list: &[&Point], sign: f64, zero: f64) -> Option<Figure> {
    let reference = list.iter().filter_map(|p| p.voltage).map(|v| v.value).fold(0.0, f64::max);
    let rows: Vec<(f64, f64)> = list
        .iter()
        .filter_map(|p| {
            let t = sign * p.thrust?.value - zero;
            let f = match p.voltage {
                Some(v) if v.value > 0.0 => (reference / v.value).powi(2),
                _ => 1.0,
            };
            Some((p.command?, t * f))
        })
        .filter(|r| r.0 > 0.3)
        .collect();
    let last = rows.iter().map(|r| r.0).fold(0.0, f64::max);
    let mut commands: Vec<f64> = rows.iter().map(|r| r.0).collect();
    commands.dedup_by(|a, b| (*a - *b).abs() < 1e-6);
    if rows.len() < 8 || commands.len() < 6 || last < 0.9 {
        return None;
    }
    let square = |at: f64| -> Option<f64> {
        let x: Vec<f64> = rows.iter().map(|r| r.0.min(at)).collect();
        let x2: Vec<f64> = x.iter().map(|x| x * x).collect();
        let y: Vec<f64> = rows.iter().map(|r| r.1).collect();
        let (f, _) = lsq::fit_columns(&[&x, &x2], &y, true).ok()?;
        Some(f.residuals.iter().map(|r| r * r).sum())
    };
    let open = square(last)?;
    let grid: Vec<(f64, f64)> =
        (0..=120).map(|k| last - 0.3 * f64::from(k) / 120.0).filter_map(|c| Some((c, square(c)?))).collect();
    let best = grid.iter().min_by(|a, b| a.1.total_cmp(&b.1))?;
    let degrees = rows.len() as f64 - 4.0;
    let t = super::combine::student(degrees);
    let bound = best.1 * (1.0 + t * t / degrees) + 1e-18;
    let inside: Vec<f64> = grid.iter().filter(|g| g.1 <= bound).map(|g| g.0).collect();
    let (low, high) = (
        inside.iter().copied().fold(f64::INFINITY, f64::min),
        inside.iter().copied().fold(f64::NEG_INFINITY, f64::max),
    );
    let value = if open <= bound { last } else { best.0 };
    // Never finer than the grid.
    Some(Figure { value, uncertainty: ((high - low) / 3.92).max(0.0025 / 3f64.sqrt()), degrees })
}
