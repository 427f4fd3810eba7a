//! Thin rectangular plates with a mass at the middle, by Ritz's method.
//!
//! The deflection is a sum of products of polynomials that satisfy the conditions of the edges:
//! (1 + x)^p (1 - x)^q times Legendre polynomials, with p, q 0 for a free, 1 for a supported and 2 for a
//! clamped edge (Bhat 1985). Strain energy of a thin isotropic plate (Leissa, *Vibration of Plates*,
//! NASA SP-160, 1969). The lowest eigenvalue comes out slightly high; with [`TERMS`] terms a side by
//! less than 0.1 % for plain plates.

use nalgebra::{Cholesky, DMatrix, DVector};
use serde::Serialize;

use super::Plate;
use super::material::POISSON;

/// Terms along each side.
pub const TERMS: usize = 9;
/// Points of the quadrature; exact for the polynomials that occur.
const POINTS: usize = 16;

/// How the four edges are held.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Edges {
    /// All four clamped.
    Clamped,
    /// All four supported, free to turn.
    Supported,
    /// One edge clamped, at the start of the first side; the others free.
    OneEdge,
}

impl Edges {
    /// Powers at the two ends of each side.
    fn powers(self) -> [[i32; 2]; 2] {
        match self {
            Self::Clamped => [[2, 2], [2, 2]],
            Self::Supported => [[1, 1], [1, 1]],
            Self::OneEdge => [[2, 0], [0, 0]],
        }
    }
}

impl Plate {
    /// Bending stiffness E h^3/(12 (1 - nu^2)), N m.
    pub fn rigidity(&self) -> f64 {
        self.material.youngs_modulus * self.thickness.powi(3) / (12.0 * (1.0 - POISSON * POISSON))
    }

    /// Lowest natural frequency, Hz; `None` for a plate of no size.
    pub fn frequency(&self) -> Option<f64> {
        let [a, b] = self.sides;
        let area_mass = self.material.density * self.thickness;
        if !(a > 0.0 && b > 0.0 && area_mass > 0.0 && self.rigidity() > 0.0) {
            return None;
        }
        let carried = self.carried.max(0.0) / (area_mass * a * b);
        let lambda = parameter(self.edges, a / b, carried)?;
        Some(lambda / (a * a) * (self.rigidity() / area_mass).sqrt() / std::f64::consts::TAU)
    }
}

/// Frequency parameter omega a^2 sqrt(rho h/D) of the lowest mode, for the aspect ratio a/b and a
/// mass at the middle as a multiple of the plate's own.
pub fn parameter(edges: Edges, aspect: f64, carried: f64) -> Option<f64> {
    let [x, y] = edges.powers().map(Side::new);
    let n = TERMS * TERMS;
    let mut stiffness = DMatrix::zeros(n, n);
    let mut mass = DMatrix::zeros(n, n);
    // On the square from -1 to 1: derivatives along the first side times 2/a, along the other 2/b.
    let r2 = aspect * aspect;
    for i in 0..n {
        let (p, q) = (i / TERMS, i % TERMS);
        for j in 0..=i {
            let (s, t) = (j / TERMS, j % TERMS);
            let bend = x.two_two[p][s] * y.zero_zero[q][t]
                + r2 * r2 * x.zero_zero[p][s] * y.two_two[q][t]
                + POISSON * r2 * (x.zero_two[s][p] * y.zero_two[q][t] + x.zero_two[p][s] * y.zero_two[t][q])
                + 2.0 * (1.0 - POISSON) * r2 * x.one_one[p][s] * y.one_one[q][t];
            let point = x.middle[p] * y.middle[q] * x.middle[s] * y.middle[t];
            // The plate's own mass is 4 on this square.
            let inertia = x.zero_zero[p][s] * y.zero_zero[q][t] + 4.0 * carried * point;
            for (r, c) in [(i, j), (j, i)] {
                stiffness[(r, c)] = bend;
                mass[(r, c)] = inertia;
            }
        }
    }
    lowest(&stiffness, &mass).map(|w2| 4.0 * w2.sqrt())
}

