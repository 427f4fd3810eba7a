//! What a drive makes of a step of its command: the model that the fit uses.
//!
//! Rotor speed w follows J dw/dt = Kt (x - Kt w)/R - Q(w) with x the voltage the ESC applies (the
//! command's share of the bus) and Q going as w^2: dw/dt = B (G(x) - w) - C w^2. About a speed wm
//! the time constant is 1/(B + 2 C wm); `drag_share` = 2 C wm/(B + 2 C wm) says how much of it is
//! the rotor's own drag. G is taken straight between the two levels. When the ESC does not brake,
//! a fall obeys dw/dt = -C w^2 alone, w = w0/(1 + t/T) (a hyperbola), until the speed meets what the
//! new command holds.
//!
//! What is measured is the speed, or the thrust, as w^2, seen through a stand that may ring:
//! y'' + 2 z wn y' + wn^2 y = wn^2 w^2.

use std::f64::consts::TAU;

/// What is measured.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Quantity {
    /// Rotor speed.
    Speed,
    /// Thrust, going as speed squared.
    Thrust,
}

/// The drive's answer, apart from levels and dead time.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Answer {
    /// Time constant at the mean speed, s; of a coasting fall that of the hyperbola, T.
    pub lag: f64,
    /// A second time constant, s, before the first.
    pub second: Option<f64>,
    /// Natural frequency, Hz, and damping ratio of the stand.
    pub mode: Option<(f64, f64)>,
    /// Share of the rotor's drag in 1/lag.
    pub drag_share: f64,
    /// The fall coasts.
    pub coasts: bool,
}

/// One step with what drives it. Times count from the step of the command.
#[derive(Debug, Clone, Copy)]
pub struct Drive<'a> {
    /// What is measured.
    pub quantity: Quantity,
    /// Command before and after.
    pub command: (f64, f64),
    /// Bus voltage: times, values, and its means before and after. None for a stiff supply.
    pub bus: Option<Bus<'a>>,
}

/// Bus voltage about a step.
#[derive(Debug, Clone, Copy)]
pub struct Bus<'a> {
    /// Times, s, ascending.
    pub time: &'a [f64],
    /// Voltages.
    pub value: &'a [f64],
    /// Mean on the level before and on the level after.
    pub levels: (f64, f64),
}

impl Bus<'_> {
    /// Voltage at a time, between samples straight; `from` is where the search begins.
    fn at(&self, t: f64, from: &mut usize) -> f64 {
        let n = self.time.len();
        while *from + 2 < n && self.time[*from + 1] < t {
            *from += 1;
        }
        while *from > 0 && self.time.get(*from).is_some_and(|a| *a > t) {
            *from -= 1;
        }
        match (self.time.get(*from), self.time.get(*from + 1)) {
            (Some(&a), Some(&b)) if b > a => {
                let f = ((t - a) / (b - a)).clamp(0.0, 1.0);
                self.value[*from] * (1.0 - f) + self.value[*from + 1] * f
            }
            _ => self.levels.1,
        }
    }
}

