//! Small nonlinear least-squares problems: Gauss-Newton with Levenberg's damping (Levenberg 1944,
//! Marquardt 1963), derivatives by differences.

use nalgebra::{DMatrix, DVector};

/// What a fit came to.
#[derive(Debug, Clone, PartialEq)]
pub struct Solution {
    /// Parameters.
    pub parameters: Vec<f64>,
    /// Inverse of J^T J at the end: times the residual variance it is the covariance.
    pub bread: DMatrix<f64>,
    /// Sum of squares of the residuals.
    pub square: f64,
    /// Residuals.
    pub residuals: Vec<f64>,
}

const ITERATIONS: usize = 25;

/// Minimises the sum of squares of what `residuals` writes for given parameters. `step` is the
/// change of each parameter for its derivative. `None` where no finite start or no full rank.
pub fn solve(
    start: &[f64],
    step: &[f64],
    residuals: &mut dyn FnMut(&[f64], &mut Vec<f64>),
) -> Option<Solution> {
    let p = start.len();
    if p == 0 || step.len() != p {
        return None;
    }
    let square = |r: &[f64]| r.iter().map(|v| v * v).sum::<f64>();
    let mut at = start.to_vec();
    let mut r = Vec::new();
    residuals(&at, &mut r);
    let n = r.len();
    let mut best = square(&r);
    if n <= p || !best.is_finite() {
        return None;
    }
    let mut damping = 1e-3;
    let mut moved = Vec::with_capacity(n);
    let mut jacobian = DMatrix::zeros(n, p);
    let mut derive = |at: &[f64], r: &[f64], residuals: &mut dyn FnMut(&[f64], &mut Vec<f64>)| {
        for j in 0..p {
            let mut shifted = at.to_vec();
            if let (Some(v), Some(h)) = (shifted.get_mut(j), step.get(j)) {
                *v += h;
                residuals(&shifted, &mut moved);
                for (i, (a, b)) in moved.iter().zip(r).enumerate().take(n) {
                    jacobian[(i, j)] = (a - b) / h;
                }
            }
        }
        let normal = jacobian.transpose() * &jacobian;
        let slope = jacobian.transpose() * DVector::from_column_slice(r);
        (normal, slope)
    };
    let (mut normal, mut slope) = derive(&at, &r, residuals);
    let mut trial = Vec::with_capacity(n);
    'outer: for _ in 0..ITERATIONS {
        loop {
            let mut damped = normal.clone();
            for j in 0..p {
                damped[(j, j)] += damping * normal[(j, j)].max(1e-300);
            }
            let Some(change) = damped.cholesky().map(|c| c.solve(&slope)) else { break 'outer };
            let next: Vec<f64> = at.iter().zip(change.iter()).map(|(a, c)| a - c).collect();
            residuals(&next, &mut trial);
            let value = square(&trial);
            if value.is_finite() && value <= best {
                let gain = best - value;
                at = next;
                std::mem::swap(&mut r, &mut trial);
                best = value;
                damping = (damping * 0.2).max(1e-12);
                (normal, slope) = derive(&at, &r, residuals);
                if gain <= 1e-7 * best {
                    break 'outer;
                }
                break;
            }
            damping *= 6.0;
            if damping > 1e9 {
                break 'outer;
            }
        }
    }
    let bread = normal.try_inverse()?;
    let sound = bread.iter().all(|v| v.is_finite()) && (0..p).all(|j| bread[(j, j)] > 0.0);
    sound.then_some(Solution { parameters: at, bread, square: best, residuals: r })
}
