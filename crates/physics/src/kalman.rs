//! The steady gain of a Kalman filter.
//!
//! For x' = A x + w, y = H x + v with w of covariance Q and v of covariance R the covariance P of the predicted state solves
//! P = A P A' - A P H' (H P H' + R)^-1 H P A' + Q, and the gain is K = P H' (H P H' + R)^-1 (Anderson & Moore, *Optimal
//! Filtering*, 1979, section 4.4; from memory). Solved by doubling (Chu, Fan, Lin & Wang, *Int. J. Control* 77, 2004;
//! from memory): n doublings are 2^n steps of the filter.

use nalgebra::SMatrix;

/// Doublings at most: 2^40 steps of a filter that has not settled then never will.
const MOST: u32 = 40;
/// Change of the covariance, relative, at which it has settled.
const SETTLED: f64 = 1e-14;

/// The steady gain, states by measurements. `None` where there is none: a state that no measurement tells of, or numbers
/// that are not finite.
pub fn steady_gain<const N: usize, const M: usize>(
    a: &SMatrix<f64, N, N>,
    q: &SMatrix<f64, N, N>,
    h: &SMatrix<f64, M, N>,
    r: &SMatrix<f64, M, M>,
) -> Option<SMatrix<f64, N, M>> {
    let one = SMatrix::<f64, N, N>::identity();
    let (mut a, mut g, mut p) = (a.transpose(), h.transpose() * r.try_inverse()? * h, *q);
    for _ in 0..MOST {
        let w = (one + g * p).try_inverse()?;
        let aw = a * w;
        let more = a.transpose() * p * w * a;
        g += aw * g * a.transpose();
        a = aw * a;
        p += more;
        p = (p + p.transpose()) * 0.5;
        g = (g + g.transpose()) * 0.5;
        if !p.iter().all(|v| v.is_finite()) {
            return None;
        }
        if more.norm() <= SETTLED * p.norm() {
            return Some(p * h.transpose() * (h * p * h.transpose() + r).try_inverse()?);
        }
    }
    None
}
