//! Fields of straight segments and dipoles, closed forms (Jackson, *Classical Electrodynamics*, 3rd ed.,
//! sections 5.2 and 5.6; from memory).

use crate::Vec3;

/// mu_0/(4 pi), T m/A. 1e-7 to nine digits (CODATA 2018: mu_0 = 1.256 637 062 12e-6 N/A^2).
pub const MU0_OVER_4PI: f64 = 1.000_000_000_55e-7;
/// Inside a conductor the formula has no meaning: nearer than this the field is that at this distance, m.
const NEAREST: f64 = 1e-4;

/// Field of a current of one ampere in a straight segment from `a` to `b`, T/A.
///
/// B = mu_0/(4 pi) (r1 + r2)/(r1 r2 (r1 r2 + r1.r2)) r1 x r2, with r1 and r2 from the ends to the point.
pub fn segment(a: &Vec3, b: &Vec3, at: &Vec3) -> Vec3 {
    let (r1, r2) = (at - a, at - b);
    let (d1, d2) = (r1.norm(), r2.norm());
    let along = b - a;
    let length = along.norm();
    let cross = r1.cross(&r2);
    if length < 1e-12 || d1 < 1e-12 || d2 < 1e-12 {
        return Vec3::zeros();
    }
    // |r1 x r2| = length x distance from the line.
    let off = cross.norm() / length;
    if off < 1e-12 {
        return Vec3::zeros();
    }
    // r1 x r2 points along B for a current from a to b: along x r1.
    let (s1, s2) = (r1.dot(&along) / length, r2.dot(&along) / length);
    let size = if s1 * s2 < 0.0 {
        // Beside the segment: the same as (cos a1 + cos a2)/off, which loses no digits there.
        (s1 / d1 - s2 / d2) / off
    } else {
        length * off * (d1 + d2) / (d1 * d2 * (d1 * d2 + r1.dot(&r2)))
    };
    let field = cross.normalize() * (size * MU0_OVER_4PI);
    if off < NEAREST { field * (off / NEAREST).powi(2) } else { field }
}

/// Field of one ampere along a polyline, T/A.
pub fn polyline(points: &[Vec3], at: &Vec3) -> Vec3 {
    points.windows(2).map(|w| segment(&w[0], &w[1], at)).sum()
}

/// Field of a magnetic dipole of moment `moment` (A m^2) at an offset `r` from it, T.
///
/// B = mu_0/(4 pi) (3 (m.u) u - m)/r^3 with u along r. Zero at the dipole itself.
pub fn dipole(moment: &Vec3, r: &Vec3) -> Vec3 {
    let d = r.norm();
    if d < 1e-9 {
        return Vec3::zeros();
    }
    let u = r / d;
    (u * (3.0 * moment.dot(&u)) - moment) * (MU0_OVER_4PI / d.powi(3))
}
