//! Balancing by amplitudes alone: one run as it is and one with a trial mass at each of three or more angles.
//!
//! The vibration is V = O + T e^(i theta), O from the unbalance and T from the trial mass at angle zero. With amplitudes
//! only, |V|^2 = o^2 + t^2 + 2 o t cos(theta - psi), psi being the angle of O against T: three unknowns, four runs (the
//! "four-run method"; Siebert 1939 in its graphical form, here solved as least squares with the amplitudes' own
//! uncertainties). The mass that cancels O is the trial mass times o/t at psi + 180 deg. No mark on the shaft is needed.
//!
//! It holds while the response is in proportion to the unbalance and the speed is the same in all runs. The run in
//! excess of the unknowns is a check: where the amplitudes do not fit together the answer is [`BalanceError::Inconsistent`].

use nalgebra::{Matrix3, Vector3};

/// Chi-squared that 1 % of sound runs exceed, by degrees of freedom from 1 (Abramowitz and Stegun, table 26.8).
const CHI_99: [f64; 5] = [6.635, 9.210, 11.345, 13.277, 15.086];

/// Why no correction came out.
#[derive(Debug, Clone, Copy, PartialEq, thiserror::Error)]
pub enum BalanceError {
    /// Too few runs with a trial mass.
    #[error("needs runs with the trial mass at three angles or more, there are {runs}")]
    Runs {
        /// Runs with the trial mass.
        runs: usize,
    },
    /// An amplitude, angle or uncertainty is not a usable number.
    #[error("an amplitude of {value} with an uncertainty of {uncertainty} cannot be used")]
    Number {
        /// Amplitude.
        value: f64,
        /// Uncertainty.
        uncertainty: f64,
    },
    /// The angles do not span the circle.
    #[error("the angles of the trial mass lie too close together to solve for size and place")]
    Angles,
    /// The trial mass did not change the amplitude by enough.
    #[error(
        "the trial mass answers with {answer} against an uncertainty of {uncertainty}: too little to scale by"
    )]
    WeakTrial {
        /// Amplitude that the trial mass adds.
        answer: f64,
        /// Its standard uncertainty.
        uncertainty: f64,
    },
    /// No unbalance gives these amplitudes.
    #[error(
        "amplitudes inconsistent: they miss a common solution by chi-squared {chi_squared:.1}, {limit:.1} is the 99 % limit"
    )]
    Inconsistent {
        /// Chi-squared of the best solution.
        chi_squared: f64,
        /// Limit.
        limit: f64,
    },
}

/// One run with the trial mass.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Trial {
    /// Angle of the trial mass from the reference mark, in the sense the angles are counted, rad.
    pub angle: f64,
    /// Amplitude of 1/rev, any unit.
    pub amplitude: f64,
    /// Standard uncertainty of the amplitude.
    pub uncertainty: f64,
}

/// What cancels the unbalance.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Balance {
    /// Mass to add at the radius of the trial mass, over the trial mass.
    pub ratio: f64,
    /// Its standard uncertainty.
    pub ratio_uncertainty: f64,
    /// Angle to add it at, rad, 0 to 2 pi.
    pub angle: f64,
    /// Its standard uncertainty, rad.
    pub angle_uncertainty: f64,
    /// Amplitude without trial mass as fitted.
    pub original: f64,
    /// Amplitude that the trial mass alone makes.
    pub answer: f64,
    /// Amplitude to expect after the correction, r.m.s. over the uncertainty of mass and angle.
    pub expected: f64,
    /// Chi-squared of the fit.
    pub chi_squared: f64,
    /// Degrees of freedom of it.
    pub freedom: usize,
}

