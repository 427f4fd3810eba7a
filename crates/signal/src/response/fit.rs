//! Transfer function by optimal instrumental variables in the frequency domain.
//!
//! With e = Y - G(theta) U the disturbance at the output, the estimate solves
//!
//! > sum over bins of Re( conj(dG/dtheta Z) e ) / Phi = 0,
//!
//! Z the part of the input that the reference drives, Phi the density of e smoothed over frequency. Z owes nothing to
//! the disturbance, so feedback does not bias the estimate; with this Z and Phi it is the optimal one
//! (Soderstrom and Stoica 1983, Instrumental Variable Methods for System Identification; in the frequency
//! domain Pintelon and Schoukens 2012, System Identification, ch. 12). Its covariance is A^-1 B A^-T with
//! A = sum Re(conj(dG Z) dG U)/Phi and B = sum |dG Z|^2 / (2 Phi), which is the Cramer-Rao bound where Z is exact.
//!
//! Holds for a plant that is linear and a disturbance that is steady over the stretches. What the model cannot
//! follow shows in [`Fit::chi_square`], and the covariance is enlarged by it.

use nalgebra::{DMatrix, DVector};

use super::model::{Parameter, Plant};
use super::spectra::Bin;
use crate::SignalError;
use crate::spectrum::Complex64;

/// What is known about a parameter from elsewhere: a bench.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Prior {
    /// Parameter.
    pub parameter: Parameter,
    /// Value.
    pub value: f64,
    /// Standard uncertainty.
    pub uncertainty: f64,
}

/// A band of frequencies with the response that the data ask for there.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Band {
    /// Centre, rad/s.
    pub omega: f64,
    /// Response: that of the model, corrected by what is left in the band.
    pub response: Complex64,
    /// Standard uncertainty of its real and of its imaginary part.
    pub uncertainty: f64,
    /// Departure from the model in standard uncertainties, squared, of both parts.
    pub chi_square: f64,
}

/// A fitted plant.
#[derive(Debug, Clone, PartialEq)]
pub struct Fit {
    /// The plant.
    pub plant: Plant,
    /// What was fitted, in the order of the covariance.
    pub free: Vec<Parameter>,
    /// Covariance of the free parameters; the gain by its logarithm.
    pub covariance: DMatrix<f64>,
    /// Response by band.
    pub bands: Vec<Band>,
    /// Misfit over the bands in standard uncertainties, squared and summed.
    pub chi_square: f64,
    /// Its degrees of freedom.
    pub degrees: usize,
    /// Factor by which the covariance was enlarged for misfit, 1 if none.
    pub enlarged: f64,
    /// What every bin did to the parameters: rows in the order of `free`.
    pub(super) influence: Vec<(f64, Vec<Complex64>)>,
}

impl Fit {
    /// Standard uncertainty of a parameter (of the gain: relative); zero if it was held.
    pub fn uncertainty(&self, parameter: Parameter) -> f64 {
        self.free
            .iter()
            .position(|p| *p == parameter)
            .and_then(|k| self.covariance.get((k, k)))
            .map_or(0.0, |v| v.max(0.0).sqrt())
    }

    /// Correlation of two parameters, -1 to 1; zero if one was held.
    pub fn correlation(&self, a: Parameter, b: Parameter) -> f64 {
        let place = |p: Parameter| self.free.iter().position(|q| *q == p);
        match (place(a), place(b)) {
            (Some(i), Some(j)) => {
                let scale = self.uncertainty(a) * self.uncertainty(b);
                if scale > 0.0 { self.covariance[(i, j)] / scale } else { 0.0 }
            }
            _ => 0.0,
        }
    }

    /// A figure of the plant with its standard uncertainty, by central differences over one standard uncertainty of
    /// every parameter. `None` where the figure does not exist.
    pub fn propagate(&self, figure: &dyn Fn(&Plant) -> Option<f64>) -> Option<(f64, f64)> {
        let value = figure(&self.plant)?;
        let mut gradient = DVector::zeros(self.free.len());
        for (k, &p) in self.free.iter().enumerate() {
            let step = self.uncertainty(p).max(1e-9);
            let up = figure(&self.plant.moved(p, step));
            let down = figure(&self.plant.moved(p, -step));
            gradient[k] = match (up, down) {
                (Some(a), Some(b)) => (a - b) / (2.0 * step),
                (Some(a), None) => (a - value) / step,
                (None, Some(b)) => (value - b) / step,
                (None, None) => return None,
            };
        }
        let variance = (gradient.transpose() * &self.covariance * &gradient)[(0, 0)];
        (value.is_finite() && variance.is_finite()).then(|| (value, variance.max(0.0).sqrt()))
    }

