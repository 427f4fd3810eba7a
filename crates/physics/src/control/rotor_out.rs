//! Which rotor can be lost.

use serde::Serialize;

use super::solve::{Programme, check_list, row_norms};
use super::{ControlError, authority, effectiveness, hover_trim};
use crate::aircraft::Aircraft;
use crate::{Mat3, Vec3};

/// What remains with one rotor stopped.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct RotorOut {
    /// Index of the rotor that is lost.
    pub rotor: usize,
    /// Largest share of the intact aircraft's authority that remains in roll, pitch and yaw, in each
    /// direction taken singly, while it hovers; zero where it can be balanced but not controlled, `None` where it
    /// cannot even be balanced.
    pub with_yaw: Option<f64>,
    /// The same with yaw given up: the aircraft turns, roll and pitch are kept.
    pub without_yaw: Option<f64>,
}

/// Share below which control counts as lost: the solver's own tolerance is 1e-7 of the scaled problem.
const NOTHING: f64 = 1e-5;

/// For each rotor in turn: stopped, can the others hold the weight, balance the moments and still control?
///
/// One linear programme for each case: the largest t such that hover plus t times the intact authority is
/// within reach to both sides of every axis. Having a trim alone is not enough: a six-rotor layout with
/// alternating spins has a trim with a rotor lost but no control about it (Du, Quan, Yang and Cai 2015,
/// J. Guidance, Control, and Dynamics 38(5)). Statics only: the transient after the loss is for the flight model.
pub fn single_rotor_out(
    aircraft: &Aircraft,
    centre: &Vec3,
    reaction_per_thrust: f64,
    weight: f64,
    max_thrust: &[f64],
    min_thrust: &[f64],
) -> Result<Vec<RotorOut>, ControlError> {
    let n = aircraft.stations.len();
    check_list("largest thrusts", max_thrust, n)?;
    check_list("least thrusts", min_thrust, n)?;
    let trim = hover_trim(aircraft, centre, reaction_per_thrust, weight)?;
    let matrix = effectiveness(aircraft, centre, reaction_per_thrust);
    let intact = authority(&matrix, &trim.thrusts, max_thrust, min_thrust, &Mat3::identity())?;
    let worse: Vec<f64> = intact.moment.iter().map(|(low, high)| high.min(-low)).collect();
    let norms = row_norms(&matrix);
    let scale = max_thrust.iter().copied().fold(f64::MIN_POSITIVE, f64::max);

    let share = |lost: usize, with_yaw: bool| -> Result<Option<f64>, ControlError> {
        let held = if with_yaw { 4 } else { 3 };
        let mut directions = Vec::new();
        for axis in 0..held - 1 {
            if worse[axis] > 0.0 {
                directions.push((axis + 1, worse[axis]));
                directions.push((axis + 1, -worse[axis]));
            }
        }
        // Variables: the thrusts for each direction, over `scale`, then the share t.
        let count = directions.len() * n;
        let mut objective = vec![0.0; count];
        objective.push(1.0);
        let mut bounds = Vec::with_capacity(count + 1);
        let mut equalities = Vec::new();
        for (d, &(axis, size)) in directions.iter().enumerate() {
            for rotor in 0..n {
                bounds.push(if rotor == lost {
                    (0.0, 0.0)
                } else {
                    (min_thrust[rotor] / scale, max_thrust[rotor] / scale)
                });
            }
            for row in 0..held {
                if norms[row] <= 0.0 {
                    continue;
                }
                let unit = norms[row] * scale;
                let mut terms: Vec<(usize, f64)> =
                    (0..n).map(|rotor| (d * n + rotor, matrix[(row, rotor)] / norms[row])).collect();
                if row == axis {
                    terms.push((count, -size / unit));
                }
                equalities.push((terms, if row == 0 { weight / unit } else { 0.0 }));
            }
        }
        bounds.push((0.0, 1.0));
        if directions.is_empty() {
            return Ok(None);
        }
        let best = Programme { objective, bounds, equalities }.maximum()?;
        Ok(best.map(|t| if t < NOTHING { 0.0 } else { t }))
    };
    (0..n)
        .map(|rotor| Ok(RotorOut { rotor, with_yaw: share(rotor, true)?, without_yaw: share(rotor, false)? }))
        .collect()
}
