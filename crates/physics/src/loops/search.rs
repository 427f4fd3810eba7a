//! Search of the plane of gains: where the limits hold for every plant that the uncertainty allows.
//!
//! The response of a plant without its controller is computed once on a grid of frequencies; a set of gains is
//! then judged by sums and products alone. On that grid, with crossings interpolated: stability by the crossings
//! of the negative real axis beyond -1 (Nyquist 1932), margins of gain up and down and of phase, peak
//! sensitivity; then noise of the command and first demand of a step, which are plain in the gains; last the
//! overshoot of a step by the cosine form of the inverse transform, y(t) = 2/pi times the integral of
//! Re T(j w) sin(w t)/w (Papoulis 1962, The Fourier Integral, ch. 9), of the plant with the least phase margin.
//!
//! The grid's figures are within 1 % and 0.5 deg of [`super::margins`]; what is recommended is computed anew there.
//! A loop whose phase lags 180 deg already at the lowest frequency counts as unstable.

use std::f64::consts::PI;

use nalgebra::Complex;
use rayon::prelude::*;
use serde::Serialize;

use super::chain::RateChain;
use super::stage::Element;

/// Gains p (1/s), i (1/s^2), d (dimensionless).
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Gains {
    /// Proportional gain, 1/s.
    pub p: f64,
    /// Integral gain, 1/s^2.
    pub i: f64,
    /// Derivative gain, dimensionless.
    pub d: f64,
}

/// A limit of the search.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, PartialOrd, Ord)]
#[serde(rename_all = "kebab-case")]
pub enum Bound {
    /// The loop is unstable.
    Stability,
    /// Phase margin.
    PhaseMargin,
    /// Gain margin upwards.
    GainUp,
    /// Gain margin downwards.
    GainDown,
    /// Peak sensitivity.
    Sensitivity,
    /// Noise of the motor command.
    Noise,
    /// Acceleration that a step asks for at once.
    Saturation,
    /// Overshoot of a step.
    Overshoot,
}

impl Bound {
    /// Name, for people.
    pub fn words(self) -> &'static str {
        match self {
            Self::Stability => "stability",
            Self::PhaseMargin => "phase margin",
            Self::GainUp => "gain margin up",
            Self::GainDown => "gain margin down",
            Self::Sensitivity => "peak sensitivity",
            Self::Noise => "command noise",
            Self::Saturation => "thrust at hand for a step",
            Self::Overshoot => "overshoot",
        }
    }
}

/// What gains must keep. Ratios are plain, angles rad.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Limits {
    /// Least phase margin, rad.
    pub phase_margin: f64,
    /// Least factor by which the gain can rise.
    pub gain_up: f64,
    /// Least factor by which the gain can fall.
    pub gain_down: f64,
    /// Largest peak sensitivity.
    pub sensitivity: f64,
    /// Largest overshoot, as a fraction.
    pub overshoot: f64,
    /// Largest p, 1/s, that a step of the usual size does not saturate; infinite for none.
    pub saturation: f64,
    /// Largest r.m.s. of [`Noise`]; infinite for none.
    pub noise: f64,
}

impl Default for Limits {
    /// 45 deg, 6 dB up and down, 1.8, 10 %, the last two none.
    fn default() -> Self {
        let db6 = 10f64.powf(6.0 / 20.0);
        Self {
            phase_margin: PI / 4.0,
            gain_up: db6,
            gain_down: db6,
            sensitivity: 1.8,
            overshoot: 0.10,
            saturation: f64::INFINITY,
            noise: f64::INFINITY,
        }
    }
}

/// Noise of the command for unit gains: its variance is the sum of products of gains with these.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Default)]
pub struct Noise {
    /// From p.
    pub pp: f64,
    /// From d.
    pub dd: f64,
    /// From both.
    pub pd: f64,
}

