//! Rotors that disturb each other, the ground, the arms: factors on thrust and power.
//!
//! *Coaxial pairs.* Momentum theory with the lower rotor half in the fully contracted wake of the
//! upper (Leishman & Syal, J. Am. Helicopter Soc. 53, 2008; Leishman & Ananthan, AHS Forum 2006):
//! with v the induced speed of the upper rotor and x that of the lower over v, t the thrust of the lower
//! over the upper's: (1 + x) w = 2 (1 + t) and 2 t (1 + x) = (1 + x) w^2/2 - 2, w the far wake over v.
//! Measured pairs: [`crate::rotor::COAXIAL_INTERFERENCE`].
//!
//! *Ground.* Cheeseman & Bennett 1955 (ARC R&M 3021), the rotor's image as a source:
//! T/T_free = 1/(1 - (R/4z)^2) at constant power, z the height of the disc; from z = R/2 up.
//!
//! *Download.* Drag of what stands in the wake, the wake's speed a stated multiple of the induced
//! speed: D/T = k^2 C_D S/(4 A).

use serde::Serialize;

/// How a coaxial pair is balanced.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Balance {
    /// Both discs in one plane.
    SamePlane,
    /// Equal thrusts, lower rotor in the contracted wake.
    Thrust,
    /// Equal torques, lower rotor in the contracted wake: what a pair flies with.
    Torque,
}

/// A coaxial pair by momentum theory.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Coaxial {
    /// Induced speed of the lower over that of the upper rotor.
    pub induced_ratio: f64,
    /// Thrust of the upper over that of the lower rotor.
    pub thrust_ratio: f64,
    /// Induced power over that of two rotors apart at the same two thrusts.
    pub factor: f64,
    /// Induced power over that of two rotors apart with half the total thrust each.
    pub factor_of_halves: f64,
}

/// A pair of equal discs in hover.
pub fn coaxial(balance: Balance) -> Coaxial {
    match balance {
        Balance::SamePlane => {
            let factor = std::f64::consts::SQRT_2;
            Coaxial { induced_ratio: 1.0, thrust_ratio: 1.0, factor, factor_of_halves: factor }
        }
        Balance::Thrust => {
            // (1 + x)^2 + (1 + x) = 4.
            let x = 0.5 * (17.0_f64.sqrt() - 3.0);
            let factor = 0.5 * (2.0 + x);
            Coaxial { induced_ratio: x, thrust_ratio: 1.0, factor, factor_of_halves: factor }
        }
        Balance::Torque => {
            // t (1 + t)^2 = 2 by Newton's method; t (1 + x) = 1.
            let mut t = 0.7_f64;
            for _ in 0..20 {
                t -= (t * (1.0 + t).powi(2) - 2.0) / ((1.0 + t) * (1.0 + 3.0 * t));
            }
            Coaxial {
                induced_ratio: 1.0 / t - 1.0,
                thrust_ratio: 1.0 / t,
                factor: 2.0 / (1.0 + t.powf(1.5)),
                factor_of_halves: 2.0 * std::f64::consts::SQRT_2 / (1.0 + t).powf(1.5),
            }
        }
    }
}

/// Thrust near the ground over that far from it at the same power, at a disc height, m, for a radius,
/// m. `None` below half a radius, where the model does not hold.
pub fn ground_effect(radius: f64, height: f64) -> Option<f64> {
    (radius > 0.0 && height >= 0.5 * radius).then(|| 1.0 / (1.0 - (radius / (4.0 * height)).powi(2)))
}

/// Share of a rotor's thrust lost as drag of a body in its wake: drag coefficient, area in the wake,
/// m^2, area of the disc, m^2, and the wake's speed over the induced speed (1 at the disc, 2 far below).
pub fn download_share(drag_coefficient: f64, area: f64, disc_area: f64, wake: f64) -> f64 {
    0.25 * wake * wake * drag_coefficient * area / disc_area
}

/// Tip Mach number above which noise and drag rise: a warning (common practice, no source).
pub const TIP_MACH_WARNING: f64 = 0.55;
/// Tip Mach number above which section data without compressibility do not hold: 0.7, where the
/// Prandtl-Glauert factor is left.
pub const TIP_MACH_LIMIT: f64 = 0.7;
