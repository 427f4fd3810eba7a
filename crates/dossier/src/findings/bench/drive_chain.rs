//! What a measured drive is worth in this build's rate loop: the crossover it allows at 45 deg of phase margin.
//!
//! Two drives with the same dead time plus lag are not the same to a loop: a lag takes away gain as well as phase,
//! a dead time phase alone. So drives are compared by the crossover that the build's own chain reaches with each.

use std::f64::consts::FRAC_PI_4;

use physics::aircraft::Aircraft;
use physics::loops::{chain, gains};

/// Roll's crossover, rad/s, that leaves 45 deg of phase margin with this dead time (from the controller's output
/// on) and lag, s. `None` where the aircraft file lacks the chain.
pub(in crate::findings) fn reachable(aircraft: &Aircraft, dead: f64, lag: f64) -> Option<f64> {
    let mut changed = aircraft.clone();
    let esc = changed.esc.as_mut()?;
    esc.protocol_period = 0.0;
    esc.update_period = 0.0;
    esc.dead_time = dead.max(0.0);
    let chain = chain::rate_chain(&changed, 0, lag, 0.0).ok()?;
    gains::crossover_at_phase_margin(&chain, FRAC_PI_4)
}

/// The same with its standard uncertainty from those of dead time and lag.
pub(in crate::findings) fn reachable_within(
    aircraft: &Aircraft,
    dead: (f64, f64),
    lag: (f64, f64),
) -> Option<(f64, f64)> {
    let value = reachable(aircraft, dead.0, lag.0)?;
    let half = |up: Option<f64>, down: Option<f64>| match (up, down) {
        (Some(a), Some(b)) => 0.5 * (a - b),
        _ => 0.0,
    };
    let by_dead = half(
        reachable(aircraft, dead.0 + dead.1, lag.0),
        reachable(aircraft, (dead.0 - dead.1).max(0.0), lag.0),
    );
    let by_lag = half(
        reachable(aircraft, dead.0, lag.0 + lag.1),
        reachable(aircraft, dead.0, (lag.0 - lag.1).max(1e-4)),
    );
    Some((value, by_dead.hypot(by_lag)))
}