impl Noise {
    /// R.m.s. for gains.
    pub fn rms(&self, g: &Gains) -> f64 {
        (self.pp * g.p * g.p + 2.0 * self.pd * g.p * g.d + self.dd * g.d * g.d).max(0.0).sqrt()
    }
}

/// Figures of gains over all plants: the worst of each, and the nominal crossover.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Cell {
    /// Gains.
    pub gains: Gains,
    /// Limit that is broken worst; none where all hold.
    pub broken: Option<Bound>,
    /// Crossover of the first plant, rad/s.
    pub crossover: f64,
    /// Least phase margin, rad.
    pub phase_margin: f64,
    /// Least factor up.
    pub gain_up: f64,
    /// Least factor down.
    pub gain_down: f64,
    /// Largest peak sensitivity.
    pub sensitivity: f64,
    /// Overshoot of the plant with the least phase margin; not a number where it was not needed.
    pub overshoot: f64,
}

/// Plants on a grid of frequencies.
#[derive(Debug, Clone)]
pub struct Plants {
    omega: Vec<f64>,
    inverse: Vec<f64>,
    derivative: Vec<Complex<f64>>,
    /// Everything but the controller, real and imaginary part apart.
    loops: Vec<(Vec<f64>, Vec<f64>)>,
    /// Everything between controller and rate.
    forward: Vec<Vec<Complex<f64>>>,
    times: Vec<f64>,
    /// sin(w t) dw 2/(pi w), row by time.
    kernel: Vec<Vec<f64>>,
}

/// Instants that the overshoot is looked for at.
const TIMES: usize = 40;

impl Plants {
    /// Of chains, the nominal one first; `crossover` is about where they will cross over, rad/s. `points` frequencies
    /// spread over three and a third decades about it. `None` without a chain or a usable crossover.
    pub fn new(chains: &[RateChain], crossover: f64, points: usize) -> Option<Self> {
        let d_lag = chains.first()?.stages.iter().find_map(|s| match s.element {
            Element::Pid { d_lag, .. } => Some(d_lag),
            _ => None,
        })?;
        if !(crossover > 0.0 && crossover.is_finite()) || points < 16 {
            return None;
        }
        let (from, to) = (crossover / 50.0, crossover * 40.0);
        let omega: Vec<f64> =
            (0..points).map(|k| from * (to / from).powf(k as f64 / (points - 1) as f64)).collect();
        let s = |w: f64| Complex::new(0.0, w);
        let derivative = omega.iter().map(|&w| s(w) / (s(w) * d_lag + 1.0)).collect();
        let unit = |chain: &RateChain| chain.clone().with_gains(1.0, 0.0, 0.0);
        let loops = chains
            .par_iter()
            .map(|c| {
                let c = unit(c);
                omega.iter().map(|&w| c.loop_gain(w)).map(|l| (l.re, l.im)).unzip()
            })
            .collect();
        let forward = chains
            .par_iter()
            .map(|c| {
                let c = unit(c);
                omega
                    .iter()
                    .map(|&w| {
                        let l = c.loop_gain(w);
                        c.closed_at(s(w)) * (l + 1.0)
                    })
                    .collect()
            })
            .collect();
        let times: Vec<f64> = (1..=TIMES).map(|k| 0.3 * k as f64 / crossover).collect();
        let log = (to / from).ln() / (points - 1) as f64;
        // The step rests on the grid's sum in ln w; below its start Re T is one: (2/pi) Si(w0 t), nearly w0 t 2/pi.
        let kernel =
            times.iter().map(|t| omega.iter().map(|w| (w * t).sin() * log * 2.0 / PI).collect()).collect();
        let inverse = omega.iter().map(|w| 1.0 / w).collect();
        Some(Self { omega, inverse, derivative, loops, forward, times, kernel })
    }

