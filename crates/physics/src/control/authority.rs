//! Moment and angular acceleration available about each axis.

use nalgebra::{DMatrix, DVector};
use serde::Serialize;

use super::ControlError;
use super::solve::{Programme, check, check_list, orthonormal, remainder};
use crate::Mat3;

/// Moment available about each body axis, on top of trim, while lift and the other moments are held.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Authority {
    /// Largest change of moment to the negative (zero or below) and to the positive side: roll, pitch, yaw, N m.
    pub moment: [(f64, f64); 3],
    /// Angular acceleration on the worse side, rad/s^2: the moment times the diagonal of the inverse of the
    /// inertia tensor, the other moments being held.
    pub acceleration: [f64; 3],
}

/// Authority at a trim, by one linear programme for each side of each axis.
///
/// Maximise the moment about one axis over the thrusts, with lift and the other two moments as at trim and
/// each thrust between its least and largest (N). Where an axis has no independent control, as after two
/// rotors of unlike spin change places, its authority is zero.
///
/// Thrust limits are taken as given and independent of one another: the sag of the supply when several rotors
/// speed up at once is not in it. Take the largest thrust at the sagged bus to be on the safe side.
pub fn authority(
    effectiveness: &DMatrix<f64>,
    trim: &[f64],
    max_thrust: &[f64],
    min_thrust: &[f64],
    inertia: &Mat3,
) -> Result<Authority, ControlError> {
    check(effectiveness)?;
    let n = effectiveness.ncols();
    check_list("trim thrusts", trim, n)?;
    check_list("largest thrusts", max_thrust, n)?;
    check_list("least thrusts", min_thrust, n)?;
    let scale = max_thrust.iter().copied().fold(0.0, f64::max);
    if scale <= 0.0 {
        return Err(ControlError::Unusable { what: "largest thrusts" });
    }
    let slack = 1e-9 * scale;
    let mut room = Vec::with_capacity(n);
    for k in 0..n {
        let (low, high) = (min_thrust[k] - trim[k], max_thrust[k] - trim[k]);
        if low > slack || high < -slack {
            return Err(ControlError::TrimOutOfRange {
                rotor: k,
                thrust: trim[k],
                least: min_thrust[k],
                most: max_thrust[k],
            });
        }
        room.push((low.min(0.0) / scale, high.max(0.0) / scale));
    }
    let inverse = inertia.try_inverse().ok_or(ControlError::Inertia)?;

    let rows: Vec<DVector<f64>> = effectiveness.row_iter().map(|r| r.transpose()).collect();
    let mut moment = [(0.0, 0.0); 3];
    let mut acceleration = [0.0; 3];
    for axis in 0..3 {
        let held: Vec<DVector<f64>> = (0..4).filter(|&k| k != axis + 1).map(|k| rows[k].clone()).collect();
        let basis = orthonormal(&held);
        // Along the held directions the moment cannot change: only what is normal to them counts.
        let Some(free) = remainder(&rows[axis + 1], &basis) else { continue };
        let size = free.norm();
        let side = |sign: f64| -> Result<f64, ControlError> {
            let programme = Programme {
                objective: free.iter().map(|c| sign * c / size).collect(),
                bounds: room.clone(),
                equalities: basis.iter().map(|b| (b.iter().copied().enumerate().collect(), 0.0)).collect(),
            };
            // The trim itself is feasible, so that zero is always within reach.
            let best = programme.maximum()?.unwrap_or(0.0).max(0.0);
            Ok(if best < 1e-9 { 0.0 } else { best * size * scale })
        };
        let (negative, positive) = (side(-1.0)?, side(1.0)?);
        moment[axis] = (if negative > 0.0 { -negative } else { 0.0 }, positive);
        acceleration[axis] = negative.min(positive) * inverse[(axis, axis)];
    }
    Ok(Authority { moment, acceleration })
}
