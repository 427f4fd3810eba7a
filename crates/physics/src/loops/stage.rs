//! One stage of a control loop and its response.

use std::f64::consts::{FRAC_PI_2, PI};

use nalgebra::Complex;
use serde::Serialize;

use super::filter::{self, Biquad};

/// Which part of the loop a stage is in.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "lowercase")]
pub enum Path {
    /// From the airframe's rate to the controller.
    Sensing,
    /// The controller.
    Controller,
    /// From the controller's output to the airframe's rate.
    Forward,
}

/// What a stage does to the signal.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[serde(rename_all = "lowercase", tag = "kind")]
pub enum Element {
    /// Pure delay e^(-s T).
    Delay {
        /// T, s. Below zero for a saving.
        time: f64,
    },
    /// Zero-order hold, or a wait that is uniform between zero and T, which has the same mean response:
    /// (1 - e^(-s T)) / (s T).
    Hold {
        /// T, s.
        period: f64,
    },
    /// A digital filter by its exact response.
    Filter {
        /// Second-order sections.
        sections: Vec<Biquad>,
        /// Sample rate, Hz.
        sample_rate: f64,
    },
    /// p + i/s + d s / (1 + d_lag s).
    Pid {
        /// Proportional gain, 1/s.
        p: f64,
        /// Integral gain, 1/s^2.
        i: f64,
        /// Derivative gain, dimensionless.
        d: f64,
        /// Time constant of the derivative's filter, s.
        d_lag: f64,
    },
    /// 1 / (1 + tau s).
    Lag {
        /// tau, s.
        tau: f64,
    },
    /// (1 + zero s) / (1 + pole s).
    Lead {
        /// Time constant of the numerator, s.
        zero: f64,
        /// Time constant of the denominator, s.
        pole: f64,
    },
    /// s / (s + rate): turns an integrator into a lag of 1/rate.
    Damping {
        /// Decay, 1/s.
        rate: f64,
    },
    /// A sensor on a damped spring (see [`crate::structure::isolator`]): (1 + 2 zeta s/w) / (1 + 2 zeta s/w + s^2/w^2).
    Isolator {
        /// Natural frequency w, rad/s.
        omega: f64,
        /// Damping ratio zeta.
        damping: f64,
    },
    /// gain / s.
    Integrator {
        /// Gain.
        gain: f64,
    },
}

/// A stage of the loop.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Stage {
    /// Identifier, as in `esc-dead-time`.
    pub id: String,
    /// Name, for people.
    pub name: String,
    /// Key of the aircraft file that sets it, if one does.
    pub key: Option<String>,
    /// Part of the loop.
    pub path: Path,
    /// What it does.
    pub element: Element,
}

/// (1 - e^-x) / x, without loss of digits near zero.
fn hold(x: Complex<f64>) -> Complex<f64> {
    if x.norm_sqr() == 0.0 {
        Complex::new(1.0, 0.0)
    } else if x.norm_sqr() < 1e-4 {
        // Series to the fifth order: the next term is below 1e-15.
        let mut sum = Complex::new(1.0, 0.0);
        let mut term = Complex::new(1.0, 0.0);
        for k in 2..=6 {
            term = -term * x / f64::from(k);
            sum += term;
        }
        sum
    } else {
        (Complex::new(1.0, 0.0) - (-x).exp()) / x
    }
}

impl Element {
    /// Response at a point s of the complex plane, rad/s.
    pub fn at(&self, s: Complex<f64>) -> Complex<f64> {
        let one = Complex::new(1.0, 0.0);
        match self {
            Self::Delay { time: 0.0 } => one,
            Self::Delay { time } => (-s * *time).exp(),
            Self::Hold { period } => hold(s * *period),
            Self::Filter { sections, sample_rate } => filter::response_at(sections, s, *sample_rate),
            Self::Pid { p, i, d, d_lag } => s.inv() * *i + s * *d / (one + s * *d_lag) + *p,
            Self::Lag { tau } => (one + s * *tau).inv(),
            Self::Lead { zero, pole } => (one + s * *zero) / (one + s * *pole),
            Self::Damping { rate } => s / (s + *rate),
            Self::Isolator { omega, damping } => {
                let x = s / *omega;
                let spring = one + x * (2.0 * *damping);
                spring / (spring + x * x)
            }
            Self::Integrator { gain } => s.inv() * *gain,
        }
    }

    /// Phase at `omega`, rad, negative for a lag, not wrapped to one turn.
    pub fn phase(&self, omega: f64) -> f64 {
        match self {
            Self::Delay { time } => -omega * time,
            Self::Hold { period } => {
                let half = omega * period / 2.0;
                if half.sin() < 0.0 { PI - half } else { -half }
            }
            Self::Filter { sections, sample_rate } => filter::phase(sections, omega, *sample_rate),
            Self::Pid { .. } => self.at(Complex::new(0.0, omega)).arg(),
            Self::Lag { tau } => -(omega * tau).atan(),
            Self::Lead { zero, pole } => (omega * zero).atan() - (omega * pole).atan(),
            Self::Damping { rate } => rate.atan2(omega),
            Self::Isolator { omega: natural, damping } => {
                let r = omega / natural;
                let d = 2.0 * damping * r;
                d.atan() - d.atan2(1.0 - r * r)
            }
            Self::Integrator { gain } => {
                if *gain < 0.0 {
                    FRAC_PI_2
                } else {
                    -FRAC_PI_2
                }
            }
        }
    }
}

impl Stage {
    /// Response at `omega`, rad/s.
    pub fn response(&self, omega: f64) -> Complex<f64> {
        self.element.at(Complex::new(0.0, omega))
    }
    /// Phase at `omega`, rad, negative for a lag, not wrapped to one turn.
    pub fn phase(&self, omega: f64) -> f64 {
        self.element.phase(omega)
    }
}