/// Writes the measured quantity at `times` (ascending, from the step) after a dead time, between
/// the levels `from` and `to` of the measured quantity.
pub fn respond(
    drive: &Drive<'_>,
    answer: &Answer,
    dead: f64,
    from: f64,
    to: f64,
    times: &[f64],
    out: &mut Vec<f64>,
) {
    out.clear();
    let squared = drive.quantity == Quantity::Thrust;
    // A load cell's zero may put a rotor at rest a little below nothing: signed, so that the fit can move there.
    let root = |y: f64| if squared { y.signum() * y.abs().sqrt() } else { y };
    let (w0, w1) = (root(from), root(to));
    let measured = |w: f64| if squared { w * w.abs() } else { w };
    let mean = 0.5 * (w0 + w1);
    let rate = 1.0 / answer.lag;
    let share = if mean > 0.0 { answer.drag_share.clamp(0.0, 0.95) } else { 0.0 };
    let (b, c) = (rate * (1.0 - share), if mean > 0.0 { 0.5 * rate * share / mean } else { 0.0 });
    let coasts = answer.coasts && w1 < w0;
    let hyperbola = |t: f64| (w0 / (1.0 + t * rate)).max(w1);
    let held = |w: f64| w + c / b * w * w;
    let (g0, g1) = (held(w0), held(w1));
    let (c0, c1) = drive.command;
    let (v0, v1) = drive.bus.map_or((1.0, 1.0), |b| b.levels);
    let span = c1 * v1 - c0 * v0;
    let mut cursor = 0;
    let mut towards = |t: f64| -> f64 {
        let mixed = match answer.second {
            Some(s) if s > 0.0 => 1.0 - (-t / s).exp(),
            _ => 1.0,
        };
        match &drive.bus {
            Some(bus) if span.abs() > 1e-9 * (c1 * v1).abs() => {
                let x = (c0 + (c1 - c0) * mixed) * bus.at(t + dead, &mut cursor);
                g0 + (g1 - g0) * (x - c0 * v0) / span
            }
            _ => g0 + (g1 - g0) * mixed,
        }
    };
    // Step of the integration: a quarter of the lag is good to 1e-4 of the step by Runge and Kutta's
    // fourth-order rule.
    let mut h = answer.lag / 4.0;
    if let Some(s) = answer.second {
        h = h.min((s / 2.0).max(answer.lag / 20.0));
    }
    let mode = answer.mode.map(|(f, z)| (TAU * f, z));
    if let Some((wn, _)) = mode {
        h = h.min(0.5 / wn);
    }
    if let Some(bus) = &drive.bus
        && let (Some(a), Some(z)) = (bus.time.first(), bus.time.last())
        && bus.time.len() > 2
    {
        h = h.min(((z - a) / (bus.time.len() - 1) as f64).max(answer.lag / 8.0));
    }
    let end = times.last().copied().unwrap_or(0.0) - dead;
    h = h.max(end / 20_000.0).max(1e-6);
    // State: speed, and the stand's reading with its rate.
    let mut state = [w0, measured(w0), 0.0];
    let mut t = 0.0;
    let mut next = state;
    let mut slope = [0.0; 3];
    let mut slope_next = [0.0; 3];
    let mut k = 0;
    while k < times.len() && times[k] <= dead {
        out.push(measured(w0));
        k += 1;
    }
    let derive = |s: &[f64; 3], g: f64, t: f64| -> [f64; 3] {
        let w = if coasts { hyperbola(t) } else { s[0] };
        let dw = if coasts { 0.0 } else { b * (g - w) - c * w * w };
        match mode {
            Some((wn, z)) => [dw, s[2], wn * wn * (measured(w) - s[1]) - 2.0 * z * wn * s[2]],
            None => [dw, 0.0, 0.0],
        }
    };
    let value = |s: &[f64; 3], t: f64| match mode {
        Some(_) => s[1],
        None if coasts => measured(hyperbola(t)),
        None => measured(s[0]),
    };
    if coasts && mode.is_none() {
        for &time in times.iter().skip(k) {
            out.push(measured(hyperbola(time - dead)));
        }
        return;
    }
    while k < times.len() {
        let want = times[k] - dead;
        while t < want {
            // Advance one step; the last two states serve samples in between (Hermite).
            state = next;
            let g0 = towards(t);
            let gm = towards(t + 0.5 * h);
            let g1 = towards(t + h);
            let add =
                |s: &[f64; 3], d: &[f64; 3], f: f64| [s[0] + f * d[0], s[1] + f * d[1], s[2] + f * d[2]];
            let k1 = derive(&state, g0, t);
            let k2 = derive(&add(&state, &k1, 0.5 * h), gm, t + 0.5 * h);
            let k3 = derive(&add(&state, &k2, 0.5 * h), gm, t + 0.5 * h);
            let k4 = derive(&add(&state, &k3, h), g1, t + h);
            for j in 0..3 {
                next[j] = state[j] + h / 6.0 * (k1[j] + 2.0 * k2[j] + 2.0 * k3[j] + k4[j]);
            }
            slope = k1;
            slope_next = derive(&next, g1, t + h);
            t += h;
        }
        // Between `state` at t - h and `next` at t.
        let x = ((want - (t - h)) / h).clamp(0.0, 1.0);
        let (x2, x3) = (x * x, x * x * x);
        let mut inner = [0.0; 3];
        for j in 0..3 {
            inner[j] = (2.0 * x3 - 3.0 * x2 + 1.0) * state[j]
                + (x3 - 2.0 * x2 + x) * h * slope[j]
                + (3.0 * x2 - 2.0 * x3) * next[j]
                + (x3 - x2) * h * slope_next[j];
        }
        out.push(value(&inner, want));
        k += 1;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn plain(quantity: Quantity) -> Drive<'static> {
        Drive { quantity, command: (0.4, 0.6), bus: None }
    }

    #[test]
    fn prop_without_drag_the_answer_is_an_exponential() {
        let times: Vec<f64> = (0..200).map(|k| f64::from(k) * 1.3e-3).collect();
        let answer = Answer { lag: 0.03, second: None, mode: None, drag_share: 0.0, coasts: false };
        let mut out = Vec::new();
        respond(&plain(Quantity::Speed), &answer, 4.1e-3, 400.0, 500.0, &times, &mut out);
        for (t, y) in times.iter().zip(&out) {
            let want = if *t <= 4.1e-3 { 400.0 } else { 500.0 - 100.0 * (-(t - 4.1e-3) / 0.03).exp() };
            assert!((y - want).abs() < 0.01, "{t}: {y} {want}");
        }
    }

    #[test]
    fn prop_with_drag_the_answer_is_riccati_s() {
        // e' = -L e - C e^2 with L the rate at the end: e = e0 E/(1 + C e0/L (1 - E)), E = exp(-L t).
        let (lag, share, w0, w1) = (0.04, 0.4, 600.0, 900.0);
        let c = 0.5 * share / lag / 750.0;
        let b = (1.0 - share) / lag;
        let l = b + 2.0 * c * w1;
        let e0: f64 = w0 - w1;
        let times: Vec<f64> = (0..200).map(|k| f64::from(k) * 1.3e-3).collect();
        let answer = Answer { lag, second: None, mode: None, drag_share: share, coasts: false };
        let mut out = Vec::new();
        respond(&plain(Quantity::Speed), &answer, 0.0, w0, w1, &times, &mut out);
        for (t, y) in times.iter().zip(&out) {
            let e = (-l * t).exp();
            let want = w1 + e0 * e / (1.0 + c * e0 / l * (1.0 - e));
            assert!((y - want).abs() < 0.03, "{t}: {y} {want}");
        }
    }

    #[test]
    fn prop_coasting_fall_is_a_hyperbola_until_caught() {
        let times: Vec<f64> = (0..100).map(|k| f64::from(k) * 5e-3).collect();
        let answer = Answer { lag: 0.5, second: None, mode: None, drag_share: 0.3, coasts: true };
        let mut out = Vec::new();
        respond(&plain(Quantity::Speed), &answer, 0.01, 800.0, 600.0, &times, &mut out);
        assert!((out[22] - 800.0 / (1.0 + 0.1 / 0.5)).abs() < 1e-9);
        assert_eq!(out.last(), Some(&600.0));
    }
}
