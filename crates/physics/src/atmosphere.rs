//! Standard atmosphere with temperature offset and humidity.

use serde::Serialize;

/// State of the air.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Air {
    /// Density, kg/m^3.
    pub density: f64,
    /// Pressure, Pa.
    pub pressure: f64,
    /// Temperature, K.
    pub temperature: f64,
    /// Speed of sound, m/s.
    pub sound_speed: f64,
    /// Dynamic viscosity, Pa s.
    pub viscosity: f64,
}
