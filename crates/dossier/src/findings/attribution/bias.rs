//! What vibration does to the accelerometer's mean: clipped samples shift it, and a line that folds to zero frequency
//! stands in it.
//!
//! *Clipping.* x = m + s u with u of unit variance, clipped to the range: mean and variance of the clipped samples are
//! those of the record; m and s follow, and the bias is the clipped mean less m. Done for u normal (many sources) and for
//! u a sine (one strong line). Which of the two it resembles shows in the share of clipped samples, by which the figure
//! stands between them; [`DOUBT`] of their difference is its standard uncertainty.
//!
//! *Folding.* An order k of a rotor at n rev/s is sampled at the frequency |k n - j fs| nearest to zero. Where that lies
//! below [`SLOW`] no filter behind the sampling can take it out. The r.m.s. of the bias is that of the order, as seen while
//! it stands elsewhere, times the root of the share of time that it stands there. An order that stands there for most of
//! the time cannot be told from gravity. fs is the sensor's own rate where the aircraft file states it, else the record's.

use std::f64::consts::{PI, SQRT_2, TAU};

use physics::STANDARD_GRAVITY;
use signal::orders_residual;

use super::data::{FLYING, Group, Speed, fold, high};
use super::orders::REMOVAL;
use super::{RESTS, short};
use crate::estimate::{Contribution, Estimate};
use crate::findings::context::{AXES, Context, Out};

/// Slower than this passes for a bias, Hz: attitude is levelled over about a second (common practice, no source).
const SLOW: f64 = 1.0;
/// What is left of the doubt about the shape, as a share of the difference between a sine and noise (our choice).
const DOUBT: f64 = 0.2;
/// An order that stands at zero for more than this share of the time is not seen elsewhere (our choice).
const MOST: f64 = 0.3;
const KEY: &str = "vibration.accel_bias";
const LABEL: &str = "accelerometer bias from clipping and folding";

/// Points and weights of a distribution of mean zero and unit variance.
fn normal() -> Vec<(f64, f64)> {
    let all: Vec<(f64, f64)> =
        (-1200..=1200).map(|k| f64::from(k) * 0.005).map(|u| (u, (-0.5 * u * u).exp())).collect();
    let sum: f64 = all.iter().map(|p| p.1).sum();
    all.into_iter().map(|(u, w)| (u, w / sum)).collect()
}

fn sine() -> Vec<(f64, f64)> {
    (0..1000).map(|k| (SQRT_2 * (PI * (f64::from(k) + 0.5) / 1000.0).cos(), 1e-3)).collect()
}

/// Mean before clipping and share of clipped samples, from mean and variance after it: `None` where no such mean is found.
fn unclipped(shape: &[(f64, f64)], mean: f64, variance: f64, range: (f64, f64)) -> Option<(f64, f64)> {
    let (mut m, mut s) = (mean, variance.sqrt());
    for _ in 0..500 {
        let (mut one, mut two) = (0.0, 0.0);
        for (u, w) in shape {
            let x = (m + s * u).clamp(range.0, range.1);
            one += w * x;
            two += w * x * x;
        }
        let spread = (two - one * one).max(1e-300);
        let (step, factor) = (mean - one, (variance / spread).sqrt());
        m += step;
        s *= factor;
        if step.abs() < 1e-9 * s && (factor - 1.0).abs() < 1e-9 {
            let outside = |u: f64| m + s * u <= range.0 || m + s * u >= range.1;
            return Some((m, shape.iter().filter(|(u, _)| outside(*u)).map(|(_, w)| w).sum()));
        }
    }
    None
}

struct Clipped {
    bias: f64,
    uncertainty: f64,
    share: f64,
}

