//! Thrusts that hold the aircraft, and the mixer from demanded lift and moments to thrusts.

use nalgebra::{DMatrix, DVector};
use serde::Serialize;

use super::solve::{RANK_TOLERANCE, check, least_norm, row_norms};
use super::{Axis, ControlError, effectiveness};
use crate::Vec3;
use crate::aircraft::Aircraft;
use crate::interference;

/// Thrusts in hover.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Trim {
    /// Thrust of each rotor, N.
    pub thrusts: Vec<f64>,
    /// Moment that cannot be brought to zero (roll, pitch, yaw), N m. Zero for a layout in order; only
    /// yaw can remain, as when all rotors turn the same way.
    pub residual_moment: [f64; 3],
}

impl Trim {
    /// Whether all moments are zero, to 1e-6 N m.
    pub fn balanced(&self) -> bool {
        self.residual_moment.iter().all(|m| m.abs() < 1e-6)
    }
    /// Thrust of each rotor over the mean.
    pub fn shares(&self) -> Vec<f64> {
        let mean = self.thrusts.iter().sum::<f64>() / self.thrusts.len().max(1) as f64;
        self.thrusts.iter().map(|t| if mean > 0.0 { t / mean } else { 0.0 }).collect()
    }
}

/// Thrusts that hold `weight` (N) in level hover with no moment about `centre`, of least sum of squares, each square
/// over the share r of its thrust apart that a rotor gives at one speed: what carries the weight alone is then one speed
/// for all, as a mixer drives them. r is 1 but for the lower rotors of coaxial pairs ([`crate::interference::lower`]).
///
/// Where the moments cannot all be zero, roll and pitch are, and the yaw that remains is reported. Rotors that
/// would have to push down are set to zero thrust and the others solved again; if the rest cannot hold the
/// balance, that is the error. `reaction_per_thrust` in m.
pub fn hover_trim(
    aircraft: &Aircraft,
    centre: &Vec3,
    reaction_per_thrust: f64,
    weight: f64,
) -> Result<Trim, ControlError> {
    let matrix = effectiveness(aircraft, centre, reaction_per_thrust);
    check(&matrix)?;
    if !(weight.is_finite() && weight > 0.0) {
        return Err(ControlError::Unusable { what: "the weight" });
    }
    let apart = apart(aircraft);
    let mut driven = matrix.clone();
    for (mut column, share) in driven.column_iter_mut().zip(&apart) {
        column *= share.sqrt();
    }
    let mut solved =
        positive(&driven, weight).or_else(|_| positive(&driven.rows(0, 3).into_owned(), weight))?;
    for (thrust, share) in solved.iter_mut().zip(&apart) {
        *thrust *= share.sqrt();
    }
    let made = &matrix * &solved;
    let clean = |m: f64| if m.abs() < 1e-9 * weight { 0.0 } else { m };
    Ok(Trim {
        thrusts: solved.iter().copied().collect(),
        residual_moment: [clean(made[1]), clean(made[2]), clean(made[3])],
    })
}

/// Thrust of each rotor over what it would give apart at the same speed, that of a usual hover (tip speed 80 m/s).
fn apart(aircraft: &Aircraft) -> Vec<f64> {
    let pair = aircraft.stations.iter().any(|s| s.below.is_some());
    let rotor = &aircraft.rotor;
    let lower = if pair { interference::lower(rotor, 160.0 / rotor.diameter).thrust } else { 1.0 };
    aircraft.stations.iter().map(|s| if s.below.is_some() { lower } else { 1.0 }).collect()
}

