//! Structure: natural frequencies of arms, mast and plates, the sensor's isolator, and how far they
//! keep from what the rotors excite.
//!
//! *Arm.* A slender beam (Euler and Bernoulli) with an elastic root and the motor, propeller and
//! whatever else stands at the hub as a point mass at its tip; solved exactly ([`beam`]). The
//! aircraft flies free: arms that swing together move the hub against them, so that every pattern
//! of the arms has a frequency of its own ([`frame`]). *Mast.* The same beam on a body that does not
//! move. *Plate.* A thin rectangular plate with a mass at its middle, by Ritz's method ([`plate`]).
//! *Mount.* A single mass on a spring with damping ([`isolator`]). *Rotor-speed diagram.* Orders of
//! the rotor against modes ([`diagram`]).
//!
//! *Limits of the models.* No shear deformation or rotary inertia of the beam (error below 1 % where
//! the length is over ten times the depth), no gyroscopic moments of the rotors on the arm, no
//! folding joints with play, arms of one length; a plate carries one mass and no stand-offs between
//! its edges.

pub mod beam;
pub mod diagram;
pub mod frame;
pub mod isolator;
pub mod material;
pub mod plate;
pub mod section;

use serde::Serialize;

pub use material::Material;
pub use plate::Edges;
pub use section::Section;

/// What carries the rotors and the sensors. A part that is not known is `None`.
#[derive(Debug, Clone, PartialEq, Serialize, Default)]
pub struct Structure {
    /// The arm, the same at every station.
    pub arm: Option<Arm>,
    /// The mast that carries a sensor above the body.
    pub mast: Option<Mast>,
    /// The plate that carries the electronics.
    pub plate: Option<Plate>,
    /// How the inertial measurement unit is held.
    pub mount: Option<Mount>,
}

/// An arm from the body to a hub.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Arm {
    /// Cross-section.
    pub section: Section,
    /// Free length from the root to the hub, m.
    pub length: f64,
    /// Material.
    pub material: Material,
    /// Rotational stiffness of the root about the axis of bending, N m/rad.
    pub root_stiffness: f64,
    /// Height of the rotor's hub above the arm's axis, m.
    pub hub_height: f64,
    /// Damping ratio of its lowest mode.
    pub damping: f64,
}

/// A mast with a sensor on it.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Mast {
    /// Cross-section.
    pub section: Section,
    /// Length from the root to the sensor, m.
    pub length: f64,
    /// Material.
    pub material: Material,
    /// Rotational stiffness of the root, N m/rad.
    pub root_stiffness: f64,
    /// Mass of the sensor with its holder, kg.
    pub tip_mass: f64,
}

impl Mast {
    /// Lowest natural frequency, Hz.
    pub fn frequency(&self) -> Option<f64> {
        beam::Beam {
            stiffness: self.material.youngs_modulus * self.section.second_moment().0,
            mass_per_length: self.material.density * self.section.area(),
            length: self.length,
            root_stiffness: self.root_stiffness,
            tip_mass: self.tip_mass,
        }
        .lowest(beam::Root::Fixed)
    }
    /// The same mast at another height.
    #[must_use]
    pub fn at_height(&self, length: f64) -> Self {
        Self { length, ..self.clone() }
    }
}

/// A plate that carries the electronics.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Plate {
    /// Sides, m.
    pub sides: [f64; 2],
    /// Thickness, m.
    pub thickness: f64,
    /// Material.
    pub material: Material,
    /// How its edges are held.
    pub edges: Edges,
    /// Mass carried at its middle, kg.
    pub carried: f64,
}

/// How the inertial measurement unit is held.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
#[serde(rename_all = "lowercase", tag = "kind")]
pub enum Mount {
    /// Screwed or glued: moves with the body.
    Hard,
    /// On an isolator.
    Soft {
        /// Natural frequency, Hz.
        frequency: f64,
        /// Damping ratio.
        damping: f64,
    },
}