/// Bias of one axis by clipping; none where nothing is clipped.
fn clipping(context: &Context<'_>, group: &Group, axis: usize) -> Option<Result<Clipped, f64>> {
    let stretches: Vec<&[f64]> =
        group.stretches.iter().filter_map(|s| s.raw.get(axis).map(Vec::as_slice)).collect();
    let n: usize = stretches.iter().map(|s| s.len()).sum();
    let stated = context.known.ranges.map(|r| r.1);
    let (low, high) = super::impulsive::ends(&stretches, stated)?;
    let at_end = stretches.iter().flat_map(|s| s.iter()).filter(|v| **v <= low || **v >= high).count();
    let share = at_end as f64 / n.max(1) as f64;
    let mean = stretches.iter().flat_map(|s| s.iter()).sum::<f64>() / n.max(1) as f64;
    let variance =
        stretches.iter().flat_map(|s| s.iter()).map(|v| (v - mean).powi(2)).sum::<f64>() / n.max(1) as f64;
    let found: Vec<(f64, f64)> = [normal(), sine()]
        .iter()
        .filter_map(|shape| unclipped(shape, mean, variance, (low, high)))
        .map(|(m, share)| (mean - m, share))
        .collect();
    let [(normal, often), (sine, seldom)] = found[..] else { return Some(Err(share)) };
    let apart = seldom - often;
    let like_sine = if apart.abs() > 1e-9 { ((share - often) / apart).clamp(0.0, 1.0) } else { 0.5 };
    let bias = normal + like_sine * (sine - normal);
    Some(Ok(Clipped { bias, uncertainty: DOUBT * (sine - normal).abs(), share }))
}

struct Folding {
    /// Mean square of the bias by axis.
    square: [f64; 3],
    /// Nearest that an order came to zero: order, Hz seen.
    nearest: Option<(u32, f64)>,
    /// Sampling rate it is for.
    rate: f64,
}

/// # Errors
/// The order that stands at zero for most of the time, and that share.
fn folding(context: &Context<'_>, group: &Group) -> Result<Folding, (u32, f64)> {
    let own = context.known.aircraft.as_ref().and_then(|a| a.imu.as_ref()).map(|i| 1.0 / i.sample_period);
    let rate = own.filter(|r| r.is_finite() && *r >= 0.98 * group.rate).unwrap_or(group.rate);
    let mut out = Folding { square: [0.0; 3], nearest: None, rate };
    for order in super::orders::wanted(group) {
        let (mut slow, mut all) = (0_usize, 0_usize);
        for w in group.stretches.iter().flat_map(|s| &s.speeds).flat_map(|s| s.iter().step_by(10)) {
            let turning = f64::from(order) * w / TAU;
            all += 1;
            // Below half the rate nothing is folded.
            if turning > 0.5 * rate {
                let seen = fold(turning, rate);
                slow += usize::from(seen < SLOW);
                if out.nearest.is_none_or(|n| seen < n.1) {
                    out.nearest = Some((order, seen));
                }
            }
        }
        let share = slow as f64 / all.max(1) as f64;
        if share > MOST {
            return Err((order, share));
        }
        if share > 0.0 && group.taken.iter().any(|t| t.0 == order) {
            let power = elsewhere(group, order).ok_or((order, share))?;
            for (o, p) in out.square.iter_mut().zip(power) {
                *o += p * share;
            }
        }
    }
    Ok(out)
}

/// Mean square of an order by axis while it is seen in the record well above what is taken for flying; `None` where it never is.
fn elsewhere(group: &Group, order: u32) -> Option<[f64; 3]> {
    let mut sums = [0.0; 3];
    let mut count = 0_usize;
    for s in &group.stretches {
        let own = s.raw.iter().map(|x| high(x, group.rate)).collect::<Option<Vec<_>>>()?;
        let channels: Vec<&[f64]> = own.iter().map(Vec::as_slice).collect();
        let speeds: Vec<&[f64]> = s.speeds.iter().map(Vec::as_slice).collect();
        let rest = orders_residual::remove(&channels, &speeds, group.rate, REMOVAL, &[order]).ok()?;
        for k in 0..own.first().map_or(0, Vec::len) {
            let clear =
                s.speeds.iter().all(|w| fold(f64::from(order) * w[k] / TAU, group.rate) > 2.0 * FLYING);
            if clear {
                count += 1;
                for (sum, (x, r)) in sums.iter_mut().zip(own.iter().zip(&rest)) {
                    *sum += (x[k] - r[k]).powi(2);
                }
            }
        }
    }
    // A second of it at least.
    (count as f64 > group.rate).then(|| sums.map(|v| v / count as f64))
}