    /// The same plants with `time` (s) less delay in each.
    #[must_use]
    pub fn quicker(&self, time: f64) -> Self {
        let mut new = self.clone();
        for (k, &w) in self.omega.iter().enumerate() {
            let turn = Complex::from_polar(1.0, w * time);
            for (re, im) in &mut new.loops {
                let v = Complex::new(re[k], im[k]) * turn;
                (re[k], im[k]) = (v.re, v.im);
            }
            for f in &mut new.forward {
                f[k] *= turn;
            }
        }
        new
    }

    /// Number of plants.
    pub fn len(&self) -> usize {
        self.loops.len()
    }

    /// Whether there is none.
    pub fn is_empty(&self) -> bool {
        self.loops.is_empty()
    }

    /// Judges gains over all plants.
    pub fn judge(&self, gains: Gains, limits: &Limits, noise: &Noise) -> Cell {
        self.judge_with(gains, limits, noise, &mut Scratch::new(self.omega.len()))
    }

    fn judge_with(&self, gains: Gains, limits: &Limits, noise: &Noise, scratch: &mut Scratch) -> Cell {
        let n = self.omega.len();
        for k in 0..n {
            scratch.cr[k] = gains.p + gains.d * self.derivative[k].re;
            scratch.ci[k] = gains.d * self.derivative[k].im - gains.i * self.inverse[k];
        }
        let mut cell = Cell {
            gains,
            broken: None,
            crossover: f64::NAN,
            phase_margin: f64::INFINITY,
            gain_up: f64::INFINITY,
            gain_down: f64::INFINITY,
            sensitivity: 0.0,
            overshoot: f64::NAN,
        };
        if gains.p > limits.saturation {
            cell.broken = Some(Bound::Saturation);
        } else if noise.rms(&gains) > limits.noise {
            cell.broken = Some(Bound::Noise);
        }
        let mut weakest = 0;
        for (index, (re, im)) in self.loops.iter().enumerate() {
            let Some(one) = self.one(re, im, scratch) else {
                cell.broken = Some(Bound::Stability);
                return cell;
            };
            if index == 0 {
                cell.crossover = one.crossover;
            }
            if one.phase_margin < cell.phase_margin {
                weakest = index;
            }
            cell.phase_margin = cell.phase_margin.min(one.phase_margin);
            cell.gain_up = cell.gain_up.min(one.gain_up);
            cell.gain_down = cell.gain_down.min(one.gain_down);
            cell.sensitivity = cell.sensitivity.max(one.sensitivity);
            // Far outside: the rest of the plants cannot bring it back.
            if cell.phase_margin < 0.7 * limits.phase_margin
                || cell.gain_up < 1.0 + 0.7 * (limits.gain_up - 1.0)
            {
                break;
            }
        }
        if cell.broken.is_none() {
            cell.broken = worst(&cell, limits);
        }
        if cell.broken.is_none() {
            cell.overshoot = self.overshoot(weakest, &gains, scratch);
            if cell.overshoot > limits.overshoot {
                cell.broken = Some(Bound::Overshoot);
            }
        }
        cell
    }

