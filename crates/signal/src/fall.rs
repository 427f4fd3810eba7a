//! Moment of inertia from a weight that falls on a thread and turns the body.
//!
//! A weight of mass m hangs on a thread that unwinds from a drum of radius r on the body's axis. With the angular
//! acceleration a, and the weight m_f that just keeps the body turning against its bearing:
//! I = (m - m_f) g r/a - m r^2 (the weight's own m r^2 is sped up with the body).
//!
//! The angle after the release at t0 follows a body that is braked by air as the square of its speed,
//! w' = a - c w^2: angle = ln(cosh(u sqrt(a c)))/c with u = t - t0, and a u^2/2 for c = 0 (closed forms, derived here).
//! With c free, the acceleration is that at rest, where neither air nor a picture seen aslant matters.
//!
//! Wrong where the thread slips or slackens, where the body's centre of gravity is off the axis (it then swings as
//! well), and where the picture's two directions have different scales.

use crate::SignalError;
use crate::drive::descent;
use crate::robust;

/// A falling weight and its drum.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Fall {
    /// Mass that falls, kg.
    pub mass: f64,
    /// Radius at which the thread leaves the drum, m.
    pub radius: f64,
    /// Mass that just keeps the body turning, kg.
    pub friction_mass: f64,
    /// Acceleration of gravity, m/s^2.
    pub gravity: f64,
}

impl Fall {
    /// Moment of inertia, kg m^2, from the angular acceleration, rad/s^2.
    pub fn inertia(&self, acceleration: f64) -> f64 {
        (self.mass - self.friction_mass) * self.gravity * self.radius / acceleration
            - self.mass * self.radius * self.radius
    }
}

/// Angular acceleration from a track.
#[derive(Debug, Clone, PartialEq)]
pub struct Turned {
    /// Angular acceleration at rest, rad/s^2, positive.
    pub acceleration: f64,
    /// Its standard uncertainty, rad/s^2.
    pub error: f64,
    /// Release, s.
    pub start: f64,
    /// Last moment used, s: where the body was fastest.
    pub until: f64,
    /// Braking per speed squared, 1.
    pub drag: f64,
    /// Standard deviation of what is left, rad.
    pub scatter: f64,
    /// Angle of the fit at the times of the track up to `until`, rad.
    pub fitted: Vec<f64>,
}

/// Angle u seconds after the release.
fn angle(u: f64, acceleration: f64, drag: f64) -> f64 {
    if u <= 0.0 {
        return 0.0;
    }
    let x = acceleration * drag * u * u;
    if x < 1e-6 {
        // ln(cosh(s))/c for small s = sqrt(x).
        return 0.5 * acceleration * u * u * (1.0 - x / 6.0);
    }
    // ln(cosh s) = s + ln((1 + exp(-2 s))/2) does not overflow.
    let s = x.sqrt();
    (s + (0.5 * (1.0 + (-2.0 * s).exp())).ln()) / drag
}

/// Times before and after the release that a fit needs.
const LEAST: usize = 10;

