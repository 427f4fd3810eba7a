//! Figures of the rate loop for one axis, and a quick way to them for small changes of the motor lag.
//!
//! Most inputs of an aircraft act on the rate loop through the motor's time constant alone. For
//! sensitivities those are taken from the slope of every figure against that time constant at the
//! central aircraft, instead of computing margins and step response anew.

use physics::aircraft::{Aircraft, Missing};
use physics::loops::{chain, ledger, margins, response};

use super::nominal::required_crossover;
use super::outer_loops::OuterBase;

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

/// One axis of the central aircraft with its slopes against the motor's time constant.
struct Central {
    chain: chain::RateChain,
    axis: usize,
    damping: f64,
    low: AxisFigures,
    high: AxisFigures,
    lag: f64,
    step: f64,
}

/// Figures of the central aircraft, to take small changes of the motor lag from.
pub(super) struct LoopBase {
    axes: Vec<Central>,
    with_step: bool,
    outer: Option<OuterBase>,
}

impl LoopBase {
    /// Of the central aircraft; `None` where it has no rate loop.
    ///
    /// `damping` is the decay of each rate, 1/s: it is kept where inputs move, as its own uncertainty matters little.
    pub(super) fn new(
        aircraft: &Aircraft,
        axes: &[usize],
        lag: f64,
        damping: [f64; 3],
        with_step: bool,
    ) -> Option<Self> {
        let required = required_crossover(aircraft);
        let step = 0.02 * lag;
        let mut all: Vec<Central> = Vec::new();
        for &axis in axes {
            let damping = damping.get(axis).copied().unwrap_or(0.0);
            let at =
                |lag: f64| chain::rate_chain(aircraft, axis, lag, 0.0).ok().map(|c| c.with_damping(damping));
            let chain = at(lag)?;
            let same = all.iter().find(|c| c.chain.stages == chain.stages);
            let (low, high) = match same {
                Some(c) => (c.low.clone(), c.high.clone()),
                None => (
                    figures(&at(lag - step)?, required, with_step),
                    figures(&at(lag + step)?, required, with_step),
                ),
            };
            all.push(Central { chain, axis, damping, low, high, lag, step });
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
        lag: f64,
        with_step: bool,
    ) -> Option<AxisFigures> {
        let central = self.axes.iter().find(|c| c.axis == axis)?;
        if with_step != self.with_step || (lag - central.lag).abs() > 2.0 * central.step {
            return None;
        }
        let chain = chain::rate_chain(aircraft, axis, central.lag, 0.0).ok()?.with_damping(central.damping);
        if chain != central.chain || central.low.stable != central.high.stable {
            return None;
        }
        let t = (lag - central.lag + central.step) / (2.0 * central.step);
        let mix = |low: f64, high: f64| low + t * (high - low);
        let mut out = central.low.clone();
        for (v, high) in out.values.iter_mut().zip(&central.high.values) {
            *v = mix(*v, *high);
        }
        for (line, high) in out.ledger.iter_mut().zip(&central.high.ledger) {
            line.delay = mix(line.delay, high.delay);
            line.phase = mix(line.phase, high.phase);
        }
        Some(out)
    }
}

/// Figures of an axis: from the central aircraft where that holds, else computed.
pub(super) fn axis_figures(
    aircraft: &Aircraft,
    axis: usize,
    (lag, damping): (f64, f64),
    with_step: bool,
    base: Option<&LoopBase>,
) -> Result<AxisFigures, Missing> {
    if let Some(f) = base.and_then(|b| b.at(aircraft, axis, lag, with_step)) {
        return Ok(f);
    }
    let chain = chain::rate_chain(aircraft, axis, lag, 0.0)?.with_damping(damping);
    Ok(figures(&chain, required_crossover(aircraft), with_step))
}