    /// The same fit where input and output come from clocks whose offset is known to `uncertainty` (s) only: it
    /// looks like dead time.
    #[must_use]
    pub fn with_clock(mut self, uncertainty: f64) -> Self {
        if let Some(k) = self.free.iter().position(|p| *p == Parameter::Delay) {
            self.covariance[(k, k)] += uncertainty * uncertainty;
        }
        self
    }

    /// Misfit per degree of freedom.
    pub fn reduced(&self) -> f64 {
        self.chi_square / self.degrees.max(1) as f64
    }

    /// Schwarz's criterion: misfit plus ln(number of band values) for every parameter; least is best.
    pub fn criterion(&self) -> f64 {
        self.chi_square + self.free.len() as f64 * (2.0 * self.bands.len().max(1) as f64).ln()
    }
}

/// Bands in the fit's account of misfit.
const BANDS: usize = 24;
/// Bins to either side that the density of the disturbance is smoothed over, fewer towards the low end where it is steep.
const SMOOTH: usize = 20;
/// Iterations at most.
const ITERATIONS: usize = 60;

/// Fits the free parameters of a plant, the others as in `start`; `start` is used as a guess only for its
/// held parameters, the free ones are searched for.
///
/// # Errors
/// Too few bins, or no excitation that tells the parameters apart.
pub fn fit(bins: &[Bin], start: &Plant, free: &[Parameter], priors: &[Prior]) -> Result<Fit, SignalError> {
    if bins.len() < 4 * free.len().max(1) {
        return Err(SignalError::TooShort { need: 4 * free.len(), got: bins.len() });
    }
    let mut best: Option<(f64, Plant)> = None;
    for guess in guesses(bins, start, free) {
        if let Ok((plant, weights)) = solve(bins, guess, free, priors, 6) {
            let bands = account(bins, &plant, &weights);
            let chi: f64 = bands.iter().map(|b| b.chi_square).sum();
            if chi.is_finite() && best.is_none_or(|(c, _)| chi < c) {
                best = Some((chi, plant));
            }
        }
    }
    let Some((_, guess)) = best else {
        return Err(SignalError::NoConvergence { iterations: ITERATIONS });
    };
    let (plant, weights) = solve(bins, guess, free, priors, ITERATIONS)?;
    finish(bins, plant, &weights, free, priors)
}

/// Places to start from.
fn guesses(bins: &[Bin], start: &Plant, free: &[Parameter]) -> Vec<Plant> {
    let delays: &[f64] = if free.contains(&Parameter::Delay) { &[0.006, 0.03] } else { &[f64::NAN] };
    let lags: &[f64] = if free.contains(&Parameter::Lag) { &[0.03] } else { &[f64::NAN] };
    let mut out = Vec::new();
    for &delay in delays {
        for &lag in lags {
            let mut plant = *start;
            if delay.is_finite() {
                plant.delay = delay;
            }
            if lag.is_finite() {
                plant.lag = lag;
            }
            if free.contains(&Parameter::Gain) {
                // The gain that goes with this shape, through the instrument.
                plant.gain = 1.0;
                let (mut top, mut bottom) = (0.0, 0.0);
                for b in bins {
                    let z = plant.at(b.omega) * b.driven * b.omega;
                    top += (z.conj() * b.output * b.omega).re;
                    bottom += (z.conj() * plant.at(b.omega) * b.input * b.omega).re;
                }
                plant.gain = top / bottom;
            }
            if plant.gain.is_finite() && plant.gain != 0.0 {
                out.push(plant);
            }
        }
    }
    out
}

/// 1/Phi for every bin, from the residuals of a plant.
fn weights(bins: &[Bin], plant: &Plant) -> Vec<f64> {
    let power: Vec<f64> = bins.iter().map(|b| (b.output - plant.at(b.omega) * b.input).norm_sqr()).collect();
    let n = power.len();
    let mut sum = vec![0.0; n + 1];
    for k in 0..n {
        sum[k + 1] = sum[k] + power[k];
    }
    (0..n)
        .map(|k| {
            let half = SMOOTH.min(4 + k / 5).min(n / 4);
            let (low, high) = (k.saturating_sub(half), (k + half + 1).min(n));
            let mean = (sum[high] - sum[low]) / (high - low) as f64;
            1.0 / mean.max(1e-300)
        })
        .collect()
}

