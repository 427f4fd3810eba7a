//! What the numbers of a column say: ranges, steps, groups of columns that belong together.

/// Figures of one column.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct Figures {
    /// Values that are there.
    pub count: usize,
    /// Least.
    pub min: f64,
    /// Largest.
    pub max: f64,
    /// Median of the steps that are not zero.
    pub step: f64,
    /// Share of steps that go up.
    pub rising: f64,
    /// Share of steps that go down.
    pub falling: f64,
}

/// Figures of a column.
pub(super) fn figures(values: &[f64]) -> Figures {
    let there: Vec<f64> = values.iter().copied().filter(|v| v.is_finite()).collect();
    if there.is_empty() {
        return Figures::default();
    }
    let steps: Vec<f64> = there.windows(2).map(|w| w[1] - w[0]).collect();
    let n = steps.len().max(1) as f64;
    let nonzero: Vec<f64> = steps.iter().copied().filter(|s| *s != 0.0).collect();
    Figures {
        count: there.len(),
        min: there.iter().copied().fold(f64::INFINITY, f64::min),
        max: there.iter().copied().fold(f64::NEG_INFINITY, f64::max),
        step: signal::robust::median(&nonzero).unwrap_or(0.0),
        rising: steps.iter().filter(|s| **s > 0.0).count() as f64 / n,
        falling: steps.iter().filter(|s| **s < 0.0).count() as f64 / n,
    }
}

impl Figures {
    /// Advances like time does.
    pub(super) fn advances(&self) -> bool {
        self.count > 2 && self.rising > 0.5 && self.falling < 0.05
    }
    /// Advances by nearly the same step all the way.
    pub(super) fn regular(&self) -> bool {
        let expected = self.step * self.rising * (self.count.saturating_sub(1)) as f64;
        self.advances() && self.falling == 0.0 && (self.max - self.min) < 1.5 * expected
    }
    /// Largest magnitude.
    pub(super) fn size(&self) -> f64 {
        self.min.abs().max(self.max.abs())
    }
    /// The range, for people.
    pub(super) fn range(&self) -> String {
        if self.count == 0 { "empty".to_owned() } else { format!("{:.4} to {:.4}", self.min, self.max) }
    }
}

/// Units of time that give a plausible rate (5 Hz to 10 kHz) for a step, likeliest first.
pub(super) fn time_units(step: f64) -> Vec<(&'static str, f64)> {
    [("s", 1.0), ("ms", 1e-3), ("us", 1e-6), ("ns", 1e-9)]
        .into_iter()
        .filter(|(_, scale)| (1e-4..=0.2).contains(&(step * scale)))
        .collect()
}

/// Share of rows in which the root sum of squares of some columns lies within a band.
pub(super) fn norm_share(columns: &[&[f64]], low: f64, high: f64) -> f64 {
    let rows = columns.iter().map(|c| c.len()).min().unwrap_or(0);
    let (mut inside, mut all) = (0usize, 0usize);
    for row in 0..rows {
        let norm = columns.iter().filter_map(|c| c.get(row)).map(|v| v * v).sum::<f64>().sqrt();
        if norm.is_finite() {
            all += 1;
            inside += usize::from((low..=high).contains(&norm));
        }
    }
    if all == 0 { 0.0 } else { inside as f64 / all as f64 }
}
