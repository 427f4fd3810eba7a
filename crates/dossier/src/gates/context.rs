//! What every gate looks at.

use std::collections::BTreeMap;

use physics::mass::mass_properties;

use crate::check::{as_flown, payload_fitted};
use crate::estimate::{Contribution, Estimate, Origin};
use crate::gates::evidence::{Answer, Evidence, Found, changed};
use crate::gates::keys::Keys;
use crate::gates::limits::Limits;
use crate::import::weighing::weighing;
use crate::predict::{Prediction, Subject};
use crate::result::{Ledger, LedgerLine};

/// One build with its predictions, evidence and limits.
pub struct Context<'a> {
    /// Aircraft file at its site.
    pub subject: &'a Subject,
    /// Predictions of all groups.
    pub prediction: &'a Prediction,
    /// Evidence.
    pub evidence: &'a Evidence,
    /// Limits.
    pub limits: &'a Limits,
    /// Fingerprint of today's aircraft file.
    pub today: BTreeMap<String, String>,
    /// Places in the aircraft file.
    pub keys: Keys,
    /// Mean wind in which place is to be held, m/s, where the programme states one.
    pub wind: Option<f64>,
}

impl<'a> Context<'a> {
    /// Of one subject.
    pub fn new(
        subject: &'a Subject,
        prediction: &'a Prediction,
        evidence: &'a Evidence,
        limits: &'a Limits,
    ) -> Self {
        Self {
            subject,
            prediction,
            evidence,
            limits,
            today: subject.file().fingerprint(),
            keys: Keys::of(subject.file().text()),
            wind: None,
        }
    }

    /// Predicted estimate.
    pub fn predicted(&self, id: &str) -> Option<Estimate> {
        self.prediction.get(id).cloned()
    }

    /// Measured in flight.
    pub fn flight(&self, key: &str) -> Answer {
        self.evidence.flight(key, &self.today)
    }

    /// Measured in flight with the payload on.
    pub fn flight_loaded(&self, key: &str) -> Answer {
        self.evidence.flight_loaded(key, &self.today)
    }

    /// Measured on a bench.
    pub fn bench(&self, key: &str) -> Answer {
        self.evidence.bench(key, &self.today)
    }

    /// Measured on a bench, by rotor station: the newest record of each.
    pub fn bench_by_station(&self, key: &str) -> Vec<(usize, Answer)> {
        self.evidence.bench_by_station(key, &self.today)
    }

    /// Magnitude of a measured figure, for criteria on either sign.
    pub fn flight_magnitude(&self, key: &str) -> Answer {
        match self.flight(key) {
            Answer::Found(mut f) => {
                if f.estimate.value < 0.0 {
                    f.estimate = f.estimate.scaled(-1.0, &f.estimate.unit.clone());
                }
                Answer::Found(f)
            }
            other => other,
        }
    }

    /// The worst (largest) of several measured figures. Where one of them is missing the answer is
    /// partial: the missing one might be worse.
    pub fn flight_worst(&self, keys: &[&str]) -> Answer {
        let mut worst: Option<Found> = None;
        let mut other = Answer::Nothing;
        let mut missing = Vec::new();
        for key in keys {
            match self.flight_magnitude(key) {
                Answer::Found(f) => {
                    // A figure that still holds goes before a stale one.
                    let better =
                        worst.as_ref().is_none_or(|w| match (w.stale.is_some(), f.stale.is_some()) {
                            (true, false) => true,
                            (false, true) => false,
                            _ => f.estimate.value > w.estimate.value,
                        });
                    if f.stale.is_some() {
                        missing.push(format!("{key} is stale"));
                    }
                    if better {
                        worst = Some(*f);
                    }
                }
                Answer::CannotTell(why) => {
                    missing.push(format!("{key} cannot be told from {why}"));
                    other = Answer::CannotTell(why);
                }
                Answer::Nothing => missing.push(format!("{key} was not measured")),
            }
        }
        match worst {
            None => other,
            Some(mut f) => {
                if f.stale.is_none() && !missing.is_empty() {
                    f.partial = Some(missing.join("; "));
                }
                Answer::Found(Box::new(f))
            }
        }
    }

