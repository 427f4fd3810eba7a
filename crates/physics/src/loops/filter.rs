//! Digital filters of the gyro path, as they run: second-order sections at the sample rate.
//!
//! Low-pass: Butterworth of order 1 to 4 by the bilinear transform with the cut-off pre-warped, so that it is
//! 3 dB down at the stated frequency exactly. Poles in pairs, one first-order section for odd orders.
//!
//! Notch: (s^2 + g B s + w0^2) / (s^2 + B s + w0^2) by the bilinear transform with the centre *and* the width
//! pre-warped: the width between the -3 dB points of the full-depth notch is exact at any sample rate. This is
//! the design of Orfanidis (1996), Introduction to Signal Processing, section 11.3. The audio-cookbook
//! notch with Q = centre/width pre-warps the centre only, and is narrower than stated towards half the sample rate.
//!
//! Source: Oppenheim and Schafer, Discrete-Time Signal Processing, ch. 7 (bilinear transform); Butterworth (1930).

use std::f64::consts::PI;

use nalgebra::Complex;
use serde::Serialize;

use crate::aircraft::Filter;

/// Why a filter cannot be realised.
#[derive(Debug, Clone, Copy, PartialEq, thiserror::Error, Serialize)]
pub enum FilterError {
    /// The sample rate is not positive.
    #[error("the sample rate must be above zero, not {rate} Hz")]
    SampleRate {
        /// Sample rate, Hz.
        rate: f64,
    },
    /// Cut-off or centre outside zero to half the sample rate.
    #[error("{frequency} Hz is not between zero and half the sample rate, {half_rate} Hz")]
    Frequency {
        /// Cut-off or centre, Hz.
        frequency: f64,
        /// Half the sample rate, Hz.
        half_rate: f64,
    },
    /// Order outside 1 to 4.
    #[error("a low-pass has order 1 to 4, not {order}")]
    Order {
        /// Order.
        order: u32,
    },
    /// Width outside zero to half the sample rate.
    #[error("a notch width of {width} Hz is not between zero and half the sample rate, {half_rate} Hz")]
    Width {
        /// Width, Hz.
        width: f64,
        /// Half the sample rate, Hz.
        half_rate: f64,
    },
    /// Floor outside 0 to 1.
    #[error("the gain left at the centre of a notch is 0 to 1, not {floor}")]
    Floor {
        /// Gain at the centre.
        floor: f64,
    },
}

/// A second-order section in transposed direct form II, with its state.
///
/// H(z) = (b0 + b1 z^-1 + b2 z^-2) / (1 + a1 z^-1 + a2 z^-2)
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Biquad {
    /// Numerator b0, b1, b2.
    pub b: [f64; 3],
    /// Denominator a1, a2.
    pub a: [f64; 2],
    state: [f64; 2],
}

impl Biquad {
    /// A section at rest.
    pub fn new(b: [f64; 3], a: [f64; 2]) -> Self {
        Self { b, a, state: [0.0; 2] }
    }

    /// Takes one sample and gives one.
    pub fn step(&mut self, input: f64) -> f64 {
        let output = self.b[0] * input + self.state[0];
        self.state[0] = self.b[1] * input - self.a[0] * output + self.state[1];
        self.state[1] = self.b[2] * input - self.a[1] * output;
        output
    }

    /// Sets the state to that of a steady input, and gives the steady output.
    pub fn settle(&mut self, input: f64) -> f64 {
        let output = input * self.b.iter().sum::<f64>() / (1.0 + self.a[0] + self.a[1]);
        self.state[1] = self.b[2] * input - self.a[1] * output;
        self.state[0] = self.b[1] * input - self.a[0] * output + self.state[1];
        output
    }

    /// Response at z^-1 = `delay`.
    fn at(&self, delay: Complex<f64>) -> Complex<f64> {
        let square = delay * delay;
        (square * self.b[2] + delay * self.b[1] + self.b[0]) / (square * self.a[1] + delay * self.a[0] + 1.0)
    }
}

/// The sections of a filter at a sample rate, Hz, in the order of the signal.
pub fn cascade(filter: &Filter, sample_rate: f64) -> Result<Vec<Biquad>, FilterError> {
    if !(sample_rate > 0.0 && sample_rate.is_finite()) {
        return Err(FilterError::SampleRate { rate: sample_rate });
    }
    let half_rate = sample_rate / 2.0;
    let inside = |frequency: f64| frequency > 0.0 && frequency < half_rate;
    match *filter {
        Filter::LowPass { order, cutoff } => {
            if !(1..=4).contains(&order) {
                return Err(FilterError::Order { order });
            }
            if !inside(cutoff) {
                return Err(FilterError::Frequency { frequency: cutoff, half_rate });
            }
            Ok(low_pass(order, (PI * cutoff / sample_rate).tan()))
        }
        Filter::Notch { centre, width, floor } => {
            if !inside(centre) {
                return Err(FilterError::Frequency { frequency: centre, half_rate });
            }
            if !inside(width) {
                return Err(FilterError::Width { width, half_rate });
            }
            if !(0.0..=1.0).contains(&floor) {
                return Err(FilterError::Floor { floor });
            }
            Ok(vec![notch(2.0 * PI * centre / sample_rate, (PI * width / sample_rate).tan(), floor)])
        }
    }
}

/// Butterworth sections; `warped` is the tangent of half the cut-off angle.
fn low_pass(order: u32, warped: f64) -> Vec<Biquad> {
    let mut sections = Vec::with_capacity(2);
    if order % 2 == 1 {
        let norm = 1.0 + warped;
        sections.push(Biquad::new([warped / norm, warped / norm, 0.0], [(warped - 1.0) / norm, 0.0]));
    }
    for pair in 0..order / 2 {
        // Poles at angle theta from the negative real axis: s^2 + 2 cos(theta) s + 1.
        let theta = PI * f64::from(order - 1 - 2 * pair) / (2.0 * f64::from(order));
        let damping = 2.0 * theta.cos();
        let square = warped * warped;
        let norm = 1.0 + damping * warped + square;
        let gain = square / norm;
        let a1 = 2.0 * (square - 1.0) / norm;
        let a2 = (1.0 - damping * warped + square) / norm;
        sections.push(Biquad::new([gain, 2.0 * gain, gain], [a1, a2]));
    }
    sections
}

/// Notch at `angle` per sample; `beta` is the tangent of half the width's angle per sample.
fn notch(angle: f64, beta: f64, floor: f64) -> Biquad {
    let norm = 1.0 + beta;
    let middle = -2.0 * angle.cos() / norm;
    Biquad::new(
        [(1.0 + floor * beta) / norm, middle, (1.0 - floor * beta) / norm],
        [middle, (1.0 - beta) / norm],
    )
}

/// Exact response of a cascade at angular frequency `omega`, rad/s, with the sample rate in Hz.
pub fn response(sections: &[Biquad], omega: f64, sample_rate: f64) -> Complex<f64> {
    response_at(sections, Complex::new(0.0, omega), sample_rate)
}

/// Response at a point s of the complex plane, rad/s, by z = e^(s/sample rate).
pub fn response_at(sections: &[Biquad], s: Complex<f64>, sample_rate: f64) -> Complex<f64> {
    let delay = (-s / sample_rate).exp();
    sections.iter().map(|section| section.at(delay)).product()
}

/// Phase of a cascade, rad, section by section so that it does not wrap below half the sample rate.
pub fn phase(sections: &[Biquad], omega: f64, sample_rate: f64) -> f64 {
    let delay = Complex::from_polar(1.0, -omega / sample_rate);
    sections.iter().map(|section| section.at(delay).arg()).sum()
}
