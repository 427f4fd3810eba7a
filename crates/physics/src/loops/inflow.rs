//! Thrust leads rotor speed while the inflow builds up.
//!
//! Blade element: dT = T_w dOmega - T_v dv, with T_v = (sigma a / 4) rho A Omega R. Inflow with the apparent mass m of
//! the air (Carpenter and Fridovich 1953, NACA TN 3044: 0.637 of the air in the sphere around the disc, from
//! memory): T = m dv/dt + 2 rho A v^2. Linearised about hover, thrust over its quasi-steady value is
//!
//! > (1 + a s) / (1 + b s),  a = m / (4 rho A v_h),  b = m / (4 rho A v_h + T_v)
//!
//! with a/b = 1 + sigma a0 / (8 sqrt(2 C_T)), rotorcraft C_T, a0 the section lift slope. At b < t < a a step of
//! speed overshoots in thrust: inflow is a lead, not a lag.
//!
//! Range: hover, uniform inflow, small changes, blades not stalled. Wrong in descent towards the vortex ring.

use std::f64::consts::PI;

use serde::Serialize;

/// Share of the air in the sphere around the disc that moves with it (Carpenter and Fridovich 1953).
const APPARENT_MASS_SHARE: f64 = 0.637;

/// a/b taken where only the net lead is known: sigma 0.1, lift slope 5 per rad, rotorcraft C_T 0.0135
/// give 1.38.
const USUAL_RATIO: f64 = 1.4;

/// Lead of thrust over rotor speed: (1 + zero s) / (1 + pole s).
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct InflowLead {
    /// Time constant of the numerator, s: that of the inflow at constant rotor thrust.
    pub zero: f64,
    /// Time constant of the denominator, s.
    pub pole: f64,
}

impl InflowLead {
    /// From the rotor's figures.
    ///
    /// `radius` m, `induced_speed` in hover m/s, `solidity` blade area over disc area, `lift_slope` per rad,
    /// `ct_rotor` = T / (rho A (Omega R)^2). No lead if a figure is not positive.
    pub fn from_rotor(
        radius: f64,
        induced_speed: f64,
        solidity: f64,
        lift_slope: f64,
        ct_rotor: f64,
    ) -> Self {
        let figures = [radius, induced_speed, solidity, lift_slope, ct_rotor];
        if figures.iter().any(|f| !(f.is_finite() && *f > 0.0)) {
            return Self { zero: 0.0, pole: 0.0 };
        }
        // m / (4 rho A v) with m = 0.637 rho (4/3) pi R^3 and A = pi R^2.
        let zero = APPARENT_MASS_SHARE * radius / (3.0 * induced_speed);
        let ratio = 1.0 + solidity * lift_slope / (8.0 * (2.0 * ct_rotor).sqrt());
        Self { zero, pole: zero / ratio }
    }

    /// From the net lead zero - pole, s, with the usual ratio of 1.4 between them. None for zero or less.
    pub fn from_net(lead: f64) -> Self {
        if !(lead.is_finite() && lead > 0.0) {
            return Self { zero: 0.0, pole: 0.0 };
        }
        let pole = lead / (USUAL_RATIO - 1.0);
        Self { zero: pole + lead, pole }
    }

    /// Lead at low frequency, s.
    pub fn net(&self) -> f64 {
        self.zero - self.pole
    }

    /// Solidity of a blade from its mean chord over radius.
    pub fn solidity(blades: u32, chord_over_radius: f64) -> f64 {
        f64::from(blades) * chord_over_radius / PI
    }
}
