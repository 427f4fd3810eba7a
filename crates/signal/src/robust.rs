//! Statistics that stand outliers and correlated samples.

/// Quantile by linear interpolation of order statistics (Hyndman and Fan 1996, type 7). None for
/// an empty series or one without finite values.
pub fn quantile(values: &[f64], q: f64) -> Option<f64> {
    let mut v: Vec<f64> = values.iter().copied().filter(|x| x.is_finite()).collect();
    if v.is_empty() {
        return None;
    }
    let place = q.clamp(0.0, 1.0) * (v.len() - 1) as f64;
    let low = place.floor() as usize;
    let (_, a, above) = v.select_nth_unstable_by(low, f64::total_cmp);
    let a = *a;
    let b = above.iter().copied().fold(f64::INFINITY, f64::min);
    let fraction = place - low as f64;
    Some(if fraction > 0.0 && b.is_finite() { a + (b - a) * fraction } else { a })
}

/// Median.
pub fn median(values: &[f64]) -> Option<f64> {
    quantile(values, 0.5)
}

/// Median absolute deviation times 1.4826: the standard deviation of normal data
/// (Rousseeuw and Croux 1993).
pub fn deviation(values: &[f64]) -> Option<f64> {
    let m = median(values)?;
    let d: Vec<f64> = values.iter().map(|v| (v - m).abs()).collect();
    Some(1.482_602_218_505_602 * median(&d)?)
}

/// Mean; none for an empty series.
pub fn mean(values: &[f64]) -> Option<f64> {
    (!values.is_empty()).then(|| values.iter().sum::<f64>() / values.len() as f64)
}

/// Root mean square.
pub fn rms(values: &[f64]) -> Option<f64> {
    (!values.is_empty()).then(|| (values.iter().map(|v| v * v).sum::<f64>() / values.len() as f64).sqrt())
}

/// Sample variance about the mean (n - 1).
pub fn variance(values: &[f64]) -> Option<f64> {
    let m = mean(values)?;
    (values.len() > 1)
        .then(|| values.iter().map(|v| (v - m).powi(2)).sum::<f64>() / (values.len() - 1) as f64)
}

/// Mean with its standard error, the correlation of samples allowed for.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct MeanError {
    /// Mean.
    pub mean: f64,
    /// Standard error of the mean.
    pub error: f64,
    /// Standard deviation of the samples.
    pub deviation: f64,
    /// Number of independent samples that would give the same error.
    pub effective: f64,
}

/// Integrated autocorrelation time in samples: 1 + 2 sum of the autocorrelations, summed in pairs
/// while the pairs stay positive (Geyer 1992, initial positive sequence). At least 1.
pub fn correlation_length(values: &[f64]) -> f64 {
    let n = values.len();
    let Some(m) = mean(values) else { return 1.0 };
    let d: Vec<f64> = values.iter().map(|v| v - m).collect();
    let c0: f64 = d.iter().map(|v| v * v).sum();
    if n < 4 || c0.is_nan() || c0 <= 0.0 {
        return 1.0;
    }
    let rho = |k: usize| d[k..].iter().zip(&d[..n - k]).map(|(a, b)| a * b).sum::<f64>() / c0;
    let mut sum = 1.0 + 2.0 * rho(1);
    let mut k = 2;
    while k + 1 < n / 2 {
        let pair = rho(k) + rho(k + 1);
        if pair <= 0.0 {
            break;
        }
        sum += 2.0 * pair;
        k += 2;
    }
    sum.clamp(1.0, n as f64)
}

/// Mean with standard error; none for fewer than two samples.
pub fn mean_error(values: &[f64]) -> Option<MeanError> {
    let mean = mean(values)?;
    let var = variance(values)?;
    let effective = values.len() as f64 / correlation_length(values);
    Some(MeanError { mean, error: (var / effective).sqrt(), deviation: var.sqrt(), effective })
}

/// Mean over several stretches with standard error; samples of different stretches count as
/// independent of each other.
pub fn mean_error_over(stretches: &[&[f64]]) -> Option<MeanError> {
    let n: usize = stretches.iter().map(|s| s.len()).sum();
    if n < 2 {
        return None;
    }
    let mean = stretches.iter().flat_map(|s| s.iter()).sum::<f64>() / n as f64;
    let square = stretches.iter().flat_map(|s| s.iter()).map(|v| (v - mean).powi(2)).sum::<f64>();
    let var = square / (n - 1) as f64;
    let effective: f64 =
        stretches.iter().map(|s| s.len() as f64 / correlation_length(s)).sum::<f64>().max(1.0);
    Some(MeanError { mean, error: (var / effective).sqrt(), deviation: var.sqrt(), effective })
}
