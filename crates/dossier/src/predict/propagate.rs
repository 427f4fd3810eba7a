//! Sensitivities by central differences over one standard uncertainty of every input.
//!
//! JCGM 100:2008, 5.1.3, note 2: the effect of an input is half the change of the output when the
//! input moves by plus and minus its standard uncertainty. This also covers inputs that act in
//! several places, so a shared error stays one source.

use std::borrow::Cow;
use std::collections::BTreeMap;

use physics::aircraft::Aircraft;
use rayon::prelude::*;

use crate::aircraft_file::{AircraftFile, Resolved};
use crate::diagnostic::{Diagnostic, Diagnostics};
use crate::estimate::{Contribution, Estimate, Origin};
use crate::predict::gyro_noise::GyroNoise;
use crate::predict::nominal::{Group, Near, Nominal, SiteAir, central_lag, lags, nominal, nominal_near};
use crate::predict::outer_loops::OuterBase;
use crate::predict::rate_loop::LoopBase;
use crate::predict::reach::Centre;
use crate::programme::Site;
use crate::result::{Figure, InputLine, KeyChange, Replaced, Way};

/// An aircraft file at a site: what predictions are made of.
#[derive(Debug, Clone)]
pub struct Subject {
    /// As it stands on disk.
    file: AircraftFile,
    /// With the measured keys that the file leaves out.
    effective: AircraftFile,
    /// What the file states, without what was measured.
    stated: Resolved,
    /// Measured figures that replace numbers of the file.
    measured: BTreeMap<String, Measured>,
    /// Their values.
    taken: BTreeMap<String, f64>,
    site: Site,
    resolved: Resolved,
}

/// A measured figure of an input of the aircraft file.
#[derive(Debug, Clone, PartialEq)]
pub struct Measured {
    /// Value, SI.
    pub value: f64,
    /// Standard uncertainty, SI.
    pub uncertainty: f64,
    /// SI unit.
    pub unit: String,
    /// Measured or simulated.
    pub origin: Origin,
    /// Records behind it.
    pub records: Vec<String>,
    /// What each way of measuring gives by itself, where there are several; else empty.
    pub ways: Vec<Way>,
}

impl Measured {
    /// The figure as a statement of the aircraft file.
    fn statement(&self, key: &str) -> KeyChange {
        let value = if self.unit == "1" {
            format!("{:e}", self.value)
        } else {
            format!("\"{:e} {}\"", self.value, self.unit)
        };
        KeyChange { key: key.to_owned(), value }
    }
}

/// What small moves of an input start from.
struct About<'a> {
    centre: Centre<'a>,
    near: Near,
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

/// The aircraft in the air of its site.
fn in_site(mut resolved: Resolved, site: &Site) -> Resolved {
    if let Cow::Owned(aircraft) = resolved.aircraft.in_air(site.temperature) {
        resolved.aircraft = aircraft;
    }
    resolved
}

impl Subject {
    /// An aircraft file at a site.
    ///
    /// # Errors
    /// What is wrong with the aircraft file.
    pub fn new(file: AircraftFile, site: Site) -> Result<Self, Diagnostics> {
        let resolved = in_site(file.resolve(&BTreeMap::new())?, &site);
        let (effective, stated) = (file.clone(), resolved.clone());
        Ok(Self {
            effective,
            file,
            stated,
            measured: BTreeMap::new(),
            taken: BTreeMap::new(),
            site,
            resolved,
        })
    }

    /// The same subject with measured figures in the place of stated ones. A figure that the file
    /// cannot take (out of the key's range) is left out and named.
    ///
    /// # Errors
    /// What is wrong with the file that results.
    pub fn with_measured(
        &self,
        measured: &BTreeMap<String, Measured>,
    ) -> Result<(Self, Vec<Diagnostic>), Diagnostics> {
        if let Some(all) = self.with_all(measured) {
            return Ok((all, Vec::new()));
        }
        // Something does not fit: one after the other, to name what.
        let mut effective = self.file.clone();
        let mut kept: BTreeMap<String, Measured> = BTreeMap::new();
        let mut refused = Vec::new();
        for (key, m) in measured {
            let present = self.resolved.inputs.iter().any(|i| i.key == *key);
            let candidate =
                if present { Ok(effective.clone()) } else { effective.with_edits(&[m.statement(key)]) };
            let taken = candidate.and_then(|file| {
                let mut all: BTreeMap<String, f64> = kept.iter().map(|(k, m)| (k.clone(), m.value)).collect();
                all.insert(key.clone(), m.value);
                file.resolve(&all).map(|_| file)
            });
            match taken {
                Ok(file) => {
                    effective = file;
                    kept.insert(key.clone(), m.clone());
                }
                Err(d) => {
                    let why = d.0.first().map_or(String::new(), |d| d.message.clone());
                    refused.push(
                        Diagnostic::warning(
                            self.file.path(),
                            format!("the measured {key} of {} is not used: {why}", m.records.join(", ")),
                        )
                        .key(key.clone()),
                    );
                }
            }
        }
        let taken = kept.iter().map(|(k, m)| (k.clone(), m.value)).collect();
        let resolved = in_site(effective.resolve(&taken)?, &self.site);
        Ok((Self { effective, measured: kept, taken, resolved, ..self.clone() }, refused))
    }

