//! Gauss-Newton steps over a speed step and the amplitudes of its lines (variable projection).

use nalgebra::{DMatrix, DVector};
use rustfft::num_complex::Complex;

use super::band::Band;
use super::known::{Known, drifts};
use super::model::{COUNT, Step};
use super::whiten::{whiten, whiten_matrix};
use crate::lsq;

/// Basis for given orders and phase: `each` columns an order, 4, or 6 with what goes up and down again
/// in between.
fn basis(band: &Band, orders: &[f64], step: &Step, each: usize) -> DMatrix<f64> {
    let n = band.y.len();
    let mut x = DMatrix::zeros(n, each * orders.len());
    // Whole multiples of the lowest line come from it by products.
    let base = orders.first().copied().unwrap_or(1.0);
    let multiple: Option<Vec<u32>> = orders
        .iter()
        .map(|k| {
            let m = k / base;
            ((m - m.round()).abs() < 1e-9 && m < 33.0).then_some(m.round() as u32)
        })
        .collect();
    for i in 0..n {
        let (phase, share) = step.at(band.time(i));
        let turn = Complex::cis(base * phase);
        let (mut power, mut reached) = (Complex::new(1.0, 0.0), 0);
        for (k, order) in orders.iter().enumerate() {
            let (s, c) = match multiple.as_ref().and_then(|m| m.get(k)) {
                Some(&m) => {
                    while reached < m {
                        power *= turn;
                        reached += 1;
                    }
                    (power.im, power.re)
                }
                None => (order * phase).sin_cos(),
            };
            x[(i, each * k)] = c;
            x[(i, each * k + 1)] = s;
            x[(i, each * k + 2)] = share * c;
            x[(i, each * k + 3)] = share * s;
            if each == 6 {
                let bump = 4.0 * share * (1.0 - share);
                x[(i, each * k + 4)] = bump * c;
                x[(i, each * k + 5)] = bump * s;
            }
        }
    }
    x
}

/// Least squares by the normal equations, columns scaled; `None` when they depend on each other.
/// `prior` adds to the diagonal, `pull` to the right-hand side.
fn normal(x: &DMatrix<f64>, y: &DVector<f64>, prior: &[f64], pull: &[f64]) -> Option<DVector<f64>> {
    let p = x.ncols();
    let scale: Vec<f64> = (0..p).map(|k| x.column(k).norm()).collect();
    if scale.iter().any(|s| s.is_nan() || *s <= 0.0) {
        return None;
    }
    let mut a = lsq::gram(x);
    let mut b = lsq::project(x, y.as_slice());
    for k in 0..p {
        a[(k, k)] += prior.get(k).copied().unwrap_or(0.0);
        b[k] += pull.get(k).copied().unwrap_or(0.0);
    }
    for i in 0..p {
        b[i] /= scale[i];
        for j in 0..p {
            a[(i, j)] /= scale[i] * scale[j];
        }
        a[(i, i)] += 1e-11;
    }
    let mut z = a.cholesky()?.solve(&b);
    for i in 0..p {
        z[i] /= scale[i];
    }
    z.iter().all(|v| v.is_finite()).then_some(z)
}

/// A least-squares problem: samples, lines, what is free and what is known before.
pub(super) struct Fitter<'a> {
    pub(super) band: &'a Band,
    pub(super) orders: Vec<f64>,
    pub(super) filter: Vec<f64>,
    /// Parameters that are free.
    pub(super) free: Vec<usize>,
    pub(super) limits: (f64, f64, f64),
    /// Columns an order.
    pub(super) each: usize,
    /// What is known before: one over the square of the usual size of each linear coefficient and of
    /// each parameter, in noise variances; empty for nothing.
    pub(super) known: Known,
    /// How long the level before stood, s.
    pub(super) held: f64,
}

/// A solution.
pub(super) struct Fitted {
    pub(super) p: [f64; COUNT],
    pub(super) c: Vec<f64>,
    pub(super) square: f64,
    /// Residuals before whitening.
    pub(super) raw: Vec<f64>,
}

