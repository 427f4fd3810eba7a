//! Rotors that disturb each other, the ground, the arms: factors on thrust and power.
//!
//! *Coaxial pairs.* Momentum theory with the lower rotor half in the fully contracted wake of the
//! upper (Leishman & Syal, J. Am. Helicopter Soc. 53, 2008; Leishman & Ananthan, AHS Forum 2006):
//! with v the induced speed of the upper rotor and x that of the lower over v, t the thrust of the lower
//! over the upper's: (1 + x) w = 2 (1 + t) and 2 t (1 + x) = (1 + x) w^2/2 - 2, w the far wake over v.
//! Measured pairs: [`crate::rotor::COAXIAL_INTERFERENCE`].
//!
//! *The lower rotor.* The upper's contracted wake fills half of the lower disc at twice the upper's induced speed. With
//! blade elements the thrust of a rotor goes with the inflow's mean over the area, C_T = K1 - K2 lambda
//! ([`crate::edgewise`]), whatever its spread along the radius. Through the lower disc flows (1 + e) times
//! the induced speed that its own thrust would make apart. Momentum theory gives e = 0.56 at equal thrusts and
//! 0.72 at equal torques; taken is what the measured pairs lose, 2 kappa_int - 2 = 0.72. At one speed
//! the lower rotor so gives less thrust, and for its thrust it turns faster: how much rests on how C_T falls along
//! the axis, which a table or a blade knows better than a stated pitch, and a pitch better than none.
//!
//! *Ground.* Cheeseman & Bennett 1955 (ARC R&M 3021), the rotor's image as a source:
//! T/T_free = 1/(1 - (R/4z)^2) at constant power, z the height of the disc; from z = R/2 up.
//!
//! *Download.* Drag of what stands in the wake, the wake's speed a stated multiple of the induced
//! speed: D/T = k^2 C_D S/(4 A).

use serde::Serialize;

use crate::edgewise::at_rest;
use crate::rotor::{COAXIAL_INTERFERENCE, Rotor, coaxial_lower_power_factor};

/// Flow through the lower disc of a coaxial pair beyond its own induced speed, over that speed.
pub const LOWER_INFLOW: f64 = 2.0 * COAXIAL_INTERFERENCE - 2.0;

/// Lower rotor of a coaxial pair over the same rotor apart, at one speed.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Lower {
    /// Thrust.
    pub thrust: f64,
    /// Torque.
    pub torque: f64,
}

/// The lower rotor at a speed, rad/s, in hover: K1 - K2 (1 + e) sqrt(C_T/2) = C_T for its thrust; the power that it
/// would take apart at this thrust times [`coaxial_lower_power_factor`].
pub fn lower(rotor: &Rotor, speed: f64) -> Lower {
    let [ct, k1, k2] = at_rest(rotor, speed);
    let slope = k2 * (1.0 + LOWER_INFLOW);
    // y = sqrt(C_T/2): 2 y^2 + slope y - K1 = 0.
    let y = 0.25 * ((slope * slope + 8.0 * k1).sqrt() - slope);
    let thrust = 2.0 * y * y / ct;
    if !(thrust > 0.0 && thrust <= 1.0) {
        return Lower { thrust: 1.0, torque: 1.0 };
    }
    // The same at any density in these models.
    let merit = rotor.figure_of_merit(speed, 1.0);
    Lower { thrust, torque: thrust.powf(1.5) * coaxial_lower_power_factor(merit) }
}

/// Speed, rad/s, at which the lower rotor gives a thrust, N, in hover, at a density, kg/m^3; `None` where none does.
pub fn lower_speed_for_thrust(rotor: &Rotor, thrust: f64, density: f64) -> Option<f64> {
    let mut speed = rotor.speed_for_thrust(thrust, 0.0, density)?;
    // The share changes little with speed: a few turns settle it.
    for _ in 0..60 {
        let next = rotor.speed_for_thrust(thrust / lower(rotor, speed).thrust, 0.0, density)?;
        if (next - speed).abs() <= 1e-14 * next {
            return Some(next);
        }
        speed = next;
    }
    Some(speed)
}

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
