//! Families of sections, for propellers whose section is not known.
//!
//! One smooth model for all: attached lift a (alpha - alpha_0) with the Prandtl-Glauert factor, a
//! share of separation that grows over a few degrees about the stall angle (a logistic in angle, as
//! the trailing-edge separation point of Kirchhoff flow does), flat-plate forces
//! 1.98 sin cos and 1.98 sin^2 (Hoerner 1965) where separated, and attached drag
//! C_d0 + k (C_l - C_l0)^2. With the Reynolds number Re on the chord, q = ln(Re/10^5):
//! a, alpha_0, the lift at stall and C_d0 follow a power law e^(m q) each, q held from ln 0.1 to ln 5.
//!
//! *Where the numbers come from.* The shape (slope, exponents, drag bucket, width of the stall) is
//! common to the four cambered families; zero-lift angle, stall and C_d0 are per family. All were set
//! by least squares on 44 of 80 propellers of the UIUC Propeller Data Site (volumes 1 and 2, Brandt &
//! Selig, AIAA 2011-1255), static and advancing rows; the 36 others were held back. Angles count from
//! the chord line as the site's geometry files do, so that what those measure differently from a true
//! chord line is in alpha_0. They are effective values for a turning blade at Re 20 000 to 130 000,
//! not wind-tunnel polars of any section: the lift at stall stands for the middle of the separation,
//! and the greatest lift is about 0.72 of it.
//!
//! *Symmetric* is NACA 0015 after the section tests in NACA TN 626 (Knight & Hefner 1937, tables V
//! and VI, Re 242 000): slope 5.75, C_d0 0.0113, C_d rising as 0.75 alpha^2, greatest lift 0.91; the
//! exponents are those of the others and an assumption here.
//!
//! *Unknown* is one section for all: what to take when nothing is known but chord and twist.

use serde::Serialize;

use super::{Coefficients, FLAT_PLATE_DRAG, compressibility};

/// Family of sections.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Family {
    /// Thin, strongly cambered, wide chord: slow-flight propellers, curved like a sheet.
    ThinCambered,
    /// Thin with a nearly flat underside: most propellers meant for electric drive.
    Thin,
    /// Thick and cambered: moulded sport propellers.
    ThickCambered,
    /// Thick with a flat underside: wooden and simple moulded sport propellers.
    ThickFlat,
    /// Symmetric (NACA 0015).
    Symmetric,
    /// Nothing known.
    Unknown,
}

/// Numbers of a family at Re 10^5.
struct Numbers {
    /// Lift slope, 1/rad, and its exponent.
    slope: (f64, f64),
    /// Zero-lift angle, rad, and its exponent.
    zero: (f64, f64),
    /// Lift at the middle of the separation, and its exponent.
    stall: (f64, f64),
    /// Width of the stall, rad.
    width: f64,
    /// Least drag, and its exponent (negative: falls with Re).
    drag: (f64, f64),
    /// Growth of drag with lift, and the lift of least drag.
    bucket: (f64, f64),
    /// Drag added where separated, per sin cos of the angle of attack.
    partial: f64,
}

/// The shape common to the cambered families.
const fn cambered(zero: f64, stall: f64, drag: f64) -> Numbers {
    Numbers {
        slope: (6.228, 0.080_5),
        zero: (zero, 0.235),
        stall: (stall, 0.156),
        width: 0.028_5,
        drag: (drag, -0.675),
        bucket: (0.067_8, 0.601),
        partial: 0.325,
    }
}

const THIN_CAMBERED: Numbers = cambered(-0.101_5, 1.716, 0.020_0);
const THIN: Numbers = cambered(-0.057_2, 1.743, 0.019_0);
const THICK_CAMBERED: Numbers = cambered(-0.060_9, 1.915, 0.029_0);
const THICK_FLAT: Numbers = cambered(-0.040_5, 1.796, 0.022_0);
const UNKNOWN: Numbers = cambered(-0.063_9, 1.765, 0.020_8);
const SYMMETRIC: Numbers = Numbers {
    slope: (5.6, 0.03),
    zero: (0.0, 0.0),
    stall: (1.10, 0.156),
    width: 0.028,
    drag: (0.020_5, -0.675),
    bucket: (0.022_7, 0.0),
    partial: 0.325,
};

