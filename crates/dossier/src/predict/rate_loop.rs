//! Figures of the rate loop for one axis, and a quick way to them for small changes of the motor lag.

use physics::aircraft::{Aircraft, Missing};
use physics::loops::damping::RotorAir;
use physics::loops::stage::Element;
use physics::loops::{chain, ledger, margins, response};

use super::nominal::required_crossover;
use super::outer_loops::OuterBase;
use super::slopes::Slopes;

/// Names of the figures: id, words, unit.
pub(super) const FIGURES: [(&str, &str, &str); 11] = [
    ("crossover", "crossover", "rad/s"),
    ("phase_margin", "phase margin", "rad"),
    ("gain_margin_up", "gain margin up", "dB"),
    ("gain_margin_down", "gain margin down", "dB"),
    ("delay_margin", "delay margin", "s"),
    ("disc_margin", "disc margin", "1"),
    ("peak_sensitivity", "peak sensitivity", "1"),
    ("overshoot", "step overshoot", "1"),
    ("rise", "step rise time", "s"),
    ("settling", "step settling time", "s"),
    ("half_cycles", "visible half-cycles after a step", "1"),
];
pub(super) const PHASE_MARGIN: usize = 1;
pub(super) const GAIN_UP: usize = 2;
pub(super) const GAIN_DOWN: usize = 3;
pub(super) const SENSITIVITY: usize = 6;
pub(super) const OVERSHOOT: usize = 7;
pub(super) const HALF_CYCLES: usize = 10;

/// Figures of one axis; NaN where there is none.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct AxisFigures {
    pub(super) values: [f64; 11],
    pub(super) ledger: Vec<ledger::Line>,
    pub(super) stable: bool,
}

/// Ratio in decibels; none for an unlimited one.
fn decibel(ratio: f64) -> f64 {
    if ratio.is_finite() && ratio > 0.0 { 20.0 * ratio.log10() } else { f64::NAN }
}

/// Computes the figures of a chain. The step response is dear: it is made only where asked for.
pub(super) fn figures(chain: &chain::RateChain, required: f64, with_step: bool) -> AxisFigures {
    let m = margins::margins(&|w| chain.loop_gain(w), required / 100.0, required * 60.0, chain.integrators());
    let step = (with_step && m.stable)
        // 12 time constants of the required loop; a peak between two points is off by less than 1e-3.
        .then(|| response::step_seen(&|s| chain.closed_at(s), 12.0 / required, 0.04 / required).ok())
        .flatten();
    // Counted as in a flight: a turn to the other side by more than 5 % of the step.
    let half_cycles = step.as_ref().map(|s| signal::ringdown::half_cycles(&s.value, 1.0, 0.05));
    let step = step.map(|s| s.figures());
    let of_step =
        |f: &dyn Fn(&response::StepFigures) -> Option<f64>| step.as_ref().and_then(f).unwrap_or(f64::NAN);
    AxisFigures {
        values: [
            m.crossover,
            m.phase_margin,
            decibel(m.gain_margin_up),
            decibel(m.gain_margin_down),
            m.delay_margin,
            m.disc_margin,
            // An unstable loop amplifies without bound.
            if m.stable { m.peak_sensitivity } else { f64::NAN },
            of_step(&|s| Some(s.overshoot)),
            of_step(&|s| s.rise),
            of_step(&|s| s.settling),
            half_cycles.map_or(f64::NAN, f64::from),
        ],
        ledger: ledger::ledger(chain, m.crossover),
        stable: m.stable,
    }
}

/// Figures of the central aircraft, to take small changes of the motor lag from.
pub(super) struct LoopBase {
    axes: Vec<Slopes<AxisFigures>>,
    with_step: bool,
    outer: Option<OuterBase>,
}

impl LoopBase {
    /// Of the central aircraft; `None` where it has no rate loop.
    ///
    /// `rotors` is what their air does: it is kept where inputs move it little.
    pub(super) fn new(
        aircraft: &Aircraft,
        axes: &[usize],
        lag: f64,
        rotors: RotorAir,
        with_step: bool,
    ) -> Option<Self> {
        let required = required_crossover(aircraft);
        let of = |chain: &chain::RateChain| figures(chain, required, with_step);
        let mut all: Vec<Slopes<AxisFigures>> = Vec::new();
        for &axis in axes {
            let one = Slopes::new(aircraft, axis, lag, rotors, all.iter(), &of)?;
            all.push(one);
        }
        Some(Self { axes: all, with_step, outer: None })
    }

