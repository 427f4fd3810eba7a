//! Bandwidth and phase delay of the attitude response, from demand to attitude.
//!
//! ADS-33E-PRF, section 3.3.2.1 (see `physics::loops::handling`): bandwidth where the phase is -135 deg, phase delay from the
//! phase at twice the frequency of -180 deg. Read between the points of a response that is averaged over blocks of
//! several lengths; a point counts by coherence and random error.

use std::f64::consts::{FRAC_PI_4, PI, TAU};

use signal::response::{Stretch, composite, excitation, spectra};

use super::super::context::{AXES, Context, Out};
use super::{Flown, RESTS};

const POINTS: usize = 56;
/// Frequencies that are asked, Hz.
const BAND: (f64, f64) = (0.15, 20.0);
/// Blocks, s.
const WINDOWS: [f64; 4] = [16.0, 8.0, 4.0, 2.0];

/// Length of a block, s, the range of the demand in it from which it counts as flown by stick, rad (6 deg), and how
/// long such blocks must last in all, s. A demand that hardly moves is a pilot's or an outer loop's answer to what
/// the aircraft did: through it the response would be biased. Our choice.
const BLOCK: f64 = 2.0;
const MOVED: f64 = 0.105;
const LEAST: f64 = 15.0;
/// Least density of the demand over that at a frequency lower or higher by the factor `ASIDE`: steps have six tenths, sweeps
/// more. A hole in the points wider than `WIDEST`, as a ratio, ends what is seen. Our choice.
const STEEPEST: f64 = 0.1;
const ASIDE: f64 = 1.3;
const WIDEST: f64 = 1.5;
/// Largest relative error at which a figure is given.
const LARGEST_ERROR: f64 = 0.05;

/// A usable point: rad/s, phase followed from the first one, its random error, rad.
struct Point {
    omega: f64,
    phase: f64,
    error: f64,
}

pub(super) fn run(context: &Context<'_>, flown: &Flown, out: &mut Out) {
    for (axis, (letter, name)) in AXES.iter().enumerate().take(2) {
        let label = |what: &str| format!("{name} attitude response, {what}");
        let key = |what: &str| format!("attitude.{letter}.{what}");
        let test = format!(
            "sweep the {name} stick by some 5 deg in attitude command over 20 s, from 0.3 Hz to the frequency that card attitude \
             gives, with attitude and its demand logged at 100 Hz or more"
        );
        let points = match points(flown, axis) {
            Ok(p) => p,
            Err(missing) => {
                out.cannot_tell(&key("bandwidth"), &label("bandwidth"), missing.clone(), test.clone(), RESTS);
                out.cannot_tell(&key("phase_delay"), &label("phase delay"), missing, test, RESTS);
                continue;
            }
        };
        lag(context, &points, &key("lag"), &label("delay at low frequency"), out);
        let seen = format!(
            "the response is seen from {:.2} to {:.2} Hz",
            points.first().map_or(0.0, |p| p.omega / TAU),
            points.last().map_or(0.0, |p| p.omega / TAU)
        );
        let estimated = "Where the attitude is the controller's own estimate, its errors are in here too.";
        match crossing(&points, -PI + FRAC_PI_4).filter(|(omega, error)| *error <= LARGEST_ERROR * omega) {
            Some((omega, error)) => {
                let e = context.estimate(&format!("{name} attitude bandwidth"), omega, error, "rad/s");
                let text = format!("Frequency of -135 deg of phase; {seen}. {estimated}");
                out.value(&key("bandwidth"), &label("bandwidth"), e, text, RESTS);
            }
            None => {
                let missing = format!("excitation up to -135 deg of phase ({seen})");
                out.cannot_tell(&key("bandwidth"), &label("bandwidth"), missing, test.clone(), RESTS);
            }
        }
        let delay = crossing(&points, -PI).and_then(|(neutral, error)| {
            let (phase, slope, at_twice) = at(&points, 2.0 * neutral)?;
            let delay = -(phase + PI) / (2.0 * neutral);
            // Of the phase at twice the frequency, and of the frequency itself.
            let by_neutral = (slope * 2.0 + delay * 2.0) * error / (2.0 * neutral);
            Some((delay, (at_twice / (2.0 * neutral)).hypot(by_neutral), neutral))
        });
        match delay {
            Some((delay, error, neutral)) => {
                let e = context.estimate(&format!("{name} phase delay"), delay, error, "s");
                let text = format!(
                    "From the phase at {:.1} Hz, twice the frequency of -180 deg; {seen}. {estimated}",
                    2.0 * neutral / TAU
                );
                out.value(&key("phase_delay"), &label("phase delay"), e, text, RESTS);
            }
            None => {
                let missing = format!("excitation up to twice the frequency of -180 deg ({seen})");
                out.cannot_tell(&key("phase_delay"), &label("phase delay"), missing, test, RESTS);
            }
        }
    }
}