/// Least-norm thrusts, none negative, by fixing the negative ones at zero in turn.
fn positive(matrix: &DMatrix<f64>, weight: f64) -> Result<DVector<f64>, ControlError> {
    let n = matrix.ncols();
    let mut right = vec![0.0; matrix.nrows()];
    right[0] = weight;
    let mut running: Vec<usize> = (0..n).collect();
    let mut worst: Option<(usize, f64)> = None;
    while !running.is_empty() {
        let part = matrix.select_columns(&running);
        let found = least_norm(&part, &right)
            .ok_or_else(|| ControlError::Solver("singular values did not converge".to_owned()))?;
        let left = &part * &found - DVector::from_column_slice(&right);
        let norms = row_norms(matrix);
        let longest = norms.iter().copied().fold(0.0, f64::max);
        let balanced =
            left.iter().zip(&norms).all(|(l, norm)| l.abs() <= weight * (1e-8 * norm + 1e-12 * longest));
        if !balanced {
            return Err(match worst {
                Some((rotor, thrust)) => ControlError::NegativeThrust { rotor, thrust },
                None => ControlError::NoTrim { weight, roll: left[1], pitch: left[2] },
            });
        }
        let lowest = running.iter().copied().zip(found.iter().copied()).min_by(|a, b| a.1.total_cmp(&b.1));
        match lowest {
            Some((rotor, thrust)) if thrust < -1e-9 * weight => {
                worst = worst.or(Some((rotor, thrust)));
                running.retain(|&k| k != rotor);
            }
            _ => {
                let mut all = DVector::zeros(n);
                for (&k, &thrust) in running.iter().zip(found.iter()) {
                    all[k] = thrust.max(0.0);
                }
                return Ok(all);
            }
        }
    }
    let (rotor, thrust) = worst.unwrap_or((0, 0.0));
    Err(ControlError::NegativeThrust { rotor, thrust })
}

/// Mixer: N x 4, from (lift N, moments N m) to the thrusts of least sum of squares, N.
///
/// The pseudo-inverse of the effectiveness (Moore and Penrose), by singular values of the matrix with rows
/// scaled to unit length. A rank below four is an error that names the axis.
pub fn mixer(effectiveness: &DMatrix<f64>) -> Result<DMatrix<f64>, ControlError> {
    check(effectiveness)?;
    let norms = row_norms(effectiveness);
    for (k, &norm) in norms.iter().enumerate() {
        if norm <= 0.0 {
            return Err(ControlError::NotControllable { axis: Axis::ALL[k], tied_to: Vec::new() });
        }
    }
    let scale = DMatrix::from_diagonal(&DVector::from_iterator(4, norms.iter().map(|n| 1.0 / n)));
    let svd = (&scale * effectiveness)
        .transpose()
        .try_svd(true, true, f64::EPSILON, 1000)
        .ok_or_else(|| ControlError::Solver("singular values did not converge".to_owned()))?;
    let (Some(u), Some(v_t)) = (&svd.u, &svd.v_t) else {
        return Err(ControlError::Solver("no singular vectors".to_owned()));
    };
    let largest = svd.singular_values.max();
    // The transposed matrix is N x 4: with N < 4 the null space has no vector in the thin factorisation.
    if effectiveness.ncols() < 4 {
        return Err(tied_axes(&null_vector(v_t)));
    }
    let mut inverse = DMatrix::zeros(effectiveness.ncols(), 4);
    for k in 0..svd.singular_values.len() {
        let value = svd.singular_values[k];
        if value <= RANK_TOLERANCE * largest {
            return Err(tied_axes(&v_t.row(k).transpose()));
        }
        inverse += u.column(k) * v_t.row(k) / value;
    }
    Ok(inverse * scale)
}

/// A unit vector normal to the rows of `v_t`.
fn null_vector(v_t: &DMatrix<f64>) -> DVector<f64> {
    let mut best = DVector::zeros(4);
    // Prefer yaw, then pitch, roll, lift: the axis that pilots lose first.
    for axis in (0..4).rev() {
        let mut unit = DVector::zeros(4);
        unit[axis] = 1.0;
        for row in v_t.row_iter() {
            let row = row.transpose();
            let along = unit.dot(&row);
            unit.axpy(-along, &row, 1.0);
        }
        if unit.norm() > 1e-6 {
            return unit.normalize();
        }
        best = unit;
    }
    best
}

/// Names the axes in a combination that the rotors cannot give.
fn tied_axes(combination: &DVector<f64>) -> ControlError {
    let largest = combination.amax();
    let mut axes: Vec<Axis> = Axis::ALL
        .into_iter()
        .zip(combination.iter())
        .filter(|(_, c)| c.abs() > 1e-3 * largest)
        .map(|(a, _)| a)
        .collect();
    let axis = axes.pop().unwrap_or(Axis::Yaw);
    ControlError::NotControllable { axis, tied_to: axes }
}
