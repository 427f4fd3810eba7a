//! Attitude, velocity and position gains for given rate gains: each loop as fast as its limits allow, in order.

use std::f64::consts::PI;

use physics::loops::chain::RateChain;
use physics::loops::disturbance::{Rejection, rejection};
use physics::loops::handling::{Bandwidth, attitude_bandwidth};
use physics::loops::outer::Outer;
use physics::loops::response::attitude_step;
use physics::loops::{Complex, froude};
use serde::Serialize;

use physics::loops::search::Gains;

/// Gains of the outer loops with what they give.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct OuterChoice {
    /// Gains, 1/s.
    pub gains: Outer,
    /// Attitude step overshoot, as a fraction.
    pub overshoot: f64,
    /// Least phase margin of the velocity loop, rad.
    pub velocity_margin: f64,
    /// Least phase margin with the loop cut at the motor command, rad.
    pub motor_phase_margin: f64,
    /// Least gain margin upwards there, as a factor.
    pub motor_gain_up: f64,
    /// Bandwidth and phase delay of the attitude response, of the nominal plant.
    pub bandwidth: Option<Bandwidth>,
    /// Rejection of attitude disturbances, of the nominal plant.
    pub rejection: Option<Rejection>,
}

/// Steps down by this factor until the limits hold.
const DOWN: f64 = 0.9;

/// Chooses; `crossover` is that of the rate loop, rad/s, `delay` that of the velocity estimate, s. `None` where no
/// attitude gain keeps its limits.
pub(super) fn choose(chains: &[RateChain], gains: &Gains, crossover: f64, delay: f64) -> Option<OuterChoice> {
    let all: Vec<(RateChain, f64, f64)> = chains
        .iter()
        .map(|c| c.clone().with_gains(gains.p, gains.i, gains.d))
        .map(|c| {
            let m = c.margins();
            (c, m.crossover, m.phase_margin)
        })
        .collect();
    // The nominal plant, the one with the least margin and the slowest one decide.
    let least = all.iter().min_by(|a, b| a.2.total_cmp(&b.2))?;
    let slowest = all.iter().min_by(|a, b| a.1.total_cmp(&b.1))?;
    let tuned: Vec<RateChain> = vec![all.first()?.0.clone(), least.0.clone(), slowest.0.clone()];
    let nominal = tuned.first()?;
    let span = 60.0 / crossover;
    let mut outer = Outer { attitude: crossover / 4.0, delay, ..Outer::default() };
    let mut overshoot = f64::NAN;
    let mut found = false;
    for _ in 0..25 {
        overshoot = tuned
            .iter()
            .map(|c| {
                attitude_step(c, outer.attitude, span, span / 600.0)
                    .map_or(f64::INFINITY, |s| s.figures().overshoot)
            })
            .fold(0.0, f64::max);
        if overshoot <= 0.05
            && tuned.iter().all(|c| c.attitude_margins(outer.attitude).phase_margin >= PI / 4.0)
        {
            found = true;
            break;
        }
        outer.attitude *= DOWN;
    }
    if !found {
        return None;
    }
    outer.velocity = outer.attitude / 4.0;
    // 45 deg after a heading error of 15 deg.
    let least = |outer: &Outer| {
        tuned.iter().map(|c| c.velocity_margins(outer).phase_margin).fold(f64::INFINITY, f64::min)
    };
    let mut velocity_margin = least(&outer);
    for _ in 0..25 {
        if velocity_margin >= PI / 3.0 {
            break;
        }
        outer.velocity *= DOWN;
        velocity_margin = least(&outer);
    }
    outer.position = outer.velocity / 4.0;
    let motor: Vec<_> = tuned.iter().map(|c| c.motor_margins(&outer)).collect();
    let attitude = |w: f64| nominal.attitude_closed_at(outer.attitude, Complex::new(0.0, w));
    let open = |w: f64| nominal.attitude_gain_at(outer.attitude, Complex::new(0.0, w));
    Some(OuterChoice {
        gains: outer,
        overshoot,
        velocity_margin,
        motor_phase_margin: motor.iter().map(|m| m.phase_margin).fold(f64::INFINITY, f64::min),
        motor_gain_up: motor.iter().map(|m| m.gain_margin_up).fold(f64::INFINITY, f64::min),
        bandwidth: attitude_bandwidth(&attitude, crossover / 100.0, crossover * 20.0),
        rejection: rejection(&open, crossover / 500.0, crossover * 20.0),
    })
}

/// Limits of bandwidth (rad/s) and phase delay (s) for a diagonal of `length`, m.
pub(super) fn handling_limits(length: f64) -> (f64, f64) {
    (froude::attitude_bandwidth(length), froude::phase_delay(length))
}
