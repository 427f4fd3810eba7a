//! Blade sections: lift and drag by angle of attack, Reynolds and Mach number, past stall.
//!
//! Either a family of sections ([`Family`], a smooth model whose few numbers were set on measured
//! propellers) or a polar table of the user's own ([`PolarTable`]). Both give, besides C_l and C_d,
//! the lift that the attached flow would have: the stall delay of a turning blade starts from it.

mod family;
mod measured;

use serde::Serialize;

pub use family::Family;
pub use measured::{PolarError, PolarRow, PolarTable};

/// Drag coefficient of a flat plate across the flow, two-dimensional (Hoerner, Fluid-Dynamic Drag,
/// 1965, ch. 3: 1.98).
pub const FLAT_PLATE_DRAG: f64 = 1.98;

/// Section of a blade, the same at every station.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Section {
    /// One of the families.
    Family(Family),
    /// The user's own polars.
    Table(PolarTable),
}

/// Coefficients at one angle of attack.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Coefficients {
    /// Lift coefficient.
    pub lift: f64,
    /// Drag coefficient.
    pub drag: f64,
    /// Lift coefficient that attached flow would give.
    pub attached: f64,
    /// Share of separation, 0 (attached) to 1.
    pub separated: f64,
}

/// A section at one Reynolds and Mach number: what a solver asks again and again.
#[derive(Debug, Clone, Copy)]
pub enum Local<'a> {
    /// Of a family.
    Family(family::Local),
    /// Between two polars of a table.
    Table(measured::Local<'a>),
}

impl Section {
    /// The section at a Reynolds number on the chord and a Mach number.
    pub fn local(&self, reynolds: f64, mach: f64) -> Local<'_> {
        match self {
            Self::Family(family) => Local::Family(family.local(reynolds, mach)),
            Self::Table(table) => Local::Table(table.local(reynolds, mach)),
        }
    }

    /// Standard uncertainty of static C_T and C_P of a propeller with this section, relative.
    pub fn static_uncertainty(&self) -> (f64, f64) {
        match self {
            Self::Family(family) => family.static_uncertainty(),
            // Geometry alone: the section is known, twist and chord are measured to about a degree.
            Self::Table(_) => Family::Thin.static_uncertainty(),
        }
    }
}

impl Local<'_> {
    /// Coefficients at an angle of attack, rad.
    pub fn at(&self, alpha: f64) -> Coefficients {
        match self {
            Self::Family(local) => local.at(alpha),
            Self::Table(local) => local.at(alpha),
        }
    }
}

/// Prandtl-Glauert factor on the lift slope, held above Mach 0.7, where it no longer holds.
fn compressibility(mach: f64) -> f64 {
    let mach = mach.clamp(0.0, 0.7);
    1.0 / (1.0 - mach * mach).sqrt()
}
