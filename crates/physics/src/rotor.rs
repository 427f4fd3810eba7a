//! One rotor: thrust and torque from coefficients.

use serde::Serialize;

/// A rotor.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Rotor {
    /// Diameter, m.
    pub diameter: f64,
    /// Geometric pitch, m, where stated.
    pub pitch: Option<f64>,
    /// Number of blades.
    pub blades: u32,
    /// Moment of inertia about the shaft (blades and adapter, without the motor), kg m^2.
    pub inertia: f64,
    /// Residual static unbalance, kg m. Zero where not stated.
    pub unbalance: f64,
    /// Thrust and power.
    pub coefficients: Coefficients,
}

/// Thrust and power coefficients of a rotor.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[serde(rename_all = "lowercase")]
pub enum Coefficients {
    /// The same at every speed; static thrust only known.
    Constant {
        /// C_T, static.
        ct: f64,
        /// C_P, static.
        cp: f64,
    },
    /// By rotor speed and advance ratio.
    Table(Table),
}

/// C_T and C_P on a grid of rotor speed and advance ratio.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Table {
    /// Rotor speeds, rad/s, ascending.
    pub speeds: Vec<f64>,
    /// Advance ratios J = V/(n D), ascending, beginning at 0.
    pub advance: Vec<f64>,
    /// C_T, row by speed, column by advance ratio.
    pub ct: Vec<Vec<f64>>,
    /// C_P, likewise.
    pub cp: Vec<Vec<f64>>,
}