/// Acceleration from a track of the angle (rad, without jumps) against time (s), beginning at rest.
///
/// # Errors
/// Too few samples, a body that does not turn, or no fit.
pub fn turned(time: &[f64], track: &[f64]) -> Result<Turned, SignalError> {
    let n = time.len().min(track.len());
    if let Some(index) = time[..n].iter().zip(track).position(|(t, a)| !(t.is_finite() && a.is_finite())) {
        return Err(SignalError::NotFinite { index });
    }
    if n < LEAST {
        return Err(SignalError::TooShort { need: LEAST, got: n });
    }
    let lost = SignalError::NoConvergence { iterations: 0 };
    // Fastest over three samples: there the weight lands or the thread ends.
    let speed = |i: usize| {
        let (a, b) = (i.saturating_sub(1), (i + 1).min(n - 1));
        (track[b] - track[a]) / (time[b] - time[a]).max(1e-9)
    };
    let fastest = (0..n).max_by(|a, b| speed(*a).abs().total_cmp(&speed(*b).abs())).unwrap_or(0);
    let top = speed(fastest);
    let sign = if top < 0.0 { -1.0 } else { 1.0 };
    let released = (0..fastest).rev().find(|i| speed(*i) * sign < 0.1 * top.abs()).unwrap_or(0);
    // The sample before: the fastest one's difference reaches over the end.
    let used = fastest.max(1);
    if used < LEAST || used.saturating_sub(released) < 5 {
        return Err(SignalError::TooShort { need: LEAST, got: used });
    }
    let (first, last) = (time[released], time[used - 1]);
    let guess = top.abs() / (last - first).max(1e-9);
    let rest = robust::median(&track[..=released]).unwrap_or(track[0]);
    let mut residuals = |p: &[f64], r: &mut Vec<f64>| {
        r.clear();
        let (a, c) = (p[1].clamp(-30.0, 30.0).exp(), p[3] * p[3]);
        r.extend(time[..used].iter().zip(track).map(|(t, y)| p[0] + sign * angle(t - p[2], a, c) - y));
    };
    let span = (last - first).max(1e-6);
    let start = [rest, guess.max(1e-6).ln(), first, 0.1];
    let step = [1e-4, 1e-3, 1e-3 * span, 1e-2];
    let s = descent::solve(&start, &step, &mut residuals).ok_or(lost)?;
    let [rest, log, start, drag] = s.parameters[..] else { return Err(lost) };
    let degrees = used.saturating_sub(4).max(1) as f64;
    let variance = s.square / degrees;
    let length = robust::correlation_length(&s.residuals).clamp(1.0, used as f64 / 5.0);
    let acceleration = log.exp();
    let error = acceleration
        * (s.bread[(1, 1)] * variance * length).max(0.0).sqrt()
        * crate::drive::combine::expansion((used as f64 / length - 4.0).max(1.0));
    if !(acceleration.is_finite() && error.is_finite()) {
        return Err(lost);
    }
    let drag = drag * drag;
    Ok(Turned {
        acceleration,
        error,
        start,
        until: last,
        drag,
        scatter: variance.sqrt(),
        fitted: time[..used].iter().map(|t| rest + sign * angle(t - start, acceleration, drag)).collect(),
    })
}

/// Angle of the line from one tracked point to another (x, y against time), rad, without jumps of a turn, and by
/// how much their distance varies, as a share (standard deviation over mean).
pub fn line_angle(first: (&[f64], &[f64]), second: (&[f64], &[f64])) -> (Vec<f64>, f64) {
    let (mut turns, mut last) = (0.0, f64::NAN);
    let (mut angles, mut lengths) = (Vec::new(), Vec::new());
    for (((x1, y1), x2), y2) in first.0.iter().zip(first.1).zip(second.0).zip(second.1) {
        let (dx, dy) = (x2 - x1, y2 - y1);
        let a = dy.atan2(dx);
        if !last.is_nan() {
            turns -= ((a - last) / std::f64::consts::TAU).round() * std::f64::consts::TAU;
        }
        if !a.is_nan() {
            last = a;
        }
        angles.push(a + turns);
        lengths.push(dx.hypot(dy));
    }
    let share = match (robust::variance(&lengths), robust::mean(&lengths)) {
        (Some(v), Some(m)) if m > 0.0 => v.sqrt() / m,
        _ => f64::NAN,
    };
    (angles, share)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn prop_angle_solves_its_equation() {
        // w' = a - c w^2 by central differences.
        let (a, c, h) = (3.7, 0.15, 1e-4);
        for u in [0.2, 0.6, 1.1] {
            let at = |u: f64| angle(u, a, c);
            let w = (at(u + h) - at(u - h)) / (2.0 * h);
            let dw = (at(u + h) - 2.0 * at(u) + at(u - h)) / (h * h);
            assert!((dw - (a - c * w * w)).abs() < 1e-5, "{u}: {dw}");
        }
        assert!((angle(0.5, a, 1e-9) - 0.5 * a * 0.25).abs() < 1e-8);
        assert!(angle(1e6, 1e3, 1.0).is_finite());
    }
}