impl Fitter<'_> {
    fn allowed(&self, p: &[f64; COUNT]) -> bool {
        let (first, last, most) = self.limits;
        let tau = p[3].exp();
        p.iter().all(|v| v.is_finite())
            && p[2] > first
            && p[2] < last
            && tau > 5e-4
            && tau < most
            && p[0] > 0.0
    }

    /// Basis, coefficients, whitened residuals and the sum of squares with what is known before.
    pub(super) fn project(
        &self,
        p: &[f64; COUNT],
    ) -> Option<(DMatrix<f64>, DVector<f64>, DVector<f64>, f64)> {
        if !self.allowed(p) {
            return None;
        }
        let x = basis(self.band, &self.orders, &Step::of(p), self.each);
        let xw = whiten_matrix(&self.filter, &x);
        let yw = DVector::from_vec(whiten(&self.filter, &self.band.y));
        let c = normal(&xw, &yw, &self.known.linear, &[])?;
        let r = yw - &xw * &c;
        let held: f64 = self.known.linear.iter().zip(c.iter()).map(|(k, c)| k * c * c).sum::<f64>()
            + self.known.parameter.iter().zip(p).map(|(k, p)| k * p * p).sum::<f64>();
        let square = r.norm_squared() + held;
        square.is_finite().then_some((x, c, r, square))
    }

    /// Derivatives of the model with respect to the free parameters, before whitening.
    fn slopes(&self, p: &[f64; COUNT], x: &DMatrix<f64>, c: &DVector<f64>) -> DMatrix<f64> {
        let n = self.band.y.len();
        let step = Step::of(p);
        let mut j = DMatrix::zeros(n, self.free.len());
        for i in 0..n {
            let t = self.band.time(i);
            let d = step.slopes(t);
            let (_, share) = step.at(t);
            // Change of the model with the phase, and with the share gone.
            let (mut by_phase, mut by_share) = (0.0, 0.0);
            for (k, order) in self.orders.iter().enumerate() {
                let at = self.each * k;
                let (co, si) = (x[(i, at)], x[(i, at + 1)]);
                let (mut a, mut b) = (c[at] + share * c[at + 2], c[at + 1] + share * c[at + 3]);
                by_share += c[at + 2] * co + c[at + 3] * si;
                if self.each == 6 {
                    let (bump, slope) = (4.0 * share * (1.0 - share), 4.0 - 8.0 * share);
                    a += bump * c[at + 4];
                    b += bump * c[at + 5];
                    by_share += slope * (c[at + 4] * co + c[at + 5] * si);
                }
                by_phase += order * (b * co - a * si);
            }
            let u = t - step.t0;
            let (at0, atau) = if u > 0.0 {
                let e = 1.0 - share;
                (-e / step.tau, -e * u / step.tau)
            } else {
                (0.0, 0.0)
            };
            for (f, k) in self.free.iter().enumerate() {
                let shape = match k {
                    2 => at0,
                    3 => atau,
                    _ => 0.0,
                };
                j[(i, f)] = by_phase * d[*k] + by_share * shape;
            }
        }
        j
    }

    /// Sets what is known of drifts, with the noise that parameters leave.
    pub(super) fn expect(&mut self, p: &[f64; COUNT]) {
        self.known = Known::default();
        if let Some((_, _, r, square)) = self.project(p) {
            self.known.parameter = drifts(p, square / r.len().max(1) as f64, self.held);
        }
    }

    /// Gauss-Newton steps until the sum of squares falls by less than the share `enough`.
    pub(super) fn refine(&self, start: [f64; COUNT], rounds: usize, enough: f64) -> Option<Fitted> {
        let mut p = start;
        let (mut x, mut c, mut r, mut square) = self.project(&p)?;
        for _ in 0..rounds {
            let all = self.joint(&p, &x, &c);
            let base = x.ncols();
            let (prior, pull) = self.priors(&p, &c);
            let Some(step) = normal(&all, &r, &prior, &pull) else { break };
            let mut factor = 1.0;
            let mut fall = 0.0;
            let mut moved = false;
            for _ in 0..8 {
                let mut next = p;
                for (f, k) in self.free.iter().enumerate() {
                    let most = if *k == 3 { 0.5 } else { f64::INFINITY };
                    next[*k] += (factor * step[base + f]).clamp(-most, most);
                }
                if let Some((nx, nc, nr, s)) = self.project(&next)
                    && s <= square
                {
                    fall = (square - s) / square.max(f64::MIN_POSITIVE);
                    (p, x, c, r, square) = (next, nx, nc, nr, s);
                    moved = true;
                    break;
                }
                factor *= 0.35;
            }
            if !moved || fall < enough {
                break;
            }
        }
        let raw = DVector::from_column_slice(&self.band.y) - &x * &c;
        Some(Fitted { p, c: c.as_slice().to_vec(), square, raw: raw.as_slice().to_vec() })
    }

    /// Diagonal and right-hand side of what is known before, for all columns of a joint step.
    fn priors(&self, p: &[f64; COUNT], c: &DVector<f64>) -> (Vec<f64>, Vec<f64>) {
        let free = || self.free.iter().map(|k| self.known.parameter[*k]);
        let linear = |k: usize| self.known.linear.get(k).copied().unwrap_or(0.0);
        let prior: Vec<f64> = (0..c.len()).map(linear).chain(free()).collect();
        let pull: Vec<f64> = (0..c.len())
            .map(|k| -linear(k) * c[k])
            .chain(self.free.iter().map(|k| -self.known.parameter[*k] * p[*k]))
            .collect();
        (prior, pull)
    }

    fn joint(&self, p: &[f64; COUNT], x: &DMatrix<f64>, c: &DVector<f64>) -> DMatrix<f64> {
        let j = self.slopes(p, x, c);
        let mut all = DMatrix::zeros(x.nrows(), x.ncols() + j.ncols());
        all.columns_mut(0, x.ncols()).copy_from(x);
        all.columns_mut(x.ncols(), j.ncols()).copy_from(&j);
        whiten_matrix(&self.filter, &all)
    }

    /// Covariance of the free parameters, over the correlation time of the scores.
    pub(super) fn covariance(&self, p: &[f64; COUNT]) -> Option<(DMatrix<f64>, f64)> {
        let (x, c, r, _) = self.project(p)?;
        let all = self.joint(p, &x, &c);
        let (prior, _) = self.priors(p, &c);
        let q = all.ncols();
        let scale: Vec<f64> = (0..q).map(|k| all.column(k).norm().max(f64::MIN_POSITIVE)).collect();
        let scaled = DMatrix::from_fn(all.nrows(), q, |i, k| all[(i, k)] / scale[k]);
        let mut gram = lsq::gram(&scaled);
        for k in 0..q {
            gram[(k, k)] += prior.get(k).copied().unwrap_or(0.0) / (scale[k] * scale[k]);
        }
        let inverse = gram.try_inverse()?;
        let degrees = all.nrows().saturating_sub(q + self.filter.len()).max(1) as f64;
        let variance = r.norm_squared() / degrees;
        let base = x.ncols();
        let m = self.free.len();
        let plain = DMatrix::from_fn(m, m, |a, b| {
            variance * inverse[(base + a, base + b)] / (scale[base + a] * scale[base + b])
        });
        Some((plain, variance))
    }
}
