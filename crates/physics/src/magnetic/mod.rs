//! Magnetic fields aboard: what the currents of the leads do to the compass.
//!
//! Leads are closed circuits of straight segments (law of Biot and Savart in closed form,
//! [`field`]); the two conductors run side by side or twisted ([`lead`]). The disturbance is held
//! against the horizontal field of the earth at the site (World Magnetic Model, [`earth`]).
//!
//! *Limits.* No iron: a shielding or magnetised part bends the field. Currents inside motors, ESCs and
//! cells are left out; keep the sensor a few of their sizes away. Constant fields are taken as removed by
//! calibration with the motors off.

pub mod earth;
pub mod field;
pub mod lead;

use serde::Serialize;

use crate::Vec3;

pub use earth::LocalField;
pub use lead::Lead;

/// What of an aircraft matters to the compass.
#[derive(Debug, Clone, PartialEq, Serialize, Default)]
pub struct Magnetic {
    /// Place of the magnetometer from the reference point, body axes, m.
    pub magnetometer: Option<Vec3>,
    /// Leads that carry motor current.
    pub leads: Vec<Lead>,
    /// Where sensors may go.
    pub siting: Option<SitingRoom>,
}

/// Where sensors may go.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct SitingRoom {
    /// One corner of the electronics bay, body axes, m.
    pub from: Vec3,
    /// The opposite corner.
    pub to: Vec3,
    /// Foot of a mast, body axes, m.
    pub mast_foot: Option<Vec3>,
    /// Highest mast, m.
    pub mast_height: f64,
    /// Antenna of the radio, where there is one.
    pub radio: Option<Vec3>,
    /// Least distance from the radio's antenna, m.
    pub clearance: f64,
}

impl Magnetic {
    /// Field at a point per ampere of battery current, body axes, T/A.
    pub fn per_ampere(&self, at: &Vec3) -> Vec3 {
        self.leads.iter().map(|l| l.field(at) * l.share).sum()
    }
}

/// Largest error of the heading in level flight, over all headings, rad: the disturbance's horizontal
/// part b turns the horizontal field H by at most asin(b/H); with b above H the heading is lost (pi).
pub fn heading_error(per_ampere: &Vec3, current: f64, horizontal: f64) -> f64 {
    let ratio = per_ampere.xy().norm() * current.abs() / horizontal.max(1e-12);
    if ratio < 1.0 { ratio.asin() } else { std::f64::consts::PI }
}
