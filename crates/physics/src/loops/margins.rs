//! Stability and margins of a loop from its frequency response alone, delays and all.
//!
//! Stability is by the argument principle. The open loop has k integrators and is otherwise stable, so that, from
//! zero to infinite frequency, the argument of 1 + L turns by k pi/2 if the closed loop is stable and by
//! pi less for each closed-loop pole in the right half plane (Nyquist 1932). No Pade form is involved.
//!
//! Margins: of gain and phase by the crossings of the unit circle and the negative real axis; of delay at each
//! crossing; disc margin symmetric (skew 0), alpha = 1 / max |S - 1/2| = 2 min |(1 + L)/(1 - L)| (Seiler, Packard
//! and Gahinet 2020, An Introduction to Disk Margins, IEEE Control Systems 40(5)); peak sensitivity
//! max |1/(1 + L)| (Astrom and Murray, Feedback Systems, section 10.3).

use std::f64::consts::{FRAC_PI_2, PI, TAU};

use nalgebra::Complex;
use serde::Serialize;

use crate::root::root;

/// Points in each decade of frequency before refinement: features narrower than 1.5 % may be missed.
const PER_DECADE: f64 = 150.0;

/// Margins of a loop. Ratios are plain, not dB; frequencies in rad/s, angles in rad.
///
/// An unstable loop has none: `delay_margin` and `disc_margin` are zero, `gain_margin_up` and `gain_margin_down`
/// at most 1 and `phase_margin` is the smallest signed one.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Margins {
    /// First frequency where the gain falls through one, rad/s; zero if it never does.
    pub crossover: f64,
    /// Least phase margin over all crossings of unit gain, rad; infinite without a crossing.
    pub phase_margin: f64,
    /// Factor by which the gain can rise; infinite if any. Of an unstable loop: the factor, below one, that the
    /// gain must come down by to reach the nearest limit of stability, or 1 where none does.
    pub gain_margin_up: f64,
    /// Factor by which the gain can be divided; infinite if any.
    pub gain_margin_down: f64,
    /// Delay that can be added, s; infinite without a crossing.
    pub delay_margin: f64,
    /// Symmetric disc margin alpha, 0 to 2.
    pub disc_margin: f64,
    /// Largest |1/(1 + L)|.
    pub peak_sensitivity: f64,
    /// Frequency at which the loop would oscillate with the gain raised by `gain_margin_up`, rad/s; infinite if none.
    pub neutral_stability: f64,
    /// Closed-loop poles in the right half plane.
    pub unstable_poles: u32,
    /// Whether the closed loop is stable. False also where the range of frequency is too short to tell.
    pub stable: bool,
}

impl Margins {
    /// Gain that the disc margin allows at once with the phase of [`Self::disc_phase`], as a factor: up by this
    /// and down by its inverse. Infinite for a disc margin of 2.
    pub fn disc_gain(&self) -> f64 {
        let half = self.disc_margin / 2.0;
        if half < 1.0 { (1.0 + half) / (1.0 - half) } else { f64::INFINITY }
    }
    /// Phase that the disc margin allows, rad.
    pub fn disc_phase(&self) -> f64 {
        2.0 * (self.disc_margin / 2.0).atan()
    }

    fn none() -> Self {
        Self {
            crossover: 0.0,
            phase_margin: 0.0,
            gain_margin_up: 1.0,
            gain_margin_down: 1.0,
            delay_margin: 0.0,
            disc_margin: 0.0,
            peak_sensitivity: f64::INFINITY,
            neutral_stability: f64::INFINITY,
            unstable_poles: 0,
            stable: false,
        }
    }
}

type Response<'a> = &'a dyn Fn(f64) -> Complex<f64>;

/// A frequency and the loop gain there.
#[derive(Clone, Copy)]
struct Point {
    omega: f64,
    value: Complex<f64>,
}

const ONE: Complex<f64> = Complex::new(1.0, 0.0);

/// Angle brought to between -pi and pi.
fn wrap(angle: f64) -> f64 {
    angle - TAU * (angle / TAU).round()
}