/// Solves for the correction from the amplitude without trial mass, its standard uncertainty, and the trial runs.
///
/// # Errors
/// See [`BalanceError`].
pub fn solve(baseline: (f64, f64), trials: &[Trial]) -> Result<Balance, BalanceError> {
    if trials.len() < 3 {
        return Err(BalanceError::Runs { runs: trials.len() });
    }
    let mut runs: Vec<(Option<f64>, f64, f64)> = vec![(None, baseline.0, baseline.1)];
    runs.extend(trials.iter().map(|t| (Some(t.angle), t.amplitude, t.uncertainty)));
    for (angle, value, uncertainty) in &runs {
        let sound = *value >= 0.0 && value.is_finite() && *uncertainty > 0.0 && uncertainty.is_finite();
        if !sound || angle.is_some_and(|a| !a.is_finite()) {
            return Err(BalanceError::Number { value: *value, uncertainty: *uncertainty });
        }
    }
    let start = linear(baseline.0, trials).ok_or(BalanceError::Angles)?;
    let (mut x, mut cost) = (start, chi_squared(&runs, &start));
    // The linear solution lies off where the amplitudes disagree; a few others guard against a wrong valley.
    let scale = runs.iter().map(|r| r.1).fold(0.0, f64::max).max(1e-300);
    let mut starts = vec![start];
    for k in 0..6 {
        let psi = f64::from(k) * std::f64::consts::FRAC_PI_3;
        starts.push(Vector3::new(baseline.0.max(1e-3 * scale), start[1].max(0.1 * scale), psi));
    }
    for s in starts {
        let (y, c) = descend(&runs, s);
        if c < cost {
            (x, cost) = (y, c);
        }
    }
    let freedom = runs.len() - 3;
    let limit = CHI_99
        .get(freedom.saturating_sub(1))
        .copied()
        .unwrap_or(freedom as f64 + 3.3 * (2.0 * freedom as f64).sqrt());
    if cost > limit {
        return Err(BalanceError::Inconsistent { chi_squared: cost, limit });
    }
    let (mut o, mut t, mut psi) = (x[0], x[1], x[2]);
    if o < 0.0 {
        (o, psi) = (-o, psi + std::f64::consts::PI);
    }
    if t < 0.0 {
        (t, psi) = (-t, psi + std::f64::consts::PI);
    }
    let (normal, _) = normal_equations(&runs, &Vector3::new(o, t, psi));
    // Where there is nothing to balance the angle is free: a floor keeps the matrix invertible.
    let floor = 1e-12 * normal.diagonal().max();
    let covariance = (normal + Matrix3::identity() * floor).try_inverse().ok_or(BalanceError::Angles)?;
    let variance = |k: usize| covariance[(k, k)].max(0.0);
    if !(t > 3.0 * variance(1).sqrt()) {
        return Err(BalanceError::WeakTrial { answer: t, uncertainty: variance(1).sqrt() });
    }
    let ratio = o / t;
    let relative = (variance(0) / (t * t) + ratio * ratio * variance(1) / (t * t)
        - 2.0 * ratio * covariance[(0, 1)] / (t * t))
        .max(0.0);
    // The angle of a vector that may be zero is uncertain by at most that of a uniform one.
    let angle_uncertainty = variance(2).sqrt().min(std::f64::consts::PI / 3f64.sqrt());
    Ok(Balance {
        ratio,
        ratio_uncertainty: relative.sqrt(),
        angle: (psi + std::f64::consts::PI).rem_euclid(std::f64::consts::TAU),
        angle_uncertainty,
        original: o,
        answer: t,
        expected: (relative * t * t + (o * angle_uncertainty).powi(2)).sqrt(),
        chi_squared: cost,
        freedom,
    })
}

/// From a_k^2 - a_0^2 = t^2 + c cos(theta) + s sin(theta).
fn linear(baseline: f64, trials: &[Trial]) -> Option<Vector3<f64>> {
    let mut normal = Matrix3::zeros();
    let mut right = Vector3::zeros();
    for t in trials {
        let row = Vector3::new(1.0, t.angle.cos(), t.angle.sin());
        normal += row * row.transpose();
        right += row * (t.amplitude.powi(2) - baseline.powi(2));
    }
    // Smallest eigenvalue: how well the angles span the circle; a third each way gives 1.5.
    if normal.symmetric_eigenvalues().min() < 0.05 {
        return None;
    }
    let v = normal.try_inverse()? * right;
    let t = v[0].max(0.0).sqrt();
    let psi = v[2].atan2(v[1]);
    Some(Vector3::new(baseline, t, psi))
}

fn model(angle: Option<f64>, x: &Vector3<f64>) -> (f64, Vector3<f64>) {
    let (o, t, psi) = (x[0], x[1], x[2]);
    let Some(theta) = angle else { return (o.abs(), Vector3::new(o.signum(), 0.0, 0.0)) };
    let (sin, cos) = (theta - psi).sin_cos();
    let a = (o * o + t * t + 2.0 * o * t * cos).max(0.0).sqrt();
    let by = a.max(1e-12 * (o.abs() + t.abs()).max(1e-300));
    (a, Vector3::new((o + t * cos) / by, (t + o * cos) / by, o * t * sin / by))
}

