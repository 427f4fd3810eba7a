//! A rotor with air along its disc: forward flight and wind.
//!
//! Coefficients on tip speed and disc area (C_T = T/(rho A (omega R)^2)). Blade elements with uniform
//! inflow and rigid blades (Leishman, Principles of Helicopter Aerodynamics, ch. 3; Bramwell, ch. 3):
//!
//! - C_T = K1 (1 + 3/2 mu^2) - K2 lambda, lambda = lambda_c + lambda_i,
//! - lambda_i = C_T / (2 sqrt(mu^2 + lambda^2)) (Glauert 1926, ARC R&M 1111),
//! - in-plane force C_H = 3/2 K1 lambda mu + 2 C_P0 mu,
//! - shaft power C_P = C_T (lambda_c + kappa lambda_i) + C_P0 (1 + 4.65 mu^2) - C_H mu (4.65: Bennett
//!   1940, radial flow included; the in-plane force's own power is paid by the thrust that balances it).
//!
//! K1, K2 and C_P0 come from the rotor as it is known along its axis, at the advance ratio J of the axial part of
//! the flow (at rest where that is a descent) and 0.15 above it: C_T and its slope over the inflow there, and
//! C_P0 = C_P - C_T (lambda_c + kappa lambda_i) with kappa = 1.15, which is lowered where it would leave C_P0 below a
//! tenth of what is not climb power. Without air along the disc the rotor is so exactly what is known of it. A rotor of
//! which nothing is known along the axis follows the law for its pitch, or for pitch/diameter 0.5.
//!
//! *Limits.* mu up to about 0.35; no reversed flow, no stall of the retreating side, no flapping; rotors
//! do not disturb each other. Without axial flow through the disc (a descent along the axis in still
//! air) the momentum balance fails as in [`crate::bem`].

use std::f64::consts::PI;

use serde::Serialize;

use crate::interference::LOWER_INFLOW;
use crate::root::root;
use crate::rotor::{INDUCED_FACTOR, Rotor, USUAL_PITCH};

/// Growth of profile power with the square of the advance ratio (Bennett 1940).
pub const PROFILE_GROWTH: f64 = 4.65;
/// Advance ratio mu up to which the model is meant.
pub const LARGEST_MU: f64 = 0.35;
/// J over which the slope of C_T along the axis is taken.
const SLOPE_ADVANCE: f64 = 0.15;

/// Largest K2: sigma a/4 of blades with a lift slope of 2 pi at a solidity of 0.32.
const STEEPEST: f64 = 0.5;

/// A rotor in oblique flow.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize)]
pub struct Flow {
    /// Thrust along the axis, N, less the download on what stands in the wake.
    pub thrust: f64,
    /// Thrust of the rotor itself, N.
    pub disc_thrust: f64,
    /// Force in the plane of the disc, against the motion, N.
    pub in_plane: f64,
    /// Torque on the shaft, N m.
    pub torque: f64,
    /// Shaft power, W.
    pub power: f64,
    /// Part of it that makes the induced flow, W.
    pub induced_power: f64,
    /// Part of it that overcomes the drag of the blades, W.
    pub profile_power: f64,
    /// Induced speed, m/s.
    pub induced_speed: f64,
    /// In-plane speed over tip speed.
    pub mu: f64,
}

/// K1, K2, C_P0 and kappa at a rotor speed and an axial inflow over the tip speed.
pub(crate) fn constants(rotor: &Rotor, speed: f64, climb: f64) -> [f64; 4] {
    let (ct_scale, cp_scale) = (4.0 / PI.powi(3), 4.0 / PI.powi(4));
    let at = |advance: f64| {
        let (ct, cp) = rotor.along_axis(speed, advance);
        (ct * ct_scale, cp * cp_scale)
    };
    let through = |ct: f64, climb: f64| {
        let half = 0.5 * climb;
        half + (half * half + 0.5 * ct.max(0.0)).sqrt()
    };
    let slope = |advance: f64, ct: f64| {
        let moving = at(advance + SLOPE_ADVANCE).0;
        let inflow = |ct: f64, advance: f64| through(ct, advance / PI);
        let slope = (ct - moving) / (inflow(moving, advance + SLOPE_ADVANCE) - inflow(ct, advance));
        (slope.is_finite() && slope > 0.0).then_some(slope.min(STEEPEST))
    };
    let climb = climb.max(0.0);
    let advance = PI * climb;
    let (ct, cp) = at(advance);
    let k2 = slope(advance, ct).or_else(|| slope(0.0, at(0.0).0)).unwrap_or_else(|| {
        // A table that says nothing of it: no thrust at J = 1.25 pitch/D.
        let ct = at(0.0).0.max(1e-9);
        let hover = (0.5 * ct).sqrt();
        ct / (1.25 * USUAL_PITCH / PI - hover).max(0.5 * hover)
    });
    let inflow = through(ct, climb);
    let induced = (inflow - climb) * ct.max(0.0);
    let rest = cp - ct * climb;
    let kappa =
        if induced > 0.0 { INDUCED_FACTOR.min(0.9 * rest / induced).max(0.0) } else { INDUCED_FACTOR };
    [ct + k2 * inflow, k2, rest - kappa * induced, kappa]
}