    /// Figures of one plant; none where the loop is not stable.
    fn one(&self, re: &[f64], im: &[f64], scratch: &mut Scratch) -> Option<One> {
        let n = self.omega.len();
        let (mut nearest, mut first) = (f64::INFINITY, true);
        for k in 0..n {
            let (cr, ci) = (scratch.cr[k], scratch.ci[k]);
            scratch.re[k] = cr * re[k] - ci * im[k];
            scratch.im[k] = cr * im[k] + ci * re[k];
        }
        for k in 0..n {
            let (a, b) = (scratch.re[k], scratch.im[k]);
            scratch.size[k] = a * a + b * b;
            nearest = nearest.min((a + 1.0) * (a + 1.0) + b * b);
        }
        let (re, im, size) = (&scratch.re, &scratch.im, &scratch.size);
        if size[0] <= 1.0 || im[0] >= 0.0 || nearest <= 0.0 {
            return None;
        }
        let mut out = One {
            crossover: f64::NAN,
            phase_margin: f64::INFINITY,
            gain_up: f64::INFINITY,
            gain_down: f64::INFINITY,
            sensitivity: 1.0 / nearest.sqrt(),
        };
        let mut encircled = 0;
        for k in 1..n {
            if (size[k] > 1.0) != (size[k - 1] > 1.0) {
                let (low, high) = (size[k - 1].ln(), size[k].ln());
                let t = low / (low - high);
                let (a, b) = (re[k - 1] + t * (re[k] - re[k - 1]), im[k - 1] + t * (im[k] - im[k - 1]));
                // Angle from -1, brought to between -pi and pi.
                let angle = (-b).atan2(-a);
                out.phase_margin = out.phase_margin.min(angle.abs());
                if first {
                    first = false;
                    out.crossover = self.omega[k - 1] * (self.omega[k] / self.omega[k - 1]).powf(t);
                }
            }
            if (im[k] > 0.0) != (im[k - 1] > 0.0) {
                let t = im[k - 1] / (im[k - 1] - im[k]);
                let at = re[k - 1] + t * (re[k] - re[k - 1]);
                if at < -1.0 {
                    encircled += if im[k] > 0.0 { 1 } else { -1 };
                    out.gain_down = out.gain_down.min(-at);
                } else if at < 0.0 {
                    out.gain_up = out.gain_up.min(-1.0 / at);
                }
            }
        }
        (encircled == 0).then_some(out)
    }

    /// Overshoot of the step of one plant, as a fraction.
    fn overshoot(&self, plant: usize, gains: &Gains, scratch: &mut Scratch) -> f64 {
        let n = self.omega.len();
        let (Some((re, im)), Some(forward)) = (self.loops.get(plant), self.forward.get(plant)) else {
            return f64::NAN;
        };
        for k in 0..n {
            let c = Complex::new(scratch.cr[k], scratch.ci[k]);
            let l = c * Complex::new(re[k], im[k]);
            let demand = Complex::new(gains.p, -gains.i * self.inverse[k]);
            let weight = if k == 0 || k == n - 1 { 0.5 } else { 1.0 };
            scratch.re[k] = weight * (demand * forward[k] / (l + 1.0)).re;
        }
        let start = self.omega[0];
        let mut top: f64 = 0.0;
        for (t, row) in self.times.iter().zip(&self.kernel) {
            let sum: f64 = row.iter().zip(&scratch.re).map(|(a, b)| a * b).sum();
            top = top.max(sum + start * t * 2.0 / PI);
        }
        (top - 1.0).max(0.0)
    }

    /// Judges all combinations of three lists of gains, in the order d, i, p (p fastest).
    pub fn sweep(&self, p: &[f64], i: &[f64], d: &[f64], limits: &Limits, noise: &Noise) -> Vec<Cell> {
        let rows: Vec<(f64, f64)> = d.iter().flat_map(|&d| i.iter().map(move |&i| (d, i))).collect();
        rows.par_iter()
            .map_init(
                || Scratch::new(self.omega.len()),
                |scratch, &(d, i)| {
                    p.iter()
                        .map(|&p| self.judge_with(Gains { p, i, d }, limits, noise, scratch))
                        .collect::<Vec<_>>()
                },
            )
            .flatten_iter()
            .collect()
    }
}

struct Scratch {
    cr: Vec<f64>,
    ci: Vec<f64>,
    re: Vec<f64>,
    im: Vec<f64>,
    size: Vec<f64>,
}

impl Scratch {
    fn new(n: usize) -> Self {
        let zero = || vec![0.0; n];
        Self { cr: zero(), ci: zero(), re: zero(), im: zero(), size: zero() }
    }
}

struct One {
    crossover: f64,
    phase_margin: f64,
    gain_up: f64,
    gain_down: f64,
    sensitivity: f64,
}

