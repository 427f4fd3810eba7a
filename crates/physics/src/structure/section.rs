//! Cross-sections: area, second moments of area, torsion constant (standard handbook formulas,
//! such as Young and Budynas, *Roark's Formulas for Stress and Strain*, 7th ed., tables A.1 and 10.1;
//! from memory).

use std::f64::consts::PI;

use serde::Serialize;

/// A cross-section.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
#[serde(rename_all = "lowercase", tag = "shape")]
pub enum Section {
    /// A round tube.
    Tube {
        /// Outer diameter, m.
        outer: f64,
        /// Wall, m; half the diameter is a solid rod.
        wall: f64,
    },
    /// A solid rectangle.
    Rectangle {
        /// Side across, horizontal, m.
        width: f64,
        /// Side up and down, m.
        height: f64,
    },
}

impl Section {
    /// Area, m^2.
    pub fn area(&self) -> f64 {
        match *self {
            Self::Tube { outer, wall } => {
                let inner = (outer - 2.0 * wall).max(0.0);
                0.25 * PI * (outer * outer - inner * inner)
            }
            Self::Rectangle { width, height } => width * height,
        }
    }

    /// Second moment of area for bending up and down, and for bending sideways, m^4.
    pub fn second_moment(&self) -> (f64, f64) {
        match *self {
            Self::Tube { outer, wall } => {
                let inner = (outer - 2.0 * wall).max(0.0);
                let i = PI / 64.0 * (outer.powi(4) - inner.powi(4));
                (i, i)
            }
            Self::Rectangle { width, height } => {
                (width * height.powi(3) / 12.0, height * width.powi(3) / 12.0)
            }
        }
    }

    /// Torsion constant, m^4: the polar moment of a tube; for a rectangle of sides a >= b
    /// a b^3 (1/3 - 0.21 (b/a) (1 - (b/a)^4/12)).
    pub fn torsion_constant(&self) -> f64 {
        match *self {
            Self::Tube { .. } => 2.0 * self.second_moment().0,
            Self::Rectangle { width, height } => {
                let (a, b) = (width.max(height), width.min(height));
                let r = b / a.max(1e-12);
                a * b.powi(3) * (1.0 / 3.0 - 0.21 * r * (1.0 - r.powi(4) / 12.0))
            }
        }
    }

    /// The same shape with all dimensions times a factor.
    #[must_use]
    pub fn scaled(&self, factor: f64) -> Self {
        match *self {
            Self::Tube { outer, wall } => Self::Tube { outer: outer * factor, wall: wall * factor },
            Self::Rectangle { width, height } => {
                Self::Rectangle { width: width * factor, height: height * factor }
            }
        }
    }
}
