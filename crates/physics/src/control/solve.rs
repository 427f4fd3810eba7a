//! Small linear algebra and linear programmes that trim and authority share.

use microlp::{ComparisonOp, OptimizationDirection, Problem};
use nalgebra::{DMatrix, DVector};

use super::ControlError;

/// Singular values below this share of the largest count as zero, after rows are scaled to unit length.
pub(super) const RANK_TOLERANCE: f64 = 1e-9;

/// Checks for 4 rows, at least one column and finite entries.
pub(super) fn check(effectiveness: &DMatrix<f64>) -> Result<(), ControlError> {
    if effectiveness.ncols() == 0 {
        return Err(ControlError::NoRotors);
    }
    if effectiveness.nrows() != 4 || effectiveness.iter().any(|v| !v.is_finite()) {
        return Err(ControlError::Unusable { what: "the effectiveness matrix" });
    }
    Ok(())
}

/// Checks that a list has one finite entry for each rotor.
pub(super) fn check_list(what: &'static str, list: &[f64], need: usize) -> Result<(), ControlError> {
    if list.len() != need {
        return Err(ControlError::Length { what, got: list.len(), need });
    }
    if list.iter().any(|v| !v.is_finite()) {
        return Err(ControlError::Unusable { what });
    }
    Ok(())
}

/// Norm of each row; zero where it is round-off against the largest row.
pub(super) fn row_norms(matrix: &DMatrix<f64>) -> Vec<f64> {
    let norms: Vec<f64> = matrix.row_iter().map(|r| r.norm()).collect();
    let largest = norms.iter().copied().fold(0.0, f64::max);
    norms.into_iter().map(|n| if n <= 1e-12 * largest { 0.0 } else { n }).collect()
}

/// Least-norm solution of `matrix x = right` in the least-squares sense, with rows scaled to unit length.
pub(super) fn least_norm(matrix: &DMatrix<f64>, right: &[f64]) -> Option<DVector<f64>> {
    let norms = row_norms(matrix);
    let mut scaled = matrix.clone();
    let mut rhs = DVector::from_column_slice(right);
    for (k, &norm) in norms.iter().enumerate() {
        if norm > 0.0 {
            scaled.row_mut(k).scale_mut(1.0 / norm);
            rhs[k] /= norm;
        } else {
            scaled.row_mut(k).fill(0.0);
        }
    }
    let svd = scaled.try_svd(true, true, f64::EPSILON, 1000)?;
    let largest = svd.singular_values.max();
    svd.solve(&rhs, RANK_TOLERANCE * largest).ok()
}

/// Orthonormal basis of the given rows; rows that depend on others to round-off fall out.
pub(super) fn orthonormal(rows: &[DVector<f64>]) -> Vec<DVector<f64>> {
    let mut basis: Vec<DVector<f64>> = Vec::new();
    for row in rows {
        if let Some(unit) = remainder(row, &basis) {
            basis.push(unit.normalize());
        }
    }
    basis
}

/// Part of `row` that is normal to `basis`, or `None` if it is round-off.
pub(super) fn remainder(row: &DVector<f64>, basis: &[DVector<f64>]) -> Option<DVector<f64>> {
    let norm = row.norm();
    if norm <= 0.0 {
        return None;
    }
    let mut rest = row.clone();
    // Twice is enough to be orthogonal to working precision (Kahan and Parlett; Giraud et al. 2005).
    for _ in 0..2 {
        for unit in basis {
            let along = rest.dot(unit);
            rest.axpy(-along, unit, 1.0);
        }
    }
    (rest.norm() > RANK_TOLERANCE * norm).then_some(rest)
}

/// A linear programme: maximise `objective . x` with `equalities . x = right` and bounds.
pub(super) struct Programme {
    pub(super) objective: Vec<f64>,
    pub(super) bounds: Vec<(f64, f64)>,
    pub(super) equalities: Vec<(Vec<(usize, f64)>, f64)>,
}

impl Programme {
    /// The largest value, or `None` when no `x` meets the constraints.
    pub(super) fn maximum(&self) -> Result<Option<f64>, ControlError> {
        let mut problem = Problem::new(OptimizationDirection::Maximize);
        let variables: Vec<_> =
            self.objective.iter().zip(&self.bounds).map(|(&c, &b)| problem.add_var(c, b)).collect();
        for (terms, right) in &self.equalities {
            let row: Vec<_> = terms
                .iter()
                .filter(|(_, c)| c.abs() > 1e-12)
                .filter_map(|&(k, c)| variables.get(k).map(|&v| (v, c)))
                .collect();
            problem.add_constraint(&row[..], ComparisonOp::Eq, *right);
        }
        match problem.solve() {
            Ok(outcome) => match outcome.into_solution() {
                Ok(solution) => Ok(Some(solution.objective())),
                Err(stopped) => Err(ControlError::Solver(format!("stopped early: {stopped:?}"))),
            },
            Err(microlp::Error::Infeasible) => Ok(None),
            Err(error) => Err(ControlError::Solver(error.to_string())),
        }
    }
}