pub(super) fn run(context: &Context<'_>, group: &Group, out: &mut Out) {
    let test =
        "log the raw accelerometer at the sensor's own rate with every rotor's speed in a hover of 10 s";
    if group.speed == Speed::Unknown {
        let missing = format!(
            "the rotors' speed: at {:.0} Hz it decides whether an order folds to zero and stands in the mean",
            group.rate
        );
        out.cannot_tell(KEY, LABEL, missing, test, RESTS);
        return;
    }
    let folded = match folding(context, group) {
        Ok(f) => f,
        Err((order, share)) => {
            let missing = format!(
                "a stretch where {order}/rev does not fold to zero or near it: for {:.0} % of the time it stands there and cannot be told from gravity",
                100.0 * share
            );
            let elsewhere = "hover at another speed (payload on or off), or sample faster";
            out.cannot_tell(KEY, LABEL, missing, elsewhere, RESTS);
            return;
        }
    };
    let mut worst: Option<(usize, Estimate)> = None;
    let mut words = Vec::new();
    for axis in 0..3 {
        let letter = AXES[axis].0;
        let fold_rms = folded.square[axis].sqrt();
        let (bias, uncertainty) = match clipping(context, group, axis) {
            None => (0.0, 0.0),
            Some(Ok(c)) => {
                words.push(format!(
                    "{letter}: {:.2} % of the samples clipped shift the mean by {:+.3} ± {:.3} m/s²",
                    100.0 * c.share,
                    c.bias,
                    c.uncertainty
                ));
                (c.bias, c.uncertainty)
            }
            Some(Err(share)) => {
                let missing = format!(
                    "samples of accel.{letter} inside the range: {:.0} % are clipped, too many to say where their mean was",
                    100.0 * share
                );
                out.cannot_tell(KEY, LABEL, missing, "set a wider range, balance, and fly again", RESTS);
                return;
            }
        };
        if fold_rms > 0.0 {
            words.push(format!("{letter}: folded lines stand in it with {} m/s² r.m.s.", short(fold_rms)));
        }
        let e = Estimate::new(
            bias.abs() + fold_rms,
            "m/s^2",
            context.origin,
            vec![
                Contribution {
                    source: context.source("shape of the clipped vibration"),
                    sensitivity: 1.0,
                    uncertainty,
                },
                Contribution {
                    source: context.source("phase of the folded lines"),
                    sensitivity: 1.0,
                    uncertainty: fold_rms,
                },
            ],
        );
        if worst.as_ref().is_none_or(|w| e.value > w.1.value) {
            worst = Some((axis, e));
        }
    }
    let Some((_, e)) = worst else { return };
    if words.is_empty() {
        words.push("nothing is clipped and no order folds to zero".to_owned());
    }
    let near = match folded.nearest {
        Some((order, seen)) => format!(
            "sampled at {:.0} Hz the nearest fold to zero is that of {order}/rev, at {seen:.1} Hz",
            folded.rate
        ),
        None => format!("sampled at {:.0} Hz no order looked for lies above half the rate", folded.rate),
    };
    let tilt = (e.value / STANDARD_GRAVITY).atan().to_degrees();
    let text = format!("{}; {near}. Worst axis; it tilts the level by {tilt:.2} deg.", words.join("; "));
    out.value(KEY, LABEL, e, text, RESTS);
}
