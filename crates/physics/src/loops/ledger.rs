//! Latency ledger: what each stage takes of the phase at crossover, and what a saving there buys.
//!
//! A stage's phase phi at the crossover wc counts as the delay phi/wc that a pure delay would need to take as much.
//! The lines add up to the phase of the whole chain less that of p + i/s and of the airframe, exactly.

use nalgebra::Complex;
use serde::Serialize;

use super::chain::RateChain;
use super::gains::crossover_at_phase_margin;
use super::stage::{Element, Stage};

/// One line of the ledger.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Line {
    /// Identifier of the stage.
    pub id: String,
    /// Name, for people.
    pub name: String,
    /// Key of the aircraft file that sets it.
    pub key: Option<String>,
    /// Phase at crossover, rad, positive for a lag.
    pub phase: f64,
    /// The delay that would take as much, s.
    pub delay: f64,
}

/// Phase, rad, that the ledger counts for a stage: positive for a lag.
///
/// The controller counts by its derivative alone, as the phase over that of p + i/s; the airframe not at all.
fn lag(stage: &Stage, omega: f64) -> f64 {
    match &stage.element {
        Element::Integrator { .. } | Element::Damping { .. } => 0.0,
        Element::Pid { p, i, .. } => proportional_integral(*p, *i, omega) - stage.phase(omega),
        _ => -stage.phase(omega),
    }
}

/// Phase of p + i/s, rad.
fn proportional_integral(p: f64, i: f64, omega: f64) -> f64 {
    Complex::new(p, -i / omega).arg()
}

/// The latency ledger at a crossover, rad/s. Empty if that is not positive and finite.
///
/// One line for each stage in the order of the signal, without the airframe; the derivative, where there is one,
/// stands in the controller's place, with a negative delay if it leads.
pub fn ledger(chain: &RateChain, crossover: f64) -> Vec<Line> {
    if !(crossover > 0.0 && crossover.is_finite()) {
        return Vec::new();
    }
    let mut lines = Vec::with_capacity(chain.stages.len());
    for stage in &chain.stages {
        let (mut name, mut key) = (stage.name.clone(), stage.key.clone());
        match &stage.element {
            Element::Integrator { .. } | Element::Damping { .. } => continue,
            Element::Pid { d, .. } => {
                if *d == 0.0 {
                    continue;
                }
                "Derivative".clone_into(&mut name);
                key = Some("loop.rate.d".to_owned());
            }
            _ => {}
        }
        let phase = lag(stage, crossover);
        lines.push(Line { id: stage.id.clone(), name, key, phase, delay: phase / crossover });
    }
    lines
}

/// Sum of the lines' delays, s.
pub fn total_delay(lines: &[Line]) -> f64 {
    lines.iter().map(|line| line.delay).sum()
}

/// What a saving at one stage buys.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Saving {
    /// Identifier of the stage.
    pub id: String,
    /// Name, for people.
    pub name: String,
    /// Key of the aircraft file that sets it.
    pub key: Option<String>,
    /// Delay saved, s: what was asked, or all that the stage has.
    pub saved: f64,
    /// Crossover at the phase margin now, rad/s.
    pub crossover_before: f64,
    /// Crossover at the same phase margin with the saving, rad/s.
    pub crossover_after: f64,
}

impl Saving {
    /// Gain of crossover, rad/s.
    pub fn gained(&self) -> f64 {
        self.crossover_after - self.crossover_before
    }
}

/// What `time` (s) less at each stage buys in crossover at a fixed phase margin, rad, best first.
///
/// The ratios i/p and d/p are kept and p is set anew for the margin. A stage cannot save more than the delay
/// that it counts for at today's crossover for this margin; stages that lead are left out. Empty where no gain
/// gives the margin.
pub fn savings(chain: &RateChain, phase_margin: f64, time: f64) -> Vec<Saving> {
    let Some(before) = crossover_at_phase_margin(chain, phase_margin) else { return Vec::new() };
    let mut all: Vec<Saving> = ledger(chain, before)
        .into_iter()
        .filter_map(|line| {
            let saved = time.min(line.delay);
            if saved <= 0.0 {
                return None;
            }
            let quicker = chain.clone().with_delay_at(&line.id, -saved);
            let after = crossover_at_phase_margin(&quicker, phase_margin)?;
            Some(Saving {
                id: line.id,
                name: line.name,
                key: line.key,
                saved,
                crossover_before: before,
                crossover_after: after,
            })
        })
        .collect();
    all.sort_by(|a, b| b.gained().total_cmp(&a.gained()));
    all
}
