//! Speed step through a first-order lag, with a slow drift of the level after it.
//!
//! Before t0 the frequency is w0 + c u, u = t - t0 (an earlier step's drift). From t0 the drive follows a target g(u) = w1 + a u + b u^2/2,
//! u = t - t0 (the drift is the supply's sag and recovery), through the lag tau: with
//! p(u) = w1 + a (u - tau) + b (u^2/2 - tau u + tau^2), w(u) = p(u) + (w0 - p(0)) exp(-u/tau). The
//! phase is its integral, in closed form.

/// Parameters: w0, w1 (rad/s), t0 (s), ln tau, a (rad/s^2), b (rad/s^3), c
/// (rad/s^2).
pub(super) const COUNT: usize = 7;

#[derive(Debug, Clone, Copy)]
pub(super) struct Step {
    pub(super) w0: f64,
    pub(super) w1: f64,
    pub(super) t0: f64,
    pub(super) tau: f64,
    pub(super) a: f64,
    pub(super) b: f64,
    pub(super) c: f64,
}

impl Step {
    pub(super) fn of(p: &[f64; COUNT]) -> Self {
        Self { w0: p[0], w1: p[1], t0: p[2], tau: p[3].exp(), a: p[4], b: p[5], c: p[6] }
    }

    /// Phase (rad, zero at t0) and share of the step gone (0 before, 1 long after) at `t`.
    pub(super) fn at(&self, t: f64) -> (f64, f64) {
        let u = t - self.t0;
        if u <= 0.0 {
            return ((self.w0 + 0.5 * self.c * u) * u, 0.0);
        }
        let tau = self.tau;
        let e = (-u / tau).exp();
        let p0 = self.w1 - self.a * tau + self.b * tau * tau;
        let poly =
            self.w1 * u + self.a * (0.5 * u - tau) * u + self.b * ((u / 6.0 - 0.5 * tau) * u + tau * tau) * u;
        (poly + (self.w0 - p0) * tau * (1.0 - e), 1.0 - e)
    }

    /// Derivatives of the phase with respect to the parameters at `t`.
    pub(super) fn slopes(&self, t: f64) -> [f64; COUNT] {
        let u = t - self.t0;
        if u <= 0.0 {
            return [u, 0.0, -self.w0 - self.c * u, 0.0, 0.0, 0.0, 0.5 * u * u];
        }
        let tau = self.tau;
        let e = (-u / tau).exp();
        let q = 1.0 - e;
        let p0 = self.w1 - self.a * tau + self.b * tau * tau;
        let p = self.w1 + self.a * (u - tau) + self.b * ((0.5 * u - tau) * u + tau * tau);
        let speed = p + (self.w0 - p0) * e;
        // d/dtau of the phase; times tau for the logarithm.
        let dtau = -self.a * u
            + self.b * (-0.5 * u * u + 2.0 * tau * u)
            + (self.w0 - p0) * (q - u / tau * e)
            + (self.a - 2.0 * self.b * tau) * tau * q;
        [
            tau * q,
            u - tau * q,
            -speed,
            tau * dtau,
            (0.5 * u - tau) * u + tau * tau * q,
            ((u / 6.0 - 0.5 * tau) * u + tau * tau) * u - tau * tau * tau * q,
            0.0,
        ]
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Closed-form phase and slopes against integration of the differential equation by small steps
    /// and against differences.
    #[test]
    fn prop_phase_and_slopes() {
        let p = [600.0, 1100.0, 0.1, (0.05_f64).ln(), 30.0, -200.0, 15.0];
        let s = Step::of(&p);
        let (mut w, mut phase) = (s.w0, 0.0);
        let dt = 1e-6;
        for i in 0..200_000 {
            let u = (f64::from(i) + 0.5) * dt;
            let g = s.w1 + s.a * u + 0.5 * s.b * u * u;
            let middle = w + 0.5 * dt * (g - w) / s.tau;
            phase += middle * dt;
            w += dt * (g - middle) / s.tau;
        }
        assert!((s.at(0.3).0 - phase).abs() < 1e-5 * phase, "{} {phase}", s.at(0.3).0);
        for k in 0..COUNT {
            let h = 1e-6 * p[k].abs();
            let (mut a, mut b) = (p, p);
            a[k] += h;
            b[k] -= h;
            let slope = (Step::of(&a).at(0.21).0 - Step::of(&b).at(0.21).0) / (2.0 * h);
            let own = s.slopes(0.21)[k];
            assert!((slope - own).abs() < 1e-4 * own.abs() + 1e-7, "{k}: {slope} {own}");
            let before = (Step::of(&a).at(0.03).0 - Step::of(&b).at(0.03).0) / (2.0 * h);
            assert!((before - s.slopes(0.03)[k]).abs() < 1e-6 * before.abs().max(1.0));
        }
    }
}