/// C_T, K1 and K2 at rest (on tip speed and disc area) at a rotor speed, rad/s.
pub(crate) fn at_rest(rotor: &Rotor, speed: f64) -> [f64; 3] {
    let [k1, k2, ..] = constants(rotor, speed, 0.0);
    [rotor.along_axis(speed, 0.0).0 * 4.0 / PI.powi(3), k1, k2]
}

/// Share of the thrust lost as download, with the flow through the disc and along it (in any one unit): the
/// stated share times the cosine of the wake's skew, since a wake that is swept back leaves the arm (our
/// assumption).
fn download(rotor: &Rotor, through: f64, along: f64) -> f64 {
    let swept = through.hypot(along);
    if swept > 0.0 { rotor.download * (through / swept).max(0.0) } else { rotor.download }
}

/// The rotor at a speed, rad/s, with air along the disc, m/s, and along the axis, m/s (climb positive),
/// at a density, kg/m^3.
pub fn flow(rotor: &Rotor, speed: f64, in_plane: f64, axial: f64, density: f64) -> Flow {
    let tip = 0.5 * rotor.diameter * speed;
    if tip.is_nan() || tip <= 0.0 {
        return Flow::default();
    }
    let (mu, climb) = (in_plane.abs() / tip, axial / tip);
    let [k1, k2, profile, kappa] = constants(rotor, speed, climb);
    let thrust = |induced: f64| k1 * (1.0 + 1.5 * mu * mu) - k2 * (climb + induced);
    let excess = |induced: f64| induced * mu.hypot(climb + induced) - 0.5 * thrust(induced);
    // At most the inflow that leaves no thrust.
    let most = k1 * (1.0 + 1.5 * mu * mu) / k2 - climb;
    let induced = if most > 0.0 {
        root(excess, (0.0, excess(0.0)), (most, excess(most)), 1e-12).unwrap_or(0.0)
    } else {
        0.0
    };
    let ct = thrust(induced);
    let (through, area) = (climb + induced, rotor.disc_area());
    let ch = (1.5 * k1 * through + 2.0 * profile) * mu;
    let (induced_part, profile_part) = (kappa * induced * ct, profile * (1.0 + PROFILE_GROWTH * mu * mu));
    let cp = ct * climb + induced_part + profile_part - ch * mu;
    let force = density * area * tip * tip;
    Flow {
        thrust: force * ct * (1.0 - download(rotor, through, mu)),
        disc_thrust: force * ct,
        in_plane: force * ch,
        torque: force * cp * 0.5 * rotor.diameter,
        power: force * cp * tip,
        induced_power: force * induced_part * tip,
        profile_power: force * profile_part * tip,
        induced_speed: induced * tip,
        mu,
    }
}

/// Rotor speed, rad/s, that gives a thrust, N, in oblique flow; `None` where there is none.
///
/// The thrust sets the induced speed by momentum alone, so that the speed is one root with the inflow known.
pub fn speed_for_thrust(rotor: &Rotor, thrust: f64, in_plane: f64, axial: f64, density: f64) -> Option<f64> {
    speed_in(rotor, thrust, [in_plane, axial], density, 0.0)
}

/// The same for the lower rotor of a coaxial pair, through which more flows ([`crate::interference::LOWER_INFLOW`]).
pub fn lower_speed_for_thrust(
    rotor: &Rotor,
    thrust: f64,
    in_plane: f64,
    axial: f64,
    density: f64,
) -> Option<f64> {
    speed_in(rotor, thrust, [in_plane, axial], density, LOWER_INFLOW)
}

/// With a flow through the disc beyond its induced speed, over that speed.
fn speed_in(
    rotor: &Rotor,
    thrust: f64,
    [in_plane, axial]: [f64; 2],
    density: f64,
    beyond: f64,
) -> Option<f64> {
    let still = rotor.speed_for_thrust(thrust, 0.0, density).filter(|s| *s > 0.0)?;
    let area = rotor.disc_area();
    // What the disc carries, download included, at most.
    let disc = |v: f64| thrust / (1.0 - download(rotor, axial + v, in_plane));
    let half_load = 0.5 / (density * area);
    let balance = |v: f64| v * in_plane.hypot(axial + v) - half_load * disc(v);
    let square = half_load * disc(0.0);
    // A little beyond the inflow of a hover, so that rounding leaves the bracket whole.
    let most = 1.001 * (half_load * thrust / (1.0 - rotor.download)).sqrt() + axial.abs();
    let induced = root(balance, (0.0, -square), (most, balance(most)), 1e-12 * most)?;
    let over = |speed: f64| {
        let tip = 0.5 * rotor.diameter * speed;
        let [k1, k2, ..] = constants(rotor, speed, axial / tip);
        let mu = in_plane / tip;
        let ct = k1 * (1.0 + 1.5 * mu * mu) - k2 * (axial + (1.0 + beyond) * induced) / tip;
        density * area * tip * tip * ct / disc(induced) - 1.0
    };
    let (mut low, mut high) = (0.7 * still, 1.3 * still);
    for _ in 0..40 {
        if over(low) <= 0.0 {
            break;
        }
        low *= 0.6;
    }
    for _ in 0..40 {
        if over(high) >= 0.0 {
            break;
        }
        high *= 1.3;
    }
    root(over, (low, over(low)), (high, over(high)), 1e-9 * still)
}