/// Margins of the loop gain `loop_gain` (of omega, rad/s) over the frequencies `from` to `to`, rad/s.
///
/// `integrators` is the number of poles of the loop gain at zero; its other poles must be stable. `from` must be so
/// low that the integrators dominate (for a stated static gain: that it is reached) and `to` so high that the
/// gain is well below one.
pub fn margins(loop_gain: Response<'_>, from: f64, to: f64, integrators: u32) -> Margins {
    if !(from > 0.0 && to > from && to.is_finite()) {
        return Margins::none();
    }
    let grid = grid(loop_gain, from, to);
    if grid.len() < 2 || grid.iter().any(|p| !(p.value.re.is_finite() && p.value.im.is_finite())) {
        return Margins::none();
    }
    let (stable, unstable_poles) = nyquist(&grid, integrators);
    let gain = gain_crossings(loop_gain, &grid);
    let axis = axis_crossings(loop_gain, &grid);

    let crossover = gain.iter().find(|c| c.falling).map_or(0.0, |c| c.omega);
    let angles = gain.iter().map(|c| wrap(c.argument + PI));
    let phase_margin = if stable {
        angles.map(f64::abs).fold(f64::INFINITY, f64::min)
    } else {
        angles.fold(f64::INFINITY, f64::min)
    };
    let delay_margin = if stable {
        gain.iter().map(|c| (c.argument + PI).rem_euclid(TAU) / c.omega).fold(f64::INFINITY, f64::min)
    } else {
        0.0
    };
    let peak_sensitivity = peak(loop_gain, &grid, &|l| (ONE + l).norm_sqr().recip()).sqrt();
    let disc_margin = if stable {
        2.0 / peak(loop_gain, &grid, &|l| (ONE - l).norm_sqr() / (ONE + l).norm_sqr()).sqrt()
    } else {
        0.0
    };
    let mut result = Margins {
        crossover,
        phase_margin,
        gain_margin_up: f64::INFINITY,
        gain_margin_down: f64::INFINITY,
        delay_margin,
        disc_margin,
        peak_sensitivity,
        neutral_stability: f64::INFINITY,
        unstable_poles,
        stable,
    };
    if !stable {
        result.gain_margin_up = 0.0;
        result.gain_margin_down = 1.0;
    }
    for &(omega, size) in &axis {
        let factor = 1.0 / size;
        let nearer = if stable {
            factor > 1.0 && factor < result.gain_margin_up
        } else {
            factor <= 1.0 && factor > result.gain_margin_up
        };
        if nearer {
            result.gain_margin_up = factor;
            result.neutral_stability = omega;
        }
        if stable && size > 1.0 {
            result.gain_margin_down = result.gain_margin_down.min(size);
        }
    }
    if !stable && result.gain_margin_up <= 0.0 {
        result.gain_margin_up = 1.0;
    }
    result
}

/// Points over the range, refined where 1 + L turns or L changes fast.
fn grid(loop_gain: Response<'_>, from: f64, to: f64) -> Vec<Point> {
    let count = ((to / from).log10() * PER_DECADE).ceil().clamp(2.0, 20_000.0) as usize;
    let at = |omega: f64| Point { omega, value: loop_gain(omega) };
    let mut points: Vec<Point> = Vec::with_capacity(count + 1);
    for k in 0..=count {
        let next = at(from * (to / from).powf(k as f64 / count as f64));
        if let Some(&last) = points.last() {
            refine(&at, last, next, 14, &mut points);
        }
        points.push(next);
    }
    points
}

fn refine(at: &dyn Fn(f64) -> Point, left: Point, right: Point, depth: u32, points: &mut Vec<Point>) {
    let near = left.value.norm_sqr().max(right.value.norm_sqr()) > 0.01;
    let far = turns_far(ONE + left.value, ONE + right.value) || near && turns_far(left.value, right.value);
    if depth == 0 || !far {
        return;
    }
    let middle = at((left.omega * right.omega).sqrt());
    refine(at, left, middle, depth - 1, points);
    points.push(middle);
    refine(at, middle, right, depth - 1, points);
}

/// Tangent of the turn between two points that asks for one between them, 0.2 rad.
const FAR: f64 = 0.2027;

/// Whether the argument changes by more than 0.2 rad from one value to the other.
fn turns_far(from: Complex<f64>, to: Complex<f64>) -> bool {
    let turned = to * from.conj();
    turned.im.abs() > FAR * turned.re
}

