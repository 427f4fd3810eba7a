//! Wind: a mean and gusts.
//!
//! First-order gusts: each component is an exponentially correlated process with a stated r.m.s. and time
//! constant, for light air without a mean wind.
//!
//! Dryden gusts in the form of MIL-F-8785C (section 3.7.2.1, low-altitude model of 3.7.3.4; from memory). One-sided spectra
//! in rad/s, with L the length scales, sigma the intensities and V the convection speed:
//!
//! - along the wind: sigma_u^2 2 L_u/(pi V) / (1 + (L_u omega/V)^2)
//! - across and vertical: sigma^2 L/(pi V) (1 + 3 (L omega/V)^2) / (1 + (L omega/V)^2)^2
//!
//! Below 1000 ft, h in ft: L_w = h, L_u = L_v = h/(0.177 + 0.000823 h)^1.2, sigma_w = 0.1 W20,
//! sigma_u = sigma_v = sigma_w/(0.177 + 0.000823 h)^0.4, where W20 is the wind at 20 ft, which follows from
//! the mean wind at height by the logarithmic profile with a roughness of 0.15 ft. The standard's heights
//! begin at 10 ft; lower ones are taken as 10 ft.
//!
//! Convection speed is the mean wind: right for a hovering aircraft, which the air is carried past. An aircraft that
//! moves against the wind meets the gusts faster; that is left out.
//!
//! Both are drawn by exact discretisation on a grid, linear between its points.

use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};

use crate::Vec3;

/// Spacing of the grid, ns: far shorter than any sensible time constant.
const KNOT: u64 = 5_000_000;
const FOOT: f64 = 0.3048;
/// Roughness length of the wind profile, ft.
const ROUGHNESS_FT: f64 = 0.15;

/// Gusts about the mean wind.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize)]
#[serde(rename_all = "kebab-case", tag = "kind")]
pub enum Turbulence {
    /// None.
    Still,
    /// First-order gusts, the same in all components.
    FirstOrder {
        /// R.m.s. of each component, m/s.
        rms: f64,
        /// Time constant, s.
        time_constant: f64,
    },
    /// Dryden gusts; components along, across and vertical to the mean wind.
    Dryden {
        /// Intensities, m/s.
        sigma: [f64; 3],
        /// Length scales, m.
        length: [f64; 3],
    },
}

/// Wind over the flight.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize)]
pub struct Wind {
    /// Mean velocity of the air, earth axes (north, east, down), m/s.
    pub mean: Vec3,
    /// Gusts.
    pub gusts: Turbulence,
}

impl Wind {
    /// Still air.
    pub const CALM: Self = Self { mean: Vec3::new(0.0, 0.0, 0.0), gusts: Turbulence::Still };
    /// Light air: gusts of 0.3 m/s r.m.s., so that a hover is not perfectly still.
    pub const LIGHT: Self = Self {
        mean: Vec3::new(0.0, 0.0, 0.0),
        gusts: Turbulence::FirstOrder { rms: 0.3, time_constant: 1.5 },
    };

    /// A mean wind (horizontal, earth axes, m/s) at a height (m) with the Dryden gusts that go with it.
    pub fn dryden(mean: Vec3, height: f64) -> Self {
        let h = (height / FOOT).clamp(10.0, 1000.0);
        let at_20 = mean.norm() * (20.0 / ROUGHNESS_FT).ln() / (h / ROUGHNESS_FT).ln();
        let shape = 0.177 + 0.000_823 * h;
        let vertical = 0.1 * at_20;
        let level = vertical / shape.powf(0.4);
        let along = h / shape.powf(1.2) * FOOT;
        Self {
            mean,
            gusts: Turbulence::Dryden { sigma: [level, level, vertical], length: [along, along, h * FOOT] },
        }
    }
}

/// A process that is drawn knot by knot; its variance is one.
#[derive(Debug, Clone, Copy)]
enum Process {
    /// Spectrum of one pole.
    One { keep: f64, state: f64 },
    /// (1 + sqrt(3) T s)/(1 + T s)^2: two lags in a row, and what is fed to them on a step.
    Two { keep: f64, feed: f64, root: [f64; 3], state: [f64; 2] },
}

impl Process {
    fn one(time_constant: f64, dt: f64, draw: &mut dyn FnMut() -> f64) -> Self {
        Self::One { keep: (-dt / time_constant).exp(), state: draw() }
    }

