//! A rotor from the geometry of its blade: blade-element momentum theory.
//!
//! *Equations.* At each annulus the forces of the blade elements equal the change of axial and of
//! angular momentum, with swirl, and with Prandtl's factor F for tip and root. In terms of the inflow
//! angle phi alone, W the local speed, s' = B c/(2 pi r), c_n and c_t the force coefficients along the
//! axis and against the turning:
//!
//!   W (sin phi - s' c_n/(4 F |sin phi|)) = V,   W (cos phi + s' c_t/(4 F |sin phi|)) = omega r.
//!
//! Dividing leaves one residual in phi (Ning 2014, Wind Energy 17, 1327-1345, whose idea of one
//! unknown in a guaranteed bracket this is), here multiplied by |sin phi|, so that it is regular in
//! hover:
//!
//!   omega r (sin phi |sin phi| - s' c_n/4F) - V |sin phi| (cos phi + s' c_t/(4 F |sin phi|)) = 0.
//!
//! (In the swirl alone |sin phi| is kept above 0.02.) At phi = 0 its sign is that of -c_n; below zero a
//! root lies in (0, pi/2), else in (-pi/2, 0). The bracket is never lost, and Chandrupatla's method
//! ends in it.
//!
//! *Descent.* V below 0: momentum theory gives way to the measured inflow of a rotor in vertical
//! descent, v/v_h = 1 - 1.125 x - 1.372 x^2 - 1.718 x^3 - 0.655 x^4 with x = V/v_h (Leishman,
//! Principles of Helicopter Aerodynamics, ch. 2; coefficients from memory, agree within 5 % with
//! NACA TN 2474 down to x = -1.26), taken annulus by annulus. Below x = -0.5 of the whole disc (from
//! memory, Johnson, Helicopter Theory, ch. 2: about where the vortex-ring state begins) the flow
//! is unsteady and the answer is [`Outside::VortexRing`].
//!
//! *Stall of a turning blade.* Lift of a separated section is raised towards attached lift by
//! 6 (c/r)^2 of the difference: the form of Snel, Houwink & Bosschers 1994 (ECN-C--93-052), whose
//! factor 3 was found on wind turbines; 6 was set here on development propellers, and fades over the
//! outer fifth of the blade and beyond an angle of 30 deg.
//!
//! *Limits.* A light disc: no wake contraction in the annuli, no unsteady flow, rigid blades (a thin
//! blade untwists under load), no sweep. Sections as [`crate::polar`] says; tip Mach below 0.7.

mod blade;
mod solve;

use std::f64::consts::{PI, TAU};

use serde::Serialize;

pub use blade::{Blade, BladeError, Station};
pub use solve::Radial;

use crate::atmosphere::Air;
use crate::polar::Section;
use crate::rotor::{Table, TableError, TableRow};

/// Elements that a rotor is cut into.
pub const ELEMENTS: usize = 20;
/// Descent speed over hover induced speed beyond which the vortex-ring state begins.
pub const VORTEX_RING: f64 = 0.5;

/// A rotor by its geometry.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct BladeRotor {
    /// Diameter, m.
    pub diameter: f64,
    /// Number of blades.
    pub blades: u32,
    /// Geometry.
    pub blade: Blade,
    /// Section.
    pub section: Section,
}

/// The rotor at one speed.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Solution {
    /// Thrust, N.
    pub thrust: f64,
    /// Torque on the shaft, N m.
    pub torque: f64,
    /// Power on the shaft, W.
    pub power: f64,
    /// C_T = T/(rho n^2 D^4).
    pub ct: f64,
    /// C_P = P/(rho n^3 D^5).
    pub cp: f64,
    /// Share of the blade area (weighted with the local dynamic pressure) that is separated.
    pub stalled: f64,
    /// From root to tip.
    pub radial: Vec<Radial>,
}

/// No answer.
#[derive(Debug, Clone, Copy, PartialEq, thiserror::Error)]
pub enum Outside {
    /// Descent in or near the vortex-ring state.
    #[error(
        "outside the model: descent at {ratio:.2} of the hover induced speed, beyond {VORTEX_RING} the rotor is in or near the vortex-ring state"
    )]
    VortexRing {
        /// Descent speed over hover induced speed.
        ratio: f64,
    },
    /// A number the model cannot use.
    #[error("outside the model: {what} is {value}")]
    Input {
        /// Which.
        what: &'static str,
        /// Its value.
        value: f64,
    },
}

impl BladeRotor {
    /// The rotor at a speed, rad/s, and a speed along its axis, m/s (climb positive), in air.
    ///
    /// # Errors
    /// A speed that is not above zero, or a descent outside the model.
    pub fn solve(&self, speed: f64, axial: f64, air: &Air) -> Result<Solution, Outside> {
        let usable = |what, value: f64, good: bool| {
            if value.is_finite() && good { Ok(()) } else { Err(Outside::Input { what, value }) }
        };
        usable("rotor speed (rad/s)", speed, speed > 0.0)?;
        usable("axial speed (m/s)", axial, true)?;
        usable("diameter (m)", self.diameter, self.diameter > 0.0)?;
        usable("number of blades", f64::from(self.blades), self.blades > 0)?;
        usable("density (kg/m^3)", air.density, air.density > 0.0)?;
        let tip = 0.5 * self.diameter;
        let n = speed / TAU;
        let elements = self.blade.elements(ELEMENTS);
        let mut radial = Vec::with_capacity(elements.len());
        let (mut thrust, mut torque, mut loose, mut area) = (0.0, 0.0, 0.0, 0.0);
        for e in &elements {
            let r = solve::annulus(self, e, speed, axial, air);
            let dr = e.width * tip;
            thrust += r.thrust_per_length * dr;
            torque += r.torque_per_length * dr;
            let weight = r.radius * r.radius * e.chord * dr;
            loose += r.separated * weight;
            area += weight;
            radial.push(r);
        }
        if axial < 0.0 {
            let induced = (thrust.max(0.0) / (2.0 * air.density * PI * tip * tip)).sqrt();
            let ratio = -axial / induced;
            if ratio.is_nan() || ratio > VORTEX_RING {
                return Err(Outside::VortexRing { ratio });
            }
        }
        let power = torque * speed;
        Ok(Solution {
            thrust,
            torque,
            power,
            ct: thrust / (air.density * n.powi(2) * self.diameter.powi(4)),
            cp: power / (air.density * n.powi(3) * self.diameter.powi(5)),
            stalled: if area > 0.0 { loose / area } else { 0.0 },
            radial,
        })
    }

    /// C_T and C_P by rotor speed, rad/s, and advance ratio, in air: what the rest of the models take.
    /// A speed of the blade's tip above Mach 0.7 is left out.
    ///
    /// # Errors
    /// Speeds or advance ratios that make no table.
    pub fn table(&self, speeds: &[f64], advance: &[f64], air: &Air) -> Result<Table, TableError> {
        let mut rows = Vec::new();
        for &speed in speeds.iter().filter(|s| 0.5 * self.diameter * **s < 0.7 * air.sound_speed) {
            for &j in advance {
                let axial = j * speed / TAU * self.diameter;
                if let Ok(s) = self.solve(speed, axial, air) {
                    rows.push(TableRow { speed, advance: j, ct: s.ct, cp: s.cp });
                }
            }
        }
        Table::from_rows(&rows)
    }
}
