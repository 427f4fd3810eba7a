//! The plant between a command and a rate: gain, lag, dead time, and what else may be visible.
//!
//! > G(s) = gain e^(-s delay) (1 + zero s) / ((1 + lag s) (s + damping))
//!
//! `zero` is the lead of the reaction to rotor acceleration (yaw), `damping` the decay of the rate by drag of the
//! airframe and inflow. Linear; valid where rotors neither saturate nor stop.

use crate::spectrum::Complex64;

/// A plant from command to rate.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Plant {
    /// Gain: (unit of the rate)/s per unit of the command.
    pub gain: f64,
    /// Dead time, s.
    pub delay: f64,
    /// Lag, s.
    pub lag: f64,
    /// Time constant of the numerator, s.
    pub zero: f64,
    /// Decay of the rate, 1/s.
    pub damping: f64,
}

/// One parameter of a plant.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Parameter {
    /// Natural logarithm of the gain: its uncertainty is relative.
    Gain,
    /// Dead time, s.
    Delay,
    /// Lag, s.
    Lag,
    /// Time constant of the numerator, s.
    Zero,
    /// Decay of the rate, 1/s.
    Damping,
}

impl Plant {
    /// Response at `omega`, rad/s.
    pub fn at(&self, omega: f64) -> Complex64 {
        self.at_point(Complex64::new(0.0, omega))
    }

    /// Response at a point s of the complex plane, rad/s.
    pub fn at_point(&self, s: Complex64) -> Complex64 {
        let one = Complex64::new(1.0, 0.0);
        (-s * self.delay).exp() * self.gain * (one + s * self.zero)
            / ((one + s * self.lag) * (s + self.damping))
    }

    /// Derivative of the response over the response itself, by one parameter.
    pub fn sensitivity(&self, parameter: Parameter, omega: f64) -> Complex64 {
        let s = Complex64::new(0.0, omega);
        let one = Complex64::new(1.0, 0.0);
        match parameter {
            Parameter::Gain => one,
            Parameter::Delay => -s,
            Parameter::Lag => -s / (one + s * self.lag),
            Parameter::Zero => s / (one + s * self.zero),
            Parameter::Damping => -one / (s + self.damping),
        }
    }

    /// The same plant with one parameter moved.
    #[must_use]
    pub fn moved(mut self, parameter: Parameter, by: f64) -> Self {
        match parameter {
            Parameter::Gain => self.gain *= by.exp(),
            Parameter::Delay => self.delay += by,
            Parameter::Lag => self.lag += by,
            Parameter::Zero => self.zero += by,
            Parameter::Damping => self.damping += by,
        }
        self
    }

    /// Value of a parameter; of the gain its logarithm.
    pub fn value(&self, parameter: Parameter) -> f64 {
        match parameter {
            Parameter::Gain => self.gain.abs().ln(),
            Parameter::Delay => self.delay,
            Parameter::Lag => self.lag,
            Parameter::Zero => self.zero,
            Parameter::Damping => self.damping,
        }
    }

    /// Delay that takes as much phase at `omega` (rad/s) as dead time, lag and zero together, s.
    ///
    /// Well below 1/lag this is delay + lag - zero; it is what a loop that crosses over there feels.
    pub fn total_delay(&self, omega: f64) -> f64 {
        self.delay + ((omega * self.lag).atan() - (omega * self.zero).atan()) / omega
    }
}
