//! One annulus.

use std::f64::consts::{FRAC_PI_2, PI};

use serde::Serialize;

use super::BladeRotor;
use super::blade::Element;
use crate::atmosphere::Air;
use crate::root::root;

/// State of the flow at one element.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize)]
pub struct Radial {
    /// Radius over tip radius.
    pub radius: f64,
    /// Angle of attack, rad.
    pub alpha: f64,
    /// Inflow angle, rad.
    pub inflow_angle: f64,
    /// Lift coefficient, with stall delay.
    pub lift: f64,
    /// Drag coefficient.
    pub drag: f64,
    /// Reynolds number on the chord.
    pub reynolds: f64,
    /// Induced speed along the axis, m/s.
    pub induced: f64,
    /// Swirl at the disc, m/s.
    pub swirl: f64,
    /// Thrust of all blades per length, N/m.
    pub thrust_per_length: f64,
    /// Torque of all blades per length, N.
    pub torque_per_length: f64,
    /// Share of separation.
    pub separated: f64,
}

/// Factor of (c/r)^2 in the stall delay.
const STALL_DELAY: f64 = 6.0;
/// Least of Prandtl's factor: keeps a residual finite at the very tip.
const LEAST_LOSS: f64 = 1e-4;
/// Least |sin phi| in the swirl: a rotor at rest that gives no thrust carries no swirl away, and its
/// swirl would grow without bound.
const LEAST_SIN: f64 = 0.02;
/// Width of the bracket at which an inflow angle is settled, rad.
const TOLERANCE: f64 = 1e-10;

struct Forces {
    sin: f64,
    cos: f64,
    normal: f64,
    tangential: f64,
    lift: f64,
    drag: f64,
    loss: f64,
    separated: f64,
}

/// Prandtl's factor for tip and root.
fn loss(blades: f64, x: f64, root: f64, sin: f64) -> f64 {
    let one = |gap: f64, at: f64| {
        let f = 0.5 * blades * gap / (at * sin.max(1e-9));
        2.0 / PI * (-f.min(700.0)).exp().acos()
    };
    (one(1.0 - x, x) * one(x - root, root)).max(LEAST_LOSS)
}

/// Induced over hover induced speed in descent, x = V/v_h below 0.
fn descent_inflow(x: f64) -> f64 {
    if x >= -2.0 {
        1.0 + x * (-1.125 + x * (-1.372 + x * (-1.718 - 0.655 * x)))
    } else {
        -0.5 * x - (0.25 * x * x - 1.0).sqrt()
    }
}

pub(super) fn annulus(rotor: &BladeRotor, e: &Element, speed: f64, axial: f64, air: &Air) -> Radial {
    let tip = 0.5 * rotor.diameter;
    let blades = f64::from(rotor.blades);
    let x = e.radius;
    let turning = speed * tip * x;
    let chord = e.chord * tip;
    let solidity = blades * e.chord / (2.0 * PI * x);
    let free = turning.hypot(axial);
    let reynolds = air.density * free * chord / air.viscosity;
    let local = rotor.section.local(reynolds, free / air.sound_speed);
    let root_radius = rotor.blade.root();
    let delay = (STALL_DELAY * (e.chord / x).powi(2)).min(1.0) * ((1.0 - x) / 0.2).clamp(0.0, 1.0);
    let forces = |phi: f64| -> Forces {
        let alpha = e.twist - phi;
        let c = local.at(alpha);
        let mut lift = c.lift;
        if c.attached > 0.0 {
            let fade = ((50_f64.to_radians() - alpha) / 20_f64.to_radians()).clamp(0.0, 1.0);
            lift += delay * c.separated * fade * (c.attached.min(2.5) - c.lift).max(0.0);
        }
        let (sin, cos) = phi.sin_cos();
        Forces {
            sin,
            cos,
            normal: lift * cos - c.drag * sin,
            tangential: lift * sin + c.drag * cos,
            lift,
            drag: c.drag,
            loss: loss(blades, x, root_radius, sin.abs()),
            separated: c.separated,
        }
    };
    let climb = |phi: f64| {
        let f = forces(phi);
        let k = solidity / (4.0 * f.loss);
        let sin = f.sin.abs();
        turning * (f.sin * sin - k * f.normal) - axial * sin * (f.cos + k * f.tangential / sin.max(LEAST_SIN))
    };
    // In descent: local speed, then what the measured inflow leaves over.
    let local_speed = |f: &Forces| {
        let swirl = solidity * f.tangential / (4.0 * f.loss * f.sin.abs().max(LEAST_SIN));
        turning / (f.cos + swirl).max(1e-3)
    };
    let induced = |f: &Forces, w: f64| {
        let hover = (solidity * f.normal.max(0.0) / (4.0 * f.loss)).sqrt() * w;
        if hover > 0.0 { hover * descent_inflow(axial / hover) } else { 0.0 }
    };
    let descent = |phi: f64| {
        let f = forces(phi);
        let w = local_speed(&f);
        w * f.sin - axial - induced(&f, w)
    };
    let (low, high) = (-FRAC_PI_2, FRAC_PI_2);
    let phi = if axial < 0.0 {
        let middle = descent(0.0);
        let other = if middle < 0.0 { high } else { low };
        root(descent, (0.0, middle), (other, descent(other)), TOLERANCE)
    } else {
        let middle = climb(0.0);
        let other = if middle < 0.0 { high } else { low };
        root(climb, (0.0, middle), (other, climb(other)), TOLERANCE)
    };
    let phi = phi.unwrap_or_else(|| axial.atan2(turning));
    let f = forces(phi);
    let (w, swirl) = if axial < 0.0 {
        let w = local_speed(&f);
        (w, w * f.cos - turning)
    } else {
        let k = solidity * f.tangential / (4.0 * f.loss * f.sin.abs().max(LEAST_SIN));
        let w = turning / (f.cos + k).max(1e-6);
        (w, k * w)
    };
    let pressure = 0.5 * air.density * w * w * blades * chord;
    Radial {
        radius: x,
        alpha: e.twist - phi,
        inflow_angle: phi,
        lift: f.lift,
        drag: f.drag,
        reynolds,
        induced: w * f.sin - axial,
        swirl: swirl.abs(),
        thrust_per_length: pressure * f.normal,
        torque_per_length: pressure * f.tangential * x * tip,
        separated: f.separated,
    }
}