/// The limit that is broken by the largest part of itself.
fn worst(c: &Cell, l: &Limits) -> Option<Bound> {
    let short = [
        (Bound::PhaseMargin, 1.0 - c.phase_margin / l.phase_margin),
        (Bound::GainUp, 1.0 - c.gain_up.ln() / l.gain_up.ln()),
        (Bound::GainDown, 1.0 - c.gain_down.ln() / l.gain_down.ln()),
        (Bound::Sensitivity, c.sensitivity / l.sensitivity - 1.0),
    ];
    short.into_iter().filter(|s| s.1 > 0.0).max_by(|a, b| a.1.total_cmp(&b.1)).map(|s| s.0)
}

/// The cell to recommend: of those within `near` (as 0.03) of the fastest crossover that keeps all limits, the one with
/// most integral gain, then the least derivative.
pub fn fastest(cells: &[Cell], near: f64) -> Option<&Cell> {
    let allowed = || cells.iter().filter(|c| c.broken.is_none() && c.crossover.is_finite());
    let top = allowed().map(|c| c.crossover).fold(0.0, f64::max);
    allowed()
        .filter(|c| c.crossover >= top * (1.0 - near))
        .max_by(|a, b| a.gains.i.total_cmp(&b.gains.i).then(b.gains.d.total_cmp(&a.gains.d)))
}

/// Least delay, s, that must go from every plant before some gains reach `crossover` (rad/s) within the limits; zero if they
/// do already, `None` where a delay of 1.2/`crossover` less is not enough: another limit stands in the way.
pub fn delay_to_save(
    plants: &Plants,
    (p, i, d): (&[f64], &[f64], &[f64]),
    limits: &Limits,
    noise: &Noise,
    crossover: f64,
) -> Option<f64> {
    let reaches = |time: f64| {
        let cells = plants.quicker(time).sweep(p, i, d, limits, noise);
        cells.iter().any(|c| c.broken.is_none() && c.crossover >= crossover)
    };
    if reaches(0.0) {
        return Some(0.0);
    }
    // Upwards in small steps: more than the plant has would turn the delay into a lead without end.
    let step = 0.06 / crossover;
    let (mut low, mut high) =
        (1..=20).map(f64::from).map(|k| ((k - 1.0) * step, k * step)).find(|s| reaches(s.1))?;
    for _ in 0..6 {
        let middle = 0.5 * (low + high);
        if reaches(middle) { high = middle } else { low = middle }
    }
    Some(high)
}

/// Largest change of a gain from one flight to the next, as a factor. Common practice, no source.
pub const SAFE_STEP: f64 = 1.25;

/// The path from gains to gains in steps that change none by more than [`SAFE_STEP`], the last one included. A gain
/// that starts at zero is brought in evenly.
pub fn path(from: &Gains, to: &Gains) -> Vec<Gains> {
    let ratio = |a: f64, b: f64| if a > 0.0 && b > 0.0 { (b / a).ln().abs() } else { 0.0 };
    let far = ratio(from.p, to.p).max(ratio(from.i, to.i)).max(ratio(from.d, to.d));
    let count = ((far / SAFE_STEP.ln()) - 1e-9).ceil().clamp(1.0, 40.0) as usize;
    (1..=count)
        .map(|k| {
            let t = k as f64 / count as f64;
            let mix = |a: f64, b: f64| if a > 0.0 && b > 0.0 { a * (b / a).powf(t) } else { a + t * (b - a) };
            Gains { p: mix(from.p, to.p), i: mix(from.i, to.i), d: mix(from.d, to.d) }
        })
        .collect()
}

/// `count` values from `low` to `high`, evenly spread in the logarithm.
pub fn logarithmic(low: f64, high: f64, count: usize) -> Vec<f64> {
    (0..count).map(|k| low * (high / low).powf(k as f64 / count.saturating_sub(1).max(1) as f64)).collect()
}
