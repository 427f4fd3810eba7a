//! Sensitivities by central differences over one standard uncertainty of every input.
//!
//! JCGM 100:2008, 5.1.3, note 2: the effect of an input is half the change of the output when the
//! input moves by plus and minus its standard uncertainty. This also covers inputs that act in
//! several places, so a shared error stays one source.

use std::collections::BTreeMap;

use physics::aircraft::Aircraft;
use rayon::prelude::*;

use crate::aircraft_file::{AircraftFile, Resolved};
use crate::diagnostic::Diagnostics;
use crate::estimate::{Contribution, Estimate, Origin};
use crate::predict::nominal::{Group, Nominal, SiteAir, central_lag, nominal, nominal_near};
use crate::predict::rate_loop::LoopBase;
use crate::programme::Site;
use crate::result::{Figure, InputLine, KeyChange};

/// An aircraft file at a site: what predictions are made of.
#[derive(Debug, Clone)]
pub struct Subject {
    file: AircraftFile,
    site: Site,
    resolved: Resolved,
}

/// Predictions of one subject.
#[derive(Debug, Clone, PartialEq)]
pub struct Prediction {
    /// Figures in reading order.
    pub figures: Vec<Figure>,
    /// Facts in words.
    pub facts: Vec<(String, String)>,
    /// What could not be predicted, and why.
    pub waits: Vec<String>,
}

impl Prediction {
    /// Estimate by id.
    pub fn get(&self, id: &str) -> Option<&Estimate> {
        self.figures.iter().find(|f| f.id == id).map(|f| &f.estimate)
    }
}

impl Subject {
    /// An aircraft file at a site.
    ///
    /// # Errors
    /// What is wrong with the aircraft file.
    pub fn new(file: AircraftFile, site: Site) -> Result<Self, Diagnostics> {
        let resolved = file.resolve(&BTreeMap::new())?;
        Ok(Self { file, site, resolved })
    }

    /// The same subject with keys of the aircraft file changed.
    ///
    /// # Errors
    /// What is wrong with the changed file.
    pub fn with_edits(&self, edits: &[KeyChange]) -> Result<Self, Diagnostics> {
        Self::new(self.file.with_edits(edits)?, self.site.clone())
    }

    /// The aircraft file.
    pub fn file(&self) -> &AircraftFile {
        &self.file
    }

    /// The aircraft with its inputs.
    pub fn resolved(&self) -> &Resolved {
        &self.resolved
    }

    /// All inputs: of the aircraft file and of the site.
    pub fn inputs(&self) -> Vec<InputLine> {
        let mut all = self.resolved.inputs.clone();
        all.extend(self.site.inputs.iter().cloned());
        all
    }

    /// Air at the site.
    pub fn air(&self) -> SiteAir {
        SiteAir::of(&self.site)
    }

    /// Central values only.
    pub fn nominal(&self, groups: &[Group]) -> Nominal {
        nominal(&self.resolved.aircraft, &self.air(), groups)
    }

    /// Central values with one input moved; `None` where that makes no aircraft.
    fn moved(&self, key: &str, value: f64, groups: &[Group], base: Option<&LoopBase>) -> Option<Nominal> {
        let moved = BTreeMap::from([(key.to_owned(), value)]);
        if key.starts_with("site.") {
            let air = SiteAir::of(&self.site.with(&moved));
            return Some(nominal_near(&self.resolved.aircraft, &air, groups, base));
        }
        let resolved = self.file.resolve(&moved).ok()?;
        Some(nominal_near(&resolved.aircraft, &self.air(), groups, base))
    }

    /// The rate loop of the central aircraft, where the groups ask for it.
    fn loop_base(&self, groups: &[Group]) -> Option<LoopBase> {
        let with_step = groups.contains(&Group::Step);
        if !with_step && !groups.contains(&Group::Loop) {
            return None;
        }
        let axes: &[usize] = if groups.contains(&Group::Yaw) { &[0, 1, 2] } else { &[0, 1] };
        let bare = self.resolved.aircraft.without_payload();
        let lag = central_lag(&bare, self.air().usual.density)?;
        LoopBase::new(&bare, axes, lag, with_step)
    }

