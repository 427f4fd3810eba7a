//! Slow oscillations of the horizontal velocity while it, or the place, is held.
//!
//! Such a loop turns a handful of times in a flight, too few for a spectrum: one sine with a level and a trend is fitted to
//! each stretch, at the frequency that explains most.

use std::f64::consts::TAU;

use nalgebra::{DMatrix, DVector};
use signal::lsq;

use super::source::{self, Line};
use super::{RESTS, amplitude, course, with_thrust};
use crate::findings::context::{Context, Out};

/// Shortest stretch, s; least periods in it; least amplitude, m/s r.m.s.; least share of the variance that one sine must
/// hold: gusts through a damped loop wander in phase and hold less. Our choice.
const SHORTEST: f64 = 12.0;
const PERIODS: f64 = 4.0;
const LEAST: f64 = 0.1;
const SHARE: f64 = 0.7;
/// Frequencies tried, Hz, and how many.
const BAND: (f64, f64) = (0.06, 2.0);
const TRIED: usize = 160;
/// Spacing of the rows, s.
const ROW: f64 = 0.1;
/// A demand that wanders by less is held, m/s or m.
const STILL: f64 = 0.1;

/// The best sine so far.
struct Found {
    /// Hz.
    f: f64,
    /// Of the variance.
    share: f64,
    /// m/s.
    rms: f64,
    v: Vec<f64>,
    window: (f64, f64),
    axis: usize,
}

/// The sine that explains most of a series: frequency, Hz, and share of the variance.
fn sine(v: &[f64], period: f64) -> Option<(f64, f64)> {
    let n = v.len();
    let from = BAND.0.max(PERIODS / (n as f64 * period));
    let to = BAND.1.min(0.25 / period);
    if to <= from {
        return None;
    }
    let y = DVector::from_column_slice(v);
    let explained = |f: f64| {
        let x = DMatrix::from_fn(n, 4, |r, c| {
            let t = r as f64 * period;
            match c {
                0 => 1.0,
                1 => t,
                2 => (TAU * f * t).cos(),
                _ => (TAU * f * t).sin(),
            }
        });
        let trend = x.columns(0, 2).into_owned();
        let rest = |m: &DMatrix<f64>| lsq::fit(m, &y, None).ok().map(|fit| fit.residuals.norm_squared());
        let (all, base) = (rest(&x)?, rest(&trend)?);
        (base > 0.0).then(|| 1.0 - all / base)
    };
    (0..=TRIED)
        .filter_map(|k| {
            let f = from * (to / from).powf(k as f64 / TRIED as f64);
            explained(f).map(|e| (f, e))
        })
        .max_by(|a, b| a.1.total_cmp(&b.1))
}

pub(super) fn run(context: &Context<'_>, out: &mut Out) {
    let (key, label) = ("oscillation.velocity", "velocity oscillation");
    let test = "hold velocity or place, hands off, for 30 s with velocity logged";
    if context.series("velocity_demand.x").is_none() && context.series("position_demand.x").is_none() {
        return;
    }
    let demand =
        if context.series("position_demand.x").is_some() { "position_demand" } else { "velocity_demand" };
    let names: Vec<String> =
        ["x", "y"].iter().flat_map(|a| [format!("{demand}.{a}"), format!("velocity.{a}")]).collect();
    let views: Vec<&str> = names.iter().map(String::as_str).collect();
    let Some(joint) = context.joint(&views, &context.airborne()) else {
        out.cannot_tell(key, label, "the channels velocity.x and .y beside their demand", test, RESTS);
        return;
    };
    let every = ((ROW / joint.period).round() as usize).max(1);
    let period = every as f64 * joint.period;
    let (mut held, mut best): (usize, Option<Found>) = (0, None);
    for s in &joint.stretches {
        let mut k = 0;
        while k < s.len() {
            let begin = k;
            while k < s.len()
                && [0, 2].iter().all(|&c| (s.channels[c][k] - s.channels[c][begin]).abs() < STILL)
            {
                k += 1;
            }
            if (k - begin) as f64 * joint.period < SHORTEST {
                k = k.max(begin + 1);
                continue;
            }
            held += 1;
            // The whole of it, its second half, its last quarter: what grows is no single sine.
            let parts = [begin, begin + (k - begin) / 2, begin + (k - begin) / 4 * 3];
            for (axis, c, from) in parts.into_iter().flat_map(|from| [(0, 1, from), (1, 3, from)]) {
                let v: Vec<f64> = s.channels[c][from..k].iter().step_by(every).copied().collect();
                let Some((f, share)) = sine(&v, period) else { continue };
                let window = (s.start + from as f64 * joint.period, s.start + k as f64 * joint.period);
                let rms = line_rms(&v, f, period);
                let stands = |share: f64, rms: f64| share >= SHARE && rms >= LEAST;
                // The largest that stands out, else the purest.
                let better =
                    best.as_ref().is_none_or(|b| match (stands(share, rms), stands(b.share, b.rms)) {
                        (true, true) => rms > b.rms,
                        (mine, its) if mine != its => mine,
                        _ => share > b.share,
                    });
                if better {
                    best = Some(Found { f, share, rms, v, window, axis });
                }
            }
        }
    }
    let Some(Found { f, share, rms, v, window, axis }) = best else {
        let missing = format!("a hold of {SHORTEST:.0} s ({held} seen)");
        out.cannot_tell(key, label, missing, test, RESTS);
        return;
    };
    let half = v.len() / 2;
    let block = ((2.0 / (f * period)) as usize).max(4);
    let parts = (amplitude(&v[..half], f, period, block), amplitude(&v[half..], f, period, block));
    if share < SHARE || rms < LEAST {
        let text = format!(
            "No sine stands out while it is held: the best one, {f:.2} Hz, holds {:.0} % of the variance at {rms:.2} m/s r.m.s.",
            100.0 * share
        );
        out.words(key, label, "none seen", text, RESTS);
        return;
    }
    let e = context.estimate(label, rms, 0.1 * rms, "m/s");
    let halves = (parts.0 > 0.0).then(|| parts.1 / parts.0);
    let text = format!(
        "At {f:.2} Hz while it is held, {:.0} % of the variance in one sine.{}",
        100.0 * share,
        course(halves)
    );
    out.value(key, label, e, text, RESTS);
    let windows = [window];
    let line = Line { axis: None, frequency: f, rate: 1.0 / joint.period, windows: &windows };
    let thrust = with_thrust(context, &format!("velocity.{}", ["x", "y"][axis]), f);
    source::report(
        context,
        &line,
        "oscillation.velocity.source",
        "velocity oscillation, what makes it",
        &thrust,
        out,
    );
}

/// R.m.s. of a line over a series.
fn line_rms(v: &[f64], f: f64, period: f64) -> f64 {
    let n = v.len().max(1) as f64;
    let (mut a, mut b) = (0.0, 0.0);
    let mean = v.iter().sum::<f64>() / n;
    for (k, x) in v.iter().enumerate() {
        let (sin, cos) = (TAU * f * k as f64 * period).sin_cos();
        a += (x - mean) * cos;
        b += (x - mean) * sin;
    }
    // Half the square of the amplitude 2 |sum| / n.
    2f64.sqrt() * a.hypot(b) / n
}
