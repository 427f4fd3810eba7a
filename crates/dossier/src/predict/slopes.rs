//! Slopes of a loop's figures at the central aircraft, against the motor's time constant and against the total delay.
//!
//! Most inputs of an aircraft act on a loop through one of the two alone. Figures after a small move are then taken
//! from these slopes, instead of computing margins and step responses anew.

use physics::aircraft::Aircraft;
use physics::loops::chain::{RateChain, rate_chain};
use physics::loops::damping::RotorAir;
use physics::loops::stage::Element;

/// Step of delay that slopes are taken over, s, either way.
const DELAY_STEP: f64 = 2e-4;
/// Step of the motor's time constant, as a fraction of it, either way.
const LAG_STEP: f64 = 0.02;

/// What the rotors' air may differ by from the central one and is kept, as a fraction.
const AIR_STEP: f64 = 0.05;

/// One axis of the central aircraft with its figures on either side.
pub(super) struct Slopes<F> {
    pub(super) axis: usize,
    chain: RateChain,
    rotors: RotorAir,
    lag: f64,
    /// With a smaller and a larger time constant.
    pub(super) low: F,
    pub(super) high: F,
    /// With less and with more delay.
    pub(super) early: F,
    pub(super) late: F,
}

/// Where an aircraft stands between the figures of [`Slopes`].
pub(super) struct Place {
    /// Its chain, with the central time constant.
    pub(super) chain: RateChain,
    /// From the low figures to the high ones.
    lag: f64,
    /// Of the way from the early figures to the late ones.
    delay: f64,
}

/// The chain of an axis with the rotors' air.
fn chain(aircraft: &Aircraft, axis: usize, lag: f64, rotors: &RotorAir) -> Option<RateChain> {
    Some(rate_chain(aircraft, axis, lag, 0.0).ok()?.with_rotors(rotors))
}

impl<F: Clone + Send> Slopes<F> {
    /// Of one axis; `None` where it has no rate loop. An axis with the same chain as one of `known` has its figures.
    pub(super) fn new<'k>(
        aircraft: &Aircraft,
        axis: usize,
        lag: f64,
        rotors: RotorAir,
        mut known: impl Iterator<Item = &'k Self>,
        figures: &(dyn Fn(&RateChain) -> F + Sync),
    ) -> Option<Self>
    where
        F: 'k,
    {
        let at = |lag: f64| chain(aircraft, axis, lag, &rotors);
        let centre = at(lag)?;
        let (low, high, early, late) = match known.find(|k| k.chain.stages == centre.stages) {
            Some(k) => (k.low.clone(), k.high.clone(), k.early.clone(), k.late.clone()),
            None => {
                let (less, more) = (at(lag - LAG_STEP * lag)?, at(lag + LAG_STEP * lag)?);
                let moved = |delay: f64| figures(&centre.clone().with_delay_at("motor", delay));
                let ((low, high), (early, late)) = rayon::join(
                    || (figures(&less), figures(&more)),
                    || (moved(-DELAY_STEP), moved(DELAY_STEP)),
                );
                (low, high, early, late)
            }
        };
        Some(Self { axis, chain: centre, rotors, lag, low, high, early, late })
    }

    /// Where an aircraft with another lag stands; `None` where more than lag and delays differs, or they are far off, or its
    /// rotors meet the air otherwise by more than [`AIR_STEP`].
    pub(super) fn place(&self, aircraft: &Aircraft, lag: f64, rotors: &RotorAir) -> Option<Place> {
        let near = |a: f64, b: f64| (a - b).abs() <= AIR_STEP * b.abs();
        let (air, central) = (rotors.rate.get(self.axis)?, self.rotors.rate.get(self.axis)?);
        let (inflow, kept) = (rotors.inflow, self.rotors.inflow);
        if !(near(*air, *central) && near(inflow.zero, kept.zero) && near(inflow.pole, kept.pole)) {
            return None;
        }
        let step = LAG_STEP * self.lag;
        if (lag - self.lag).abs() > 2.0 * step {
            return None;
        }
        let chain = chain(aircraft, self.axis, self.lag, &self.rotors)?;
        let delay = later(&chain, &self.chain)? / (2.0 * DELAY_STEP);
        Some(Place { chain, lag: (lag - self.lag + step) / (2.0 * step), delay })
    }
}

impl Place {
    /// A figure from its values at the low and the high time constant.
    pub(super) fn between(&self, low: f64, high: f64) -> f64 {
        low + self.lag * (high - low)
    }

    /// A figure from those and its values with less and with more delay.
    pub(super) fn figure(&self, low: f64, high: f64, early: f64, late: f64) -> f64 {
        // A figure that only exists without the change of delay stands where there is none.
        self.between(low, high) + if self.delay == 0.0 { 0.0 } else { self.delay * (late - early) }
    }
}

/// Total delay of one chain less that of another, s, where nothing but delays differs; none elsewhere or far off.
fn later(chain: &RateChain, central: &RateChain) -> Option<f64> {
    if chain.stages.len() != central.stages.len() {
        return None;
    }
    let mut sum = 0.0;
    for (a, b) in chain.stages.iter().zip(&central.stages) {
        match (&a.element, &b.element) {
            (Element::Delay { time: a }, Element::Delay { time: b }) => sum += a - b,
            _ if a == b => {}
            _ => return None,
        }
    }
    (sum.abs() <= 3.0 * DELAY_STEP).then_some(sum)
}