/// Whether the closed loop is stable, and how many poles are not.
fn nyquist(grid: &[Point], integrators: u32) -> (bool, u32) {
    let (Some(first), Some(last)) = (grid.first(), grid.last()) else { return (false, 0) };
    let k = f64::from(integrators);
    // Sign of the gain at low frequency: L -> c / (j omega)^k.
    let constant = first.value * Complex::from_polar(1.0, k * FRAC_PI_2);
    let start = if constant.re < 0.0 { PI } else { 0.0 };
    let ideal = start - k * FRAC_PI_2;
    let mut angle = if integrators == 0 {
        // With a static gain the path begins on the real axis, at 1 + L(0).
        let origin = if 1.0 + constant.re < 0.0 { PI } else { 0.0 };
        origin + wrap((ONE + first.value).arg() - origin)
    } else {
        ideal + wrap((ONE + first.value).arg() - ideal)
    };
    let begin = if integrators == 0 { if 1.0 + constant.re < 0.0 { PI } else { 0.0 } } else { start };
    for pair in grid.windows(2) {
        angle += ((ONE + pair[1].value) * (ONE + pair[0].value).conj()).arg();
    }
    // Beyond the range the gain goes to zero, 1 + L to 1.
    angle -= (ONE + last.value).arg();
    let poles = (begin - angle) / PI;
    let whole = poles.round();
    if last.value.norm() >= 1.0 || (poles - whole).abs() > 0.1 || whole < 0.0 {
        return (false, 0);
    }
    (whole < 0.5, whole as u32)
}

/// A crossing of unit gain.
struct Crossing {
    omega: f64,
    argument: f64,
    falling: bool,
}

/// Root of `f` between two frequencies of unlike sign, in the logarithm.
fn crossing(f: &dyn Fn(f64) -> f64, low: f64, high: f64) -> f64 {
    let at = |x: f64| f(x.exp());
    let (low, high) = (low.ln(), high.ln());
    root(at, (low, at(low)), (high, at(high)), 1e-14).unwrap_or(0.5 * (low + high)).exp()
}

fn gain_crossings(loop_gain: Response<'_>, grid: &[Point]) -> Vec<Crossing> {
    let excess = |omega: f64| loop_gain(omega).norm_sqr() - 1.0;
    grid.windows(2)
        .filter(|pair| (pair[0].value.norm_sqr() > 1.0) != (pair[1].value.norm_sqr() > 1.0))
        .map(|pair| {
            let omega = crossing(&excess, pair[0].omega, pair[1].omega);
            Crossing { omega, argument: loop_gain(omega).arg(), falling: pair[0].value.norm() > 1.0 }
        })
        .collect()
}

/// Crossings of the negative real axis: frequency and distance from the origin.
fn axis_crossings(loop_gain: Response<'_>, grid: &[Point]) -> Vec<(f64, f64)> {
    let imaginary = |omega: f64| loop_gain(omega).im;
    grid.windows(2)
        .filter(|pair| (pair[0].value.im > 0.0) != (pair[1].value.im > 0.0))
        .filter_map(|pair| {
            let omega = crossing(&imaginary, pair[0].omega, pair[1].omega);
            let value = loop_gain(omega);
            (value.re < 0.0).then(|| (omega, value.norm()))
        })
        .collect()
}

/// Largest value of `size` of the loop gain, refined by golden section about the largest grid point.
fn peak(loop_gain: Response<'_>, grid: &[Point], size: &dyn Fn(Complex<f64>) -> f64) -> f64 {
    let Some((place, top)) =
        grid.iter().map(|p| size(p.value)).enumerate().max_by(|a, b| a.1.total_cmp(&b.1))
    else {
        return f64::INFINITY;
    };
    let mut low = grid[place.saturating_sub(1)].omega.ln();
    let mut high = grid[(place + 1).min(grid.len() - 1)].omega.ln();
    let at = |x: f64| size(loop_gain(x.exp()));
    let ratio = (5f64.sqrt() - 1.0) / 2.0;
    for _ in 0..50 {
        let (a, b) = (high - ratio * (high - low), low + ratio * (high - low));
        if at(a) > at(b) {
            high = b;
        } else {
            low = a;
        }
    }
    top.max(at((low + high) / 2.0))
}
