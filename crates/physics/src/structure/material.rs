//! Materials of arms, masts and plates: typical values, to be replaced by those of the part.
//!
//! Metals from memory of MIL-HDBK-5J (6061-T6: table 3.6.2.0, 4130: table 2.3.1.0, Ti-6Al-4V:
//! table 5.4.1.0). Fibre composites depend on their lay-up: a woven or quasi-isotropic laminate with
//! 60 % carbon fibre by volume reaches about 70 GPa along the tube, a mostly unidirectional one about
//! 110 GPa; printed plastics by maker's sheets (common practice, no source). A tap on the arm tells
//! more than any table.

use serde::Serialize;

/// Elastic constants and density.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Material {
    /// Young's modulus along the part, Pa.
    pub youngs_modulus: f64,
    /// Shear modulus, Pa.
    pub shear_modulus: f64,
    /// Density, kg/m^3.
    pub density: f64,
}

/// Names of the materials that are known.
pub const NAMES: &[&str] =
    &["aluminium", "carbon-woven", "carbon-along", "glass-epoxy", "plywood", "printed", "steel", "titanium"];

/// Poisson's ratio that plates are computed with.
pub const POISSON: f64 = 0.3;

/// Typical values of a named material.
pub fn named(name: &str) -> Option<Material> {
    let (e, g, rho) = match name {
        "aluminium" => (68.3e9, 26.2e9, 2_710.0),
        "carbon-woven" => (70e9, 10e9, 1_600.0),
        "carbon-along" => (110e9, 7e9, 1_600.0),
        "glass-epoxy" => (22e9, 5e9, 1_900.0),
        "plywood" => (9e9, 0.7e9, 680.0),
        "printed" => (2.2e9, 0.8e9, 1_200.0),
        "steel" => (200e9, 76e9, 7_830.0),
        "titanium" => (110e9, 43e9, 4_430.0),
        _ => return None,
    };
    Some(Material { youngs_modulus: e, shear_modulus: g, density: rho })
}