    /// The same with the outer loops of the central aircraft.
    pub(super) fn with_outer(mut self, outer: Option<OuterBase>) -> Self {
        self.outer = outer;
        self
    }

    /// The outer loops of the central aircraft, where they were asked for.
    pub(super) fn outer(&self) -> Option<&OuterBase> {
        self.outer.as_ref()
    }

    /// Figures at another lag of the same chain; `None` where the chain is another one or the lag is far off.
    pub(super) fn at(
        &self,
        aircraft: &Aircraft,
        axis: usize,
        (lag, rotors): (f64, &RotorAir),
        with_step: bool,
    ) -> Option<AxisFigures> {
        let central = self.axes.iter().find(|c| c.axis == axis)?;
        let all = [&central.low, &central.high, &central.early, &central.late];
        if with_step != self.with_step || all.iter().any(|f| f.stable != central.low.stable) {
            return None;
        }
        let place = central.place(aircraft, lag, rotors)?;
        let [low, high, early, late] = all.map(|f| &f.values);
        let mut out = central.low.clone();
        for (k, v) in out.values.iter_mut().enumerate() {
            *v = place.figure(low[k], high[k], early[k], late[k]);
        }
        for (line, high) in out.ledger.iter_mut().zip(&central.high.ledger) {
            line.delay = place.between(line.delay, high.delay);
            line.phase = place.between(line.phase, high.phase);
        }
        // A delay moves no crossover: only its own line changes.
        for line in &mut out.ledger {
            let stage = place.chain.stages.iter().find(|s| s.id == line.id);
            if let Some(Element::Delay { time }) = stage.map(|s| &s.element) {
                (line.delay, line.phase) = (*time, *time * out.values[0]);
            }
        }
        Some(out)
    }
}

/// Figures of an axis: from the central aircraft where that holds, else computed.
pub(super) fn axis_figures(
    aircraft: &Aircraft,
    axis: usize,
    (lag, rotors): (f64, &RotorAir),
    with_step: bool,
    base: Option<&LoopBase>,
) -> Result<AxisFigures, Missing> {
    if let Some(f) = base.and_then(|b| b.at(aircraft, axis, (lag, rotors), with_step)) {
        return Ok(f);
    }
    let chain = chain::rate_chain(aircraft, axis, lag, 0.0)?.with_rotors(rotors);
    Ok(figures(&chain, required_crossover(aircraft), with_step))
}

#[cfg(test)]
mod tests {
    use std::collections::BTreeMap;
    use std::path::Path;

    use super::*;
    use crate::aircraft_file::AircraftFile;
    use crate::predict::nominal::central_lag;

    /// Figures by the slopes at the central aircraft against those computed anew, for inputs that are delays.
    #[test]
    fn prop_slopes_against_delay_hold() {
        let file = AircraftFile::parse(Path::new("aircraft.toml"), crate::demo::AIRCRAFT).unwrap();
        let at = |moved: &[(&str, f64)]| {
            let moved: BTreeMap<String, f64> = moved.iter().map(|(k, v)| ((*k).to_owned(), *v)).collect();
            file.resolve(&moved).unwrap().aircraft.without_payload()
        };
        let central = at(&[]);
        let (lag, rotors) = central_lag(&central, 1.2).unwrap();
        let base = LoopBase::new(&central, &[0, 1], lag, rotors, true).unwrap();
        let required = required_crossover(&central);
        for (key, value) in [("esc.dead_time", 1.8e-3), ("imu.delay", 3.5e-4), ("loop.rate.delay", 5e-4)] {
            let moved = at(&[(key, value)]);
            let quick = base.at(&moved, 0, (lag, &rotors), true).expect("near enough");
            let chain = chain::rate_chain(&moved, 0, lag, 0.0).unwrap().with_rotors(&rotors);
            let exact = figures(&chain, required, true);
            for (k, (name, ..)) in FIGURES.iter().enumerate() {
                let (q, e, c) = (quick.values[k], exact.values[k], base.axes[0].low.values[k]);
                // A count and a settling time jump; the others bend little over so small a change.
                if !matches!(*name, "settling" | "half_cycles" | "rise") && e.is_finite() {
                    assert!((q - e).abs() <= 0.05 * (e - c).abs() + 2e-3 * e.abs(), "{key} {name}: {q} {e}");
                }
            }
            assert_eq!(quick.ledger.len(), exact.ledger.len());
            for (q, e) in quick.ledger.iter().zip(&exact.ledger) {
                assert!((q.delay - e.delay).abs() < 1e-6, "{key} {}: {} {}", q.id, q.delay, e.delay);
            }
        }
    }
}
