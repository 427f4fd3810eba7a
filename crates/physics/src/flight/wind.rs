//! Wind: a mean and first-order gusts.
//!
//! Each component is a first-order (exponentially correlated) process with a stated r.m.s. and time
//! constant, as the longitudinal component of the Dryden model is: power density
//! proportional to 1/(1 + (omega T)^2), with T = length over convection speed (MIL-HDBK-1797,
//! appendix; from memory). All three components use the same form. Drawn by the exact
//! discretisation on a grid, linear between its points.

use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};

use crate::Vec3;

/// Spacing of the grid, ns: far shorter than any sensible time constant.
const KNOT: u64 = 5_000_000;

/// Wind over the flight.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize)]
pub struct Wind {
    /// Mean velocity of the air, earth axes (north, east, down), m/s.
    pub mean: Vec3,
    /// Gusts, r.m.s. of each component, m/s.
    pub gust: f64,
    /// Time constant of the gusts, s.
    pub time_constant: f64,
}

impl Wind {
    /// Still air.
    pub const CALM: Self = Self { mean: Vec3::new(0.0, 0.0, 0.0), gust: 0.0, time_constant: 1.5 };
    /// Light air: gusts of 0.3 m/s r.m.s., so that a hover is not perfectly still.
    pub const LIGHT: Self = Self { mean: Vec3::new(0.0, 0.0, 0.0), gust: 0.3, time_constant: 1.5 };
}

/// The wind as it runs.
#[derive(Debug)]
pub(super) struct Gusts {
    wind: Wind,
    rng: ChaCha8Rng,
    keep: f64,
    from: Vec3,
    to: Vec3,
    start: u64,
}

impl Gusts {
    pub(super) fn new(wind: Wind, seed: u64) -> Self {
        let mut rng = ChaCha8Rng::seed_from_u64(seed);
        rng.set_stream(2);
        let keep = (-(KNOT as f64) * 1e-9 / wind.time_constant).exp();
        let mut gusts = Self { wind, rng, keep, from: Vec3::zeros(), to: Vec3::zeros(), start: 0 };
        gusts.from = gusts.draw() * wind.gust;
        gusts.to = gusts.following();
        gusts
    }

    fn draw(&mut self) -> Vec3 {
        let mut normal = || -> f64 { StandardNormal.sample(&mut self.rng) };
        Vec3::new(normal(), normal(), normal())
    }

    fn following(&mut self) -> Vec3 {
        let fresh = self.wind.gust * (1.0 - self.keep * self.keep).max(0.0).sqrt();
        self.from * self.keep + self.draw() * fresh
    }

    /// Instant of the next grid point, ns.
    pub(super) fn next(&self) -> u64 {
        self.start + KNOT
    }

    /// Moves to the grid interval that begins at `now`, where one does.
    pub(super) fn turn_over(&mut self, now: u64) {
        while now >= self.next() {
            self.start += KNOT;
            self.from = self.to;
            self.to = self.following();
        }
    }

    /// Velocity of the air at an instant within the grid interval.
    pub(super) fn at(&self, now: u64) -> Vec3 {
        let part = now.saturating_sub(self.start) as f64 / KNOT as f64;
        self.wind.mean + self.from + (self.to - self.from) * part
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn val_gusts_have_the_stated_variance_and_correlation() {
        // Closed form of a first-order process: autocorrelation exp(-t/T). 400 s hold about
        // 400/(2 T) = 400 independent values of each component: 1200 in all, so 2 % of the
        // variance's root is one standard deviation.
        let wind = Wind { mean: Vec3::zeros(), gust: 0.3, time_constant: 0.5 };
        let mut gusts = Gusts::new(wind, 7);
        let (mut square, mut lagged, count) = (0.0, 0.0, 80_000_u64);
        let mut past = std::collections::VecDeque::new();
        for k in 0..count {
            let now = k * KNOT;
            gusts.turn_over(now);
            let value = gusts.at(now);
            square += value.norm_squared() / 3.0;
            past.push_back(value);
            if past.len() > 100 {
                lagged += past.pop_front().unwrap().dot(&value) / 3.0;
            }
        }
        let rms = (square / count as f64).sqrt();
        let correlation = lagged / square;
        assert!((rms - 0.3).abs() < 0.02, "{rms}");
        assert!((correlation - (-1.0_f64).exp()).abs() < 0.06, "{correlation}");
    }
}
