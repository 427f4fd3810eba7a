//! Rotor patterns from the stations: which way each rotor's thrust turns the aircraft.

use nalgebra::{DMatrix, DVector};
use physics::aircraft::Station;

use super::context::Known;

/// Moment per thrust (m) about the three axes, rotor by rotor: the lever about x, y, and z with
/// the reaction torque. Without a known reaction a twentieth of the arm stands in for it,
/// which sets no figure but the sign and the weight against a cant.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Levers {
    /// By axis, by rotor.
    pub lever: [Vec<f64>; 3],
    /// Part of the z lever from position and cant alone.
    pub cant: Vec<f64>,
    /// Reaction torque per thrust used, m.
    pub reaction: f64,
}

/// Levers of the stations.
pub(super) fn levers(stations: &[Station], known: &Known) -> Levers {
    let n = stations.len().max(1) as f64;
    let middle = stations.iter().fold(physics::Vec3::zeros(), |s, st| s + st.at) / n;
    let arm = stations.iter().map(|s| (s.at - middle).norm()).fold(0.0, f64::max);
    let reaction = known.reaction.unwrap_or(0.05 * arm);
    let mut lever = [Vec::new(), Vec::new(), Vec::new()];
    let mut cant = Vec::new();
    for s in stations {
        let moment = s.at.cross(&s.axis);
        lever[0].push(moment.x);
        lever[1].push(moment.y);
        // The reaction acts along the thrust axis; nearly all of it is about z.
        lever[2].push(moment.z + s.spin.reaction_sign() * reaction * -s.axis.z);
        cant.push(moment.z);
    }
    Levers { lever, cant, reaction }
}

/// Root mean square.
pub(super) fn rms(values: &[f64]) -> f64 {
    signal::robust::rms(values).unwrap_or(0.0)
}

/// Splits thrust shares (1 = mean) into a part that goes with the side (right positive), one with
/// the nose (front positive), one with the spin (counter-clockwise positive): share =
/// 1 + r y/ymax + p x/xmax + s spin, least squares. Returns the 3 x N matrix that does it.
pub(super) fn share_split(stations: &[Station]) -> Option<DMatrix<f64>> {
    let n = stations.len();
    if n < 4 {
        return None;
    }
    let middle = stations.iter().fold(physics::Vec3::zeros(), |s, st| s + st.at) / n as f64;
    let most = |axis: usize| stations.iter().map(|s| (s.at - middle)[axis].abs()).fold(0.0, f64::max);
    let (x, y) = (most(0), most(1));
    if x <= 0.0 || y <= 0.0 {
        return None;
    }
    let a = DMatrix::from_fn(n, 4, |i, j| {
        let at = stations[i].at - middle;
        match j {
            0 => 1.0,
            1 => at.y / y,
            2 => at.x / x,
            _ => stations[i].spin.reaction_sign(),
        }
    });
    let inverse = (a.transpose() * &a).try_inverse()?;
    let all = inverse * a.transpose();
    Some(all.rows(1, 3).into_owned())
}

/// `matrix * values`.
pub(super) fn apply(matrix: &DMatrix<f64>, values: &[f64]) -> DVector<f64> {
    matrix * DVector::from_column_slice(values)
}