    /// All measured figures at once, where they fit.
    fn with_all(&self, measured: &BTreeMap<String, Measured>) -> Option<Self> {
        let absent: Vec<KeyChange> = measured
            .iter()
            .filter(|(key, _)| !self.resolved.inputs.iter().any(|i| i.key == **key))
            .map(|(key, m)| m.statement(key))
            .collect();
        let effective =
            if absent.is_empty() { self.file.clone() } else { self.file.with_edits(&absent).ok()? };
        let taken = measured.iter().map(|(k, m)| (k.clone(), m.value)).collect();
        let resolved = in_site(effective.resolve(&taken).ok()?, &self.site);
        Some(Self { effective, measured: measured.clone(), taken, resolved, ..self.clone() })
    }

    /// The same subject with keys of the aircraft file changed. A measured figure stays unless its
    /// own key is changed.
    ///
    /// # Errors
    /// What is wrong with the changed file.
    pub fn with_edits(&self, edits: &[KeyChange]) -> Result<Self, Diagnostics> {
        let keys: Vec<&str> = edits.iter().map(|e| e.key.as_str()).collect();
        self.with_file(self.file.with_edits(edits)?, &keys)
    }

    /// Central values with keys of the aircraft file changed, and the aircraft that has them: as [`Self::with_edits`] makes
    /// it, without reading the whole file again where only numbers change.
    pub fn nominal_with(&self, edits: &[KeyChange], groups: &[Group]) -> Option<(Nominal, Aircraft)> {
        let aircraft = match self.with_numbers(edits) {
            Some(aircraft) => aircraft,
            None => self.with_edits(edits).ok()?.resolved.aircraft,
        };
        Some((nominal(&aircraft, &self.air(), groups), aircraft))
    }

    fn with_numbers(&self, edits: &[KeyChange]) -> Option<Aircraft> {
        let numbers = self.effective.numbers_of(edits)?;
        let values = |list: &BTreeMap<String, Measured>| -> BTreeMap<String, f64> {
            list.iter().map(|(k, m)| (k.clone(), m.value)).collect()
        };
        let mut left = self.measured.clone();
        left.retain(|key, _| !numbers.contains_key(key));
        if !left.is_empty() {
            let mut own = numbers.clone();
            own.retain(|key, _| self.stated(key).is_some());
            let stated = self.file.moved(&BTreeMap::new(), &own).ok()?;
            crate::gates::carry(&mut left, &self.stated.aircraft, &stated);
            let changed: Vec<&str> = numbers.keys().map(String::as_str).collect();
            self.carry_response(&changed, &mut left, |others| {
                self.effective.moved(&values(others), &numbers).ok()
            });
        }
        self.effective.moved(&values(&left), &numbers).ok()
    }

    /// The same subject with another aircraft file, in which `changed` keys differ. A measured figure stays unless
    /// its own key is among them.
    ///
    /// # Errors
    /// What is wrong with the changed file.
    pub fn with_file(&self, file: AircraftFile, changed: &[&str]) -> Result<Self, Diagnostics> {
        let stated = Self::new(file, self.site.clone())?;
        if self.measured.is_empty() {
            return Ok(stated);
        }
        let mut left = self.measured.clone();
        left.retain(|key, _| !changed.contains(&key.as_str()));
        // What was measured of the whole changes with its items.
        crate::gates::carry(&mut left, &self.stated.aircraft, &stated.resolved.aircraft);
        self.carry_response(changed, &mut left, |others| {
            stated.with_measured(others).ok().map(|s| s.0.resolved.aircraft)
        });
        Ok(stated.with_measured(&left)?.0)
    }