    /// States y1 = w/(1 + T s) and y2 = y1/(1 + T s) of white noise w. Settled, their covariance is
    /// P = p [[1, 1/2], [1/2, 1/2]], and sqrt(3) y1 + (1 - sqrt(3)) y2 has the variance 2 p: p = 1/2.
    /// Over a step they go over with A = e^(-dt/T) [[1, 0], [dt/T, 1]], and noise of covariance P - A P A' comes in.
    fn two(time_constant: f64, dt: f64, draw: &mut dyn FnMut() -> f64) -> Self {
        let keep = (-dt / time_constant).exp();
        let feed = keep * dt / time_constant;
        let p = [0.5, 0.25, 0.25];
        let q = [
            p[0] - keep * keep * p[0],
            p[1] - keep * (feed * p[0] + keep * p[1]),
            p[2] - (feed * feed * p[0] + 2.0 * feed * keep * p[1] + keep * keep * p[2]),
        ];
        let (a, b) = (draw(), draw());
        let settled = cholesky(p);
        Self::Two { keep, feed, root: cholesky(q), state: [settled[0] * a, settled[1] * a + settled[2] * b] }
    }

    fn value(&self) -> f64 {
        match self {
            Self::One { state, .. } => *state,
            Self::Two { state, .. } => {
                let root = 3f64.sqrt();
                root * state[0] + (1.0 - root) * state[1]
            }
        }
    }

    fn follow(&mut self, draw: &mut dyn FnMut() -> f64) {
        match self {
            Self::One { keep, state } => {
                *state = *keep * *state + (1.0 - *keep * *keep).max(0.0).sqrt() * draw();
            }
            Self::Two { keep, feed, root, state } => {
                let (a, b) = (draw(), draw());
                let first = *keep * state[0] + root[0] * a;
                state[1] = *feed * state[0] + *keep * state[1] + root[1] * a + root[2] * b;
                state[0] = first;
            }
        }
    }
}

/// Lower root of the symmetric matrix [[m0, m1], [m1, m2]], as its three entries.
fn cholesky(m: [f64; 3]) -> [f64; 3] {
    let a = m[0].max(0.0).sqrt();
    let b = if a > 0.0 { m[1] / a } else { 0.0 };
    [a, b, (m[2] - b * b).max(0.0).sqrt()]
}

/// The wind as it runs.
#[derive(Debug)]
pub(super) struct Gusts {
    wind: Wind,
    rng: ChaCha8Rng,
    /// Processes with their intensities, m/s; along, across, vertical.
    parts: Option<[(Process, f64); 3]>,
    /// Unit vector along the mean wind.
    along: Vec3,
    from: Vec3,
    to: Vec3,
    start: u64,
}

impl Gusts {
    pub(super) fn new(wind: Wind, seed: u64) -> Self {
        let mut rng = ChaCha8Rng::seed_from_u64(seed);
        rng.set_stream(2);
        let dt = KNOT as f64 * 1e-9;
        let speed = wind.mean.xy().norm();
        let along = Vec3::new(wind.mean.x, wind.mean.y, 0.0).try_normalize(1e-12).unwrap_or(Vec3::x());
        let mut draw = || -> f64 { StandardNormal.sample(&mut rng) };
        let parts = match wind.gusts {
            Turbulence::Still => None,
            Turbulence::FirstOrder { rms, time_constant } => {
                Some([(); 3].map(|()| (Process::one(time_constant, dt, &mut draw), rms)))
            }
            // Air that does not move past carries no gusts.
            Turbulence::Dryden { .. } if speed <= 0.0 => None,
            Turbulence::Dryden { sigma, length } => Some([
                (Process::one(length[0] / speed, dt, &mut draw), sigma[0]),
                (Process::two(length[1] / speed, dt, &mut draw), sigma[1]),
                (Process::two(length[2] / speed, dt, &mut draw), sigma[2]),
            ]),
        };
        let mut gusts = Self { wind, rng, parts, along, from: Vec3::zeros(), to: Vec3::zeros(), start: 0 };
        gusts.from = gusts.value();
        gusts.to = gusts.following();
        gusts
    }

    /// Gust at the knot that was drawn last, earth axes, m/s.
    fn value(&self) -> Vec3 {
        let Some(parts) = &self.parts else { return Vec3::zeros() };
        let [u, v, w] = parts.map(|(process, size)| process.value() * size);
        self.along * u + Vec3::new(-self.along.y, self.along.x, 0.0) * v + Vec3::z() * w
    }