fn chi_squared(runs: &[(Option<f64>, f64, f64)], x: &Vector3<f64>) -> f64 {
    runs.iter().map(|(angle, a, u)| ((a - model(*angle, x).0) / u).powi(2)).sum()
}

fn normal_equations(runs: &[(Option<f64>, f64, f64)], x: &Vector3<f64>) -> (Matrix3<f64>, Vector3<f64>) {
    let mut normal = Matrix3::zeros();
    let mut right = Vector3::zeros();
    for (angle, a, u) in runs {
        let (value, slope) = model(*angle, x);
        normal += slope * slope.transpose() / (u * u);
        right += slope * ((a - value) / (u * u));
    }
    (normal, right)
}

/// Levenberg and Marquardt from a start.
fn descend(runs: &[(Option<f64>, f64, f64)], start: Vector3<f64>) -> (Vector3<f64>, f64) {
    let (mut x, mut cost, mut damping) = (start, chi_squared(runs, &start), 1e-6);
    for _ in 0..200 {
        let (normal, right) = normal_equations(runs, &x);
        let mut damped = normal;
        for k in 0..3 {
            damped[(k, k)] += damping * normal[(k, k)].max(1e-12 * normal.diagonal().max());
        }
        let Some(step) = damped.try_inverse().map(|i| i * right) else {
            damping *= 10.0;
            continue;
        };
        let next = x + step;
        let c = chi_squared(runs, &next);
        if c <= cost {
            let small = (cost - c) <= 1e-14 * cost.max(1e-300);
            (x, cost, damping) = (next, c, (0.2 * damping).max(1e-15));
            if small {
                break;
            }
        } else {
            damping *= 6.0;
            if damping > 1e12 {
                break;
            }
        }
    }
    (x, cost)
}

/// Shares a correction between two neighbouring places where mass can be put, when it falls between them: the places'
/// indices with their part of the mass. One entry where a place is met; `None` where the places leave a gap of half a
/// circle or more around it (a two-bladed rotor corrected at its tips only).
pub fn split(ratio: f64, angle: f64, places: &[f64]) -> Option<Vec<(usize, f64)>> {
    let turn = std::f64::consts::TAU;
    let ahead = |from: f64, to: f64| (to - from).rem_euclid(turn);
    if ratio == 0.0 {
        return Some(Vec::new());
    }
    if let Some(k) = places.iter().position(|p| ahead(*p, angle).min(ahead(angle, *p)) < 1e-9) {
        return Some(vec![(k, ratio)]);
    }
    let (low, back) =
        places.iter().enumerate().map(|(k, p)| (k, ahead(*p, angle))).min_by(|a, b| a.1.total_cmp(&b.1))?;
    let (high, on) =
        places.iter().enumerate().map(|(k, p)| (k, ahead(angle, *p))).min_by(|a, b| a.1.total_cmp(&b.1))?;
    let gap = back + on;
    if low == high || gap >= std::f64::consts::PI - 1e-9 {
        return None;
    }
    Some(vec![(low, ratio * on.sin() / gap.sin()), (high, ratio * back.sin() / gap.sin())])
}

/// Permissible residual specific unbalance of a balance quality grade, m: G/omega, G in m/s (ISO 21940-11:2016, eq. for
/// e_per; G 6.3 means 6.3 mm/s).
pub fn permissible(grade_mm_per_s: f64, omega: f64) -> f64 {
    1e-3 * grade_mm_per_s / omega
}

/// The grade value, mm/s, that an unbalance (kg m) of a rotor of this mass, kg, has at `omega`, rad/s.
pub fn grade(unbalance: f64, mass: f64, omega: f64) -> f64 {
    1e3 * unbalance / mass * omega
}

/// Shares a permissible unbalance between two bearing planes A and B at distances `a` and `b` from the centre of mass
/// (ISO 21940-11, rotors with the centre of mass between the planes): U_A = U b/(a + b).
pub fn planes(unbalance: f64, a: f64, b: f64) -> (f64, f64) {
    (unbalance * b / (a + b), unbalance * a / (a + b))
}