/// Rows dG/dtheta of one bin.
fn rows(plant: &Plant, free: &[Parameter], omega: f64) -> (Complex64, Vec<Complex64>) {
    let g = plant.at(omega);
    (g, free.iter().map(|&p| g * plant.sensitivity(p, omega)).collect())
}

type Solved = (Plant, Vec<f64>);

fn solve(
    bins: &[Bin],
    mut plant: Plant,
    free: &[Parameter],
    priors: &[Prior],
    iterations: usize,
) -> Result<Solved, SignalError> {
    let p = free.len();
    let mut w = weights(bins, &plant);
    let mut d = vec![Complex64::default(); p];
    for round in 0..iterations {
        let (mut a, mut c, mut b) =
            (DMatrix::<f64>::zeros(p, p), DMatrix::<f64>::zeros(p, p), DVector::<f64>::zeros(p));
        for (bin, &weight) in bins.iter().zip(&w) {
            let g = plant.at(bin.omega);
            let e = bin.output - g * bin.input;
            let (driven, input) = (g * bin.driven, g * bin.input);
            for (v, &f) in d.iter_mut().zip(free) {
                *v = plant.sensitivity(f, bin.omega);
            }
            for i in 0..p {
                let z = (d[i] * driven).conj() * (2.0 * weight);
                b[i] += (z * e).re;
                for j in 0..p {
                    let zd = z * d[j];
                    a[(i, j)] += (zd * input).re;
                    c[(i, j)] += (zd * driven).re;
                }
            }
        }
        for prior in priors {
            if let Some(k) = free.iter().position(|f| *f == prior.parameter)
                && prior.uncertainty > 0.0
            {
                let weight = prior.uncertainty.powi(-2);
                a[(k, k)] += weight;
                c[(k, k)] += weight;
                b[k] += weight * (prior.value - plant.value(prior.parameter));
            }
        }
        // Far from the end the symmetric matrix leads more steadily than the exact one.
        let matrix = if round < 4 { &c + DMatrix::from_diagonal(&c.diagonal()) * 0.05 } else { a.clone() };
        let step = matrix
            .lu()
            .solve(&b)
            .filter(|s| s.iter().all(|v| v.is_finite()))
            .ok_or(SignalError::Singular { rank: p.saturating_sub(1), columns: p })?;
        let mut size: f64 = 0.0;
        for (k, &f) in free.iter().enumerate() {
            let most = match f {
                Parameter::Gain => 0.5,
                Parameter::Delay | Parameter::Lag | Parameter::Zero => 0.015,
                Parameter::Damping => 1.0,
            };
            let by = step[k].clamp(-most, most);
            size = size.max((by / most).abs());
            plant = plant.moved(f, by);
        }
        plant.lag = plant.lag.clamp(-0.02, 1.0);
        plant.delay = plant.delay.clamp(-0.05, 1.0);
        plant.damping = plant.damping.clamp(-5.0, 100.0);
        if !(plant.gain.is_finite() && plant.gain != 0.0) {
            return Err(SignalError::NoConvergence { iterations: round });
        }
        w = weights(bins, &plant);
        if size < 1e-5 {
            break;
        }
    }
    Ok((plant, w))
}