/// Lowest eigenvalue of K v = w^2 M v by inverse iteration with Rayleigh's quotient.
fn lowest(stiffness: &DMatrix<f64>, mass: &DMatrix<f64>) -> Option<f64> {
    let solver = Cholesky::new(stiffness.clone())?;
    let mut v = DVector::from_fn(stiffness.nrows(), |i, _| 1.0 / (1.0 + i as f64));
    let mut last = f64::INFINITY;
    for _ in 0..200 {
        let pushed = mass * &v;
        v = solver.solve(&pushed);
        let size = v.norm();
        if !(size.is_finite() && size > 0.0) {
            return None;
        }
        v /= size;
        let value = v.dot(&(stiffness * &v)) / v.dot(&(mass * &v));
        if (value - last).abs() <= 1e-12 * value {
            return Some(value);
        }
        last = value;
    }
    last.is_finite().then_some(last)
}

/// Integrals of the polynomials of one side; the first index is the one whose derivative is named first.
struct Side {
    zero_zero: Vec<Vec<f64>>,
    one_one: Vec<Vec<f64>>,
    two_two: Vec<Vec<f64>>,
    zero_two: Vec<Vec<f64>>,
    /// Values at the middle.
    middle: Vec<f64>,
}

impl Side {
    fn new(powers: [i32; 2]) -> Self {
        let table = || vec![vec![0.0; TERMS]; TERMS];
        let mut side = Self {
            zero_zero: table(),
            one_one: table(),
            two_two: table(),
            zero_two: table(),
            middle: basis(powers, 0.0).into_iter().map(|f| f[0]).collect(),
        };
        for (x, w) in gauss(POINTS) {
            let f = basis(powers, x);
            for i in 0..TERMS {
                for j in 0..TERMS {
                    side.zero_zero[i][j] += w * f[i][0] * f[j][0];
                    side.one_one[i][j] += w * f[i][1] * f[j][1];
                    side.two_two[i][j] += w * f[i][2] * f[j][2];
                    side.zero_two[i][j] += w * f[i][0] * f[j][2];
                }
            }
        }
        side
    }
}

/// Value and two derivatives of each polynomial of a side.
fn basis(powers: [i32; 2], x: f64) -> Vec<[f64; 3]> {
    let end = |sign: f64, p: i32| -> [f64; 3] {
        let u = 1.0 + sign * x;
        match p {
            0 => [1.0, 0.0, 0.0],
            1 => [u, sign, 0.0],
            _ => [u * u, 2.0 * sign * u, 2.0],
        }
    };
    let ends = product(end(1.0, powers[0]), end(-1.0, powers[1]));
    legendre(x).into_iter().map(|p| product(ends, p)).collect()
}

/// Product of two functions given by value and two derivatives.
fn product(f: [f64; 3], g: [f64; 3]) -> [f64; 3] {
    [f[0] * g[0], f[1] * g[0] + f[0] * g[1], f[2] * g[0] + 2.0 * f[1] * g[1] + f[0] * g[2]]
}

/// Legendre polynomials with two derivatives, by their recurrence.
fn legendre(x: f64) -> Vec<[f64; 3]> {
    let mut all = vec![[1.0, 0.0, 0.0], [x, 1.0, 0.0]];
    for n in 1..TERMS.saturating_sub(1) {
        let k = n as f64;
        let (p, o) = (all[n], all[n - 1]);
        let xp = product([x, 1.0, 0.0], p);
        all.push([0, 1, 2].map(|d| ((2.0 * k + 1.0) * xp[d] - k * o[d]) / (k + 1.0)));
    }
    all.truncate(TERMS);
    all
}

/// Points and weights of Gauss and Legendre's quadrature on -1 to 1.
fn gauss(n: usize) -> Vec<(f64, f64)> {
    let polynomial = |x: f64| -> (f64, f64) {
        let (mut p0, mut p1) = (1.0, x);
        for k in 1..n {
            let k = k as f64;
            (p0, p1) = (p1, ((2.0 * k + 1.0) * x * p1 - k * p0) / (k + 1.0));
        }
        (p1, n as f64 * (x * p1 - p0) / (x * x - 1.0))
    };
    (0..n)
        .map(|i| {
            let mut x = (std::f64::consts::PI * (i as f64 + 0.75) / (n as f64 + 0.5)).cos();
            for _ in 0..50 {
                let (p, d) = polynomial(x);
                x -= p / d;
            }
            let d = polynomial(x).1;
            (x, 2.0 / ((1.0 - x * x) * d * d))
        })
        .collect()
}
