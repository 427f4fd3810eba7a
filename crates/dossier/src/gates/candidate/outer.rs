//! Gains and delays of the loops outside the rate loop.

use physics::aircraft::Aircraft;

use super::{Candidate, Scalar, scalar};
use crate::result::ChangeClass;

/// Share of the inner loop that an outer gain is set to where one is proposed: a little below the limit of a quarter.
const SHARE: f64 = 0.24;

/// The attitude gain, towards a quarter of the rate crossover (rad/s).
pub(in crate::gates) fn attitude_gain(a: &Aircraft, crossover: Option<f64>) -> Vec<Candidate> {
    let (Some(l), Some(crossover)) = (&a.attitude_loop, crossover) else { return Vec::new() };
    let current = l.gain[0].max(l.gain[1]);
    let reference = SHARE * crossover;
    if current <= 0.0 || reference <= 0.0 {
        return Vec::new();
    }
    let high = current > reference;
    vec![scalar(Scalar {
        name: if high { "attitude gain too high for the rate loop" } else { "attitude gain low" },
        class: ChangeClass::Gain,
        keys: vec!["loop.attitude.gain.x".to_owned(), "loop.attitude.gain.y".to_owned()],
        unit: "1/s",
        factor: 1.0,
        current,
        reference,
        departure: (current / reference).ln().abs() / 1.3f64.ln(),
        basis: format!("just below a quarter of the rate crossover of {crossover:.1} rad/s"),
        test: "attitude steps of 10 deg at the new gain",
    })]
}

/// Gain, integral and delay of the velocity loop.
pub(in crate::gates) fn velocity(a: &Aircraft) -> Vec<Candidate> {
    let Some(l) = &a.velocity_loop else { return Vec::new() };
    let mut out = Vec::new();
    let test = "velocity steps of 3 m/s with the change made";
    let late = 0.08;
    if l.delay > late {
        out.push(scalar(Scalar {
            name: "velocity estimate late",
            class: ChangeClass::Hardware,
            keys: vec!["loop.velocity.delay".to_owned()],
            unit: "ms",
            factor: 1e-3,
            current: l.delay,
            reference: late,
            departure: (l.delay - late) / 0.1,
            basis: "a satellite receiver at 10 Hz carried on by the accelerometer reaches (common practice, no source)"
                .to_owned(),
            test: "a walk with the aircraft in hand beside a second, quicker reference of velocity",
        }));
    }
    let mut gain = |name, key: &str, unit, current: f64, reference: f64, basis: &str| {
        if current > reference && reference > 0.0 {
            out.push(scalar(Scalar {
                name,
                class: ChangeClass::Gain,
                keys: vec![key.to_owned()],
                unit,
                factor: 1.0,
                current,
                reference,
                departure: (current / reference).ln() / 1.5f64.ln(),
                basis: basis.to_owned(),
                test,
            }));
        }
    };
    let integral = 0.05 * l.gain * l.gain;
    let basis = "costs 3 deg at the crossover, and a step's overshoot stays small";
    gain("integral velocity gain too high", "loop.velocity.integral", "1/s^2", l.integral, integral, basis);
    if let Some(outer) = &a.attitude_loop {
        let inner = outer.gain[0].min(outer.gain[1]);
        let basis = "half of a quarter of the attitude gain leaves room for a late velocity (our choice)";
        gain("velocity gain high", "loop.velocity.gain", "1/s", l.gain, 0.5 * SHARE * inner, basis);
    }
    out
}

/// What moves an aircraft less in gusts: gains of place, velocity and height, and less drag.
pub(in crate::gates) fn hold(a: &Aircraft) -> Vec<Candidate> {
    let (Some(v), Some(p)) = (&a.velocity_loop, &a.position_loop) else { return Vec::new() };
    let mut out = Vec::new();
    let mut add = |name, class, keys: &[&str], unit, current: f64, reference: f64, basis: &str, test| {
        // More gain, or less drag, is what helps.
        let helps = if unit == "m^2" { current > reference } else { current < reference };
        if helps && current > 0.0 && reference > 0.0 {
            out.push(scalar(Scalar {
                name,
                class,
                keys: keys.iter().map(|k| (*k).to_owned()).collect(),
                unit,
                factor: 1.0,
                current,
                reference,
                departure: (current / reference).ln().abs() / 1.5f64.ln(),
                basis: basis.to_owned(),
                test,
            }));
        }
    };
    let steps = "velocity steps of 3 m/s with the change made, then the hold again";
    let basis = "a quarter of the velocity gain: the velocity loop still follows";
    add(
        "position gain low",
        ChangeClass::Gain,
        &["loop.position.gain"],
        "1/s",
        p.gain,
        0.25 * v.gain,
        basis,
        steps,
    );
    if let Some(outer) = &a.attitude_loop {
        let most = SHARE * outer.gain[0].min(outer.gain[1]);
        let basis = "just below a quarter of the attitude gain";
        add(
            "velocity gain low",
            ChangeClass::Gain,
            &["loop.velocity.gain"],
            "1/s",
            v.gain,
            most,
            basis,
            steps,
        );
    }
    let basis = "40 % of the climb gain: the climb loop still follows (common practice, no source)";
    let height = 0.4 * v.climb_gain;
    let key = &["loop.position.height_gain"];
    add(
        "height gain low",
        ChangeClass::Gain,
        key,
        "1/s",
        p.height_gain,
        height,
        basis,
        "a hold of height with the change made",
    );
    add(
        "drag area large",
        ChangeClass::Hardware,
        &["aircraft.drag_area"],
        "m^2",
        a.drag_area,
        0.7 * a.drag_area,
        "rounded or covered payload and legs reach about two thirds (common practice, no source)",
        "a steady flight at 8 m/s against still air, tilt and airspeed read",
    );
    out
}