/// Reynolds numbers between which the power laws are taken.
const REYNOLDS: (f64, f64) = (1e4, 5e5);
/// Standard uncertainty of static C_T and C_P, relative: of the four families and of the rest.
const FAMILY_UNCERTAINTY: (f64, f64) = (0.076_5, 0.076_5);
const UNKNOWN_UNCERTAINTY: (f64, f64) = (0.095, 0.112);

impl Family {
    /// All families.
    pub const ALL: [Self; 6] = [
        Self::ThinCambered,
        Self::Thin,
        Self::ThickCambered,
        Self::ThickFlat,
        Self::Symmetric,
        Self::Unknown,
    ];

    /// Name as written in an aircraft file.
    pub fn word(self) -> &'static str {
        match self {
            Self::ThinCambered => "thin-cambered",
            Self::Thin => "thin",
            Self::ThickCambered => "thick-cambered",
            Self::ThickFlat => "thick-flat",
            Self::Symmetric => "symmetric",
            Self::Unknown => "unknown",
        }
    }

    /// The family of a name.
    pub fn named(word: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|family| family.word() == word)
    }

    /// Standard uncertainty of static C_T and C_P, relative.
    ///
    /// Of the four families 7.65 %, so that 95 % lie within +-15 %: left out of the fit in four turns, the
    /// development propellers scatter by 7.7 % in C_T and 8.1 % in C_P (95 % within 15.3 and 14.6 %). A
    /// good part of it is the geometry: a twist read 1 deg wrong moves C_T by some 6 %. Without a family
    /// 9.5 and 11.2 %, from the scatter of the development propellers about one section for all.
    pub fn static_uncertainty(self) -> (f64, f64) {
        match self {
            Self::Symmetric | Self::Unknown => UNKNOWN_UNCERTAINTY,
            _ => FAMILY_UNCERTAINTY,
        }
    }

    fn numbers(self) -> &'static Numbers {
        match self {
            Self::ThinCambered => &THIN_CAMBERED,
            Self::Thin => &THIN,
            Self::ThickCambered => &THICK_CAMBERED,
            Self::ThickFlat => &THICK_FLAT,
            Self::Symmetric => &SYMMETRIC,
            Self::Unknown => &UNKNOWN,
        }
    }

    /// The section at a Reynolds and a Mach number.
    pub(super) fn local(self, reynolds: f64, mach: f64) -> Local {
        let n = self.numbers();
        let q = (reynolds.clamp(REYNOLDS.0, REYNOLDS.1) / 1e5).ln();
        let power = |(at, exponent): (f64, f64)| at * (exponent * q).exp();
        let (slope, zero, stall) = (power(n.slope), power(n.zero), power(n.stall));
        Local {
            slope: slope * compressibility(mach),
            zero,
            stall: zero + stall / slope,
            negative_stall: zero - 0.8 * stall / slope,
            width: n.width,
            drag: power(n.drag),
            bucket: n.bucket,
            partial: n.partial,
        }
    }
}

/// A family at one Reynolds and Mach number.
#[derive(Debug, Clone, Copy)]
pub struct Local {
    slope: f64,
    zero: f64,
    stall: f64,
    negative_stall: f64,
    width: f64,
    drag: f64,
    bucket: (f64, f64),
    partial: f64,
}

impl Local {
    /// Coefficients at an angle of attack, rad.
    pub(super) fn at(&self, alpha: f64) -> Coefficients {
        let attached = self.slope * (alpha - self.zero);
        let logistic = |x: f64| 1.0 / (1.0 + x.clamp(-40.0, 40.0).exp());
        // Far from one stall angle the other's share is one.
        let held = if alpha > self.zero {
            logistic((alpha - self.stall) / self.width)
        } else {
            logistic((self.negative_stall - alpha) / self.width)
        };
        let loose = 1.0 - held;
        let (sin, cos) = alpha.sin_cos();
        let off = attached.clamp(-2.0, 2.5) - self.bucket.1;
        let plate = FLAT_PLATE_DRAG * sin;
        Coefficients {
            lift: held * attached + loose * plate * cos,
            drag: self.drag
                + held * self.bucket.0 * off * off
                + loose * (plate * sin + self.partial * (sin * cos).abs()),
            attached,
            separated: loose,
        }
    }
}
