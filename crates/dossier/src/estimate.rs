//! Estimates: value, standard uncertainty, unit, origin, and where the uncertainty comes from.
//!
//! First-order propagation (JCGM 100:2008, 5.1 and 5.2). Every estimate carries its signed
//! sensitivity to each independent source, so an error shared by two estimates cancels in their
//! difference and adds where it should: the covariance of two estimates is the sum over common
//! sources of the products of their effects.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

/// Where a figure comes from, weakest claim last.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Origin {
    /// Measured on the real aircraft or bench.
    Measured,
    /// Found in a record that our own flight model made.
    Simulated,
    /// Computed by a model from stated inputs.
    Computed,
    /// Stated by the user or by a data sheet.
    Stated,
}

impl Origin {
    /// The word people read.
    pub fn word(self) -> &'static str {
        match self {
            Self::Measured => "measured",
            Self::Simulated => "simulated",
            Self::Computed => "computed",
            Self::Stated => "stated",
        }
    }
    /// The weaker of two claims: what a figure made from both may claim.
    pub fn weaker(self, other: Self) -> Self {
        self.max(other)
    }
}

/// Effect of one independent source on an estimate.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Contribution {
    /// Identity of the source: an input key (`rotor.ct`) or a record's noise (`record ID: hover command`).
    pub source: String,
    /// Change of the estimate per change of the source, signed, in units of the estimate per
    /// unit of the source (SI).
    pub sensitivity: f64,
    /// Standard uncertainty of the source, SI.
    pub uncertainty: f64,
}

impl Contribution {
    /// Signed effect of one standard uncertainty of the source.
    pub fn effect(&self) -> f64 {
        self.sensitivity * self.uncertainty
    }
}

/// A figure with its standard uncertainty.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Estimate {
    /// Value, in `unit`; infinite where there is no end to it.
    pub value: f64,
    /// Unit, as people read it ("N", "rad/s^2", "1" for a ratio).
    pub unit: String,
    /// Standard uncertainty, in `unit`.
    pub uncertainty: f64,
    /// What the figure may claim.
    pub origin: Origin,
    /// Effects by source, largest first.
    pub contributions: Vec<Contribution>,
}

impl Estimate {
    /// From contributions; the uncertainty is their root sum of squares.
    pub fn new(value: f64, unit: &str, origin: Origin, contributions: Vec<Contribution>) -> Self {
        let mut by_source: BTreeMap<String, Contribution> = BTreeMap::new();
        for c in contributions {
            by_source
                .entry(c.source.clone())
                .and_modify(|e| {
                    // The same source seen through two paths: sensitivities add, exactly where they can.
                    if e.uncertainty == c.uncertainty {
                        e.sensitivity += c.sensitivity;
                    } else if e.uncertainty > 0.0 {
                        e.sensitivity += c.sensitivity * c.uncertainty / e.uncertainty;
                    } else {
                        *e = c.clone();
                    }
                })
                .or_insert(c);
        }
        let mut contributions: Vec<_> = by_source.into_values().filter(|c| c.effect() != 0.0).collect();
        contributions.sort_by(|a, b| {
            b.effect().abs().total_cmp(&a.effect().abs()).then_with(|| a.source.cmp(&b.source))
        });
        // From zero: an empty sum of floats is -0.
        let uncertainty = contributions.iter().fold(0.0, |sum, c| sum + c.effect().powi(2)).sqrt();
        Self { value, unit: unit.to_owned(), uncertainty, origin, contributions }
    }

    /// A figure without uncertainty.
    pub fn exact(value: f64, unit: &str, origin: Origin) -> Self {
        Self::new(value, unit, origin, Vec::new())
    }

    /// A figure that has no end: a margin on a side where nothing limits. Programs read it as null.
    pub fn unlimited(unit: &str, origin: Origin) -> Self {
        Self::exact(f64::INFINITY, unit, origin)
    }

    /// A figure with one source of its own.
    pub fn single(value: f64, uncertainty: f64, unit: &str, origin: Origin, source: &str) -> Self {
        Self::new(
            value,
            unit,
            origin,
            vec![Contribution { source: source.to_owned(), sensitivity: 1.0, uncertainty }],
        )
    }

    /// First-order combination: `value` with the partial derivative to each input estimate.
    /// The origin is the weakest of the inputs' origins.
    pub fn combine(value: f64, unit: &str, inputs: &[(f64, &Self)]) -> Self {
        let origin = inputs.iter().map(|(_, e)| e.origin).max().unwrap_or(Origin::Stated);
        let contributions = inputs
            .iter()
            .flat_map(|(d, e)| {
                e.contributions
                    .iter()
                    .map(move |c| Contribution { sensitivity: c.sensitivity * d, ..c.clone() })
            })
            .collect();
        Self::new(value, unit, origin, contributions)
    }

    /// `self - other`: shared errors cancel.
    pub fn minus(&self, other: &Self) -> Self {
        Self::combine(self.value - other.value, &self.unit, &[(1.0, self), (-1.0, other)])
    }

    /// `self + other`: shared errors add.
    pub fn plus(&self, other: &Self) -> Self {
        Self::combine(self.value + other.value, &self.unit, &[(1.0, self), (1.0, other)])
    }

    /// `self / other` in `unit`.
    pub fn over(&self, other: &Self, unit: &str) -> Self {
        let q = self.value / other.value;
        Self::combine(q, unit, &[(1.0 / other.value, self), (-q / other.value, other)])
    }

    /// `self * other` in `unit`.
    pub fn times(&self, other: &Self, unit: &str) -> Self {
        Self::combine(self.value * other.value, unit, &[(other.value, self), (self.value, other)])
    }

    /// Value and effects times a number, in `unit`.
    pub fn scaled(&self, factor: f64, unit: &str) -> Self {
        Self::combine(self.value * factor, unit, &[(factor, self)])
    }

    /// The same figure with another claim.
    #[must_use]
    pub fn with_origin(mut self, origin: Origin) -> Self {
        self.origin = origin;
        self
    }

    /// Covariance with another estimate through their common sources.
    pub fn covariance(&self, other: &Self) -> f64 {
        self.contributions
            .iter()
            .filter_map(|a| {
                other.contributions.iter().find(|b| b.source == a.source).map(|b| a.effect() * b.effect())
            })
            .sum()
    }

    /// Coverage interval of about 95 % (k = 2, JCGM 100:2008, 6.3.3).
    pub fn interval(&self) -> (f64, f64) {
        (self.value - 2.0 * self.uncertainty, self.value + 2.0 * self.uncertainty)
    }

    /// Source that contributes most, with its share of the variance.
    pub fn dominant(&self) -> Option<(&str, f64)> {
        let first = self.contributions.first()?;
        let var = self.uncertainty.powi(2);
        (var > 0.0).then(|| (first.source.as_str(), first.effect().powi(2) / var))
    }
}