    fn following(&mut self) -> Vec3 {
        let rng = &mut self.rng;
        let mut draw = || -> f64 { StandardNormal.sample(rng) };
        for (process, _) in self.parts.iter_mut().flatten() {
            process.follow(&mut draw);
        }
        self.value()
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
        let gusts = Turbulence::FirstOrder { rms: 0.3, time_constant: 0.5 };
        let mut gusts = Gusts::new(Wind { mean: Vec3::zeros(), gusts }, 7);
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

    #[test]
    fn val_dryden_scales_at_a_worked_height() {
        // By hand from the formulas at h = 100 ft, where 0.177 + 0.0823 = 0.2593: L_u = 100/0.2593^1.2 = 505.2 ft,
        // sigma_u/sigma_w = 0.2593^-0.4 = 1.7160; W20/W100 = ln(133.33)/ln(666.67) = 4.89285/6.50229 = 0.75248.
        let wind = Wind::dryden(Vec3::new(0.0, 8.0, 0.0), 100.0 * FOOT);
        let Turbulence::Dryden { sigma, length } = wind.gusts else { panic!() };
        for (what, expected, got, tolerance) in [
            ("length along at 100 ft, m", 505.2 * FOOT, length[0], 0.1),
            ("length vertical at 100 ft, m", 30.48, length[2], 1e-9),
            ("intensity vertical in 8 m/s at 100 ft, m/s", 0.60198, sigma[2], 1e-4),
            ("intensity along over vertical at 100 ft", 1.7160, sigma[0] / sigma[2], 1e-3),
        ] {
            println!(
                "VALIDATION|flight|Dryden: {what}|MIL-F-8785C formulas by hand|{expected:.4}|{got:.4}|{tolerance:.1e}"
            );
            assert!((got - expected).abs() <= tolerance, "{what}: {got}");
        }
    }

    /// One-sided density at a frequency, by averaged Hann-weighted transforms of half-overlapping blocks.
    fn density(values: &[f64], block: usize, dt: f64, omega: f64) -> f64 {
        let weight = |k: usize| 0.5 - 0.5 * (std::f64::consts::TAU * k as f64 / block as f64).cos();
        let square: f64 = (0..block).map(|k| weight(k).powi(2)).sum();
        let (mut sum, mut count, mut start) = (0.0, 0.0, 0);
        while start + block <= values.len() {
            let (mut re, mut im) = (0.0, 0.0);
            for (k, v) in values[start..start + block].iter().enumerate() {
                let (sin, cos) = (omega * dt * k as f64).sin_cos();
                re += weight(k) * v * cos;
                im += weight(k) * v * sin;
            }
            sum += re * re + im * im;
            count += 1.0;
            start += block / 2;
        }
        // Over frequency in rad/s, one-sided: 2 dt |X|^2 / sum w^2 / (2 pi).
        sum / count * dt / square / std::f64::consts::PI
    }

    #[test]
    fn val_dryden_spectra_are_the_formulas() {
        // 20,000 s in blocks of 100 s: 400 blocks with half overlap, about 5 % of one standard deviation.
        let wind = Wind::dryden(Vec3::new(6.0, 0.0, 0.0), 20.0);
        let Turbulence::Dryden { sigma, length } = wind.gusts else { panic!() };
        let mut gusts = Gusts::new(wind, 11);
        let every = 10_u64;
        let dt = (KNOT * every) as f64 * 1e-9;
        let mut parts: [Vec<f64>; 3] = Default::default();
        for k in 0..400_000_u64 {
            let now = k * KNOT * every;
            gusts.turn_over(now);
            let value = gusts.at(now) - wind.mean;
            parts.iter_mut().zip(value.iter()).for_each(|(list, v)| list.push(*v));
        }
        let speed = 6.0;
        for (axis, (values, name)) in parts.iter().zip(["along", "across", "vertical"]).enumerate() {
            let (s, l) = (sigma[axis], length[axis]);
            let rms = (values.iter().map(|v| v * v).sum::<f64>() / values.len() as f64).sqrt();
            println!(
                "VALIDATION|flight|Dryden {name}, r.m.s., m/s|MIL-F-8785C|{s:.4}|{rms:.4}|1.0e-1 relative"
            );
            assert!((rms / s - 1.0).abs() < 0.1, "{name}: {rms}, {s}");
            for omega in [0.3, 0.7, 1.5, 4.0, 10.0] {
                let x = (l * omega / speed).powi(2);
                let base = s * s * l / (std::f64::consts::PI * speed);
                let expected = if axis == 0 {
                    2.0 * base / (1.0 + x)
                } else {
                    base * (1.0 + 3.0 * x) / (1.0 + x).powi(2)
                };
                let got = density(values, 2000, dt, omega);
                println!(
                    "VALIDATION|flight|Dryden {name}, density at {omega} rad/s, (m/s)^2/(rad/s)|MIL-F-8785C|{expected:.4e}|{got:.4e}|2.0e-1 relative"
                );
                assert!((got / expected - 1.0).abs() < 0.2, "{name} at {omega}: {got}, {expected}");
            }
        }
    }
}