fn finish(
    bins: &[Bin],
    plant: Plant,
    w: &[f64],
    free: &[Parameter],
    priors: &[Prior],
) -> Result<Fit, SignalError> {
    let p = free.len();
    let (mut a, mut b) = (DMatrix::<f64>::zeros(p, p), DMatrix::<f64>::zeros(p, p));
    let mut scores: Vec<(f64, Vec<Complex64>)> = Vec::with_capacity(bins.len());
    for (bin, &weight) in bins.iter().zip(w) {
        let (_, d) = rows(&plant, free, bin.omega);
        let z: Vec<Complex64> = d.iter().map(|d| (d * bin.driven).conj() * (2.0 * weight)).collect();
        for i in 0..p {
            for j in 0..p {
                a[(i, j)] += (z[i] * d[j] * bin.input).re;
                // Variance of Re(z e) with E|e|^2 = 1/weight.
                b[(i, j)] += 0.5 * (z[i] * z[j].conj()).re / weight;
            }
        }
        scores.push(((bin.output - plant.at(bin.omega) * bin.input).norm(), z));
    }
    for prior in priors {
        if let Some(k) = free.iter().position(|f| *f == prior.parameter)
            && prior.uncertainty > 0.0
        {
            a[(k, k)] += prior.uncertainty.powi(-2);
            b[(k, k)] += prior.uncertainty.powi(-2);
        }
    }
    let Some(inverse) = a.clone().try_inverse() else {
        return Err(SignalError::Singular { rank: p.saturating_sub(1), columns: p });
    };
    let mut covariance: DMatrix<f64> = &inverse * b * inverse.transpose();
    if covariance.iter().any(|v| !v.is_finite()) || (0..p).any(|k| covariance[(k, k)] <= 0.0) {
        return Err(SignalError::Singular { rank: p.saturating_sub(1), columns: p });
    }
    let bands = account(bins, &plant, w);
    let chi_square: f64 = bands.iter().map(|b| b.chi_square).sum();
    let degrees = (2 * bands.len()).saturating_sub(p).max(1);
    let reduced = chi_square / degrees as f64;
    // More than chance allows (95 %): the model leaves something out.
    let enlarged = if reduced > 1.0 + 1.65 * (2.0 / degrees as f64).sqrt() { reduced } else { 1.0 };
    covariance *= enlarged;
    let influence = scores
        .into_iter()
        .map(|(size, z)| {
            let row = (0..p).map(|i| (0..p).map(|j| z[j] * inverse[(i, j)]).sum()).collect();
            (size, row)
        })
        .collect();
    Ok(Fit { plant, free: free.to_vec(), covariance, bands, chi_square, degrees, enlarged, influence })
}

/// What is left, band by band, through the instrument.
fn account(bins: &[Bin], plant: &Plant, w: &[f64]) -> Vec<Band> {
    let (Some(first), Some(last)) = (bins.first(), bins.last()) else { return Vec::new() };
    let ratio = (last.omega / first.omega).max(1.0 + 1e-9);
    let edge = |k: usize| first.omega * ratio.powf(k as f64 / BANDS as f64) * (1.0 + 1e-12);
    let mut out = Vec::new();
    let mut place = 0;
    let mut from = 0;
    for k in 1..=BANDS {
        while place < bins.len() && (bins[place].omega <= edge(k) || k == BANDS) {
            place += 1;
        }
        if place - from < 4 && k < BANDS {
            continue;
        }
        let (part, weights) = (&bins[from..place], &w[from..place]);
        from = place;
        if let Some(band) = band(part, weights, plant) {
            out.push(band);
        }
    }
    out
}

fn band(bins: &[Bin], w: &[f64], plant: &Plant) -> Option<Band> {
    let (mut moment, mut pull, mut variance) = (Complex64::default(), Complex64::default(), 0.0);
    let (mut centre, mut total) = (0.0, 0.0);
    for (b, &weight) in bins.iter().zip(w) {
        let g = plant.at(b.omega);
        let z = (g * b.driven).conj() * weight;
        moment += z * (b.output - g * b.input);
        pull += z * g * b.input;
        variance += z.norm_sqr() / weight;
        let heaviness = (g * b.driven).norm_sqr() * weight;
        centre += heaviness * b.omega.ln();
        total += heaviness;
    }
    if total <= 0.0 || pull.norm() <= 0.0 || variance <= 0.0 {
        return None;
    }
    let omega = (centre / total).exp();
    let relative = moment / pull;
    let g = plant.at(omega);
    let sd = (0.5 * variance).sqrt() / pull.norm();
    Some(Band {
        omega,
        response: g * (Complex64::new(1.0, 0.0) + relative),
        uncertainty: g.norm() * sd,
        chi_square: 2.0 * moment.norm_sqr() / variance,
    })
}

/// Tries sets of free parameters, simplest first, and keeps the one that Schwarz's criterion likes best.
///
/// # Errors
/// None of them can be fitted.
pub fn select(
    bins: &[Bin],
    start: &Plant,
    sets: &[&[Parameter]],
    priors: &[Prior],
) -> Result<Fit, SignalError> {
    let mut best: Option<Fit> = None;
    let mut error = SignalError::NoConvergence { iterations: 0 };
    for set in sets {
        match fit(bins, start, set, priors) {
            Ok(f) if best.as_ref().is_none_or(|b| f.criterion() < b.criterion()) => best = Some(f),
            Ok(_) => {}
            Err(e) => error = e,
        }
    }
    best.ok_or(error)
}
