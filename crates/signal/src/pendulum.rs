//! Periods of a torsional pendulum on wires: from counted swings or a trace of its rate.
//!
//! The body hangs level on `n` parallel wires of length h, each at radius r from the vertical
//! through its centre (two wires a distance D apart: r = D/2), and turns about that vertical with
//! small amplitude: I = m g r^2 T^2/(4 pi^2 h) (two wires: m g D^2 T^2/(16 pi^2 h); Jardin and
//! Mueller 2009, J. Aircraft 46(3)). Three corrections, derived here:
//!
//! - amplitude A: the wires' height is h - sqrt(h^2 - 2 r^2 (1 - cos a)), so the potential is
//!   (k/2)(a^2 - a^4/12 + r^2 a^4/(4 h^2) + ...), and the rise itself carries m (r^2/h)^2 a^2 a'^2/2;
//!   Lindstedt's expansion gives T/T0 = 1 + A^2 (1/16 - 3 r^2/(16 h^2) + m r^4/(4 h^2 I));
//! - wires of mass mw in all: their lower ends move with the body (kinetic mw r^2/3) and their middle
//!   rises half as far (potential as mw/2 at the ends);
//! - damping z: T0 = T sqrt(1 - z^2).
//!
//! Wrong where the body also sways, where the wires are not parallel and equally long, or where the
//! centre of gravity is off the middle between the wires.

use std::f64::consts::PI;

use crate::SignalError;
use crate::ringdown;
use crate::robust;

/// A pendulum.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Pendulum {
    /// Mass that swings, without the wires, kg.
    pub mass: f64,
    /// Distance of each wire from the vertical axis, m.
    pub radius: f64,
    /// Length of the wires, m.
    pub length: f64,
    /// Mass of all wires together, kg.
    pub wire_mass: f64,
    /// Acceleration of gravity, m/s^2.
    pub gravity: f64,
}

impl Pendulum {
    /// Moment of inertia about the vertical, kg m^2, from the period of small undamped swings, s.
    pub fn inertia(&self, period: f64) -> f64 {
        let r2 = self.radius * self.radius;
        (self.mass + 0.5 * self.wire_mass) * self.gravity * r2 * period * period
            / (4.0 * PI * PI * self.length)
            - self.wire_mass * r2 / 3.0
    }

    /// Period at amplitude `a` (rad) over that of small swings, for a body of moment `inertia`.
    pub fn stretch(&self, amplitude: f64, inertia: f64) -> f64 {
        let (r2, h2) = (self.radius * self.radius, self.length * self.length);
        let rise = if inertia > 0.0 { self.mass * r2 * r2 / (4.0 * h2 * inertia) } else { 0.0 };
        1.0 + amplitude * amplitude * (1.0 / 16.0 - 3.0 * r2 / (16.0 * h2) + rise)
    }

    /// Moment of inertia, kg m^2, from a measured period with its mean amplitude (rad) and damping
    /// ratio.
    pub fn inertia_corrected(&self, period: f64, amplitude: f64, damping: f64) -> f64 {
        let own = period * (1.0 - damping * damping).max(0.0).sqrt();
        let mut inertia = self.inertia(own);
        for _ in 0..3 {
            inertia = self.inertia(own / self.stretch(amplitude, inertia));
        }
        inertia
    }
}

/// A measured period.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Period {
    /// Period, s.
    pub period: f64,
    /// Its standard uncertainty, s.
    pub error: f64,
    /// Mean amplitude over the trace, rad; zero where it was not seen.
    pub amplitude: f64,
    /// Damping ratio; zero where it was not seen.
    pub damping: f64,
    /// Share of the trace's variance that one decaying oscillation explains; one for counted swings.
    pub explained: f64,
}

/// Period from times of `swings` full swings each, s, with the uncertainty of one time, s. The
/// scatter of the times counts where it is larger.
///
/// # Errors
/// No time, or numbers that are not above zero.
pub fn counted(times: &[f64], swings: f64, error: f64) -> Result<Period, SignalError> {
    let mean = robust::mean(times).ok_or(SignalError::TooShort { need: 1, got: 0 })?;
    for (what, value) in [("time of the swings, s", mean), ("number of swings", swings)] {
        if !(value > 0.0 && value.is_finite()) {
            return Err(SignalError::Range { what, value, low: 0.0, high: f64::INFINITY });
        }
    }
    let n = times.len() as f64;
    let scatter = robust::variance(times).map_or(0.0, |v| (v / n).sqrt());
    // One stopwatch and one hand: the stated error does not average below a single reading's half.
    let stated = error / n.sqrt();
    Ok(Period {
        period: mean / swings,
        error: scatter.max(stated) / swings,
        amplitude: 0.0,
        damping: 0.0,
        explained: 1.0,
    })
}

/// Period from a uniform trace of the rate about the vertical, rad/s, with sample period `step`, s.
///
/// # Errors
/// As [`ringdown::fit`]; fewer than two periods.
pub fn traced(rate: &[f64], step: f64) -> Result<Period, SignalError> {
    let span = rate.len() as f64 * step;
    let thin = ((rate.len() as f64) / 3000.0).floor().max(1.0) as usize;
    let used: Vec<f64> =
        rate.chunks(thin).filter(|c| c.len() == thin).map(|c| c.iter().sum::<f64>() / thin as f64).collect();
    let step = step * thin as f64;
    let low = 2.0 / span;
    let high = (0.25 / step).min(20.0);
    if high.is_nan() || high <= low {
        return Err(SignalError::Range {
            what: "length of the trace, s",
            value: span,
            low: 0.1,
            high: f64::INFINITY,
        });
    }
    let fit = ringdown::fit(&used, step, low, high)?;
    let omega = 2.0 * PI * fit.frequency;
    // Mean square of the decaying amplitude over the trace.
    let x = 2.0 * fit.decay * span;
    let share = if x.abs() < 1e-6 { 1.0 } else { (1.0 - (-x).exp()) / x };
    Ok(Period {
        period: 1.0 / fit.frequency,
        error: fit.frequency_error / (fit.frequency * fit.frequency),
        amplitude: fit.amplitude / omega * share.max(0.0).sqrt(),
        damping: fit.damping,
        explained: fit.explained,
    })
}