    /// Measured figures in use, by input key.
    pub fn measured(&self) -> &BTreeMap<String, Measured> {
        &self.measured
    }

    /// A measured response holds for the drive it was measured on: where motor or rotor are changed it goes with
    /// the computed time constant. `with` gives the changed aircraft with these figures measured.
    fn carry_response(
        &self,
        changed: &[&str],
        left: &mut BTreeMap<String, Measured>,
        with: impl FnOnce(&BTreeMap<String, Measured>) -> Option<Aircraft>,
    ) {
        let turns = |key: &str| key.starts_with("rotor") || key.starts_with("motor") || key == "esc.braking";
        if !changed.iter().any(|key| turns(key)) {
            return;
        }
        let density = self.air().usual.density;
        let computed = |a: &Aircraft| {
            let mut a = a.without_payload();
            if let Some(esc) = a.esc.as_mut() {
                (esc.response_up, esc.response_down) = (None, None);
            }
            let mass = physics::mass::mass_properties(&a.bodies).mass;
            let thrust = mass * physics::STANDARD_GRAVITY / a.stations.len().max(1) as f64;
            lags(&a, thrust, density).ok()
        };
        // The rest of what is measured stays in both.
        let mut others = left.clone();
        others.retain(|key, _| !key.starts_with("esc.response"));
        let after = with(&others).and_then(|a| computed(&a));
        let Some((before, after)) = computed(&self.resolved.aircraft).zip(after) else { return };
        for (key, factor) in
            [("esc.response_up", after.up / before.up), ("esc.response_down", after.down / before.down)]
        {
            if let Some(m) = left.get_mut(key).filter(|_| factor.is_finite() && factor > 0.0) {
                m.value *= factor;
                m.uncertainty *= factor;
            }
        }
    }

    /// The aircraft with some numbers moved from where they are, measured figures included.
    fn with_moved(&self, moved: &BTreeMap<String, f64>) -> Result<Aircraft, Diagnostics> {
        let aircraft = self.effective.moved(&self.taken, moved)?;
        Ok(match aircraft.in_air(self.site.temperature) {
            Cow::Owned(there) => there,
            Cow::Borrowed(_) => aircraft,
        })
    }

    /// The aircraft with numbers drawn from their uncertainties, measured figures included.
    ///
    /// # Errors
    /// A combination that no aircraft may have.
    pub(crate) fn drawn(&self, values: &BTreeMap<String, f64>) -> Result<Aircraft, Diagnostics> {
        self.with_moved(values)
    }

    /// The same file without what was measured.
    pub fn as_stated(&self) -> Self {
        Self {
            effective: self.file.clone(),
            measured: BTreeMap::new(),
            taken: BTreeMap::new(),
            resolved: self.stated.clone(),
            ..self.clone()
        }
    }

    /// The aircraft as its file states it, without what was measured.
    pub fn stated_aircraft(&self) -> &Aircraft {
        &self.stated.aircraft
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
        for line in &mut all {
            let Some(m) = self.measured.get(&line.key) else { continue };
            let stated = self.stated(&line.key);
            line.uncertainty = m.uncertainty;
            line.assumed = false;
            line.origin = m.origin;
            let score = stated.and_then(|(value, uncertainty)| {
                let combined = m.uncertainty.hypot(uncertainty);
                (combined > 0.0).then(|| (m.value - value) / combined)
            });
            line.replaced = Some(Replaced {
                stated: stated.map(|s| s.0),
                stated_uncertainty: stated.map_or(0.0, |s| s.1),
                score,
                records: m.records.clone(),
                ways: m.ways.clone(),
            });
        }
        all.extend(self.site.inputs.iter().cloned());
        all
    }

    /// What the file itself states under a key, with its standard uncertainty.
    fn stated(&self, key: &str) -> Option<(f64, f64)> {
        self.stated.inputs.iter().find(|i| i.key == key).map(|i| (i.value, i.uncertainty))
    }

    /// The site.
    pub fn site(&self) -> &Site {
        &self.site
    }

    /// Air at the site.
    pub fn air(&self) -> SiteAir {
        SiteAir::of(&self.site)
    }

    /// Density of the air at the site, kg/m^3, with its standard uncertainty.
    pub fn density(&self) -> Option<(f64, f64)> {
        let e = self.estimate("kg/m^3", None, &|_, air| Some(air.usual.density))?;
        Some((e.value, e.uncertainty))
    }