    /// Mass, kg, and centre of gravity, m, as weighed; carried to today's file by the computed
    /// difference where the mass items have changed since.
    pub fn weighed(&self) -> Option<Weighed> {
        let meta = self.evidence.weighing()?;
        let w = weighing(meta).ok()?;
        let origin = Origin::from(meta.origin);
        let figure = |name: &str, (value, uncertainty): (f64, f64), unit: &str, now: f64| {
            let measured = Estimate::new(
                value,
                unit,
                origin,
                vec![Contribution {
                    source: format!("record {}: {name}", meta.id),
                    sensitivity: 1.0,
                    uncertainty,
                }],
            );
            // The computed value of the day of weighing is kept in the record.
            match meta.values.get(&format!("computed.{name}")) {
                Some(then) if (then.value - now).abs() > 1e-9 => {
                    let moved = now - then.value;
                    // The difference rests on the changed items only; a tenth of it is a fair doubt.
                    let carried = Estimate::single(
                        moved,
                        0.1 * moved.abs(),
                        unit,
                        origin,
                        &format!("record {}: carried to today's mass items", meta.id),
                    );
                    (measured.plus(&carried), true)
                }
                _ => (measured, false),
            }
        };
        let loaded = payload_fitted(meta);
        // By the items alone: the prediction already stands on the weighing.
        let items = mass_properties(&as_flown(self.subject.stated_aircraft(), meta).bodies);
        let (mass, carried) = figure("mass", w.mass, "kg", items.mass);
        let (x, _) = figure("centre.x", w.centre_x, "m", items.centre.x);
        let (y, _) = figure("centre.y", w.centre_y, "m", items.centre.y);
        // Without the computed values of its day a weighing cannot be carried.
        let known = meta.values.contains_key("computed.mass");
        let stale = if known {
            None
        } else {
            changed(meta, &self.today, &["mass".to_owned(), "geometry".to_owned()])
        };
        Some(Weighed { mass, x, y, loaded, carried, stale, record: meta.id.clone(), date: meta.date.clone() })
    }

    /// A found figure made from another by a computation.
    pub fn derived(from: &Found, estimate: Estimate) -> Answer {
        let origin = from.estimate.origin;
        Answer::Found(Box::new(Found { estimate: estimate.with_origin(origin), ..from.clone() }))
    }

    /// Ledger from predicted figures whose ids begin with `prefix`.
    pub fn ledger(
        &self,
        id: &str,
        title: &str,
        prefix: &str,
        sum: &str,
        allowance: Option<f64>,
        note: &dyn Fn(&str, &Estimate) -> String,
    ) -> Option<Ledger> {
        let total = self.prediction.get(sum)?.clone();
        let lines: Vec<_> = self
            .prediction
            .figures
            .iter()
            .filter(|f| f.id.starts_with(prefix) && f.id != sum)
            .map(|f| LedgerLine {
                name: f.name.clone(),
                value: f.estimate.clone(),
                share: if total.value == 0.0 { 0.0 } else { f.estimate.value / total.value },
                note: note(&f.id, &f.estimate),
            })
            .collect();
        (!lines.is_empty()).then(|| Ledger {
            id: id.to_owned(),
            title: title.to_owned(),
            lines,
            sum: total,
            allowance,
        })
    }
}

/// What a weighing says today.
#[derive(Debug, Clone, PartialEq)]
pub struct Weighed {
    /// Mass, kg.
    pub mass: Estimate,
    /// Centre of gravity x, m.
    pub x: Estimate,
    /// Centre of gravity y, m.
    pub y: Estimate,
    /// Whether the payload was on.
    pub loaded: bool,
    /// Whether it was carried to changed mass items.
    pub carried: bool,
    /// Why it no longer holds, where it cannot be carried.
    pub stale: Option<String>,
    /// Record.
    pub record: String,
    /// Date.
    pub date: String,
}