fn points(flown: &Flown, axis: usize) -> Result<Vec<Point>, String> {
    let rate = 1.0 / flown.period;
    let stick = by_stick(flown, axis);
    let seconds = stick.iter().map(|(_, from, to)| to - from).sum::<usize>() as f64 * flown.period;
    if seconds < LEAST {
        return Err(format!(
            "excitation: the demand moves by {:.0} deg within {BLOCK:.0} s for {seconds:.0} s in all; {LEAST:.0} s are needed",
            MOVED.to_degrees()
        ));
    }
    let stretches: Vec<Stretch<'_>> = stick
        .iter()
        .map(|(s, from, to)| {
            let demand = &s.demand[axis][*from..*to];
            Stretch { reference: demand, input: demand, output: &s.angle[axis][*from..*to] }
        })
        .collect();
    let high = BAND.1.min(0.4 * rate);
    let all = composite::response(&stretches, rate, &WINDOWS, BAND.0, high, POINTS)
        .map_err(|e| format!("a stretch in attitude command that shows a response: {e}"))?;
    let (low, high) = excitation::band(&all).ok_or_else(|| {
        "excitation: no band in which the attitude follows its demand coherently".to_owned()
    })?;
    let options = spectra::Options { rate, low: 0.5 * BAND.0, high, taper: 0.06 };
    let bins = spectra::bins(&stretches, &options).unwrap_or_default();
    let density = |frequency: f64| -> Option<f64> {
        let near = |b: &&spectra::Bin| (b.omega / (TAU * frequency) - 1.0).abs() < 0.08;
        let list: Vec<f64> = bins.iter().filter(near).map(|b| b.reference.norm_sqr()).collect();
        (list.len() > 2).then(|| list.iter().sum::<f64>() / list.len() as f64)
    };
    let mut out: Vec<Point> = Vec::new();
    for p in all.iter().filter(|p| p.frequency >= low && p.frequency <= high && excitation::usable(p)) {
        // Beyond either end of a sweep what is left of the demand has leaked from within, and so has its phase.
        let here = density(p.frequency);
        let leaked = [p.frequency / ASIDE, p.frequency * ASIDE]
            .into_iter()
            .any(|f| here.zip(density(f)).is_some_and(|(here, beside)| here < STEEPEST * beside));
        if leaked {
            continue;
        }
        if out.last().is_some_and(|q| TAU * p.frequency > WIDEST * q.omega) {
            break;
        }
        let near = out.last().map_or(0.0, |q| q.phase);
        let raw = p.joint.arg();
        let phase = raw + TAU * ((near - raw) / TAU).round();
        out.push(Point { omega: TAU * p.frequency, phase, error: p.joint_error });
    }
    if out.len() < 3 {
        return Err(
            "excitation: fewer than three frequencies at which the attitude follows its demand".to_owned()
        );
    }
    Ok(out)
}

/// Runs of blocks in which the demand about an axis is moved by stick: stretch, first sample, end.
fn by_stick(flown: &Flown, axis: usize) -> Vec<(&super::Stretch, usize, usize)> {
    let size = ((BLOCK / flown.period) as usize).max(1);
    let mut out: Vec<(&super::Stretch, usize, usize)> = Vec::new();
    for s in &flown.stretches {
        let mut open: Option<usize> = None;
        let blocks = s.len() / size;
        for b in 0..=blocks {
            let moved = b < blocks && {
                let (low, high) = s.demand[axis][b * size..(b + 1) * size]
                    .iter()
                    .fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), v| (l.min(*v), h.max(*v)));
                high - low >= MOVED
            };
            match (open, moved) {
                (None, true) => open = Some(b),
                (Some(from), false) => {
                    out.push((s, from * size, b * size));
                    open = None;
                }
                _ => {}
            }
        }
    }
    out
}

/// Where the phase falls through a level: frequency and its error, rad/s.
fn crossing(points: &[Point], level: f64) -> Option<(f64, f64)> {
    let pair = points.windows(2).find(|p| p[0].phase > level && p[1].phase <= level)?;
    let t = (pair[0].phase - level) / (pair[0].phase - pair[1].phase);
    let omega = pair[0].omega + t * (pair[1].omega - pair[0].omega);
    // The slope over some points about: that of two is as noisy as they are.
    let k = points.iter().position(|p| p.omega >= omega)?;
    let (a, b) = (&points[k.saturating_sub(2)], &points[(k + 1).min(points.len() - 1)]);
    let slope = (b.phase - a.phase) / (b.omega - a.omega);
    let error = pair[0].error.max(pair[1].error) / slope.abs().max(1e-9);
    Some((omega, error.min(omega)))
}

/// Phase, its slope (rad per rad/s) and its error at a frequency within the points.
fn at(points: &[Point], omega: f64) -> Option<(f64, f64, f64)> {
    let pair = points.windows(2).find(|p| p[0].omega <= omega && p[1].omega >= omega)?;
    let slope = (pair[1].phase - pair[0].phase) / (pair[1].omega - pair[0].omega);
    Some((pair[0].phase + slope * (omega - pair[0].omega), slope, pair[0].error.max(pair[1].error)))
}

/// Highest frequency at which the response is asked for its plain delay, rad/s.
const SLOW: f64 = 3.0;

/// Delay of the attitude behind its demand well below the bandwidth: what the velocity loop has to live with.
fn lag(context: &Context<'_>, points: &[Point], key: &str, label: &str, out: &mut Out) {
    let (mut sum, mut weight) = (0.0, 0.0);
    for p in points.iter().filter(|p| p.omega <= SLOW) {
        let w = (p.omega / p.error.max(1e-3)).powi(2);
        sum += w * -p.phase / p.omega;
        weight += w;
    }
    if weight <= 0.0 {
        let test = "move the stick slowly, below 0.5 Hz, in attitude command";
        out.cannot_tell(key, label, "excitation below 0.5 Hz", test, RESTS);
        return;
    }
    let value = sum / weight;
    let e = context.estimate("attitude delay", value, (1.0 / weight).sqrt().hypot(0.02 * value), "s");
    out.value(key, label, e, "Phase over frequency below 0.5 Hz.", RESTS);
}