    /// Central values only.
    pub fn nominal(&self, groups: &[Group]) -> Nominal {
        nominal(&self.resolved.aircraft, &self.air(), groups)
    }

    /// Central values with one input moved, of the groups that it reaches; `None` where that makes no aircraft.
    fn moved(&self, key: &str, value: f64, groups: &[Group], about: &About<'_>) -> Option<Nominal> {
        let moved = BTreeMap::from([(key.to_owned(), value)]);
        let near = &about.near;
        if key.starts_with("site.") {
            let air = SiteAir::of(&self.site.with(&moved));
            return Some(nominal_near(&self.resolved.aircraft, &air, groups, near));
        }
        let aircraft = self.with_moved(&moved).ok()?;
        let groups = about.centre.reached(&aircraft, groups);
        if groups.is_empty() {
            return None;
        }
        Some(nominal_near(&aircraft, &self.air(), &groups, near))
    }

    /// The rate loop of the central aircraft, where the groups ask for it.
    fn loop_base(&self, groups: &[Group]) -> Option<LoopBase> {
        let with_step = groups.contains(&Group::Step);
        let with_outer = groups.contains(&Group::Outer);
        let with_rate = with_step || groups.contains(&Group::Loop);
        if !with_rate && !with_outer {
            return None;
        }
        let axes: &[usize] = if !with_rate {
            &[]
        } else if groups.contains(&Group::Yaw) {
            &[0, 1, 2]
        } else {
            &[0, 1]
        };
        let bare = self.resolved.aircraft.without_payload();
        let (lag, rotors) = central_lag(&bare, self.air().usual.density)?;
        let outer = with_outer.then(|| OuterBase::new(&bare, lag, rotors, self.air().usual.density));
        Some(LoopBase::new(&bare, axes, lag, rotors, with_step)?.with_outer(outer))
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

    /// One figure of the aircraft at its site with uncertainty; `None` where it does not exist. It reads what
    /// `group` reads of the aircraft, or nothing but the site.
    pub fn estimate(
        &self,
        unit: &str,
        group: Option<Group>,
        f: &(dyn Fn(&Aircraft, &SiteAir) -> Option<f64> + Sync),
    ) -> Option<Estimate> {
        let value = f(&self.resolved.aircraft, &self.air())?;
        let inputs: Vec<_> = self.inputs().into_iter().filter(|i| i.uncertainty > 0.0).collect();
        let centre = Centre::new(&self.resolved.aircraft);
        // `None` inside for no effect.
        let at = |key: &str, v: f64| -> Option<Option<f64>> {
            let moved = BTreeMap::from([(key.to_owned(), v)]);
            if key.starts_with("site.") {
                return f(&self.resolved.aircraft, &SiteAir::of(&self.site.with(&moved))).map(Some);
            }
            let Some(group) = group else { return Some(None) };
            let aircraft = self.with_moved(&moved).ok()?;
            if centre.reached(&aircraft, &[group]).is_empty() {
                return Some(None);
            }
            f(&aircraft, &self.air()).map(Some)
        };
        let contributions = inputs
            .par_iter()
            .filter_map(|i| {
                let plus = at(&i.key, i.value + i.uncertainty)?;
                let minus = at(&i.key, i.value - i.uncertainty)?;
                let effect = 0.5 * (plus.unwrap_or(value) - minus.unwrap_or(value));
                (effect != 0.0).then(|| Contribution {
                    source: i.key.clone(),
                    sensitivity: effect / i.uncertainty,
                    uncertainty: i.uncertainty,
                })
            })
            .collect();
        Some(Estimate::new(value, unit, Origin::Computed, contributions))
    }

    fn predict_from(&self, groups: &[Group], inputs: &[InputLine]) -> Prediction {
        let (centre, rate_loop) = rayon::join(|| self.nominal(groups), || self.loop_base(groups));
        let gyro_noise = groups
            .contains(&Group::Vibration)
            .then(|| GyroNoise::new(&self.resolved.aircraft.without_payload()))
            .flatten();
        let about =
            About { centre: Centre::new(&self.resolved.aircraft), near: Near { rate_loop, gyro_noise } };
        let moved: Vec<(Option<Nominal>, Option<Nominal>)> = inputs
            .par_iter()
            .map(|i| {
                (
                    self.moved(&i.key, i.value + i.uncertainty, groups, &about),
                    self.moved(&i.key, i.value - i.uncertainty, groups, &about),
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