    /// Predictions with uncertainty, of the asked groups.
    pub fn predict(&self, groups: &[Group]) -> Prediction {
        let inputs: Vec<_> = self.inputs().into_iter().filter(|i| i.uncertainty > 0.0).collect();
        self.predict_from(groups, &inputs)
    }

    /// Predictions whose uncertainty comes from the named inputs only. For differences, where
    /// the others are known to matter little.
    pub fn predict_by(&self, groups: &[Group], keys: &[&str]) -> Prediction {
        let inputs: Vec<_> = self
            .inputs()
            .into_iter()
            .filter(|i| i.uncertainty > 0.0 && keys.contains(&i.key.as_str()))
            .collect();
        self.predict_from(groups, &inputs)
    }

    /// One figure of the aircraft at its site with uncertainty; `None` where it does not exist.
    pub fn estimate(
        &self,
        unit: &str,
        f: &(dyn Fn(&Aircraft, &SiteAir) -> Option<f64> + Sync),
    ) -> Option<Estimate> {
        let value = f(&self.resolved.aircraft, &self.air())?;
        let inputs: Vec<_> = self.inputs().into_iter().filter(|i| i.uncertainty > 0.0).collect();
        let at = |key: &str, v: f64| -> Option<f64> {
            let moved = BTreeMap::from([(key.to_owned(), v)]);
            if key.starts_with("site.") {
                return f(&self.resolved.aircraft, &SiteAir::of(&self.site.with(&moved)));
            }
            f(&self.file.resolve(&moved).ok()?.aircraft, &self.air())
        };
        let contributions = inputs
            .par_iter()
            .filter_map(|i| {
                let plus = at(&i.key, i.value + i.uncertainty)?;
                let minus = at(&i.key, i.value - i.uncertainty)?;
                Some(Contribution {
                    source: i.key.clone(),
                    sensitivity: 0.5 * (plus - minus) / i.uncertainty,
                    uncertainty: i.uncertainty,
                })
            })
            .collect();
        Some(Estimate::new(value, unit, Origin::Computed, contributions))
    }

    fn predict_from(&self, groups: &[Group], inputs: &[InputLine]) -> Prediction {
        let centre = self.nominal(groups);
        let base = self.loop_base(groups);
        let moved: Vec<(Option<Nominal>, Option<Nominal>)> = inputs
            .par_iter()
            .map(|i| {
                (
                    self.moved(&i.key, i.value + i.uncertainty, groups, base.as_ref()),
                    self.moved(&i.key, i.value - i.uncertainty, groups, base.as_ref()),
                )
            })
            .collect();
        let index = |n: &Option<Nominal>| -> BTreeMap<String, f64> {
            n.iter().flat_map(|n| n.outputs.iter().map(|o| (o.id.clone(), o.value))).collect()
        };
        let moved: Vec<_> = moved.iter().map(|(p, m)| (index(p), index(m))).collect();
        let figures = centre
            .outputs
            .iter()
            .map(|o| {
                let contributions = inputs
                    .iter()
                    .zip(&moved)
                    .filter_map(|(input, (plus, minus))| {
                        // Where a move makes the output impossible, the one-sided effect stands.
                        let effect = match (plus.get(&o.id), minus.get(&o.id)) {
                            (Some(p), Some(m)) => 0.5 * (p - m),
                            (Some(p), None) => p - o.value,
                            (None, Some(m)) => o.value - m,
                            (None, None) => return None,
                        };
                        (effect.is_finite() && effect.abs() > 1e-12 * o.value.abs()).then(|| Contribution {
                            source: input.key.clone(),
                            sensitivity: effect / input.uncertainty,
                            uncertainty: input.uncertainty,
                        })
                    })
                    .collect();
                Figure {
                    id: o.id.clone(),
                    group: o.heading.clone(),
                    name: o.name.clone(),
                    estimate: Estimate::new(o.value, o.unit, Origin::Computed, contributions),
                }
            })
            .collect();
        Prediction { figures, facts: centre.facts, waits: centre.waits }
    }
}
